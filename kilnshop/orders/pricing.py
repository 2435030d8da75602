"""What a customer pays for drying, and what it costs us. Decimal throughout, rounded in shop.money only."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal

from kilnshop.orders.models import Lot, QuoteLine
from kilnshop.science.estimate import Estimate
from kilnshop.science.species import Species
from kilnshop.science.workings import Working
from kilnshop.shop.electricity import Cost as Electricity
from kilnshop.shop.models import ZERO, Customer, Rate, RateCard, Shop
from kilnshop.shop.money import cents, percent_of, to_decimal

Kind = QuoteLine.Kind
GREEN_ABOVE_PCT, AIR_DRY_UP_TO_PCT = 30, 20
HALF = Decimal("0.5")
NO_TARIFF = Working(
    "electricity", "Electricity cost", "kWh × the price of a kWh", (), "none: enter a price under Electricity",
    "not known", "a price of electricity",
)  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One printed line. The amount is quantity x unit price to the cent; tax is on the line."""

    kind: str
    description: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    amount: Decimal
    tax_rate_pct: Decimal
    tax: Decimal
    lot: Lot | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Cost:
    """What we expect to spend on the same work. Shop's eyes only."""

    electricity: Decimal
    chamber_days: Decimal
    stacking: Decimal
    total: Decimal
    margin: Decimal
    margin_pct: Decimal | None


@dataclass(frozen=True)
class Price:
    """A price: the printed lines and totals that are their sums."""

    lines: tuple[Line, ...]
    subtotal: Decimal
    tax: Decimal
    total: Decimal
    deposit: Decimal
    cost: Cost
    workings: tuple[Working, ...]

    def of_lot(self, lot: Lot) -> Decimal:
        """All lines of one lot, before tax."""
        return sum((line.amount for line in self.lines if line.lot is lot), ZERO)

    def working(self, key: str) -> Working | None:
        return next((working for working in self.workings if working.key == key), None)


def species_group(species: Species) -> str:
    """The rate card's group of a wood: slow hardwoods are those that check readily."""
    if species.group == "softwood":
        return Rate.Group.SOFTWOOD
    return Rate.Group.SLOW_HARDWOOD if species.drying_group == "refractory" else Rate.Group.HARDWOOD


def condition(start_mc_pct: float) -> str:
    if start_mc_pct > GREEN_ABOVE_PCT:
        return Rate.Condition.GREEN
    return Rate.Condition.PART_DRY if start_mc_pct > AIR_DRY_UP_TO_PCT else Rate.Condition.AIR_DRY


def matching_rate(card: RateCard, group: str, thickness_in: Decimal, start: str) -> Rate:
    """The most particular row: its species group counts first, then its start, then the thinnest class.

    ValueError, naming the case, when the card has no row for it.
    """
    rows = [
        rate
        for rate in card.rates.all()
        if rate.group in (Rate.Group.ANY, group)
        and rate.condition in (Rate.Condition.ANY, start)
        and rate.up_to_thickness_in >= thickness_in
    ]
    if not rows:
        raise ValueError(
            f"Rate card {card.name!r} has no price for {Rate.Group(group).label.lower()}, "
            f"{Rate.Condition(start).label.lower()}, {thickness_in.normalize():f} in thick; "
            "add a row for it under Rate cards."
        )
    return min(
        rows,
        key=lambda rate: (
            rate.group == Rate.Group.ANY,
            rate.condition == Rate.Condition.ANY,
            rate.up_to_thickness_in,
        ),
    )


def make_line(
    kind: str,
    description: str,
    quantity: Decimal,
    unit: str,
    unit_price: Decimal,
    tax_rate_pct: Decimal,
    lot: Lot | None = None,
) -> Line:
    amount = cents(quantity * unit_price)
    return Line(
        kind,
        description[:200],
        to_decimal(quantity, 3),
        unit,
        to_decimal(unit_price, 4),
        amount,
        tax_rate_pct,
        percent_of(amount, tax_rate_pct),
        lot,
    )


def whole_days(days: float) -> Decimal:
    """Days up to the next half, as they are charged."""
    return (to_decimal(days) * 2).to_integral_value(rounding="ROUND_CEILING") * HALF


def tax_rate(shop: Shop, customer: Customer, day: dt.date) -> Decimal:
    return Decimal("0.000") if customer.exempt_on(day) else to_decimal(shop.tax_rate_pct, 3)


def chamber_day_cost(estimate: Estimate, card: RateCard) -> Decimal:
    """Expected days x the part of the chamber taken x what a day costs us."""
    share = min(1.0, estimate.fill)
    return cents(to_decimal(estimate.days.expected) * to_decimal(share) * card.chamber_day_cost)


def _lot_lines(
    lot: Lot, species: Species, card: RateCard, rate_pct: Decimal, kinds: dict[str, str], by_day: bool
) -> tuple[list[Line], list[Working]]:
    what = f"{lot.letter}: {lot.thickness_label} {species.common_name}"
    volume = to_decimal(lot.volume_bf, 2)
    lines, workings = [], []
    if not by_day:
        group, start = species_group(species), condition(float(lot.start_mc_pct))
        rate = matching_rate(card, group, lot.nominal_thickness_in, start)
        lines.append(
            make_line(
                Kind.DRYING,
                f"Drying lot {what}, {lot.start_mc_pct:g} % to {lot.target_mc_pct:g} % MC",
                volume,
                "bf",
                rate.per_bf,
                rate_pct,
                lot,
            )
        )
        workings.append(
            Working(
                f"price {lot.letter}",
                f"Drying price of lot {lot.letter}",
                "board feet × price per board foot, to the cent",
                (
                    ("Board feet", f"{volume} bf"),
                    (
                        "Rate row",
                        f"{rate.get_group_display()}, up to {rate.up_to_thickness_in.normalize():f} in, "
                        f"{rate.get_condition_display().lower()}",
                    ),
                    ("Price", f"{rate.per_bf} per bf"),
                ),
                f"rate card {card.name}",
                "none: a price, not an estimate",
            )
        )
    asked = {kinds.get(key, "") for key in lot.treatments}
    extras = (
        ("heat" in asked, Kind.HEAT, f"Heat treatment, lot {what}", card.heat_per_bf),
        ("pitch" in asked, Kind.PITCH, f"Pitch setting, lot {what}", card.pitch_per_bf),
        (
            lot.stacks == Lot.Stacks.SHOP,
            Kind.STACKING,
            f"Stacking on stickers, lot {what}",
            card.stacking_per_bf,
        ),
    )
    lines += [
        make_line(kind, text, volume, "bf", price, rate_pct, lot)
        for wanted, kind, text, price in extras
        if wanted and price
    ]
    return lines, workings


def price_lots(
    *,
    lots: Sequence[Lot],
    species: dict[str, Species],
    estimate: Estimate,
    card: RateCard,
    electricity: Electricity | None,
    tax_rate_pct: Decimal,
    treatment_kinds: dict[str, str],
    by_chamber_day: bool = False,
) -> Price:
    """Price lots that are dried together.

    `species` is by key; `treatment_kinds` says "heat" or "pitch" by treatment key. By the chamber-day the
    customer has the whole chamber for the expected days instead of a price per board foot.
    ValueError in words when the card has no price for a lot.
    """
    lines: list[Line] = []
    workings: list[Working] = []
    for lot in lots:
        more, how = _lot_lines(
            lot, species[lot.species_key], card, tax_rate_pct, treatment_kinds, by_chamber_day
        )
        lines += more
        workings += how
    if by_chamber_day:
        if not card.chamber_day_rate:
            raise ValueError(f"Rate card {card.name!r} has no price for a chamber-day; price by board foot.")
        days = whole_days(estimate.days.expected)
        lines.insert(
            0,
            make_line(
                Kind.CHAMBER_DAYS,
                "Whole chamber, expected days",
                days,
                "day",
                card.chamber_day_rate,
                tax_rate_pct,
            ),
        )
    before = sum((line.amount for line in lines), ZERO)
    if lots and before < card.minimum_charge:
        lines.append(
            make_line(
                Kind.MINIMUM,
                f"To the minimum charge of {cents(card.minimum_charge)}",
                Decimal(1),
                "order",
                card.minimum_charge - before,
                tax_rate_pct,
            )
        )
    subtotal = sum((line.amount for line in lines), ZERO)
    tax = sum((line.tax for line in lines), ZERO)
    total = subtotal + tax
    workings.append(
        Working(
            "total",
            "Total",
            "sum of the printed lines; tax on each line, rounded to the cent, then added",
            (
                ("Lines", f"{len(lines)}"),
                ("Subtotal", f"{subtotal}"),
                ("Minimum charge", f"{card.minimum_charge}"),
                ("Tax rate", f"{tax_rate_pct.normalize():f} %"),
            ),
            f"rate card {card.name} and the shop's tax rate",
            "none: a price, not an estimate",
        )
    )
    cost, costing = _cost(lots, estimate, card, electricity, subtotal)
    return Price(
        tuple(lines),
        subtotal,
        tax,
        total,
        percent_of(total, card.deposit_pct),
        cost,
        (*workings, *costing),
    )


def _cost(
    lots: Sequence[Lot],
    estimate: Estimate,
    card: RateCard,
    power: Electricity | None,
    subtotal: Decimal,
) -> tuple[Cost, list[Working]]:
    electricity = power.total if power else ZERO
    days = chamber_day_cost(estimate, card)
    stacked = sum((to_decimal(lot.volume_bf) for lot in lots if lot.stacks == Lot.Stacks.SHOP), ZERO)
    stacking = cents(stacked * card.stacking_cost_per_bf)
    total = electricity + days + stacking
    margin = subtotal - total
    share = (margin / subtotal * 100).quantize(Decimal("0.1"), ROUND_HALF_UP) if subtotal else None
    return Cost(electricity, days, stacking, total, margin, share), [
        power.working if power else NO_TARIFF,
        Working(
            "chamber_days",
            "Chamber-day cost",
            "expected days × part of the chamber taken × what a chamber-day costs us",
            (
                ("Expected days", f"{estimate.days.expected:.1f}"),
                ("Part of the chamber", f"{min(1.0, estimate.fill) * 100:.0f} %"),
                ("A chamber-day", f"{card.chamber_day_cost}"),
            ),
            f"rate card {card.name}",
            f"{estimate.days.low:.1f} to {estimate.days.high:.1f} days",
            "filling the rest of the chamber does not change this share; running it part empty does",
        ),
        Working(
            "margin",
            "Margin",
            "subtotal before tax − electricity − chamber-day cost − stacking",
            (
                ("Subtotal", f"{subtotal}"),
                ("Electricity", f"{electricity}"),
                ("Chamber-days", f"{days}"),
                ("Stacking", f"{stacking}"),
            ),
            "the lines above",
            "moves with the days and the kWh",
        ),
    ]
