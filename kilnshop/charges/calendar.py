"""Days of a chamber: what a charge takes of them, and what is left free."""

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kilnshop.charges.models import Booking
from kilnshop.science.estimate import Range

LOADING_DAYS = 1
UNLOADING_DAYS = 1
DAY = dt.timedelta(days=1)
FAR_DAYS = 730  # how far ahead a free place is looked for


def day_text(day: dt.date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def span_text(first_day: dt.date, last_day: dt.date) -> str:
    return f"{day_text(first_day)} to {day_text(last_day)}"


@dataclass(frozen=True)
class Days:
    """Days a charge takes, both ends included."""

    first_day: dt.date
    likely_last_day: dt.date
    last_day: dt.date

    @property
    def length(self) -> int:
        return (self.last_day - self.first_day).days + 1


def days_taken(first_day: dt.date, drying: Range) -> Days:
    """A loading day, whole days of drying, an unloading day; `drying` in days from start to dry.

    The chamber is held to the high end of the estimate; the expected end is only the likely one.
    """

    def last(drying_days: float) -> dt.date:
        return first_day + (LOADING_DAYS + math.ceil(drying_days) + UNLOADING_DAYS - 1) * DAY

    return Days(first_day, last(drying.expected), last(drying.high))


@dataclass(frozen=True)
class Gap:
    """Free days of a chamber, both ends included."""

    first_day: dt.date
    last_day: dt.date

    @property
    def length(self) -> int:
        return (self.last_day - self.first_day).days + 1


def gaps(bookings: Iterable[Booking], first_day: dt.date, last_day: dt.date) -> list[Gap]:
    """The free days between two dates."""
    found, free_from = [], first_day
    for booking in sorted(bookings, key=lambda booking: booking.first_day):
        if booking.last_day < free_from:
            continue
        if booking.first_day > last_day:
            break
        if booking.first_day > free_from:
            found.append(Gap(free_from, booking.first_day - DAY))
        free_from = booking.last_day + DAY
    if free_from <= last_day:
        found.append(Gap(free_from, last_day))
    return found


def first_free(bookings: Iterable[Booking], from_day: dt.date, length: int) -> dt.date | None:
    """The first day from which `length` days are free; None if there is none within two years."""
    for gap in gaps(bookings, from_day, from_day + FAR_DAYS * DAY):
        if gap.length >= length:
            return gap.first_day
    return None


@dataclass(frozen=True)
class Shift:
    """A planned charge that is put back to make room, as long as before."""

    booking: Booking
    days: Days

    @property
    def later_days(self) -> int:
        return (self.days.first_day - self.booking.first_day).days


def make_way(bookings: Iterable[Booking], days: Days) -> list[Shift]:
    """Which planned charges must go later so that `days` are free, in their order and over nothing that stands.

    What stands: outages, charges that have started, and charges that begin before `days` do.
    """
    rows = sorted(bookings, key=lambda booking: booking.first_day)
    later = [row for row in rows if state_of(row) == "planned" and row.first_day >= days.first_day]
    standing = sorted(
        [
            (days.first_day, days.last_day),
            *((row.first_day, row.last_day) for row in rows if row not in later),
        ]
    )
    shifts, free = [], days.first_day
    for row in later:
        first, length = max(row.first_day, free), row.last_day - row.first_day
        for begin, end in standing:
            if begin <= first + length and end >= first:
                first = end + DAY
        if first > row.first_day:
            by = first - row.first_day
            shifts.append(Shift(row, Days(first, row.likely_last_day + by, row.last_day + by)))
        free = first + length + DAY
    return shifts


@dataclass(frozen=True)
class Row:
    """One chamber on the calendar."""

    chamber: object
    bookings: Sequence[Booking]
    gaps: Sequence[Gap]


def state_of(booking: Booking) -> str:
    """planned, running, dry, unloaded or outage."""
    return booking.charge.state if booking.charge_id else "outage"
