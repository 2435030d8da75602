"""What a charge's electricity costs: energy at the hours it is used, demand only as far as it raises a peak."""

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kilnshop.science import electricity as science
from kilnshop.science.electricity import Draw, Period
from kilnshop.science.workings import Working
from kilnshop.shop.models import ZERO, Shop, Tariff, TariffPeriod
from kilnshop.shop.money import cents, to_decimal

START_HOUR = 12  # a planned charge is taken to be switched on at noon of its loading day
WEEKDAYS = {
    TariffPeriod.Days.EVERY: frozenset(range(7)),
    TariffPeriod.Days.WEEKDAYS: frozenset(range(5)),
    TariffPeriod.Days.WEEKEND: frozenset((5, 6)),
}
ALL_HOURS, OTHER_HOURS = "All hours", "All other hours"


@dataclass(frozen=True)
class Line:
    """One line of the cost: kWh of a period, or kW of a month."""

    label: str
    quantity: Decimal
    unit: str
    price: Decimal
    amount: Decimal


@dataclass(frozen=True)
class Cost:
    """A charge's electricity. `fixed` is the month's, whatever runs, and is in no total."""

    tariff: str
    energy: Decimal
    demand: Decimal
    total: Decimal
    fixed_per_month: Decimal
    later: Decimal  # at most, in the months that a ratchet carries this charge's peak into; in no total
    lines: tuple[Line, ...]
    working: Working


def period(row: TariffPeriod) -> Period:
    days = WEEKDAYS[TariffPeriod.Days(row.days)]
    return Period(row.name, row.first_month, row.last_month, days, row.from_hour, row.to_hour)


def zone_of(shop: Shop) -> zoneinfo.ZoneInfo:
    return zoneinfo.ZoneInfo(shop.time_zone)


def planned_start(day: dt.date, shop: Shop) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(START_HOUR), zone_of(shop))


def cost(
    draw: Draw,
    tariff: Tariff,
    shop: Shop,
    beside: Sequence[Draw] = (),
    kwh_range: tuple[float, float] | None = None,
) -> Cost:
    """Energy at the periods it runs, and the demand it adds to what the other charges `beside` it draw.

    A share of an earlier peak (ratchet) is a floor: only what comes on top of it counts. What it
    carries into later months is `later`: at most, since the shop may draw as much by then anyway.
    """
    rows = list(tariff.periods.all())
    periods = [period(row) for row in rows]
    zone, mine, holidays = zone_of(shop), science.quarters(draw), tariff.holiday_dates
    prices = [*(row.energy_per_kwh for row in rows), tariff.energy_per_kwh]
    names = [*(row.name for row in rows), OTHER_HOURS if rows else ALL_HOURS]
    lines = [
        Line(name, to_decimal(kwh, 2), "kWh", price, cents(to_decimal(kwh) * price))
        for name, kwh, price in zip(
            names, science.by_period(mine, zone, periods, holidays), prices, strict=True
        )
        if kwh > 0
    ]
    energy = sum((line.amount for line in lines), ZERO)
    demand_lines, later_lines = _demand(
        mine, tariff, zone, beside, [p for p, row in zip(periods, rows, strict=True) if row.on_peak]
    )
    demand = sum((line.amount for line in demand_lines), ZERO)
    lines += demand_lines
    return Cost(
        tariff.name,
        energy,
        demand,
        energy + demand,
        tariff.fixed_per_month,
        sum((line.amount for line in later_lines), ZERO),
        tuple(lines),
        _working(lines, later_lines, tariff, draw, kwh_range),
    )


def _demand(
    mine: science.Quarters,
    tariff: Tariff,
    zone: zoneinfo.ZoneInfo,
    beside: Sequence[Draw],
    on_peak: list[Period],
) -> tuple[list[Line], list[Line]]:
    """Of the months it runs in, and of those its peak is carried into."""
    if not tariff.bills_demand:
        return [], []
    others = science.together([science.quarters(draw) for draw in beside])
    both = science.together([mine, others]) if beside else mine
    months = sorted(science.peaks(mine, zone))
    carried = range(months[-1] + 1, months[-1] + 1 + tariff.ratchet_months)
    now: list[Line] = []
    later: list[Line] = []
    for label, price, only, share in (
        ("peak", tariff.demand_per_kw, None, tariff.ratchet_pct / 100),
        ("on-peak", tariff.on_peak_demand_per_kw, on_peak, 0.0),
    ):
        if not price:
            continue
        known, raised = (science.peaks(drawn, zone, only, tariff.holiday_dates) for drawn in (others, both))
        for lines, month in [*((now, m) for m in months), *((later, m) for m in carried if share)]:
            before, after = (
                science.billed_kw(kw.get(month, 0.0), month, kw, share, tariff.ratchet_months)
                for kw in (known, raised)
            )
            added = to_decimal(after - before, 2)
            if added > 0:
                name = f"{dt.date(month // 12, month % 12 + 1, 1):%B %Y}"
                lines.append(
                    Line(f"Added to the {label} of {name}", added, "kW", price, cents(added * price))
                )
    return now, later


def _working(
    lines: list[Line],
    later: list[Line],
    tariff: Tariff,
    draw: Draw,
    kwh_range: tuple[float, float] | None,
) -> Working:
    inputs = [(line.label, f"{line.quantity} {line.unit} × {line.price} = {line.amount}") for line in lines]
    if tariff.bills_demand:
        highest = max(science.quarters(draw).kw)
        inputs.append(
            ("Highest 15 minutes of this charge", f"{highest:.2f} kW, averaged over the model's step")
        )
        if not any(line.unit == "kW" for line in lines):
            inputs.append(("Demand", "0: the peak of the month stands without this charge"))
    if later:
        added = [line.quantity for line in later]
        between = f"{min(added)} kW" if min(added) == max(added) else f"{min(added)} to {max(added)} kW"
        inputs.append(
            (
                "Later months, not in this cost",
                f"at most {sum(line.amount for line in later)}: {tariff.ratchet_pct} % of this peak can stand on "
                f"the bills of {len(later)} months after it, {between} above what is booked there, unless the shop "
                "draws as much by then anyway",
            )
        )
    if tariff.fixed_per_month:
        inputs.append(("Fixed, not in this cost", f"{tariff.fixed_per_month} a month, whatever runs"))
    spread = (
        f"from {kwh_range[0]:.0f} to {kwh_range[1]:.0f} kWh in all" if kwh_range else "as wide as the kWh"
    )
    if tariff.bills_demand:
        spread += "; a heater that cycles can show its full plate power in one 15-minute interval"
    return Working(
        "electricity",
        "Electricity cost",
        "kWh × the price of the hours they are used in"
        + (" + kW by which the month's peak rises × the demand price" if tariff.bills_demand else ""),
        tuple(inputs),
        f"tariff {tariff.name}, switched on {draw.start:%d %b %Y %H:%M}",
        spread,
        "a meter reading at the start and end of each charge",
    )
