"""Whether a schedule makes sense, and whether a chamber can hold its air."""

from __future__ import annotations

import math
from itertools import pairwise

from kilnshop.science import psychro
from kilnshop.science.chamber import Machine
from kilnshop.science.schedules import START_MC_PCT, Schedule, Step, is_possible, step_emc_pct

COLDEST_COMPRESSOR_F = 70.0  # below about this the coil of a dehumidifier frosts (common practice)


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
        elif not is_possible(step, elevation_ft):
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
            if is_possible(step, elevation_ft) and step_emc_pct(step, elevation_ft) >= target_mc_pct:
                found.append(
                    f"Step {number}: its air holds wood at {step_emc_pct(step, elevation_ft):.1f} % EMC, so it never "
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
