"""What a charge costs us: electricity at its hours, chamber-days, per 1,000 bf and per 1 % of moisture taken out."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from kilnshop.charges.models import Booking, Charge
from kilnshop.orders.models import Lot
from kilnshop.science import electricity as science
from kilnshop.science.electricity import Draw, draw_of
from kilnshop.science.estimate import Estimate
from kilnshop.science.workings import Working
from kilnshop.shop import electricity
from kilnshop.shop.models import RateCard, Shop, Tariff
from kilnshop.shop.money import cents, to_decimal
from kilnshop.shop.queries import rate_card_on, tariff_on

AHEAD = dt.timedelta(days=200)  # no charge that begins later shares a month with one that begins now
MBF = Decimal(1000)


@dataclass(frozen=True)
class Cost:
    """Our cost of one charge; a part is None where its price is not entered."""

    electricity: electricity.Cost | None
    chamber_days: Decimal | None
    total: Decimal | None
    per_mbf: Decimal | None
    per_point: Decimal | None  # per 1 % of moisture
    per_mbf_point: Decimal | None
    workings: tuple[Working, ...]

    def working(self, key: str) -> Working | None:
        return next((row for row in self.workings if row.key == key), None)


def start_of(charge: Charge, shop: Shop) -> dt.datetime | None:
    """When it was switched on, or will be by the calendar."""
    if charge.started_at:
        return charge.started_at
    return electricity.planned_start(charge.booking.first_day, shop) if hasattr(charge, "booking") else None


def beside(
    first_day: dt.date, tariff: Tariff | None, shop: Shop, besides: Charge | None = None
) -> tuple[Draw, ...]:
    """What the other booked charges draw by their plans, as far back as the tariff looks. None needs asking
    without a price of demand."""
    if tariff is None or not tariff.bills_demand:
        return ()
    since = first_day.replace(day=1) - dt.timedelta(days=31 * tariff.ratchet_months)
    booked = (
        Booking.objects.filter(
            charge__isnull=False,
            charge__cancelled_at=None,
            last_day__gte=since,
            first_day__lte=first_day + AHEAD,
        )
        .exclude(charge=besides)
        .select_related("charge")
    )
    found = []
    for booking in booked:
        plan, start = booking.charge.plan, start_of(booking.charge, shop)
        if start and plan.get("hours"):
            powers = (tuple(plan[f"power_{user}_kw"]) for user in science.USERS)
            found.append(Draw(start, tuple(plan["hours"]), *powers))
    return tuple(found)


def points_removed(lots: Sequence[Lot]) -> float:
    """Moisture taken out of the charge [% MC], averaged over its board feet."""
    volume = sum(float(lot.volume_bf) for lot in lots)
    taken = sum(float(lot.volume_bf) * max(0.0, lot.start_mc_pct - lot.target_mc_pct) for lot in lots)
    return taken / volume if volume else 0.0


def cost(
    days: float,
    power: electricity.Cost | None,
    card: RateCard | None,
    volume_bf: Decimal,
    points: float,
    *,
    counted: str = "expected",
) -> Cost:
    """The whole chamber for these days, and its electricity, over the wood in it."""
    held = cents(to_decimal(days) * card.chamber_day_cost) if card else None
    total = held + power.total if held is not None and power else None
    per_mbf = cents(total * MBF / to_decimal(volume_bf)) if total is not None and volume_bf else None
    drop = to_decimal(points, 2)
    by_point = total is not None and drop > 0
    workings = [*([power.working] if power else [])]
    if card:
        workings.append(
            Working(
                "chamber_days", "Chamber-day cost", "days × what a chamber-day costs us, the whole chamber",
                (("Days", f"{days:.1f}, {counted}"), ("A chamber-day", f"{card.chamber_day_cost}")),
                f"rate card {card.name}", "as wide as the days", "finished charges of the same wood",
            )
        )  # fmt: skip
    if total is not None:
        inputs = (
            ("Electricity", f"{power.total}" if power else ""),
            ("Chamber-days", f"{held}"),
            ("Wood", f"{to_decimal(volume_bf, 0):,} bf"),
            ("Moisture taken out", f"{drop} % on average by board feet"),
        )
        workings.append(
            Working(
                "total", "Our cost of the charge",
                "electricity + chamber-days; ÷ 1,000 bf; ÷ 1 % of moisture taken out", inputs,
                "the figures above; stacking and labour are not in it", "as wide as the days and the kWh",
                "a fuller chamber lowers it per 1,000 bf",
            )
        )  # fmt: skip
    return Cost(
        power,
        held,
        total,
        per_mbf,
        cents(total / drop) if by_point else None,
        cents(per_mbf / drop) if by_point and per_mbf is not None else None,
        tuple(workings),
    )


def planned(
    estimate: Estimate,
    lots: Sequence[Lot],
    first_day: dt.date,
    shop: Shop,
    card: RateCard | None,
    tariff: Tariff | None,
    running: Sequence[Draw] = (),
) -> Cost:
    """The cost of an estimate begun on a day, beside what else is running."""
    power = None
    if tariff:
        kwh = estimate.kwh.total
        draw = draw_of(estimate, electricity.planned_start(first_day, shop))
        power = electricity.cost(draw, tariff, shop, running, (kwh.low, kwh.high))
    volume = sum((lot.volume_bf for lot in lots), Decimal(0))
    return cost(estimate.days.expected, power, card, volume, points_removed(lots))


def metered(charge: Charge, shop: Shop) -> Cost | None:
    """The cost by the charge's own meter readings, each stretch between two spread evenly over its hours."""
    rows = list(
        charge.readings.filter(meter_kwh__isnull=False)
        .order_by("taken_at")
        .values_list("taken_at", "meter_kwh")
    )
    rows = [row for row, later in pairwise([*rows, (None, None)]) if row[0] != later[0]]
    if len(rows) < 2 or charge.started_at is None:
        return None
    begin = rows[0][0]
    hours = tuple((at - begin).total_seconds() / 3600 for at, _ in rows[1:])
    power = tuple(
        max(0.0, after - before) / ((later - at).total_seconds() / 3600)
        for (at, before), (later, after) in pairwise(rows)
    )
    none = (0.0,) * len(hours)
    day = begin.astimezone(electricity.zone_of(shop)).date()
    tariff, lots = tariff_on(day), [row.lot for row in charge.charge_lots.select_related("lot")]
    priced = None
    if tariff:
        draw = Draw(begin, hours, power, none, none)
        priced = electricity.cost(draw, tariff, shop, beside(day, tariff, shop, charge))
    end = charge.unloaded_at or charge.dried_at or rows[-1][0]
    held = (end - charge.started_at).total_seconds() / 86400
    volume = sum((lot.volume_bf for lot in lots), Decimal(0))
    return cost(
        held,
        priced,
        rate_card_on(day),
        volume,
        points_removed(lots),
        counted="from start to now or unloading",
    )


@dataclass(frozen=True)
class Shift:
    """A stage that may be put at other hours, and what it uses in dear ones."""

    stage: str
    kwh: float
    extra: Decimal  # above the price of all other hours


def shiftable(estimate: Estimate, first_day: dt.date, tariff: Tariff, shop: Shop) -> tuple[Shift, ...]:
    """Stages without wet stock to guard that fall in hours dearer than all others."""
    rows = [row for row in tariff.periods.all() if row.energy_per_kwh > tariff.energy_per_kwh]
    if not rows:
        return ()
    draw, zone = draw_of(estimate, electricity.planned_start(first_day, shop)), electricity.zone_of(shop)
    periods = [electricity.period(row) for row in rows]
    found = []
    for stage in science.stages(estimate):
        if stage.shiftable:
            drawn = science.quarters(_between(draw, stage.from_h, stage.to_h))
            dear = science.by_period(drawn, zone, periods, tariff.holiday_dates)[:-1]
            extra = cents(
                sum(
                    to_decimal(kwh) * (row.energy_per_kwh - tariff.energy_per_kwh)
                    for kwh, row in zip(dear, rows, strict=True)
                )
            )
            if extra > 0:
                found.append(Shift(stage.name, sum(dear), extra))
    return tuple(found)


def _between(draw: Draw, from_h: float, to_h: float) -> Draw:
    """The stretch of a draw between two hours."""
    kept = [
        (min(end, to_h) - from_h, *kw)
        for begin, end, *kw in zip(
            (0.0, *draw.hours), draw.hours, draw.compressor_kw, draw.fans_kw, draw.heater_kw, strict=False
        )
        if end > from_h and begin < to_h
    ]
    hours, compressor, fans, heater = zip(*kept, strict=True)
    return Draw(draw.start + dt.timedelta(hours=from_h), hours, compressor, fans, heater)
