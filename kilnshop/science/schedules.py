"""Kiln schedules: air conditions in steps, published, at low temperature, by the clock, and how they finish."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

from kilnshop.science import psychro
from kilnshop.science.emc import emc_pct, rh_for_emc
from kilnshop.science.species import read_table, thickness_class

START_MC_PCT = 300.0  # the first step holds for any wood wetter than the second step
LOWEST_EMC_PCT = 4.5  # about the driest air a small dehumidifier holds at 120 °F
FINISHES = {"equalize": "Equalize", "condition": "Equalize and condition"}  # after the last drying step
FINISH_MARK = "+"  # between the code of the drying steps and its finish: T4-D2-LT+condition
STEP_KINDS = ("dry", "equalize", "condition", "heat", "pitch")
CODE = re.compile(r"T(\d{1,2})\s*-?\s*([A-F])\s*([1-8])", re.IGNORECASE)

# Dry bulbs [°F] for a dehumidification chamber as the wood dries, for oak on a T4 schedule.
LADDER = (
    (50.0, 90.0),
    (40.0, 95.0),
    (35.0, 100.0),
    (30.0, 105.0),
    (25.0, 110.0),
    (20.0, 115.0),
    (15.0, 120.0),
)
LADDER_END_F = 125.0
# (moisture the step starts at, dry bulb [°F], EMC [%]) for softwoods to 6/4.
SOFTWOOD_LADDER = (
    (START_MC_PCT, 110.0, 12.0),
    (50.0, 115.0, 11.0),
    (40.0, 120.0, 9.5),
    (30.0, 125.0, 8.0),
    (25.0, 130.0, 7.0),
    (20.0, 135.0, 6.0),
    (15.0, 140.0, 5.0),
)
# (part of the programme's days, dry bulb [°F], EMC [%]) for timbers, whose middle no probe governs in time.
TIMBER_PROGRAMME = ((0.25, 90.0, 14.0), (0.25, 100.0, 12.0), (0.25, 110.0, 10.0), (0.25, 120.0, 8.0))


@dataclass(frozen=True)
class Step:
    """Air from the moment the governing moisture content falls to `from_mc_pct`, or for `hours`."""

    from_mc_pct: float
    dry_bulb_f: float
    wet_bulb_f: float
    kind: str = "dry"
    hours: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in STEP_KINDS:
            raise ValueError(f"kind {self.kind!r} is not one of {', '.join(STEP_KINDS)}")


@dataclass(frozen=True)
class Schedule:
    """Steps in the order they are run. An empty code is the shop's own."""

    code: str
    name: str
    steps: tuple[Step, ...]
    source: str = ""
    provenance: str = ""
    note: str = ""

    def when(self, index: int) -> str:
        """In words, when the step of that index starts: "over 50 %", "at 30 %", "then 24 h"."""
        step = self.steps[index]
        if step.hours is not None:
            return f"{'then ' if index else ''}{step.hours:g} h"
        following = self.steps[index + 1] if index + 1 < len(self.steps) else None
        if index == 0:
            return (
                f"over {following.from_mc_pct:g} %"
                if following and following.kind == "dry"
                else "from the start"
            )
        return f"at {step.from_mc_pct:g} %"


@cache
def _temperatures() -> dict[str, tuple[float, ...]]:
    table: dict[str, list[float]] = {}
    for row in read_table("temperature_schedules"):
        table.setdefault(row["schedule"], []).append(float(row["dry_bulb_f"]))
    return {code: tuple(values) for code, values in table.items()}


@cache
def _depressions() -> tuple[dict[str, tuple[float, ...]], dict[str, tuple[float, ...]]]:
    starts: dict[str, list[float]] = {}
    depressions: dict[str, list[float]] = {}
    for row in read_table("depression_schedules"):
        if row["record_kind"] == "mc_class":
            starts.setdefault(row["key"], []).append(float(row["mc_start_pct"]))
        else:
            depressions.setdefault(row["key"], []).append(float(row["wet_bulb_depression_f"]))
    return {k: tuple(v) for k, v in starts.items()}, {k: tuple(v) for k, v in depressions.items()}


def assemble(code: str, *, name: str = "", elevation_ft: float = 0.0) -> Schedule:
    """The published hardwood schedule of a code.

    Parameters
    ----------
    code : str
        Temperature schedule T1 to T14, moisture class A to F and depression 1 to 8, such as "T4-D2".
    name : str
        A name to show; the code when empty.
    elevation_ft : float
        Height above the sea [ft]. The printed depressions are kept; it decides how dry air can be.

    Returns
    -------
    Schedule
        Temperatures [°F]; the first step starts at `START_MC_PCT`.

    Raises
    ------
    ValueError
        Not such a code.

    Notes
    -----
    Dry-bulb steps change at 30, 25, 20 and 15 % MC, depression steps at the moistures of the class; both are
    merged in order. Hardwoods only: softwood codes need another depression table. These are steam-kiln
    schedules, and a depression of 50 °F stands for air as dry as the kiln will go: where no air could be that
    dry (cool steps of T1 to T3), the step is given the wet bulb of 5 % RH and the note says so.

    References
    ----------
    USDA Agriculture Handbook 188 (1991) ch. 7, general schedules for hardwoods.
    """
    found = CODE.fullmatch(code.strip())
    temperatures = _temperatures().get(f"T{int(found[1])}") if found else None
    if not found or temperatures is None:
        raise ValueError(
            f"code {code!r} is not a hardwood schedule; allowed are T1 to T14, "
            "then A to F, then 1 to 8, such as T4-D2"
        )
    tidy = f"T{int(found[1])}-{found[2].upper()}{found[3]}"
    starts, depressions = _depressions()
    class_starts, depression = starts[found[2].upper()], depressions[found[3]]
    hot = dict(zip((30.0, 25.0, 20.0, 15.0), temperatures[1:], strict=True))
    dry = dict(zip(class_starts[1:], depression[1:], strict=True))
    steps = [Step(START_MC_PCT, temperatures[0], temperatures[0] - depression[0])]
    dry_bulb, now = temperatures[0], depression[0]
    raised: list[str] = []
    for mc in sorted(hot.keys() | dry.keys(), reverse=True):
        dry_bulb, now = hot.get(mc, dry_bulb), dry.get(mc, now)
        step = Step(mc, dry_bulb, dry_bulb - now)
        if not is_possible(step, elevation_ft):
            step = replace(step, wet_bulb_f=math.ceil(psychro.wet_bulb_f(dry_bulb, 5.0, elevation_ft)))
            raised.append(f"at {mc:g} % the published depression is {now:g} °F")
        if (step.dry_bulb_f, step.wet_bulb_f) != (steps[-1].dry_bulb_f, steps[-1].wet_bulb_f):
            steps.append(step)
    return Schedule(
        code=tidy,
        name=name or tidy,
        steps=tuple(steps),
        source="USDA Agriculture Handbook 188 (1991) ch. 7, general schedules for hardwoods",
        provenance="memory",
        note=f"Drier than any air, so set to 5 % RH: {'; '.join(raised)}." if raised else "",
    )


def step_emc_pct(step: Step, elevation_ft: float = 0.0) -> float:
    """The EMC of a step's set air [%] at a height above the sea [ft]; ValueError where no air has that wet bulb."""
    return emc_pct(step.dry_bulb_f, psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, elevation_ft))


def is_possible(step: Step, elevation_ft: float) -> bool:
    """Whether there is air with both bulbs of the step at a height above the sea [ft]."""
    try:
        step_emc_pct(step, elevation_ft)
    except ValueError:
        return False
    return True


def _wet_bulb(dry_bulb_f: float, emc: float, elevation_ft: float) -> float:
    """Wet bulb giving that EMC, up to the next half degree: never drier than asked."""
    exact = psychro.wet_bulb_f(dry_bulb_f, rh_for_emc(dry_bulb_f, emc), elevation_ft)
    return min(math.ceil(exact * 2 - 1e-6) / 2, dry_bulb_f - 0.5)


def low_temperature(
    schedule: Schedule,
    max_dry_bulb_f: float,
    *,
    lowest_emc_pct: float = LOWEST_EMC_PCT,
    coolest_f: float = 0.0,
    elevation_ft: float = 0.0,
) -> Schedule:
    """The same drying air at the gentler temperatures of a dehumidification chamber.

    Parameters
    ----------
    schedule : Schedule
        A published schedule; its air is read at sea level, for which it was printed.
    max_dry_bulb_f : float
        Hottest dry bulb of the chamber while drying [°F], 70 to 200.
    lowest_emc_pct : float
        Driest air the chamber is asked for [% MC], 2 to 12.
    coolest_f : float
        Coolest dry bulb the chamber can hold in the month [°F].
    elevation_ft : float
        Height above the sea [ft]; the wet bulb for an EMC depends on it slightly.

    Returns
    -------
    Schedule
        Each step keeps the EMC of the published step (its wet bulb rounded up to 0.5 °F), but never below
        `lowest_emc_pct`.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Dry bulb = least of the published one, the chamber's, and a ladder (not below `coolest_f`) from 90 °F over 50 % MC to 125 °F at
    15 % and below. The ladder is for a published start of 110 °F and shifts by half of any difference from
    that, from 5 °F down to 20 °F up. Ladder, shift and lowest EMC are common practice, not published figures.

    Below 35 % MC the published air is drier than that of the hand-made ladders in use with dehumidifiers. The
    published EMC is kept there too: it is the air the wood was tried in, surface checks no longer open once the
    shell is in compression, and cooler wood loses less in the same air. What a wetter ladder saves in
    casehardening is left to equalizing and conditioning, which are stages of their own.
    """
    psychro.check_range("max_dry_bulb_f", max_dry_bulb_f, 70.0, 200.0, "°F")
    psychro.check_range("lowest_emc_pct", lowest_emc_pct, 2.0, 12.0, "% MC")
    shift = min(20.0, max(-5.0, (schedule.steps[0].dry_bulb_f - 110.0) / 2))
    steps = []
    for step in schedule.steps:
        rung = next((f for mc, f in LADDER if step.from_mc_pct > mc), LADDER_END_F) + shift
        dry_bulb = float(min(step.dry_bulb_f, max_dry_bulb_f, max(rung, math.ceil(coolest_f))))
        emc = max(step_emc_pct(step), lowest_emc_pct)
        steps.append(replace(step, dry_bulb_f=dry_bulb, wet_bulb_f=_wet_bulb(dry_bulb, emc, elevation_ft)))
    return Schedule(
        code=f"{schedule.code}-LT",
        name=f"{schedule.name} at low temperature, up to {max(s.dry_bulb_f for s in steps):g} °F",
        steps=_merged(steps),
        source=f"EMC steps of {schedule.code} ({schedule.source}); dry bulbs: ladder for dehumidification",
        provenance="common practice",
        note=f"Same EMC as {schedule.code} step by step, but not below {lowest_emc_pct:g} %.",
    )


def _merged(steps: Sequence[Step]) -> tuple[Step, ...]:
    kept = [steps[0]]
    for step in steps[1:]:
        if (step.dry_bulb_f, step.wet_bulb_f, step.kind) != (
            kept[-1].dry_bulb_f,
            kept[-1].wet_bulb_f,
            kept[-1].kind,
        ):
            kept.append(step)
    return tuple(kept)


def softwood_ladder(
    thickness_in: float, max_dry_bulb_f: float, *, gentle: bool = False, elevation_ft: float = 0.0
) -> Schedule:
    """A dehumidification ladder for softwoods, whose published codes cannot be assembled here.

    `max_dry_bulb_f` [°F] 70 to 200. Stock over 6/4, or `gentle`, starts 5 °F cooler and 2 points of EMC
    damper, narrowing to nothing by the last steps. Our own design: common practice, not a published schedule.
    """
    psychro.check_range("max_dry_bulb_f", max_dry_bulb_f, 70.0, 200.0, "°F")
    gentler = gentle or int(thickness_class(thickness_in).split("/")[0]) > 6
    steps = []
    for mc, temperature, emc in SOFTWOOD_LADDER:
        dry_bulb = float(min(temperature - (5.0 if gentler else 0.0), max_dry_bulb_f))
        damper = min(2.0, max(0.0, emc - 5.0) / 2) if gentler else 0.0
        steps.append(Step(mc, dry_bulb, _wet_bulb(dry_bulb, emc + damper, elevation_ft)))
    kind = "thick or slow" if gentler else "thin"
    return Schedule(
        code=f"SOFTWOOD-{'B' if gentler else 'A'}",
        name=f"Softwood dehumidification, {kind}, up to {max(s.dry_bulb_f for s in steps):g} °F",
        steps=_merged(steps),
        source="own ladder for dehumidification chambers",
        provenance="common practice",
        note="The published softwood depression table is not held here; this ladder stands in for the code.",
    )


def timber_programme(days: float, max_dry_bulb_f: float, *, elevation_ft: float = 0.0) -> Schedule:
    """Timed steps for timbers, whose core no shallow probe shows in time.

    Parameters
    ----------
    days : float
        Length of the whole programme [days], 2 to 120.
    max_dry_bulb_f : float
        Hottest dry bulb of the chamber while drying [°F], 70 to 200.
    elevation_ft : float
        Height above the sea [ft].

    Notes
    -----
    `TIMBER_PROGRAMME`: four equal parts from 90 °F and 14 % EMC to 120 °F and 8 %, our own design (common
    practice, not a published schedule). A heat or pitch stage comes after it, compressor off first. Time says
    nothing about the core; the estimate shows where it stands at the end.
    """
    psychro.check_range("days", days, 2.0, 120.0, "days")
    psychro.check_range("max_dry_bulb_f", max_dry_bulb_f, 70.0, 200.0, "°F")
    steps = []
    for part, temperature, emc in TIMBER_PROGRAMME:
        dry_bulb = min(temperature, max_dry_bulb_f)
        wet_bulb = _wet_bulb(dry_bulb, emc, elevation_ft)
        steps.append(Step(START_MC_PCT, dry_bulb, wet_bulb, "dry", round(24 * days * part, 1)))
    return Schedule(
        code=f"TIMBER-{days:g}",
        name=f"Timbers by the clock, {days:g} days, up to {max(s.dry_bulb_f for s in steps):g} °F",
        steps=tuple(steps),
        source="own programme for timbers",
        provenance="common practice",
        note="Runs by the hour. Check the core before it ends: a shallow probe reads dry long before the middle is.",
    )


def finish(
    schedule: Schedule,
    *,
    target_mc_pct: float,
    softwood: bool,
    has_humidifier: bool,
    conditioning_hours: float | None = None,
    elevation_ft: float = 0.0,
) -> Schedule:
    """The schedule with an equalizing step, and conditioning where asked and possible.

    Parameters
    ----------
    schedule : Schedule
        Drying steps; heat and pitch stages after them stay last.
    target_mc_pct : float
        Final average moisture content [%], 5 to 20.
    softwood : bool
        Softwoods equalize at 3 points below target (hardwoods 2) and condition at 3 above (hardwoods 4).
    has_humidifier : bool
        Conditioning needs air the chamber can only make with one.
    conditioning_hours : float or None
        Hours of conditioning, see `conditioning_hours`; None for none.

    Raises
    ------
    ValueError
        Conditioning without a humidifier, equalizing air drier than `LOWEST_EMC_PCT`, a schedule that has such
        steps of its own, or an argument out of range.

    References
    ----------
    Wengert, Drying Oak Lumber, step 6C (seen); USDA Agriculture Handbook 188 (1991) ch. 7 (memory).
    """
    psychro.check_range("target_mc_pct", target_mc_pct, 5.0, 20.0, "%")
    if conditioning_hours is not None and not has_humidifier:
        raise ValueError(
            "conditioning needs a chamber with a humidifier; this one has none, so equalize only"
        )
    if any(step.kind in ("equalize", "condition") for step in schedule.steps):
        raise ValueError(f"schedule {schedule.code} has equalizing or conditioning steps of its own already")
    drying = [step for step in schedule.steps if step.kind == "dry"]
    later = [step for step in schedule.steps if step.kind != "dry"]
    last = drying[-1]
    below, above = (3.0, 3.0) if softwood else (2.0, 4.0)
    start = target_mc_pct - below
    if start < LOWEST_EMC_PCT:
        raise ValueError(
            f"a target of {target_mc_pct:g} % would equalize in air of {start:g} % EMC, drier than the "
            f"{LOWEST_EMC_PCT:g} % a dehumidifier holds; leave equalizing out or raise the target"
        )
    wet = _wet_bulb(last.dry_bulb_f, start, elevation_ft)
    steps = [*drying, Step(start, last.dry_bulb_f, wet, "equalize")]
    if conditioning_hours is not None:
        psychro.check_range("conditioning_hours", conditioning_hours, 1.0, 168.0, "h")
        wet = _wet_bulb(last.dry_bulb_f, target_mc_pct + above, elevation_ft)
        steps.append(Step(target_mc_pct, last.dry_bulb_f, wet, "condition", conditioning_hours))
    kind = steps[-1].kind
    return replace(
        schedule,
        code=joined(schedule.code, kind),
        name=f"{schedule.name}, then {FINISHES[kind].lower()}",
        steps=(*steps, *later),
    )


def parted(code: str) -> tuple[str, str]:
    """The code of the drying steps and the finish after them, either empty. ValueError for an unknown finish."""
    drying, _, ending = code.strip().partition(FINISH_MARK)
    if ending and ending not in FINISHES:
        known = " or ".join(FINISH_MARK + key for key in FINISHES)
        raise ValueError(f"schedule {code!r} ends in none of {known}")
    return drying, ending


def joined(drying: str, ending: str) -> str:
    """One code of both, see `parted`."""
    return f"{drying}{FINISH_MARK}{ending}" if ending else drying


def conditioning_hours(thickness_in: float, *, softwood: bool) -> float:
    """Hours of conditioning [h] for wood this thick [in, 0.2 to 16], 4 to 72.

    References
    ----------
    4 to 72 h (Lumber conditioning advice, seen); within it USDA Agriculture Handbook 188 (1991) ch. 7 (memory):
    about 4 h for 4/4 softwood, 16 to 24 h for 4/4 and 48 h
    for 8/4 hardwood; here 4 and 24 h per inch.
    """
    psychro.check_range("thickness_in", thickness_in, 0.2, 16.0, "in")
    return float(min(72, max(4, round((4 if softwood else 24) * thickness_in))))


def with_heat(
    schedule: Schedule, *, kind: str, dry_bulb_f: float, hours: float, elevation_ft: float = 0.0
) -> Schedule:
    """The schedule with a timed heat or pitch stage at its end.

    Parameters
    ----------
    schedule : Schedule
        Drying steps, equalized or not.
    kind : str
        "heat" or "pitch".
    dry_bulb_f : float
        Air temperature of the stage [°F], 120 to 210. The compressor is switched off above its limit first.
    hours : float
        Time of the whole stage, heating through included [h], 1 to 240.

    Returns
    -------
    Schedule
        The stage keeps the EMC of the last step, so that the wood neither dries on nor takes up water.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Common practice. A plan proves nothing: only logged core readings show a treatment.
    """
    if kind not in ("heat", "pitch"):
        raise ValueError(f"kind {kind!r} is not one of heat, pitch")
    psychro.check_range("dry_bulb_f", dry_bulb_f, 120.0, 210.0, "°F")
    psychro.check_range("hours", hours, 1.0, 240.0, "h")
    last = schedule.steps[-1]
    wet_bulb = _wet_bulb(dry_bulb_f, step_emc_pct(last, elevation_ft), elevation_ft)
    return replace(
        schedule, steps=(*schedule.steps, Step(last.from_mc_pct, dry_bulb_f, wet_bulb, kind, float(hours)))
    )


def step_at(schedule: Schedule, mc_pct: float) -> Step:
    """The drying step for wood at `mc_pct` [%, 0 to 300]: the last whose start it has fallen to.

    Raises
    ------
    ValueError
        Moisture out of range, or a schedule without a drying step.
    """
    psychro.check_range("mc_pct", mc_pct, 0.0, START_MC_PCT, "%")
    drying = [step for step in schedule.steps if step.kind == "dry"]
    if not drying:
        raise ValueError(f"schedule {schedule.code!r} has no drying step")
    return next((step for step in reversed(drying) if mc_pct <= step.from_mc_pct), drying[0])
