"""A week of the chambers for the wall: who does what on which day."""

import datetime as dt
import zoneinfo
from dataclasses import dataclass

from django.utils import timezone

from kilnshop.charges import following, moving, queries
from kilnshop.charges.calendar import DAY, UNLOADING_DAYS
from kilnshop.charges.models import Booking
from kilnshop.orders.queries import promised_between
from kilnshop.shop.models import Chamber, Shop
from kilnshop.shop.papers import shop_block
from kilnshop.shop.queries import shop_today

MOST_READINGS = 7 * 24


@dataclass(frozen=True)
class Cell:
    """One chamber on one day. `what` is in bold; `kind` is load, out, run, hold, closed or free."""

    kind: str
    what: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Line:
    chamber: Chamber
    cells: tuple[Cell, ...]


def monday(day: dt.date) -> dt.date:
    return day - day.weekday() * DAY


def sheet(first_day: dt.date, shop: Shop, now: dt.datetime) -> dict:
    """What the week sheet prints, from a day on; a working paper, so it follows the calendar."""
    days = [first_day + n * DAY for n in range(7)]
    today = shop_today(now)
    lines = [
        Line(row.chamber, tuple(_cells(row.bookings, days, shop, now, today)))
        for row in queries.calendar_rows(first_day, 7, today)
    ]
    promised: dict[dt.date, list[str]] = {day: [] for day in days}
    for order in promised_between(days[0], days[-1]):
        promised[order.promises.all()[0].ready_on].append(f"{order.number}, {order.customer}")
    return {
        "shop": shop_block(shop),
        "number": f"{days[0]:%G}, week {days[0]:%V}",
        "issued_on": today,
        "paper": shop.paper,
        "units": shop.units,
        "days": days,
        "today": today,
        "lines": lines,
        "promised": [tuple(promised[day]) for day in days],
        "loads": sum(cell.kind == "load" for line in lines for cell in line.cells),
    }


def _cells(
    bookings: list[Booking], days: list[dt.date], shop: Shop, now: dt.datetime, today: dt.date
) -> list[Cell]:
    found = [Cell("free", "Free")] * len(days)
    for booking in bookings:
        readings = _readings(booking, shop, now, today, days[-1])
        by_readings = None
        if booking.charge_id and booking.charge.state == "running":
            by_readings = moving.end_by_readings(booking.charge, now)
        for place, day in enumerate(days):
            if booking.first_day <= day <= booking.last_day:
                found[place] = _cell(booking, day, today, by_readings, readings.get(day, []))
    return found


def _cell(booking: Booking, day: dt.date, today: dt.date, by_readings, readings: list[str]) -> Cell:
    charge = booking.charge
    if charge is None:
        return Cell("closed", "Closed", (booking.outage,))
    likely = by_readings.likely_last_day if by_readings else booking.likely_last_day
    name, notes = str(charge), [f"Reading {', '.join(readings)}"] if readings else []
    if charge.state == "unloaded":
        return Cell("hold", name, ("Unloaded",))
    if day == booking.first_day and charge.state == "planned":
        lots = [f"{row.lot} {row.lot.order.customer.initials}" for row in charge.charge_lots.all()]
        return Cell("load", f"Load and start {name}", tuple(lots))
    if charge.state == "dry":
        if day < shop_today(charge.dried_at):
            return Cell("run", f"{name} dries")
        if day < today:
            return Cell("hold", f"{name} is dry")
        return Cell("out", f"Unload {name}", ("Dry",) if day == today else ("if it is still in",))
    if day == likely - UNLOADING_DAYS * DAY:
        notes.insert(0, "Likely dry")
    if day == likely:
        return Cell("out", f"Unload {name}", ("if dry, as is likely", *notes))
    if day == booking.last_day:
        return Cell("out", f"{name} out today at the latest", tuple(notes))
    if day > likely:
        return Cell("hold", f"{name} may still dry", tuple(notes))
    return Cell("run", f"{name} dries", tuple(notes))


def _readings(
    booking: Booking, shop: Shop, now: dt.datetime, today: dt.date, last: dt.date
) -> dict[dt.date, list[str]]:
    """When readings are due, by day; an overdue one is due today."""
    due = following.reading_due_at(booking.charge, shop.reading_every_hours) if booking.charge_id else None
    zone = zoneinfo.ZoneInfo(shop.time_zone)
    found: dict[dt.date, list[str]] = {}
    for _ in range(MOST_READINGS if due else 0):
        day = shop_today(due)
        if day > last:
            break
        if due < now:
            found.setdefault(today, []).append("now")
            due = now
        else:
            found.setdefault(day, []).append(f"{timezone.localtime(due, zone):%H:%M}")
        due += dt.timedelta(hours=shop.reading_every_hours)
    return found
