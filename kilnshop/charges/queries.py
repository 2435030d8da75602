"""What the shop asks about charges and the days of its chambers."""

import datetime as dt
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Count, F, Prefetch, Q, QuerySet, Sum

from kilnshop.charges.calendar import DAY, FAR_DAYS, Days, Gap, Row, day_text, first_free, gaps, span_text
from kilnshop.charges.models import Booking, Charge, ChargeLot, Event
from kilnshop.orders.models import Order, Promise
from kilnshop.orders.queries import waiting_lots
from kilnshop.shop.models import Chamber

STATES = {
    "planned": Q(started_at=None, cancelled_at=None),
    "running": Q(started_at__isnull=False, dried_at=None, cancelled_at=None),
    "dry": Q(dried_at__isnull=False, unloaded_at=None, cancelled_at=None),
    "unloaded": Q(unloaded_at__isnull=False, cancelled_at=None),
    "cancelled": Q(cancelled_at__isnull=False),
}


def charges(state: str = "") -> QuerySet[Charge]:
    """Charges of a state, the one that began last first, with chamber, booking and lots."""
    chosen = Charge.objects.filter(STATES[state]) if state else Charge.objects.all()
    lots = ChargeLot.objects.select_related("lot__order__customer")
    return (
        chosen.select_related("chamber", "booking")
        .prefetch_related(Prefetch("charge_lots", queryset=lots))
        .order_by(F("booking__first_day").desc(nulls_last=True), "-id")
    )


def held_by(chamber: Chamber) -> Charge | None:
    """The charge inside the chamber now, running or cooling."""
    return (
        charges("running").filter(chamber=chamber).first() or charges("dry").filter(chamber=chamber).first()
    )


def next_in(chamber: Chamber) -> Charge | None:
    """The charge planned in the chamber that comes first."""
    return charges("planned").filter(chamber=chamber).order_by("booking__first_day").first()


def bookings_of(chamber: Chamber, from_day: dt.date, besides: Booking | None = None) -> list[Booking]:
    """What takes the chamber from a day on."""
    found = chamber.bookings.filter(last_day__gte=from_day).select_related("charge").order_by("first_day")
    return list(found.exclude(pk=besides.pk) if besides and besides.pk else found)


def free_from(
    chamber: Chamber, from_day: dt.date, length: int, besides: Booking | None = None
) -> dt.date | None:
    """The first day from which the chamber is free for `length` days."""
    return first_free(bookings_of(chamber, from_day, besides), from_day, length)


def room_problem(
    chamber: Chamber,
    days: Days,
    name: str,
    besides: Booking | None = None,
    pushed: Container[int] = (),
) -> str:
    """Why `name` cannot have those days, naming both sides and the next free day; empty when it can.

    Bookings of `pushed` (by id) would make room.
    """
    taken = next(
        (
            booking
            for booking in bookings_of(chamber, days.first_day, besides)
            if booking.first_day <= days.last_day and booking.pk not in pushed
        ),
        None,
    )
    if not taken:
        return ""
    free = free_from(chamber, days.first_day, days.length, besides)
    hint = f" It is free for {days.length} days from {day_text(free)}." if free else ""
    return (
        f"{chamber} is taken by {taken} from {span_text(taken.first_day, taken.last_day)}, so {name} cannot "
        f"have it from {span_text(days.first_day, days.last_day)}.{hint}"
    )


def as_seen(day: dt.date) -> str:
    """The days of all chambers from a day on, as a text that comes back with a change and tells what was seen."""
    rows = Booking.objects.filter(last_day__gte=day).order_by("pk")
    return "|".join([day.isoformat(), *map(_as_seen, rows)])


def _as_seen(booking: Booking) -> str:
    return (
        f"{booking.pk},{booking.chamber_id},{booking.charge_id or ''},{booking.first_day},{booking.last_day}"
    )


def changes_since(seen: str, chambers: Iterable[int]) -> list[str]:
    """What changed in these chambers since somebody saw them, in words. ValueError when `seen` makes no sense."""
    day, *rows = seen.split("|")
    before: dict[int, tuple[str, list[str]]] = {}
    for row in rows:
        parts = row.split(",")
        if len(parts) != 5:
            raise ValueError(f"seen={row!r}: not a row of the calendar")
        before[int(parts[0])] = (row, parts)
    wanted = set(chambers)
    found = Booking.objects.filter(last_day__gte=dt.date.fromisoformat(day)).select_related(
        "chamber", "charge__created_by"
    )
    now = {booking.pk: booking for booking in found}
    said = []
    for pk, booking in now.items():
        row, parts = before.get(pk, ("", []))
        if row == _as_seen(booking) or not {booking.chamber_id, int(parts[1]) if parts else 0} & wanted:
            continue
        span = f"{booking.chamber}, {span_text(booking.first_day, booking.last_day)}"
        said.append(f"{booking} is now in {span}{_by_whom(booking, bool(row))}.")
    for pk, (_, parts) in before.items():
        if pk not in now and int(parts[1]) in wanted:
            charge = Charge.objects.filter(pk=parts[2] or None).first()
            first, last = map(dt.date.fromisoformat, parts[3:])
            what = f"charge {charge}" if charge else "the outage"
            said.append(f"{what} of {span_text(first, last)} is off the calendar.")
    return [f"{text[:1].upper()}{text[1:]}" for text in said]


def _by_whom(booking: Booking, moved: bool) -> str:
    """Who put a booking where it is, as far as that is on record."""
    if not booking.charge_id:
        return ""
    event = booking.charge.events.filter(kind=Event.Kind.MOVED).select_related("by").first()
    if moved and event:
        return f", moved by {event.by}: {event.why}"
    return "" if moved else f", booked by {booking.charge.created_by}"


def calendar_rows(first_day: dt.date, days: int, today: dt.date) -> list[Row]:
    """Every chamber in use, with its bookings and free gaps (from today on) in a stretch of days."""
    last_day = first_day + (days - 1) * DAY
    shown = (
        Booking.objects.filter(first_day__lte=last_day, last_day__gte=first_day)
        .select_related("charge")
        .prefetch_related("charge__charge_lots__lot__order__customer")
        .order_by("first_day")
    )
    by_chamber: dict[int, list[Booking]] = {}
    for booking in shown:
        by_chamber.setdefault(booking.chamber_id, []).append(booking)
    wanted = Chamber.objects.filter(Q(active=True) | Q(pk__in=by_chamber))
    return [
        Row(
            chamber,
            by_chamber.get(chamber.pk, []),
            gaps(by_chamber.get(chamber.pk, []), max(first_day, today), last_day) if chamber.active else [],
        )
        for chamber in wanted
    ]


@dataclass(frozen=True)
class PromiseMove:
    """What the calendar says about an order's ready date, beside what was promised."""

    order: Order
    promised: dt.date | None
    ready_on: dt.date | None  # None while a lot has no charge
    waiting: tuple[str, ...]  # letters of lots without a charge

    @property
    def changes(self) -> bool:
        return self.ready_on is not None and self.ready_on != self.promised

    @property
    def late_days(self) -> int:
        """Days the calendar is behind the promise; 0 when it keeps it."""
        if self.ready_on is None or self.promised is None:
            return 0
        return max(0, (self.ready_on - self.promised).days)

    @property
    def breaks(self) -> bool:
        return self.late_days > 0

    @property
    def misses_need_days(self) -> int:
        needed = self.order.needed_by
        return max(0, (self.ready_on - needed).days) if self.ready_on and needed else 0


def promise_moves(
    orders: Iterable[int], margin_days: int, ends: Mapping[int, dt.date] | None = None
) -> list[PromiseMove]:
    """The ready date of each order by the calendar: the high end of its last charge and the shop's margin.

    `ends` gives the last day of lots (by id) as they would be, in place of what is booked. While some lots of
    an order wait for a charge the date is only known to be late: it is given when it breaks the promise.
    """
    wanted = (
        Order.objects.filter(pk__in=orders, cancelled_at=None)
        .select_related("customer")
        .prefetch_related("lots", Prefetch("promises", queryset=Promise.objects.order_by("-made_at", "-id")))
    )
    booked = dict(
        ChargeLot.objects.filter(lot__order__in=orders, open=True, charge__booking__isnull=False).values_list(
            "lot_id", "charge__booking__last_day"
        )
    ) | dict(ends or {})
    moves = []
    for order in wanted:
        lots, promises = list(order.lots.all()), list(order.promises.all())
        promised = promises[0].ready_on if promises else None
        known = [booked[lot.pk] for lot in lots if lot.pk in booked]
        waiting = tuple(lot.letter for lot in lots if lot.pk not in booked)
        ready = max(known) + margin_days * DAY if known else None
        if waiting and ready and not (promised and ready > promised):
            ready = None
        moves.append(PromiseMove(order, promised, ready, waiting))
    return moves


def promises_if(ends: Mapping[int, dt.date], margin_days: int) -> list[PromiseMove]:
    """What the promises would be if charges (by id) ended on other days."""
    rows = list(
        ChargeLot.objects.filter(charge__in=ends, open=True).values_list(
            "lot_id", "lot__order_id", "charge_id"
        )
    )
    lot_ends = {lot: ends[charge] for lot, _, charge in rows}
    return promise_moves({order for _, order, _ in rows}, margin_days, lot_ends)


def orders_of(charge: Charge) -> set[int]:
    return set(charge.charge_lots.filter(open=True).values_list("lot__order_id", flat=True))


def slipped(charges: Iterable[Charge]) -> dict[int, int]:
    """Days that each charge's last promise was put back by a later one, by charge id, for those that slipped."""
    held = {charge.pk: {row.lot.order_id for row in charge.charge_lots.all()} for charge in charges}
    orders = set().union(*held.values()) if held else set()
    dates: dict[int, list[dt.date]] = {}
    for order, ready_on in (
        Promise.objects.filter(order__in=orders).order_by("made_at", "id").values_list("order_id", "ready_on")
    ):
        dates.setdefault(order, []).append(ready_on)
    late = {order: (found[-1] - found[0]).days for order, found in dates.items() if found[-1] > found[0]}
    return {pk: max(late[o] for o in of if o in late) for pk, of in held.items() if of & late.keys()}


def charge_counts() -> dict[str, int]:
    """How many charges are in each state."""
    return Charge.objects.aggregate(
        total=Count("pk"), **{state: Count("pk", filter=which) for state, which in STATES.items()}
    )


def waiting_sums() -> dict[str, object]:
    """Lots that wait for a charge: how many, whose, and how much."""
    return (
        waiting_lots()
        .order_by()
        .aggregate(
            lots=Count("pk", distinct=True),
            customers=Count("order__customer", distinct=True),
            volume_bf=Sum("volume_bf", default=0),
        )
    )


def next_free(today: dt.date) -> tuple[Chamber, Gap] | None:
    """The chamber that is free soonest, and the days it is free."""
    taken: dict[int, list[Booking]] = {}
    for booking in Booking.objects.filter(last_day__gte=today):
        taken.setdefault(booking.chamber_id, []).append(booking)
    found = [
        (chamber, free[0])
        for chamber in Chamber.objects.filter(active=True)
        if (free := gaps(taken.get(chamber.pk, []), today, today + FAR_DAYS * DAY))
    ]
    return min(found, key=lambda pair: (pair[1].first_day, -pair[1].length), default=None)


def behind(today: dt.date) -> list[Booking]:
    """Charges the calendar has lost: still in the chamber after their last day, or not started on their first."""
    late = Q(charge__started_at=None, first_day__lt=today) | Q(
        charge__started_at__isnull=False, charge__unloaded_at=None, last_day__lt=today
    )
    return list(
        Booking.objects.filter(late, charge__isnull=False)
        .select_related("charge", "chamber")
        .order_by("last_day", "first_day")
    )
