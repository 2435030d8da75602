"""What a stack as it stands asks for: openings to close, where boards and probes go, what to watch; and its workings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from kilnshop.science.stack import Boards, StackPlan, courses_of
from kilnshop.science.workings import Working

PLENUM_IN = 10.0  # least gap on the machine side (common practice)
AIR_FPM = (200.0, 450.0)  # through the load, hardwoods: USDA Agriculture Handbook 188 ch. 2 (memory)


@dataclass(frozen=True)
class Gap:
    """An opening a baffle must close. Without a row it runs along every row."""

    kind: str  # "top", "end", "under"
    row: int
    start_ft: float
    length_ft: float
    bottom_in: float
    height_in: float
    text: str


@dataclass(frozen=True)
class Mark:
    """Where the sample board and the probe of a lot go: its largest pack, half way up."""

    lot: str
    pack: int
    text: str


def _inches(value: float) -> str:
    return f"{value:.0f} in"


def gaps(plan: StackPlan) -> Iterator[Gap]:
    """Ways round the wood that a baffle must close, row by row."""
    g = plan.geometry
    if g.bolster_in:
        yield Gap(
            "under", 0, 0.0, g.length_ft, 0.0, g.bolster_in,
            f"Under the stack: close the {_inches(g.bolster_in)} between the bolsters, on the side the air enters.",
        )  # fmt: skip
    for row in sorted({pack.row for pack in plan.packs}):
        piles = [pile for (of, _), pile in plan.piles().items() if of == row]
        name = f"Row {row}" if g.units_deep > 1 else "The stack"
        for bay, pile in enumerate(piles, 1):
            gap = g.ceiling_ft * 12 - pile[-1].top_in
            if gap > 0.5:
                where = f", bay {bay}" if len(piles) > 1 else ""
                yield Gap(
                    "top", row, pile[-1].start_ft, pile[0].length_ft, pile[-1].top_in, gap,
                    f"{name}{where}: close the {_inches(gap)} between its top and the ceiling baffle.",
                )  # fmt: skip
            for under, over in pairwise(pile):
                step = under.length_ft - over.length_ft
                if step > 0.25:
                    yield Gap(
                        "end", row, over.end_ft, step, over.bottom_in, over.height_in,
                        f"{name}{where}: close {step:.1f} ft beside the shorter pack in tier {over.tier}.",
                    )  # fmt: skip
        used = max(pile[0].end_ft for pile in piles)
        right = g.length_ft - used + g.end_gap_ft
        for side, start, length in (("left", -g.end_gap_ft, g.end_gap_ft), ("right", used, right)):
            if length > 0.04:
                yield Gap(
                    "end", row, start, length, 0.0, g.ceiling_ft * 12,
                    f"{name}, {side} end seen from the front: close {length:.1f} ft from floor to ceiling baffle.",
                )  # fmt: skip


def marks(plan: StackPlan) -> Iterator[Mark]:
    for lot in plan.lots:
        if not (own := plan.of_lot(lot.key)):
            continue
        largest = max(own, key=lambda pack: pack.courses)
        last = plan.geometry.units_deep
        side = "door" if largest.row == last else "machine" if largest.row == 1 else ""
        reach = (
            f"from the {side} side" if side else "before the next row is loaded: it cannot be reached later"
        )
        course = (largest.courses + 1) // 2
        yield Mark(
            lot.key,
            largest.number,
            f"Pack {largest.number} ({largest.place}), about course {course}, reached {reach}.",
        )


def notices(plan: StackPlan) -> Iterator[str]:
    g = plan.geometry
    if plan.left_bf:
        yield plan.left_words
    typical: dict[Boards, list[str]] = {}
    for lot in plan.lots:
        if lot.reckoned:
            typical.setdefault(replace(lot.boards[0], pieces=1), []).append(lot.key)
    for one, keys in typical.items():
        many = len(keys) > 1
        yield (
            f"Lot{'s' * many} {', '.join(keys)} {'have' if many else 'has'} no tally: reckoned as boards "
            f"{one.width_in:g} in x {one.length_ft:g} ft. Enter {'their' if many else 'its'} pieces to place "
            f"{'them as they are' if many else 'it as it is'}."
        )
    for lot in plan.lots:
        if lot.longest_ft > g.length_ft:
            yield (
                f"Lot {lot.key}: its {lot.longest_ft:g} ft pieces stand out beyond the {g.length_ft:g} ft stack. Keep "
                "them off the doors and close the end baffle round them."
            )
        if lot.longest_ft - lot.shortest_ft > 0.5:
            yield (
                f"Lot {lot.key} mixes {lot.shortest_ft:g} to {lot.longest_ft:g} ft: box pile it. Full-length boards "
                "on both outer edges of every course; shorter ones between them, flush with one end and then the "
                "other in turn; a sticker under every board end."
            )
    if not plan.packs:
        return
    if g.machine_gap_in < PLENUM_IN:
        yield f"The gap on the machine side is {_inches(g.machine_gap_in)}; usual is {PLENUM_IN:g} in or more."
    if g.machine_gap_in < plan.openings_in - 0.5:
        yield (
            f"The gap on the machine side, {_inches(g.machine_gap_in)}, is less than the sticker openings beside it, "
            f"{_inches(plan.openings_in)} in all: the lower courses may get less air."
        )
    if plan.beyond_fans:
        yield (
            f"So few openings would work out at {plan.air_fpm:,.0f} ft/min, which fans will not deliver: the air finds "
            "a way round. Close it off with baffles or boards, or fill the chamber."
        )
    elif plan.air_fpm is not None and not AIR_FPM[0] <= plan.air_fpm <= AIR_FPM[1]:
        yield (
            f"Air through the gaps works out at {plan.air_fpm:.0f} ft/min; {AIR_FPM[0]:g} to {AIR_FPM[1]:g} is usual "
            "for hardwoods. It matters most above 30 % moisture."
        )


def workings(plan: StackPlan) -> dict[str, Working]:
    """How the figures of a stack were made."""
    g = plan.geometry
    lots = tuple(
        (
            f"Lot {lot.key}",
            f"{lot.pieces} pieces {'reckoned' if lot.reckoned else 'tallied'}, {courses_of(lot, g)} courses of "
            f"{lot.thickness_in:g} + {g.sticker_in:g} in",
        )
        for lot in plan.lots
    )
    weights = tuple(
        (f"Lot {lot.key}", f"{lot.volume_bf:,.0f} bf, {lot.green_lb:,.0f} lb as it goes in")
        for lot in plan.lots
    )
    shop = "common practice; what your own stacks hold counts more"
    found = (
        Working(
            "stack_fill",
            "Stack fill",
            "sum of pack length x courses x (thickness + sticker), over units x stack length x height above bolsters",
            (
                *lots,
                (
                    "Envelope",
                    f"{g.units_deep} x {g.unit_depth_in:g} in deep, {g.length_ft:g} ft long, "
                    f"{g.usable_height_in:g} in high",
                ),
            ),
            shop,
            "Boards are taken edge to edge and box piled; a loose stack takes more courses.",
            "a tally of every lot, and courses counted in the last full load",
        ),
        Working(
            "air",
            "Air through the stack",
            "fan flow / (courses x sticker thickness x length clear of stickers)",
            (
                ("Openings", f"{plan.open_area_sqft:.1f} sq ft in the row with most"),
                ("Fan flow", f"{g.fan_cfm:,.0f} cfm" if g.fan_cfm else "not entered for this chamber"),
                ("Stickers", f"{g.sticker_width_in:g} in wide every {g.sticker_spacing_in:g} in"),
            ),
            "continuity; plenum and air speed: USDA Agriculture Handbook 188 ch. 2 (memory)",
            "Fans rarely move their rated air, and what slips round the baffles does not cross the wood.",
            "an anemometer at the leaving side, high, low and at both ends",
        ),
        Working(
            "weight",
            "Weight",
            "oven-dry weight x (1 + moisture / 100); over length x depth of the heaviest pile",
            weights,
            "Wood Handbook FPL-GTR-190 (2010) ch. 4, specific gravity",
            "Wood only, without stickers, bolsters and weights on top. Specific gravity differs by about 10 %.",
            "weighing one pack",
        ),
    )  # fmt: skip
    return {working.key: working for working in found}
