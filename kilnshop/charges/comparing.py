"""What if: the same charge with another fill, moisture, schedule, season or tariff, beside the one planned."""

import copy
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kilnshop.charges import money
from kilnshop.charges.calendar import DAY, Days, days_taken
from kilnshop.orders.estimating import estimate_lots
from kilnshop.orders.models import Lot
from kilnshop.science.estimate import Estimate
from kilnshop.shop.models import Chamber, Shop, Tariff
from kilnshop.shop.money import to_decimal
from kilnshop.shop.queries import rate_card_on, tariff_on

FULL_PCT, HALF_PCT = 100.0, 50.0
AIR_DRIED_PCT = 20.0
GREEN_ABOVE_PCT = 25.0


@dataclass(frozen=True)
class Change:
    """What one column has otherwise; None or empty is as planned."""

    fill_pct: float | None = None
    start_mc_pct: float | None = None
    target_mc_pct: float | None = None
    schedule_code: str = ""
    month: int | None = None
    tariff: Tariff | None = None

    def words(self, lots: Sequence[Lot]) -> list[str]:
        dried = self.start_mc_pct is not None and self.start_mc_pct < min(lot.start_mc_pct for lot in lots)
        named = {FULL_PCT: "full chamber", HALF_PCT: "half full"}
        said = (
            (self.fill_pct, named.get(self.fill_pct or 0, f"filled to {self.fill_pct or 0:g} %")),
            (self.start_mc_pct, f"air-dried to {self.start_mc_pct:g} % first" if dried else f"starts at {self.start_mc_pct or 0:g} %"),
            (self.target_mc_pct, f"target {self.target_mc_pct or 0:g} %"),
            (self.schedule_code, f"schedule {self.schedule_code}"),
            (self.month, f"loaded in {dt.date(2000, self.month or 1, 1):%B}"),
            (self.tariff, f"tariff {self.tariff}"),
        )  # fmt: skip
        return [text for value, text in said if value]


@dataclass(frozen=True)
class Column:
    """One charge of the comparison; a `problem` in words where it cannot be."""

    changed: tuple[str, ...]  # empty: as planned
    problem: str = ""
    estimate: Estimate | None = None
    volume_bf: Decimal = Decimal(0)
    days: Days | None = None
    ready_on: dt.date | None = None
    cost: money.Cost | None = None

    @property
    def finishes(self) -> bool:
        return self.estimate is not None and self.estimate.reaches_target

    @property
    def kwh_per_mbf(self) -> float:
        assert self.estimate is not None
        return self.estimate.kwh.total.expected / float(self.volume_bf) * 1000

    @property
    def days_per_mbf(self) -> float:
        assert self.estimate is not None
        return self.estimate.days.expected / float(self.volume_bf) * 1000


def _changed(lots: Sequence[Lot], change: Change, scale: float) -> list[Lot]:
    twins = []
    for lot in lots:
        twin = copy.copy(lot)
        twin.volume_bf = to_decimal(float(lot.volume_bf) * scale, 2)
        if change.start_mc_pct is not None:
            drier = change.start_mc_pct < lot.start_mc_pct
            twin.start_mc_pct = change.start_mc_pct
            twin.start_how = Lot.StartHow.ASSUMED_AIR_DRIED if drier else Lot.StartHow.ASSUMED_GREEN
        if change.target_mc_pct is not None:
            twin.target_mc_pct = change.target_mc_pct
        twins.append(twin)
    return twins


def _day_in(month: int | None, first_day: dt.date) -> dt.date:
    """The loading day, or the like day of the next such month."""
    if month is None or month == first_day.month:
        return first_day
    year = first_day.year + (month < first_day.month)
    return dt.date(year, month, min(first_day.day, 28))


def compare(
    *,
    chamber: Chamber,
    lots: Sequence[Lot],
    first_day: dt.date,
    shop: Shop,
    schedule_code: str = "",
    changes: Sequence[Change] = (),
) -> list[Column]:
    """The charge as planned, then one column for each change. ValueError in words when the planned one makes
    no sense; a change that makes none says so in its column."""
    planned = estimate_lots(lots, chamber, shop, first_day, schedule_code)

    def column(change: Change) -> Column:
        words = tuple(change.words(lots))
        scale = change.fill_pct / 100 / planned.fill if change.fill_pct else 1.0
        day = _day_in(change.month, first_day)
        wood = _changed(lots, change, scale)
        dry = next((lot for lot in wood if lot.target_mc_pct >= lot.start_mc_pct), None)
        if dry is not None and (change.target_mc_pct or change.start_mc_pct):
            return Column(
                words,
                f"Lot {dry} would start at {dry.start_mc_pct:g} %, which is not above its target of "
                f"{dry.target_mc_pct:g} %.",
            )
        try:
            estimate = estimate_lots(wood, chamber, shop, day, change.schedule_code or schedule_code)
        except ValueError as error:
            return Column(words, f"{str(error)[:1].upper()}{str(error)[1:]}")
        tariff = change.tariff or tariff_on(day)
        held = days_taken(day, estimate.days)
        return Column(
            words,
            "",
            estimate,
            sum((lot.volume_bf for lot in wood), Decimal(0)),
            held,
            held.last_day + shop.promise_margin_days * DAY,
            money.planned(
                estimate, wood, day, shop, rate_card_on(day), tariff, money.beside(day, tariff, shop)
            ),
        )

    return [column(Change()), *(column(change) for change in changes)]


def usual(
    chamber: Chamber, lots: Sequence[Lot], first_day: dt.date, shop: Shop, schedule_code: str = ""
) -> list[Change]:
    """The three changes a shop asks about first."""
    fill = estimate_lots(lots, chamber, shop, first_day, schedule_code).fill
    wet = max(lot.start_mc_pct for lot in lots) > GREEN_ABOVE_PCT
    return [
        Change(fill_pct=FULL_PCT if fill < 0.95 else HALF_PCT),
        Change(start_mc_pct=AIR_DRIED_PCT)
        if wet
        else Change(target_mc_pct=max(lot.target_mc_pct for lot in lots) + 2),
        Change(month=(first_day.month + 5) % 12 + 1),
    ]
