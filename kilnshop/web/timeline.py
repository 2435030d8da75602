"""The chamber calendar as a drawing: where each bar, gap and line stands. Colours are attributes, not styles."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from kilnshop.charges.calendar import DAY, Row, state_of
from kilnshop.charges.models import Booking, Charge
from kilnshop.web.templatetags.shopfloor import day as day_words

WIDTH, LEFT, HEAD, ROW, BAR = 1144, 150, 46, 92, 48
HANDLE = 16
LETTER = 7.4  # about as wide as one letter of the bars
LOOKS = {  # state: shape, word, fill, edge, dashes
    "planned": ("○", "Planned", "#f6eedd", "#8a5a12", "6 4"),
    "running": ("▶", "Running", "#cfe2f3", "#1b4f82", ""),
    "dry": ("✓", "Dry", "#dcecd5", "#2f6130", ""),
    "unloaded": ("✓", "Unloaded", "#efebe3", "#857a6b", ""),
    "outage": ("■", "Closed", "url(#closed)", "#96281b", ""),
}


@dataclass(frozen=True)
class Bar:
    """One booking. `soft_x` is where the likely end is: from there on the days are only held."""

    booking: Booking
    state: str
    x: float
    y: float
    width: float
    soft_x: float
    soft_width: float
    fill: str
    edge: str
    dashes: str
    lines: tuple[str, ...]
    title: str
    marks: tuple[tuple[float, float], ...]  # x and width of the loading day and the likely unloading day
    moves: bool  # to other days, while it has not begun
    resizes: bool

    @property
    def handle_x(self) -> float:
        """Where the end is taken hold of."""
        return round(self.x + self.width - min(HANDLE, self.width / 2), 1)

    @property
    def handle_width(self) -> float:
        return round(min(HANDLE, self.width / 2), 1)

    @property
    def bottom(self) -> float:
        return self.y + BAR

    @property
    def soft_y(self) -> float:
        return self.y + 1

    @property
    def soft_inner(self) -> float:
        return max(0.0, round(self.soft_width - 1, 1))

    @property
    def soft_height(self) -> float:
        return BAR - 2

    @property
    def text_x(self) -> float:
        return self.x + 6

    @property
    def first_line(self) -> float:
        return self.y + 19

    @property
    def second_line(self) -> float:
        return self.y + 38


@dataclass(frozen=True)
class GapMark:
    """Free days."""

    chamber: object
    first_day: dt.date
    x: float
    y: float
    width: float
    label: str
    title: str
    middle: float


@dataclass(frozen=True)
class Tick:
    x: float
    label: str


@dataclass(frozen=True)
class Lane:
    """One chamber."""

    chamber: object
    name: str
    y: float
    middle: float
    bars: tuple[Bar, ...]
    gaps: tuple[GapMark, ...]


@dataclass(frozen=True)
class Drawing:
    width: float
    height: float
    left: float
    lanes: tuple[Lane, ...]
    ticks: tuple[Tick, ...]
    today_x: float | None
    day_width: float
    bar_height: float = BAR
    row_height: float = ROW


def customers_of(charge: Charge) -> str:
    return ", ".join(dict.fromkeys(row.lot.order.customer.name for row in charge.charge_lots.all()))


def who(booking: Booking) -> str:
    """The customers in a charge, or the reason of an outage."""
    return customers_of(booking.charge) if booking.charge_id else booking.outage


def state_word(state: str) -> str:
    return LOOKS[state][1]


def _fit(text: str, width: float) -> str:
    """As much of the text as stands in the width; nothing when only a scrap would."""
    letters = int(width / LETTER)
    if len(text) <= letters:
        return text
    return f"{text[: letters - 1].rstrip(' ,')}…" if letters >= 5 else ""


def _bar_lines(booking: Booking, shape: str, word: str, width: float) -> tuple[str, str]:
    name = booking.charge.number if booking.charge_id else ""
    full = f"{shape} {word} {name}".strip()
    first = next((text for text in (full, f"{shape} {word}", shape) if len(text) * LETTER <= width), "")
    return first, _fit(who(booking), width)


def draw(rows: Sequence[Row], first_day: dt.date, days: int, today: dt.date) -> Drawing:
    """Place everything; a day is the same width everywhere."""
    wide = (WIDTH - LEFT) / days
    last_day = first_day + (days - 1) * DAY

    def x_of(day: dt.date) -> float:
        return round(LEFT + min(max((day - first_day).days, 0), days) * wide, 1)

    lanes = []
    for number, row in enumerate(rows):
        y = HEAD + number * ROW
        bars, marks = [], []
        for booking in row.bookings:
            state = state_of(booking)
            shape, word, fill, edge, dashes = LOOKS[state]
            x, soft, end = (
                x_of(booking.first_day),
                x_of(booking.likely_last_day + DAY),
                x_of(booking.last_day + DAY),
            )
            span = f"{day_words(booking.first_day)} to {day_words(booking.last_day)}"
            likely = f", likely {day_words(booking.likely_last_day)}" if booking.charge_id else ""
            bars.append(
                Bar(
                    booking, state, x, y + 12, end - x, soft, max(0.0, round(end - soft, 1)), fill, edge, dashes,
                    _bar_lines(booking, shape, word, end - x - 12),
                    f"{word}: {booking}, {who(booking)}, {span}{likely}",
                    tuple(
                        (x_of(day), round(x_of(day + DAY) - x_of(day), 1))
                        for day in dict.fromkeys((booking.first_day, booking.likely_last_day))
                        if booking.charge_id and first_day <= day <= last_day
                    ),
                    state == "planned" or (state == "outage" and booking.first_day >= today),
                    state != "unloaded" and (state != "outage" or booking.last_day >= today),
                )
            )  # fmt: skip
        for gap in row.gaps:
            x, end = x_of(gap.first_day), x_of(gap.last_day + DAY)
            open_end = "+" if gap.last_day == last_day else ""
            length = f"{gap.length}{open_end} day{'' if gap.length == 1 else 's'} free"
            short = f"{gap.length}{open_end} d"
            room = end - x - 6
            label = length if len(length) * LETTER <= room else short if len(short) * LETTER <= room else ""
            marks.append(
                GapMark(
                    row.chamber, gap.first_day, x, y + 12, round(end - x, 1), label,
                    f"{row.chamber} is free {length.removesuffix(' free')} from {day_words(gap.first_day)}: plan a charge",
                    round((x + end) / 2, 1),
                )
            )  # fmt: skip
        lanes.append(
            Lane(
                row.chamber,
                _fit(str(row.chamber), LEFT - 8),
                y,
                y + 12 + BAR / 2 + 5,
                tuple(bars),
                tuple(marks),
            )
        )
    mondays = [first_day + n * DAY for n in range(days) if (first_day + n * DAY).weekday() == 0]
    every = 1 if wide * 7 >= 80 else 2
    ticks = tuple(
        Tick(x_of(monday), f"{monday.day} {monday:%b}" if place % every == 0 else "")
        for place, monday in enumerate(mondays)
    )
    inside = first_day <= today <= last_day
    return Drawing(
        WIDTH, HEAD + max(1, len(rows)) * ROW, LEFT, tuple(lanes), ticks,
        round(x_of(today) + wide / 2, 1) if inside else None, round(wide, 4),
    )  # fmt: skip


@dataclass(frozen=True)
class Entry:
    """One line of a chamber's list: a booking or a gap."""

    booking: Booking | None
    state: str
    what: str
    who: str
    first_day: dt.date
    last_day: dt.date
    likely_last_day: dt.date | None
    length: int
    slipped_days: int = 0


def entries(row: Row, slipped: Mapping[int, int]) -> list[Entry]:
    """Bookings and gaps of a chamber in the order of their days, for reading and for phones."""
    booked = [
        Entry(
            booking,
            state_of(booking),
            booking.charge.number if booking.charge_id else booking.outage,
            who(booking) if booking.charge_id else "",
            booking.first_day,
            booking.last_day,
            booking.likely_last_day if booking.charge_id else None,
            (booking.last_day - booking.first_day).days + 1,
            slipped.get(booking.charge_id, 0),
        )
        for booking in row.bookings
    ]
    free = [Entry(None, "free", "", "", gap.first_day, gap.last_day, None, gap.length) for gap in row.gaps]
    return sorted(booked + free, key=lambda entry: entry.first_day)
