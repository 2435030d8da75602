"""What a change on the calendar would do, before anybody makes it."""

import datetime as dt
from dataclasses import dataclass

from kilnshop.charges import following, planning, queries
from kilnshop.charges.calendar import DAY, UNLOADING_DAYS, Days, Shift, make_way
from kilnshop.charges.models import Booking, Charge
from kilnshop.charges.queries import PromiseMove
from kilnshop.shop.models import Chamber, Shop
from kilnshop.shop.queries import shop_today


@dataclass(frozen=True)
class Proposal:
    """A charge or an outage on other days: who makes room, whose promise moves, what stands in the way."""

    booking: Booking
    chamber: Chamber
    days: Days
    plan: planning.Plan | None  # None when only the days change
    shifts: tuple[Shift, ...]
    promises: tuple[PromiseMove, ...]
    refusals: tuple[str, ...]

    @property
    def broken(self) -> list[PromiseMove]:
        return [move for move in self.promises if move.breaks]


def propose_move(*, charge: Charge, chamber: Chamber, first_day: dt.date, shop: Shop) -> Proposal:
    """A planned charge estimated on other days or in another chamber. ValueError when it makes no sense."""
    lots = [row.lot for row in charge.charge_lots.select_related("lot__order__customer")]
    plan = planning.plan(
        chamber=chamber, lots=lots, first_day=first_day, shop=shop, schedule_code=charge.schedule_code
    )
    return _proposal(charge.booking, chamber, plan.days, shop, plan)


def propose_days(*, charge: Charge, days: Days, shop: Shop) -> Proposal:
    """A charge held longer or shorter where it is."""
    return _proposal(charge.booking, charge.chamber, days, shop)


def propose_outage(
    *, outage: Booking, chamber: Chamber, first_day: dt.date, last_day: dt.date, shop: Shop
) -> Proposal:
    """A chamber closed on other days, or another chamber."""
    return _proposal(outage, chamber, Days(first_day, last_day, last_day), shop)


def _proposal(
    booking: Booking, chamber: Chamber, days: Days, shop: Shop, plan: planning.Plan | None = None
) -> Proposal:
    others = queries.bookings_of(chamber, days.first_day, booking)
    shifts = make_way(others, days)
    pushed = {shift.booking.pk for shift in shifts}
    taken = queries.room_problem(chamber, days, str(booking), booking, pushed)
    ends = {shift.booking.charge_id: shift.days.last_day for shift in shifts}
    if booking.charge_id:
        ends[booking.charge_id] = days.last_day
    return Proposal(
        booking,
        chamber,
        days,
        plan,
        tuple(shifts),
        tuple(queries.promises_if(ends, shop.promise_margin_days)),
        (*(plan.refusals if plan else ()), *([taken] if taken else ())),
    )


def end_by_readings(charge: Charge, now: dt.datetime) -> Days | None:
    """The days of a running charge as its readings say; None before there is anything to go by."""
    done = following.expected_done(charge, now)
    if done is None:
        return None
    _, likely, high = (shop_today(moment) + UNLOADING_DAYS * DAY for moment in done)
    return Days(charge.booking.first_day, likely, high)


@dataclass(frozen=True)
class Slip:
    """A running charge that will not be out in the days it holds."""

    charge: Charge
    days: Days
    late_days: int


def slipping(now: dt.datetime, shop: Shop) -> list[Slip]:
    """Running charges whose high end has moved beyond the days held and the margin of the promises."""
    found = []
    for charge in queries.charges("running"):
        days = end_by_readings(charge, now)
        late = (days.last_day - charge.booking.last_day).days if days else 0
        if days and late > shop.promise_margin_days:
            found.append(Slip(charge, days, late))
    return found
