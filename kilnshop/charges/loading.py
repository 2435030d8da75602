"""How the lots of a charge stand in its chamber: the order of loading, packs, air and weight."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from string import ascii_uppercase

from django.db.models import prefetch_related_objects

from kilnshop.charges import checklists
from kilnshop.charges.models import Charge
from kilnshop.orders.estimating import lot_input, species_for
from kilnshop.orders.models import Lot
from kilnshop.orders.queries import promised_days
from kilnshop.science import stack, stack_notes
from kilnshop.science.estimate import LB_PER_KG, LotInput
from kilnshop.science.stack import Boards, Pack, StackLot, StackPlan
from kilnshop.science.workings import Working
from kilnshop.shop.models import Chamber, Shop
from kilnshop.shop.papers import shop_block


@dataclass(frozen=True)
class Loaded:
    """A lot in the order of loading, by the letter it has on the drawing."""

    lot: Lot
    letter: str
    wood: str
    promised: dt.date | None
    stacked: StackLot
    packs: tuple[Pack, ...]

    @property
    def courses(self) -> int:
        return sum(pack.courses for pack in self.packs)


@dataclass(frozen=True)
class LoadPlan:
    """The lots of a charge as they stand, the first to go in first."""

    chamber: Chamber
    stack: StackPlan
    lots: tuple[Loaded, ...]
    by_promise: bool  # else the longest go first, because by promise not all of it fits

    @property
    def letters(self) -> dict[str, str]:
        return {str(row.lot): row.letter for row in self.lots}

    @property
    def marks(self) -> list[tuple[str, str]]:
        """Where sample boards and probes go, by letter."""
        return [(self.letters[mark.lot], mark.text) for mark in stack_notes.marks(self.stack)]

    @property
    def gaps(self) -> tuple[stack_notes.Gap, ...]:
        """What a baffle must close."""
        return tuple(stack_notes.gaps(self.stack))

    @property
    def notices(self) -> tuple[str, ...]:
        found = tuple(stack_notes.notices(self.stack))
        if self.by_promise:
            return found
        said = (
            "In the order of the promises not all of it fits, so the longest goes in first; the first promised "
            "may stand behind or under another lot."
        )
        return (said, *found)

    @property
    def order_words(self) -> str:
        """Which lot goes in first and which comes out first."""
        first, last = self.lots[0], self.lots[-1]
        if first is last:
            return f"{first.letter} is {first.lot}, alone in the chamber."
        others = [row.promised or dt.date.max for row in self.lots[:-1]]
        why = ", because it is promised first" if last.promised and last.promised < min(others) else ""
        out = f"{last.letter} ({last.lot}) goes in last and comes out first{why}."
        return f"Load {first.letter} ({first.lot}) first; {out}"

    @property
    def cfm_wanted(self) -> float:
        """Fan flow that gives this load the air speed the estimate takes."""
        return self.stack.cfm_for(self.chamber.air_fpm)

    @property
    def workings(self) -> dict[str, Working]:
        return stack_notes.workings(self.stack)


def _green_lb(given: LotInput) -> float:
    """Weight of a lot as it goes in [lb]."""
    return given.oven_dry_kg * LB_PER_KG * (1 + given.start_mc_pct / 100)


def stack_lot(lot: Lot, given: LotInput, chamber: Chamber) -> StackLot:
    """A lot as it is stacked: its tally, or typical boards where nobody has tallied it."""
    narrower = given.volume_bf / float(lot.volume_bf)  # dressed stock is counted wider than it is
    tallied = tuple(
        Boards(line.pieces, float(line.width_in) * narrower, float(line.length_ft))
        for line in lot.tally.all()
    )
    typical = stack.typical_boards(
        float(lot.volume_bf),
        float(lot.nominal_thickness_in),
        float(lot.width_in or stack.TYPICAL_WIDTH_IN),
        min(stack.TYPICAL_LENGTH_FT, chamber.stack_length_ft),
    )
    return StackLot(
        str(lot),
        given.thickness_in,
        tallied or (typical,),
        float(lot.volume_bf),
        _green_lb(given),
        not tallied,
    )


def load(chamber: Chamber, lots: Sequence[Lot]) -> LoadPlan:
    """Stack lots so that the first promised comes out first. ValueError in words where a piece does not go in."""
    prefetch_related_objects(lots, "tally")
    woods = {key: species_for(key) for key in {lot.species_key for lot in lots}}
    newest = promised_days({lot.order_id for lot in lots})
    promised = {lot: newest.get(lot.order_id, lot.order.needed_by) for lot in lots}
    stacked = {lot: stack_lot(lot, lot_input(lot, woods[lot.species_key]), chamber) for lot in lots}
    last_first = sorted(
        lots, key=lambda lot: (promised[lot] or dt.date.max, stacked[lot].longest_ft), reverse=True
    )
    plan = stack.load(chamber.geometry, [stacked[lot] for lot in last_first])
    by_promise = True
    if plan.left_bf:
        longest_first = sorted(lots, key=lambda lot: stacked[lot].longest_ft, reverse=True)
        other = stack.load(chamber.geometry, [stacked[lot] for lot in longest_first])
        if other.volume_bf > plan.volume_bf + 0.5:
            plan, last_first, by_promise = other, longest_first, False
    rows = tuple(
        Loaded(
            lot,
            ascii_uppercase[number % 26] * (1 + number // 26),
            woods[lot.species_key].common_name,
            promised[lot],
            stacked[lot],
            tuple(plan.of_lot(str(lot))),
        )
        for number, lot in enumerate(last_first)
    )
    return LoadPlan(chamber, plan, rows, by_promise)


def of_charge(charge: Charge) -> LoadPlan | None:
    """The lots of a charge as they stand; None once they are out, or where a piece does not go in."""
    rows = charge.charge_lots.filter(open=True).select_related("lot__order__customer")
    lots = [row.lot for row in rows]
    if not lots or charge.state in ("cancelled", "unloaded"):
        return None
    try:
        return load(charge.chamber, lots)
    except ValueError:
        return None


def sheet(charge: Charge, plan: LoadPlan, shop: Shop, printed_on: dt.date) -> dict:
    """What the load sheet prints; a working paper, so it follows the charge and is not frozen."""
    return {
        "shop": shop_block(shop),
        "number": charge.number,
        "issued_on": printed_on,
        "paper": shop.paper,
        "units": shop.units,
        "chamber": charge.chamber.name,
        "first_day": charge.booking.first_day,
        "likely_last_day": charge.booking.likely_last_day,
        "last_day": charge.booking.last_day,
        "load": plan,
        "probes": list(charge.probes.select_related("charge_lot__lot__order").order_by("channel")),
        "cautions": [line for line in checklists.lines_of("loading") if line.caution],
        "lines": checklists.lines_of("start"),
        "defer": checklists.DEFER,
    }
