"""A charge as it would be: estimate, days taken, who may share it, and what it costs full and half full."""

import copy
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kilnshop.charges import loading, money, sharing
from kilnshop.charges.calendar import Days, days_taken
from kilnshop.charges.sharing import Finding
from kilnshop.orders.estimating import (
    chamber_input,
    estimate_lots,
    holds,
    lot_input,
    schedule_for,
    species_for,
)
from kilnshop.orders.models import Lot
from kilnshop.orders.pricing import condition, matching_rate, species_group
from kilnshop.science import schedule_checks
from kilnshop.science.estimate import Estimate, LotInput, Range, Warning
from kilnshop.science.workings import Working
from kilnshop.shop.models import Chamber, Shop
from kilnshop.shop.money import to_decimal

OUT_OF_REACH = "out_of_reach"
OVER_FULL = 1.005  # a hair over full is rounding, more does not fit
SMALL_SHARE, HOLDS_UP = (
    0.2,
    1.25,
)  # a lot this small that needs this much longer than the rest holds the chamber


@dataclass(frozen=True)
class LotShare:
    """What one lot takes of the charge."""

    lot: Lot
    water_lb: float
    days: Range  # until this lot is dry
    share_pct: float
    chamber_days: float
    kwh: float


@dataclass(frozen=True)
class Plan:
    """A charge before it is booked."""

    chamber: Chamber
    lots: tuple[Lot, ...]
    days: Days
    estimate: Estimate
    findings: tuple[Finding, ...]
    shares: tuple[LotShare, ...]
    load: loading.LoadPlan | None  # how it stands; None where a piece does not go in
    too_much: str  # why the load does not fit; empty when it does
    unmakeable: tuple[
        str, ...
    ]  # steps this chamber cannot run in that month, or that cannot reach the target
    other_costs: tuple[str, ...]

    @property
    def refusals(self) -> tuple[str, ...]:
        """What no note can accept."""
        return (*self._said(sharing.REFUSED), *self.impossible)

    @property
    def impossible(self) -> tuple[str, ...]:
        """What the chamber cannot hold or run, whatever shares it."""
        return (*([self.too_much] if self.too_much else []), *self.unmakeable)

    @property
    def costs(self) -> tuple[str, ...]:
        """What a person must accept in a note."""
        return (*self._said(sharing.COST), *self.other_costs)

    def _said(self, verdict: str) -> list[str]:
        return [f"{f.text} {f.why}" for f in self.findings if f.verdict == verdict]

    @property
    def verdict(self) -> str:
        return sharing.REFUSED if self.refusals else sharing.COST if self.costs else sharing.ALLOWED

    @property
    def fill_pct(self) -> float:
        return self.estimate.fill * 100

    @property
    def slowest(self) -> LotShare:
        return max(self.shares, key=lambda share: share.days.expected)

    @property
    def notes(self) -> list[Warning]:
        """What to watch, besides what needs a note to be accepted."""
        return [warning for warning in self.estimate.warnings if warning.severity != "stop"]

    @property
    def volume_bf(self) -> Decimal:
        return sum((lot.volume_bf for lot in self.lots), Decimal(0))


def plan(
    *, chamber: Chamber, lots: Sequence[Lot], first_day: dt.date, shop: Shop, schedule_code: str = ""
) -> Plan:
    """Work out a charge of these lots from a day on. ValueError in words when it makes no sense."""
    if not lots:
        raise ValueError("No lot is chosen. Tick at least one waiting lot.")
    estimate = estimate_lots(lots, chamber, shop, first_day, schedule_code)
    known = holds()
    woods = {key: species_for(key) for key in {lot.species_key for lot in lots}}
    given = [lot_input(lot, woods[lot.species_key]) for lot in lots]
    findings = tuple(sharing.findings(given, known))
    days = days_taken(first_day, estimate.days)
    shares = tuple(
        LotShare(
            lot,
            result.water_lb,
            result.days,
            result.share * 100,
            result.share * estimate.days.expected,
            result.share_kwh,
        )
        for lot, result in zip(lots, estimate.lots, strict=True)
    )
    load, too_much = None, ""
    try:
        load = loading.load(chamber, lots)
    except ValueError as problem:
        too_much = str(problem)
    if estimate.fill > OVER_FULL:
        too_much = f"The lots fill {estimate.fill * 100:.0f} % of {chamber}. Leave a lot out or take a larger chamber."
    unmakeable = _unmakeable(estimate, given, chamber, shop)
    costs = [
        warning.text
        for warning in estimate.warnings
        if warning.severity == "stop" and warning.code not in (OUT_OF_REACH, "load_too_large")
    ]
    left = [load.stack.left_words] if load and load.stack.left_bf else []
    return Plan(
        chamber,
        tuple(lots),
        days,
        estimate,
        findings,
        shares,
        load,
        too_much,
        unmakeable,
        (*costs, *left, *held_up(shares)),
    )


def _unmakeable(
    estimate: Estimate, given: Sequence[LotInput], chamber: Chamber, shop: Shop
) -> tuple[str, ...]:
    """Steps out of the chamber's reach in that month, and the schedule's own mistakes for these targets."""
    schedule = schedule_for(estimate.schedule_code, given, chamber_input(chamber, shop))
    driest = min(lot.target_mc_pct for lot in given)
    mistakes = schedule_checks.problems(schedule, target_mc_pct=driest, elevation_ft=float(shop.elevation_ft))
    return (*mistakes, *(w.text for w in estimate.warnings if w.code == OUT_OF_REACH))


def name_of(lots: Sequence[Lot]) -> str:
    """What a charge is called before it has a number."""
    return f"a charge with {', '.join(str(lot) for lot in lots)}"


def held_up(shares: Sequence[LotShare]) -> list[str]:
    """Small lots that hold the whole chamber."""
    found = []
    for share in shares:
        others = [other.days.expected for other in shares if other is not share]
        if others and share.share_pct / 100 < SMALL_SHARE and share.days.expected > HOLDS_UP * max(others):
            found.append(
                f"{share.lot} is {share.share_pct:.0f} % of the charge and holds the chamber about "
                f"{share.days.expected - max(others):.0f} days longer than the rest."
            )
    return found


@dataclass(frozen=True)
class Wait:
    """What sharing costs a lot in days: how long it would take alone, and until the charge it shares ends."""

    lot: Lot
    alone: Range
    together: Range

    @property
    def days(self) -> float:
        return max(0.0, self.together.expected - self.alone.expected)


def waits(made: Plan, shop: Shop, schedule_code: str = "") -> list[Wait]:
    """Each lot of a shared charge beside the same lot alone in the chamber, both begun on one day."""
    if len(made.lots) < 2:
        return []
    first_day = made.days.first_day
    return [
        Wait(
            lot,
            estimate_lots([lot], made.chamber, shop, first_day, schedule_code).days,
            made.estimate.days,
        )
        for lot in made.lots
    ]


@dataclass(frozen=True)
class FillCost:
    """The same lots at another fill."""

    label: str
    fill_pct: float
    volume_bf: float
    days: float
    kwh: float
    kwh_per_mbf: float
    days_per_mbf: float
    cost: money.Cost


def fill_costs(made: Plan, shop: Shop, schedule_code: str, card, tariff) -> list[FillCost]:
    """The charge as planned, half full and full: the same mix of lots, scaled, estimated anew.

    Cost is the shop's own, see `money.planned`.
    """
    rows = [("As planned", made.estimate.fill, made.estimate, made.lots)]
    first_day, running = made.days.first_day, money.beside(made.days.first_day, tariff, shop)
    for label, fill in (("Half full", 0.5), ("Full", 1.0)):
        scale = to_decimal(fill / made.estimate.fill)
        scaled = []
        for lot in made.lots:
            twin = copy.copy(lot)
            twin.volume_bf = lot.volume_bf * scale
            scaled.append(twin)
        estimate = estimate_lots(scaled, made.chamber, shop, first_day, schedule_code)
        rows.append((label, fill, estimate, scaled))
    found = []
    for label, fill, estimate, lots in rows:
        volume = float(made.volume_bf) * fill / made.estimate.fill
        days, kwh = estimate.days.expected, estimate.kwh.total.expected
        found.append(
            FillCost(
                label,
                fill * 100,
                volume,
                days,
                kwh,
                kwh / volume * 1000,
                days / volume * 1000,
                money.planned(estimate, lots, first_day, shop, card, tariff, running),
            )
        )
    return found


@dataclass(frozen=True)
class Remainder:
    """What filling the rest of the chamber with the same mix adds, and the least it must bring per board foot."""

    volume_bf: float
    days: float
    kwh: float
    cost: Decimal
    per_bf: Decimal
    stacking_per_bf: Decimal
    card_per_bf: Decimal | None  # None where the rate card has no price for these lots

    @property
    def break_even_per_bf(self) -> Decimal:
        return max(self.per_bf, Decimal(0)) + self.stacking_per_bf

    @property
    def discount_pct(self) -> Decimal | None:
        """The discount on the card's price at which one more lot still pays; 0 where none does."""
        if not self.card_per_bf:
            return None
        return max(Decimal(0), (1 - self.break_even_per_bf / self.card_per_bf) * 100)

    @property
    def working(self) -> Working:
        return Working(
            "remainder",
            "Break-even price",
            "(cost full - cost as planned) / (board feet full - as planned) + our stacking; discount = 1 - that / "
            "the card's price",
            (
                (
                    "Added by filling up",
                    f"{self.volume_bf:,.0f} bf, {self.days:.1f} days, {self.kwh:,.0f} kWh",
                ),
                ("Their cost", f"{self.cost:,.2f}, or {self.per_bf:.4f} per bf"),
                ("Our stacking", f"{self.stacking_per_bf:.4f} per bf"),
                (
                    "The card's price",
                    f"{self.card_per_bf:.4f} per bf" if self.card_per_bf else "none for these lots",
                ),
            ),
            "the shop's rate card and tariff; both fills estimated alike",
            "Holds for the same wood at the same moisture. A wetter or thicker lot takes more days for every lot.",
            "the estimate with the lot itself ticked",
        )


def remainder(made: Plan, rows: Sequence[FillCost], card) -> Remainder | None:
    """What the rest of the chamber would add; None when it is full or nothing has a price."""
    planned, full = rows[0], rows[-1]
    added = full.volume_bf - planned.volume_bf
    if planned.cost.total is None or full.cost.total is None or added < 1:
        return None
    cost = full.cost.total - planned.cost.total
    try:
        prices = [
            lot.volume_bf
            * matching_rate(
                card,
                species_group(species_for(lot.species_key)),
                lot.thickness_in,
                condition(lot.start_mc_pct),
            ).per_bf
            for lot in made.lots
        ]
    except ValueError:
        prices = []
    return Remainder(
        added,
        full.days - planned.days,
        full.kwh - planned.kwh,
        cost,
        to_decimal(cost / to_decimal(added), 4),
        card.stacking_cost_per_bf,
        to_decimal(sum(prices) / made.volume_bf, 4) if prices else None,
    )
