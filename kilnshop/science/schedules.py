"""Kiln schedules: air conditions in steps, which one suits the wood, and whether it makes sense."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import pairwise

from kilnshop.science import psychro
from kilnshop.science.chamber import Machine
from kilnshop.science.emc import emc_pct, rh_for_emc
from kilnshop.science.species import RATE_EXPONENT, Species, read_table, safe_rate_pct_per_day
from kilnshop.science.species import all_species as published_species
from kilnshop.science.species import thickness_class as thickness_class

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
COLDEST_COMPRESSOR_F = 70.0  # below about this the coil of a dehumidifier frosts (common practice)
# (part of the programme's days, dry bulb [°F], EMC [%]) for timbers, whose middle no probe governs in time.
TIMBER_PROGRAMME = ((0.25, 90.0, 14.0), (0.25, 100.0, 12.0), (0.25, 110.0, 10.0), (0.25, 120.0, 8.0))
GROUP_CODES = {"easy": "T8-D4", "moderate": "T6-C3", "refractory": "T3-C1"}


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


@dataclass(frozen=True)
class Suggestion:
    """A schedule and one sentence saying why."""

    schedule: Schedule
    reason: str


@cache
def _codes() -> dict[tuple[str, str], tuple[str, str, str]]:
    return {
        (row["species_key"], row["thickness_class"]): (row["schedule_code"], row["source"], row["provenance"])
        for row in read_table("species_schedules")
        if row["species_key"]
    }


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
        if not _possible(step, elevation_ft):
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


def published_code(species: Species, thickness_in: float) -> tuple[str, str, str] | None:
    """The published schedule code of a species and thickness, with source and provenance.

    Returns
    -------
    tuple or None
        (code, source, provenance); None where nothing is published here (above 9/4, or species not listed).
        Softwood codes are listed but cannot be assembled.

    References
    ----------
    USDA Agriculture Handbook 188 (1991) ch. 7, schedules by species.
    """
    quarters = int(thickness_class(thickness_in).split("/")[0])
    band = "4/4-6/4" if quarters <= 6 else "8/4" if quarters <= 9 else ""
    return _codes().get((species.key, band))


def _emc(step: Step, elevation_ft: float = 0.0) -> float:
    return emc_pct(step.dry_bulb_f, psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, elevation_ft))


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
        emc = max(_emc(step), lowest_emc_pct)
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


def _gentler(code: str) -> str:
    found = CODE.fullmatch(code)
    if not found:
        raise ValueError(f"code {code!r} is not a hardwood schedule")
    return f"T{max(1, int(found[1]) - 2)}-{found[2]}{max(1, int(found[3]) - 1)}"


@lru_cache(maxsize=512)
def for_wood(
    species: Species,
    thickness_in: float,
    max_dry_bulb_f: float,
    *,
    coolest_f: float = 0.0,
    elevation_ft: float = 0.0,
) -> Suggestion:
    """The schedule for one wood in a dehumidification chamber, and why.

    Hardwoods: the published code at low temperature; over 9/4 the 8/4 code two temperature schedules and one
    depression gentler; a species without a code, that of its drying group (both common practice). Softwoods:
    the softwood ladder.
    """
    label, name = thickness_class(thickness_in), species.common_name
    if species.group == "softwood":
        gentle = species.drying_group == "refractory"
        ladder = softwood_ladder(thickness_in, max_dry_bulb_f, gentle=gentle, elevation_ft=elevation_ft)
        return Suggestion(
            ladder,
            f"{label} {name}: our own dehumidification ladder for softwoods (common practice, no code held)",
        )
    thick = int(label.split("/")[0]) > 9
    found = published_code(species, thickness_in)
    nearest = found or published_code(species, 2.0 if thick else 1.0)
    if found:
        code, why = found[0], f"{found[0]} is the published schedule for {label} {name}"
    elif nearest:
        code = _gentler(nearest[0])  # common practice
        why = f"nothing is published for {label} {name}; {code} is gentler than its {nearest[0]}"
    else:
        code = GROUP_CODES[species.drying_group]
        code = _gentler(code) if int(label.split("/")[0]) > 6 else code
        why = f"nothing is published for {label} {name}; {code} suits a {species.drying_group} hardwood"
    chosen = assemble(code, name=f"{code}, {label} {name}")
    low = low_temperature(chosen, max_dry_bulb_f, coolest_f=coolest_f, elevation_ft=elevation_ft)
    usual = low_temperature(chosen, max_dry_bulb_f, elevation_ft=elevation_ft)
    warmer = low.steps[0].dry_bulb_f > usual.steps[0].dry_bulb_f
    season = (
        f", from {low.steps[0].dry_bulb_f:g} °F because the chamber gets no cooler in that month"
        if warmer
        else ""
    )
    return Suggestion(low, f"{why}, run at the same EMC and lower temperature{season}")


@cache
def _group_rates() -> dict[str, float]:
    """The median published 4/4 safe rate of each drying group [% MC a day]."""
    rates = [(s.drying_group, s.safe_rate_4_4_pct_per_day) for s in published_species()]
    return {
        wanted: statistics.median(rate for group, rate in rates if rate is not None and group == wanted)
        for wanted in GROUP_CODES
    }


def bearable_rate(species: Species, thickness_in: float) -> tuple[float, bool]:
    """The moisture a wood may lose a day [% MC], and whether that is published for it.

    Where no safe rate is published the median rate of its drying group stands in, with the thickness rule of
    `safe_rate_pct_per_day`: good for ranking woods, not for judging a charge.
    """
    rate, _ = safe_rate_pct_per_day(species, thickness_in)
    if rate is not None:
        return rate, True
    nominal = max(1.0, int(thickness_class(thickness_in).split("/")[0]) / 4)
    return _group_rates()[species.drying_group] * nominal**-RATE_EXPONENT, False


def delicacy(species: Species, thickness_in: float, schedule: Schedule) -> tuple[float, float]:
    """How delicate a wood is, the larger the more so: by the loss a day it bears, then by its schedule's air.

    Returns
    -------
    tuple
        (minus the rate of `bearable_rate` [% MC a day], mean EMC of `schedule` from 60 to 20 % MC [%]).

    Notes
    -----
    The rate comes first because depressions of different moisture classes start their steps at different
    moistures: from 50 to 30 % MC T8-C3 of hard maple is damper than T4-D2 of red oak, though the oak bears
    3.8 % a day and the maple 6.5.
    """
    at = [step_at(schedule, mc) for mc in (60.0, 50.0, 45.0, 40.0, 35.0, 30.0, 25.0, 20.0)]
    return -bearable_rate(species, thickness_in)[0], sum(map(_emc, at)) / len(at)


def suggest(
    lots: Sequence[tuple[Species, float, float, float]],
    max_dry_bulb_f: float,
    *,
    coolest_f: float = 0.0,
    elevation_ft: float = 0.0,
) -> Suggestion:
    """One schedule for lots dried together: that of the most delicate member.

    Parameters
    ----------
    lots : sequence of (species, thickness_in, start_mc, target_mc)
        Actual thickness [in], moisture contents [%].
    max_dry_bulb_f : float
        Hottest dry bulb of the chamber while drying [°F], 70 to 200.
    coolest_f : float
        Coolest dry bulb it can hold in the month [°F].
    elevation_ft : float
        Height above the sea [ft]; wet bulbs depend on it.

    Raises
    ------
    ValueError
        No lots, or a moisture content that is impossible.
    """
    if not lots:
        raise ValueError("lots is empty; at least one lot is needed to suggest a schedule")
    for species, _, start, target in lots:
        psychro.check_range(f"start_mc of {species.common_name}", start, 3.0, START_MC_PCT, "%")
        psychro.check_range(f"target_mc of {species.common_name}", target, 3.0, START_MC_PCT, "%")
    options = [
        (
            for_wood(species, thickness, max_dry_bulb_f, coolest_f=coolest_f, elevation_ft=elevation_ft),
            species,
            thickness,
        )
        for species, thickness, _, _ in lots
    ]
    chosen, species, thickness = max(options, key=lambda o: delicacy(o[1], o[2], o[0].schedule))
    mixed = ""
    if len({option.schedule.code for option, _, _ in options}) > 1:
        rate, listed = bearable_rate(species, thickness)
        bears = f"safe to lose {rate:g} % a day" if listed else f"a {species.drying_group} wood"
        mixed = f"; it is the most delicate of the lots ({bears}), so it sets the air for all"
    return replace(chosen, reason=f"{chosen.reason[0].upper()}{chosen.reason[1:]}{mixed}.")


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
    wet_bulb = _wet_bulb(dry_bulb_f, _emc(last, elevation_ft), elevation_ft)
    return replace(
        schedule, steps=(*schedule.steps, Step(last.from_mc_pct, dry_bulb_f, wet_bulb, kind, float(hours)))
    )


def problems(
    schedule: Schedule,
    *,
    target_mc_pct: float | None = None,
    max_dry_bulb_f: float | None = None,
    elevation_ft: float = 0.0,
) -> list[str]:
    """What is wrong with a schedule, one sentence each; empty when it makes sense.

    Parameters
    ----------
    schedule : Schedule
        Any, a shop's own included.
    target_mc_pct : float or None
        Moisture content [%] the drying steps must be able to reach.
    max_dry_bulb_f : float or None
        Hottest dry bulb [°F] of the chamber.
    elevation_ft : float
        Height above the sea [ft].
    """
    if not schedule.steps:
        return ["The schedule has no steps; add at least one."]
    found: list[str] = []
    for number, step in enumerate(schedule.steps, 1):
        here = f"Step {number}"
        if not all(map(math.isfinite, (step.from_mc_pct, step.dry_bulb_f, step.wet_bulb_f))):
            found.append(f"{here}: moisture and temperatures must be numbers.")
            continue
        if not 40 <= step.dry_bulb_f <= 250:
            found.append(f"{here}: dry bulb {step.dry_bulb_f:g} °F is outside 40 to 250 °F.")
        if step.wet_bulb_f >= step.dry_bulb_f:
            found.append(
                f"{here}: wet bulb {step.wet_bulb_f:g} °F must be below the dry bulb {step.dry_bulb_f:g} °F."
            )
        elif not _possible(step, elevation_ft):
            found.append(
                f"{here}: no air of {step.dry_bulb_f:g} °F has a wet bulb as low as {step.wet_bulb_f:g} °F."
            )
        if max_dry_bulb_f is not None and step.dry_bulb_f > max_dry_bulb_f:
            found.append(
                f"{here}: dry bulb {step.dry_bulb_f:g} °F is above the {max_dry_bulb_f:g} °F that the chamber may run at."
            )
        if step.kind == "dry" and 40 <= step.dry_bulb_f < COLDEST_COMPRESSOR_F:
            found.append(f"{here}: {_too_cold(step.dry_bulb_f)}.")
        if step.hours is not None and not 0 < step.hours <= 2400:
            found.append(f"{here}: {step.hours:g} hours is outside 0 to 2400.")
        if step.kind in ("condition", "heat", "pitch") and step.hours is None:
            found.append(f"{here}: a {step.kind} step needs its hours.")
        if not 0 < step.from_mc_pct <= START_MC_PCT:
            found.append(
                f"{here}: starting moisture {step.from_mc_pct:g} % is outside 0 to {START_MC_PCT:g} %."
            )
    drying = [(n, s) for n, s in enumerate(schedule.steps, 1) if s.kind == "dry"]
    for (_, before), (number, after) in pairwise((n, s) for n, s in drying if s.hours is None):
        if after.from_mc_pct >= before.from_mc_pct:
            found.append(
                f"Step {number}: starts at {after.from_mc_pct:g} %, which is not below the "
                f"{before.from_mc_pct:g} % of the step before; moisture must fall from step to step."
            )
    if not drying:
        found.append("The schedule has no drying step; add at least one.")
    elif any(step.kind != "dry" for step in schedule.steps[: drying[-1][0]]):
        found.append("Equalizing, conditioning, heat and pitch steps must come after the last drying step.")
    if drying and target_mc_pct is not None:
        equalizing = [(n, s) for n, s in enumerate(schedule.steps, 1) if s.kind == "equalize"]
        for number, step in (drying[-1], *equalizing):
            if _possible(step, elevation_ft) and _emc(step, elevation_ft) >= target_mc_pct:
                found.append(
                    f"Step {number}: its air holds wood at {_emc(step, elevation_ft):.1f} % EMC, so it never "
                    f"reaches the target of {target_mc_pct:g} %; lower its wet bulb."
                )
    return found


def out_of_reach(step: Step, machine: Machine) -> str:
    """Why a chamber cannot hold the dry bulb of a step in the outside air of the month; empty when it can.

    Notes
    -----
    Steady temperatures: heater, fans and, up to its lock-out, the compressor against walls and leaks for the
    hottest; fans alone with the vents open for the coolest. No chamber here cools, and below
    `COLDEST_COMPRESSOR_F` its dehumidifier takes no water out.
    """
    chamber, dry_bulb = machine.chamber, step.dry_bulb_f
    outside = psychro.f_from_c(machine.out_c)
    if dry_bulb > chamber.max_dry_bulb_f:
        return f"{dry_bulb:g} °F is hotter than the {chamber.max_dry_bulb_f:g} °F limit of {chamber.name}"
    compressor = step.kind not in ("heat", "pitch") and dry_bulb <= chamber.lockout_dry_bulb_f
    hottest = psychro.f_from_c(machine.highest_c(compressor=compressor))
    if dry_bulb > hottest:
        return (
            f"{dry_bulb:g} °F is out of reach: with {outside:.0f} °F outside, heater and fans"
            f"{' and compressor' if compressor else ''} hold {chamber.name} at {hottest:.0f} °F at most"
        )
    coolest = psychro.f_from_c(machine.lowest_c())
    if dry_bulb < coolest:
        return (
            f"{dry_bulb:g} °F is out of reach: with {outside:.0f} °F outside, the fans alone bring "
            f"{chamber.name} to {coolest:.0f} °F, and nothing cools it"
        )
    if step.kind == "dry" and dry_bulb < COLDEST_COMPRESSOR_F:
        return _too_cold(dry_bulb)
    return ""


def _too_cold(dry_bulb_f: float) -> str:
    return (
        f"{dry_bulb_f:g} °F is colder than the {COLDEST_COMPRESSOR_F:g} °F below which the dehumidifier's coil "
        "frosts and takes no water out"
    )


def _possible(step: Step, elevation_ft: float) -> bool:
    try:
        _emc(step, elevation_ft)
    except ValueError:
        return False
    return True


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
