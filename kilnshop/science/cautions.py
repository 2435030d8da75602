"""What a person should know before promising a charge, in order of harm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kilnshop.science import psychro
from kilnshop.science.chamber import ChamberInput, Machine
from kilnshop.science.course import Run
from kilnshop.science.drying import FSP, Array, B
from kilnshop.science.emc import emc_pct, rh_for_emc
from kilnshop.science.schedules import Schedule, Step
from kilnshop.science.species import safe_rate_pct_per_day

if TYPE_CHECKING:
    from kilnshop.science.estimate import LotInput
    from kilnshop.science.heating import Hold

SEVERITIES = ("stop", "caution", "note")
MOULD_RH = 0.80
MIXED_START_PCT = 15.0
SLOW_LIGHT_WOOD_PCT_PER_DAY = 5.0
PROBE_GAP = 0.03  # moisture of the core over the target when a shallow probe already reads it


@dataclass(frozen=True)
class Warning:
    """One thing to know. severity: "stop", "caution" or "note"."""

    severity: str
    code: str
    text: str


def find(
    lots: Sequence[LotInput],
    chamber: ChamberInput,
    schedule: Schedule,
    steps: Sequence[Step],
    history: Run,
    machine: Machine,
    goals: Array,
    driest_pct: float,
    asked: Mapping[str, Hold],
    added: Sequence[tuple[Step | None, str]],
) -> tuple[Warning, ...]:
    """Every warning of a charge, worst first."""
    found = [
        *_wood(lots, driest_pct),
        *_room(lots, chamber),
        *(Warning("stop", "treatment_unreachable", text) for _, text in added if text),
        *_treatments(lots, asked),
        *_steps(chamber, schedule, steps, history, machine),
        *_rates(lots, steps, history, chamber),
        *_mould(lots, history),
        *_probes(lots, history, goals),
        *_end(lots, history, goals),
    ]
    return tuple(sorted(found, key=lambda w: SEVERITIES.index(w.severity)))


def _wood(lots: Sequence[LotInput], driest_pct: float) -> list[Warning]:
    found = []
    for lot in lots:
        name = f"Lot {lot.key}"
        if lot.start_how == "pin" and lot.start_mc_pct > 100 * FSP:
            text = (
                f"{name}: a pin meter read {lot.start_mc_pct:g} %. Pin readings above {100 * FSP:.0f} % "
                "(fibre saturation) mean only wet; weigh oven-dry sections for a real start."
            )
            found.append(Warning("caution", "pin_above_fsp", text))
        if lot.target_mc_pct < driest_pct + 0.3 and lot.start_mc_pct > lot.target_mc_pct:
            text = (
                f"{name}: target {lot.target_mc_pct:g} % cannot be reached: the last step's air holds wood at "
                f"{driest_pct:.1f} % EMC. Figures stop at {driest_pct + 0.3:.1f} %; lower the last wet bulb or "
                "raise the target."
            )
            found.append(Warning("stop", "target_below_emc", text))
        if lot.start_mc_pct <= lot.target_mc_pct:
            text = (
                f"{name} starts at {lot.start_mc_pct:g} %, already at its target of {lot.target_mc_pct:g} %."
            )
            found.append(Warning("note", "already_dry", text))
    starts = [lot.start_mc_pct for lot in lots]
    if max(starts) - min(starts) > MIXED_START_PCT:
        text = (
            f"Start moisture runs from {min(starts):g} to {max(starts):g} %. Lots more than {MIXED_START_PCT:g} "
            "points apart dry badly together: air-dry the wet one first, or split the charge."
        )
        found.append(Warning("caution", "mixed_start", text))
    return found


def _room(lots: Sequence[LotInput], chamber: ChamberInput) -> list[Warning]:
    room = sum(lot.stack_share for lot in lots)
    if room <= chamber.capacity_bf:
        return []
    text = (
        f"The load takes the room of {room:,.0f} bf of stickered 4/4; {chamber.name} holds "
        f"{chamber.capacity_bf:,.0f} bf. Take out {room - chamber.capacity_bf:,.0f} bf or use two charges."
    )
    return [Warning("stop", "load_too_large", text)]


def _treatments(lots: Sequence[LotInput], asked: Mapping[str, Hold]) -> list[Warning]:
    found = []
    unknown = sorted({key for lot in lots for key in lot.treatments} - set(asked))
    if unknown:
        text = f"No temperature and time are held for {', '.join(unknown)}, so the plan has no stage for it."
        found.append(Warning("caution", "treatment_unknown", text))
    if any(hold.kind == "heat" for hold in asked.values()):
        text = (
            "Hours of a heat stage are a plan. Only a logged core reading shows that the treatment was met."
        )
        found.append(Warning("note", "heat_needs_log", text))
    return found


def _numbers(steps: Sequence[Step], history: Run) -> dict[int, int]:
    """The number of each step as a plan lists them: those the charge spends time in, from 1."""
    hours, at = history.taken[:, 0], history.stage[:, 0]
    used = [index for index in range(len(steps)) if hours[at == index].sum() > 0]
    return {index: number for number, index in enumerate(used, start=1)}


def _steps(
    chamber: ChamberInput, schedule: Schedule, steps: Sequence[Step], history: Run, machine: Machine
) -> list[Warning]:
    found = []
    if any(step.kind == "condition" for step in schedule.steps) and not chamber.has_humidifier:
        text = f"{chamber.name} has no humidifier, so the conditioning step is left out."
        found.append(Warning("caution", "no_conditioning", text))
    hours, at = history.taken[:, 0], history.stage[:, 0]
    locked: list[str] = []
    overloaded: list[str] = []
    for index, number in _numbers(steps, history).items():
        step = steps[index]
        mine = np.where(at == index, hours, 0.0)
        here = f"Step {number} ({step.dry_bulb_f:g} °F dry bulb, {step.wet_bulb_f:g} °F wet bulb)"
        if step.dry_bulb_f > chamber.max_dry_bulb_f:
            text = f"{here} is hotter than the {chamber.max_dry_bulb_f:g} °F limit of {chamber.name}."
            found.append(Warning("stop", "above_chamber_limit", text))
        if step.dry_bulb_f > chamber.lockout_dry_bulb_f and step.kind not in ("heat", "pitch"):
            locked.append(f"step {number} at {step.dry_bulb_f:g} °F")
        highest = psychro.f_from_c(float(history.temp_c[mine > 0, 0].max()))
        if highest < step.dry_bulb_f - 2 and mine.sum() > 12:
            text = f"{here}: heater, fans and compressor bring {chamber.name} only to {highest:.0f} °F in this air."
            found.append(Warning("caution", "heater_too_small", text))
        warmest = psychro.f_from_c(float(history.temp_c[mine > 0, 0].max()))
        if warmest > step.dry_bulb_f + 4 and history.temp_c[0, 0] < history.temp_c[mine > 0, 0].max():
            text = f"{here}: the chamber makes more heat than it sheds and drifts to about {warmest:.0f} °F."
            found.append(Warning("caution", "too_warm", text))
        steady = np.where(
            history.overloaded[:, 0] & (history.temp_c[:, 0] > psychro.c_from_f(step.dry_bulb_f) - 1), mine, 0
        )
        if steady.sum() > 12:
            rh = np.array([float(steady @ history.rh[:, 0] / steady.sum())])
            air = np.array([float(steady @ history.temp_c[:, 0] / steady.sum())])
            wet = psychro.f_from_c(float(psychro.wet_bulb_c_from_rh(air, rh, machine.pressure)[0]))
            if wet > step.wet_bulb_f + 0.5:
                overloaded.append(
                    f"step {number} ({step.dry_bulb_f:g} °F, set {step.wet_bulb_f:g}: expect about {wet:.0f} °F "
                    f"wet bulb for {steady.sum() / 24:.1f} days)"
                )
    if overloaded:
        text = (
            f"The dehumidifier runs continuously in {', '.join(overloaded)}. The load is wet or large for this "
            "unit: start with fewer feet, air-dry first, or accept slower drying."
        )
        found.append(Warning("caution", "overloaded", text))
    if locked:
        text = (
            f"The compressor locks out above {chamber.lockout_dry_bulb_f:g} °F, below {', '.join(locked)}: there the "
            "chamber dries on heater and vents alone."
        )
        found.append(Warning("caution", "compressor_lockout", text))
    return found


def _rates(
    lots: Sequence[LotInput], steps: Sequence[Step], history: Run, chamber: ChamberInput
) -> list[Warning]:
    """Loss per day against the safe rate, averaged over whole days from the moment the wood is losing."""
    found = []
    numbers = _numbers(steps, history)
    times = np.concatenate([[0.0], history.hours[:, 0]])
    for i, lot in enumerate(lots):
        limit, source = safe_rate_pct_per_day(lot.species, lot.thickness_in)
        curve = 100 * np.concatenate([[lot.start_mc_pct / 100], history.average[:, 0, i]])
        days = np.arange(0.0, times[-1], 24.0)
        if len(days) < 2:
            continue
        daily = np.interp(days, times, curve)
        loss = -np.diff(daily)
        light = lot.species.light_wood and lot.start_mc_pct > 40 and loss[0] < SLOW_LIGHT_WOOD_PCT_PER_DAY
        if light and loss[:2].max() < SLOW_LIGHT_WOOD_PCT_PER_DAY:
            text = (
                f"Lot {lot.key}: {lot.species.common_name} loses {loss[:2].max():.1f} % a day at first; under "
                f"{SLOW_LIGHT_WOOD_PCT_PER_DAY:g} % white wood may stain or mould. Start with drier air or fewer feet."
            )
            found.append(Warning("caution", "slow_start", text))
        if limit is None:
            continue
        for floor, severity in ((45.0, "caution"), (28.0, "note")):
            over = (loss > limit * 1.02) & (daily[:-1] > floor)
            if not over.any():
                continue
            day = int(np.argmax(np.where(over, loss, 0.0)))
            row = int(np.searchsorted(times[1:], days[day] + 12.0))
            index = int(history.stage[min(row, len(times) - 2), 0])
            step = steps[index]
            wetter = _gentler_wet_bulb(
                step, float(history.emc[min(row, len(times) - 2), 0]), limit / loss[day], chamber
            )
            text = (
                f"Lot {lot.key}: step {numbers[index]} is too harsh for {lot.species.common_name}: {loss[day]:.1f} % a "
                f"day near {daily[day]:.0f} %, safe is {limit:g} ({source}). {wetter}"
            )
            found.append(Warning(severity, "safe_rate", text))
            break
    return found


def _gentler_wet_bulb(step: Step, emc: float, ratio: float, chamber: ChamberInput) -> str:
    """The wet bulb at which the drive from fibre saturation to the air falls by `ratio`."""
    drive = ratio * (1 - math.exp(-B * (FSP - emc)))
    wanted = 100 * (FSP + math.log(1 - drive) / B)
    try:
        rh = rh_for_emc(step.dry_bulb_f, wanted)
        wet = psychro.wet_bulb_f(step.dry_bulb_f, rh, chamber.elevation_ft)
    except ValueError:
        return "Use a gentler schedule or a cooler first step."
    wet = math.ceil(2 * wet) / 2
    if wet >= step.dry_bulb_f - 0.5:
        return f"Even {step.dry_bulb_f - 1:g} °F wet bulb is too dry; start cooler."
    return f"A wet bulb of about {wet:g} °F ({emc_pct(step.dry_bulb_f, rh):.1f} % EMC) brings it under."


def _mould(lots: Sequence[LotInput], history: Run) -> list[Warning]:
    damp = (history.rh[:, 0] > MOULD_RH) & (history.temp_c[:, 0] > 20) & (history.temp_c[:, 0] < 50)
    days = float((history.taken[:, 0] * damp).sum()) / 24
    light = sorted({lot.species.common_name for lot in lots if lot.species.light_wood})
    if light and days > 1:
        text = f"{days:.1f} days above {100 * MOULD_RH:.0f} % RH: mould and stain may start on {', '.join(light)}."
        return [Warning("caution", "mould", text)]
    if days > 5:
        text = f"{days:.1f} days above {100 * MOULD_RH:.0f} % RH: look for surface mould."
        return [Warning("note", "mould", text)]
    return []


def _end(lots: Sequence[LotInput], history: Run, goals: Array) -> list[Warning]:
    found = []
    final = 100 * history.average[-1, 0]
    for i, lot in enumerate(lots):
        if history.stalled[0] and final[i] > 100 * goals[i] + 0.05:
            text = (
                f"Lot {lot.key} comes to rest at {final[i]:.1f} % and never reaches {lot.target_mc_pct:g} %: the "
                "chamber cannot take the water out at this temperature."
            )
            found.append(Warning("stop", "stalled", text))
        under = min(lot.target_mc_pct, lot.start_mc_pct) - final[i]
        if under > lot.tolerance_pct:
            text = (
                f"Lot {lot.key} will be over-dried to {final[i]:.1f} % (target {lot.target_mc_pct:g} ± "
                f"{lot.tolerance_pct:g}) while slower lots finish."
            )
            found.append(Warning("note", "over_dried", text))
    return found


def _probes(lots: Sequence[LotInput], history: Run, goals: Array) -> list[Warning]:
    """Lots whose shallow probe reads the target, within tolerance, long before the core does."""
    found = []
    hours = np.concatenate([[0.0], history.hours[:, 0]])
    for i, lot in enumerate(lots):
        probe, core, average = (
            np.concatenate([[lot.start_mc_pct / 100], values[:, 0, i]])
            for values in (history.shallow, history.core, history.average)
        )
        close = goals[i] + lot.tolerance_pct / 100
        if not probe[0] > close >= probe.min():
            continue
        early, done = (
            float(np.interp(-goal, -np.minimum.accumulate(values), hours)) / 24
            for goal, values in ((close, probe), (goals[i], average))
        )
        still = float(np.interp(24 * early, hours, core))
        if still - close < PROBE_GAP:
            continue
        text = (
            f"Lot {lot.key}: a probe {lot.probe_depth_in:.2g} in deep will read {100 * close:.0f} % (target "
            f"{100 * goals[i]:.0f} ± {lot.tolerance_pct:g}) on about day {early:.0f}; the core will still be near "
            f"{100 * still:.0f} %."
        )
        if done - early > 1:
            text += f" The average reaches the target on about day {done:.0f}."
        text += f" Probe to the middle, {lot.core_depth_in:.2g} in deep, before you stop."
        found.append(Warning("caution", "shallow_probe", text))
    return found
