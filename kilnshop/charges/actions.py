"""What the shop does with charges on the calendar: plan, move, cancel, and close a chamber for a while."""

import datetime as dt
from collections.abc import Iterable, Sequence

from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction

from kilnshop.charges import planning, queries
from kilnshop.charges.calendar import Days, day_text, make_way
from kilnshop.charges.models import Booking, Charge, ChargeLot, Event
from kilnshop.orders.actions import set_promise
from kilnshop.orders.models import Lot, Order
from kilnshop.orders.queries import waiting_lots
from kilnshop.shop.models import Chamber, Person
from kilnshop.shop.numbers import next_number
from kilnshop.shop.queries import the_shop
from kilnshop.shop.roles import May, require


def plan_charge(
    *,
    chamber: Chamber,
    lots: Sequence[Lot],
    first_day: dt.date,
    by: Person,
    now: dt.datetime,
    schedule_code: str = "",
    notes: str = "",
    override_note: str = "",
) -> Charge:
    """Book a chamber for waiting lots and promise their orders from the high end of the estimate."""
    require(by, May.RUN_CHARGES)
    shop = the_shop()
    lots = sorted(lots, key=lambda lot: lot.pk)
    plan = _plan(chamber, lots, first_day, shop, schedule_code)
    _accept(plan, override_note, by)
    with transaction.atomic():
        _lock([chamber.pk])
        _take(lots)
        name = planning.name_of(lots)
        _make_room(chamber, plan.days, name)
        charge = Charge(
            number=next_number(kind="charge", year=now.year, prefix=shop.charge_prefix),
            chamber=chamber,
            schedule_code=plan.estimate.schedule_code,
            plan=plan.estimate.to_dict(),
            notes=notes,
            created_by=by,
            drain_counts=Charge.objects.filter(chamber=chamber).values_list("drain_counts", flat=True).first()
            or False,
        )
        charge.full_clean()
        charge.save()
        noted = {name for finding in plan.findings for name in finding.lots}
        alone = bool(override_note) and not noted
        for lot in lots:
            row = ChargeLot(
                charge=charge, lot=lot, override_note=override_note if alone or str(lot) in noted else ""
            )
            row.full_clean()
            row.save()
        _book(Booking(chamber=chamber, charge=charge), plan.days, name)
        _promise(
            {lot.order_id for lot in lots},
            by,
            now,
            f"Charge {charge} in {chamber}: out by {day_text(plan.days.last_day)} at the high end",
        )
    return charge


@transaction.atomic
def plan_charges(*, charges: Sequence[dict], by: Person, now: dt.datetime) -> list[Charge]:
    """Book several charges, each given as `plan_charge` takes it; all of them or none."""
    _lock({given["chamber"].pk for given in charges})
    booked = []
    for given in charges:
        try:
            booked.append(plan_charge(**given, by=by, now=now))
        except ValidationError as problem:
            name = planning.name_of(given["lots"])
            raise ValidationError(
                [f"Nothing is booked. {name[:1].upper()}{name[1:]}: {text}" for text in problem.messages]
            ) from problem
    return booked


def move_charge(
    *,
    charge: Charge,
    chamber: Chamber,
    first_day: dt.date,
    by: Person,
    now: dt.datetime,
    why: str,
    push: bool = False,
    seen: str = "",
) -> Charge:
    """Move a planned charge to other days or another chamber, and promise its orders anew.

    With `push` later planned charges make room. `seen` is what the person saw (`queries.as_seen`): when the
    chambers have changed since, nothing is moved.
    """
    require(by, May.RUN_CHARGES)
    _reason(why)
    shop = the_shop()
    lots = [row.lot for row in charge.charge_lots.select_related("lot__order")]
    plan = _plan(chamber, lots, first_day, shop, charge.schedule_code)
    if plan.refusals:
        raise ValidationError(list(plan.refusals))
    with transaction.atomic():
        _lock([charge.chamber_id, chamber.pk])
        charge = Charge.objects.select_for_update().get(pk=charge.pk)
        _unchanged(seen, [charge.chamber_id, chamber.pk])
        _only_planned(charge, "moved")
        booking = charge.booking
        before = _where(charge.chamber, booking)
        pushed = _push(booking, chamber, plan.days) if push else []
        _make_room(chamber, plan.days, f"charge {charge}", booking)
        charge.chamber, charge.plan = chamber, plan.estimate.to_dict()
        charge.schedule_code = plan.estimate.schedule_code
        charge.full_clean()
        charge.save(update_fields=["chamber", "plan", "schedule_code"])
        booking.chamber = chamber
        _book(booking, plan.days, f"charge {charge}")
        _moved(charge, before, by, now, why)
        _made_room(booking, pushed, by, now, why)
    return charge


def set_days(
    *,
    charge: Charge,
    likely_last_day: dt.date,
    last_day: dt.date,
    by: Person,
    now: dt.datetime,
    why: str,
    first_day: dt.date | None = None,
    push: bool = False,
    seen: str = "",
) -> Charge:
    """Put the end (and start) of a charge where it really is, running ones too, and promise anew.

    Used when a charge slips, ends early or is unloaded; `push` and `seen` as for `move_charge`.
    """
    require(by, May.RUN_CHARGES)
    _reason(why)
    with transaction.atomic():
        _lock([charge.chamber_id])
        charge = Charge.objects.select_for_update().get(pk=charge.pk)
        _unchanged(seen, [charge.chamber_id])
        if charge.cancelled_at:
            raise ValidationError(f"Charge {charge} is cancelled; it takes no days any more.")
        booking = charge.booking
        days = Days(first_day or booking.first_day, likely_last_day, last_day)
        if not days.first_day <= days.likely_last_day <= days.last_day:
            raise ValidationError(
                f"The days must run in order: first {day_text(days.first_day)}, likely last "
                f"{day_text(days.likely_last_day)}, last {day_text(days.last_day)}."
            )
        before = _where(charge.chamber, booking)
        pushed = _push(booking, charge.chamber, days) if push else []
        _make_room(charge.chamber, days, f"charge {charge}", booking)
        _book(booking, days, f"charge {charge}")
        _moved(charge, before, by, now, why)
        _made_room(booking, pushed, by, now, why)
    return charge


def cancel_charge(*, charge: Charge, by: Person, now: dt.datetime, why: str) -> Charge:
    """Give up a planned charge: its days are free again and its lots wait in the yard."""
    require(by, May.RUN_CHARGES)
    _reason(why)
    with transaction.atomic():
        _lock([charge.chamber_id])
        charge = Charge.objects.select_for_update().get(pk=charge.pk)
        _only_planned(charge, "cancelled")
        booking = charge.booking
        Event.objects.create(
            charge=charge,
            kind=Event.Kind.NOTE,
            at=now,
            by=by,
            before=_where(charge.chamber, booking),
            why=f"Cancelled: {why}",
        )
        booking.delete()
        for row in charge.charge_lots.all():
            row.open = False
            row.save(update_fields=["open"])
        charge.cancelled_at = now
        charge.save(update_fields=["cancelled_at"])
    return charge


def add_outage(
    *, chamber: Chamber, first_day: dt.date, last_day: dt.date, reason: str, by: Person
) -> Booking:
    """Close a chamber for some days."""
    require(by, May.RUN_CHARGES)
    days = _closed(first_day, last_day, reason)
    with transaction.atomic():
        _lock([chamber.pk])
        outage = Booking(chamber=chamber, outage=reason.strip())
        _make_room(chamber, days, str(outage))
        return _book(outage, days, str(outage))


def move_outage(
    *,
    outage: Booking,
    chamber: Chamber,
    first_day: dt.date,
    last_day: dt.date,
    why: str,
    by: Person,
    now: dt.datetime,
    push: bool = False,
    seen: str = "",
) -> Booking:
    """Close a chamber on other days, or another one; `push` and `seen` as for `move_charge`."""
    require(by, May.RUN_CHARGES)
    days = _closed(first_day, last_day, why)
    with transaction.atomic():
        _lock([outage.chamber_id, chamber.pk])
        outage = Booking.objects.select_for_update().get(pk=outage.pk, charge=None)
        _unchanged(seen, [outage.chamber_id, chamber.pk])
        outage.outage = why.strip()
        pushed = _push(outage, chamber, days) if push else []
        _make_room(chamber, days, str(outage), outage)
        outage.chamber = chamber
        _book(outage, days, str(outage))
        _made_room(outage, pushed, by, now, f"{chamber} is closed")
    return outage


def _closed(first_day: dt.date, last_day: dt.date, why: str) -> Days:
    if last_day < first_day:
        raise ValidationError(
            f"The outage ends on {day_text(last_day)}, before it starts on {day_text(first_day)}. Swap the dates."
        )
    if not why.strip():
        raise ValidationError("Say what the chamber is closed for.")
    return Days(first_day, last_day, last_day)


def remove_outage(*, outage: Booking, by: Person) -> None:
    """Open the chamber again."""
    require(by, May.RUN_CHARGES)
    if outage.charge_id:
        raise ValidationError(f"{outage} is no outage. Cancel or move the charge instead.")
    outage.delete()


def _plan(chamber, lots, first_day, shop, code) -> planning.Plan:
    if not chamber.active:
        raise ValidationError(f"{chamber} is out of use. Choose another chamber.")
    try:
        return planning.plan(chamber=chamber, lots=lots, first_day=first_day, shop=shop, schedule_code=code)
    except ValueError as problem:
        raise ValidationError(str(problem)) from problem


def _accept(plan: planning.Plan, override_note: str, by: Person) -> None:
    if plan.refusals:
        raise ValidationError(list(plan.refusals))
    if plan.costs and not by.may(May.ACCEPT_COSTS):
        raise ValidationError([*plan.costs, "Ask the owner to accept this and book it, or leave a lot out."])
    if plan.costs and not override_note.strip():
        raise ValidationError([*plan.costs, "Write a note that accepts this, or leave a lot out."])


def _reason(why: str) -> None:
    if not why.strip():
        raise ValidationError("Say why: customers whose promise moves will ask.")


def _only_planned(charge: Charge, done: str) -> None:
    if charge.state != "planned":
        raise ValidationError(f"Charge {charge} is {charge.state}; only a planned charge can be {done}.")


def _lock(chambers: Iterable[int]) -> None:
    """One writer at a time in a chamber, in a fixed order so that two never wait for each other."""
    list(Chamber.objects.select_for_update().filter(pk__in=set(chambers)).order_by("pk"))


def _unchanged(seen: str, chambers: Iterable[int]) -> None:
    """Refuse a change made from a calendar that is no longer so, and say what changed."""
    try:
        changes = queries.changes_since(seen, chambers) if seen else []
    except ValueError as problem:
        raise ValidationError("Open the calendar again; this page is too old to save from.") from problem
    if changes:
        raise ValidationError(
            ["The calendar changed while you looked, so nothing was moved.", *changes], code="changed"
        )


def _push(booking: Booking, chamber: Chamber, days: Days) -> list[tuple[Charge, dict[str, str]]]:
    """Put later planned charges back, the last first, and give each with where it was."""
    shifts = make_way(queries.bookings_of(chamber, days.first_day, booking), days)
    if shifts:  # what moves itself must not stand in the way meanwhile
        Booking.objects.filter(pk=booking.pk).update(
            first_day=dt.date.max, likely_last_day=dt.date.max, last_day=dt.date.max
        )
    pushed = []
    for shift in reversed(shifts):
        pushed.append((shift.booking.charge, _where(chamber, shift.booking)))
        _book(shift.booking, shift.days, f"charge {shift.booking.charge}")
    return pushed


def _made_room(
    booking: Booking, pushed: Iterable[tuple[Charge, dict[str, str]]], by: Person, now: dt.datetime, why: str
) -> None:
    for other, before in pushed:
        _moved(other, before, by, now, f"Makes room for {booking}: {why.strip()}")


def _take(lots: Sequence[Lot]) -> None:
    """Lock the lots and their orders (one could be cancelled meanwhile) and see that each lot still waits."""
    keys = [lot.pk for lot in lots]
    list(Order.objects.select_for_update().filter(pk__in={lot.order_id for lot in lots}).order_by("pk"))
    list(Lot.objects.select_for_update().filter(pk__in=keys).order_by("pk"))
    waiting = set(waiting_lots().filter(pk__in=keys).values_list("pk", flat=True))
    held = dict(ChargeLot.objects.filter(lot__in=keys, open=True).values_list("lot_id", "charge__number"))
    problems = [
        f"{lot} is in charge {held[lot.pk]} already."
        if lot.pk in held
        else f"{lot} does not wait: its order {lot.order} is not accepted, or cancelled."
        for lot in lots
        if lot.pk not in waiting
    ]
    if problems:
        raise ValidationError(problems)


def _make_room(chamber: Chamber, days: Days, name: str, booking: Booking | None = None) -> None:
    problem = queries.room_problem(chamber, days, name, booking)
    if problem:
        raise ValidationError(problem, code="overlap")


def _book(booking: Booking, days: Days, name: str) -> Booking:
    """Save the days. The database has the last word on overlaps."""
    booking.first_day, booking.last_day = days.first_day, days.last_day
    booking.likely_last_day = days.likely_last_day
    booking.full_clean()
    try:
        with transaction.atomic():
            booking.save()
    except DatabaseError as problem:
        # PostgreSQL may find two clashing writers as a deadlock while it checks the exclusion constraint
        if not any(sign in str(problem) for sign in ("booking_overlap", "checking exclusion constraint")):
            raise
        _make_room(booking.chamber, days, name, booking)
        raise ValidationError(
            f"{booking.chamber} was taken by somebody else a moment ago, so {name} was not booked. "
            "Look at the calendar and choose other days.",
            code="overlap",
        ) from problem
    return booking


def _where(chamber: Chamber, booking: Booking) -> dict[str, str]:
    return {
        "chamber": chamber.name,
        "first_day": booking.first_day.isoformat(),
        "likely_last_day": booking.likely_last_day.isoformat(),
        "last_day": booking.last_day.isoformat(),
    }


def _moved(charge: Charge, before: dict[str, str], by: Person, now: dt.datetime, why: str) -> None:
    after = _where(charge.chamber, charge.booking)
    if after == before:
        return
    Event.objects.create(
        charge=charge, kind=Event.Kind.MOVED, at=now, by=by, before=before, after=after, why=why.strip()
    )
    _promise(queries.orders_of(charge), by, now, f"Charge {charge} moved: {why.strip()}")


def _promise(orders: Iterable[int], by: Person, now: dt.datetime, why: str) -> None:
    """Promise each order what the calendar says now; the earlier promise stays on record."""
    for move in queries.promise_moves(orders, the_shop().promise_margin_days):
        if move.changes:
            set_promise(
                order=Order.objects.get(pk=move.order.pk),
                ready_on=move.ready_on,
                by=by,
                now=now,
                why=why[:200],
            )
