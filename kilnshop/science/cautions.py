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
from kilnshop.science.drying import FREE_SLOPE, FSP, REFERENCE_VELOCITY_FPM, Array, Boards
from kilnshop.science.emc import emc_fraction, emc_pct
from kilnshop.science.heating import DRY_HEAT_ALLOWANCE
from kilnshop.science.schedule_checks import out_of_reach
from kilnshop.science.schedules import Schedule, Step
from kilnshop.science.species import safe_rate_pct_per_day

if TYPE_CHECKING:
    from kilnshop.science.estimate import LotInput
    from kilnshop.science.heating import Hold

SEVERITIES = ("stop", "caution", "note")
# Within one severity, what does the most harm first; codes not named come last.
HARM = (
    "out_of_reach", "treatment_unreachable", "load_too_large", "target_below_emc", "stalled", "ends_wet",
    "safe_rate", "mould", "slow_start", "shallow_probe", "mixed_start", "compressor_lockout", "overloaded",
)  # fmt: skip
MOULD_RH = 0.80
MIXED_START_PCT = (10.0, 15.0)  # worth knowing, worth not doing (Wengert, loads with mixed moisture content)
STRICT_MC_PCT, RATE_MC_PCT = 45.0, 28.0  # the safe rate binds above the first and matters down to the second
RATE_WINDOW_H, RATE_STEP_H = 24, 6
RATE_IN_HAND = 0.95  # a wetter step is proposed with 5 % of the safe rate left in hand
SLOW_LIGHT_WOOD_PCT_PER_DAY = 5.0
DAMP_ENOUGH_PCT = 0.5  # of EMC: air this much drier than set does not equalize (design choice)
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
    quick: bool = False,
) -> tuple[Warning, ...]:
    """Every warning of a charge, worst first; `quick` leaves out the air that would cure a harsh step."""
    found = [
        *_wood(lots, driest_pct),
        *_room(lots, chamber),
        *(Warning("stop", "treatment_unreachable", text) for _, text in added if text),
        *_treatments(lots, asked),
        *_steps(chamber, schedule, steps, history, machine),
        *_rates(lots, steps, history, chamber, quick),
        *_mould(lots, history),
        *_probes(lots, history, goals),
        *_end(lots, steps, history, goals),
    ]
    return tuple(sorted(found, key=_harm))


def _harm(warning: Warning) -> tuple[int, int]:
    within = HARM.index(warning.code) if warning.code in HARM else len(HARM)
    return SEVERITIES.index(warning.severity), within


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
    apart = max(starts) - min(starts)
    if apart > MIXED_START_PCT[0]:
        text = (
            f"Start moisture runs from {min(starts):g} to {max(starts):g} %. Lots more than "
            f"{MIXED_START_PCT[0]:g} to {MIXED_START_PCT[1]:g} points apart dry badly together: air-dry the wet "
            "one first, or split the charge."
        )
        found.append(Warning("caution" if apart > MIXED_START_PCT[1] else "note", "mixed_start", text))
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
            "Hours of a heat stage are a plan: conduction as in wet heat, with "
            f"{100 * (DRY_HEAT_ALLOWANCE - 1):.0f} % more because dry heat is slower. Only a logged core reading shows "
            "that the treatment was met."
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
    numbers = _numbers(steps, history)
    if any(step.kind == "equalize" and index not in numbers for index, step in enumerate(steps)):
        text = (
            "The slow boards are within the tolerance when drying ends, so equalizing takes no time in this plan; "
            "what the sample boards say decides."
        )
        found.append(Warning("note", "already_even", text))
    locked: list[str] = []
    overloaded: list[str] = []
    for index, number in numbers.items():
        step = steps[index]
        mine = np.where(at == index, hours, 0.0)
        here = f"Step {number} ({step.dry_bulb_f:g} °F dry bulb, {step.wet_bulb_f:g} °F wet bulb)"
        if why := out_of_reach(step, machine):
            found.append(Warning("stop", "out_of_reach", f"Step {number}: {why}."))
        if step.kind in ("equalize", "condition"):
            held = 100 * float(mine @ history.emc[:, 0] / mine.sum())
            wanted = emc_pct(
                step.dry_bulb_f, psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, chamber.elevation_ft)
            )
            if held < wanted - DAMP_ENOUGH_PCT:
                text = (
                    f"Step {number}: to {step.kind}, the air must hold wood at {wanted:.1f} % EMC; {chamber.name} "
                    f"has no humidifier and dries out to {held:.1f} %. Leave {step.kind[:-1]}ing out or use a "
                    "chamber with a humidifier."
                )
                found.append(Warning("stop", "out_of_reach", text))
        if step.dry_bulb_f > chamber.lockout_dry_bulb_f and step.kind not in ("heat", "pitch"):
            locked.append(f"step {number} at {step.dry_bulb_f:g} °F")
        highest = psychro.f_from_c(float(history.temp_c[mine > 0, 0].max()))
        if highest < step.dry_bulb_f - 2 and mine.sum() > 12 and not why:
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
                    f"step {number} ({step.dry_bulb_f:g} °F, wet bulb set {step.wet_bulb_f:g} °F: expect about "
                    f"{wet:.0f} °F for {steady.sum() / 24:.1f} days)"
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
    lots: Sequence[LotInput], steps: Sequence[Step], history: Run, chamber: ChamberInput, quick: bool
) -> list[Warning]:
    """Loss per day against the safe rate, over any 24 hours from the moment the wood is losing."""
    found = []
    numbers = _numbers(steps, history)
    times = np.concatenate([[0.0], history.hours[:, 0]])
    for i, lot in enumerate(lots):
        curve = 100 * np.concatenate([[lot.start_mc_pct / 100], history.average[:, 0, i]])
        starts = np.arange(0.0, times[-1] - RATE_WINDOW_H + 1e-9, RATE_STEP_H)
        if not len(starts):
            continue
        before = np.interp(starts, times, curve)
        loss = before - np.interp(starts + RATE_WINDOW_H, times, curve)
        first = loss[: RATE_WINDOW_H // RATE_STEP_H + 1].max()
        if lot.species.light_wood and lot.start_mc_pct > 40 and first < SLOW_LIGHT_WOOD_PCT_PER_DAY:
            text = (
                f"Lot {lot.key}: {lot.species.common_name} loses {first:.1f} % a day at first; under "
                f"{SLOW_LIGHT_WOOD_PCT_PER_DAY:g} % white wood may stain or mould. Start with drier air or fewer feet."
            )
            found.append(Warning("caution", "slow_start", text))
        limit, source = safe_rate_pct_per_day(lot.species, lot.thickness_in)
        if limit is None:
            continue
        bears = np.where(before > STRICT_MC_PCT, limit, 1.02 * limit)
        over = (loss > bears) & (before > RATE_MC_PCT)
        if not over.any():
            continue
        rows = np.searchsorted(times[1:], starts + RATE_WINDOW_H / 2).clip(max=len(times) - 2)
        at = history.stage[rows, 0]
        harsh = sorted(set(at[over].tolist()))
        worst = int(np.argmax(np.where(over, loss, 0.0)))
        text = (
            f"Lot {lot.key}: step {numbers[int(at[worst])]} is too harsh for {lot.species.common_name}: "
            f"{loss[worst]:.1f} % a day near {before[worst]:.0f} %, safe is {limit:g} ({source})."
        )
        tried = [] if quick else _wetter(lot, i, steps, history, chamber, harsh, limit)
        for index, wet, left in tried:
            step = steps[index]
            rh = psychro.rh_pct(step.dry_bulb_f, wet, chamber.elevation_ft)
            air = f"{wet:g} °F in step {numbers[index]} ({emc_pct(step.dry_bulb_f, rh):.1f} % EMC)"
            text += (
                f" A wet bulb of about {air} brings it to {left:.1f} % a day."
                if limit >= left >= 0.05
                else f" A wet bulb of about {air} keeps it under the safe rate."
                if left <= limit
                else f" Even {air} leaves {left:.1f} % a day; that step must be cooler."
            )
        if tried and lot.is_timber:
            text += (
                f" Tried as the board that dries as fast as this timber, {_as_board_in(lot):.1f} in thick."
            )
        strict = (before[over] > STRICT_MC_PCT).any()
        found.append(Warning("caution" if strict else "note", "safe_rate", text))
    return found


def _as_board_in(lot: LotInput) -> float:
    """The thickness [in] of the board that takes as long as this lot's boards or timbers."""
    sides = [lot.thickness_in, *([lot.width_in] if lot.is_timber and lot.width_in else [])]
    return float(sum(side**-1.5 for side in sides) ** (-1 / 1.5))


def _wetter(
    lot: LotInput,
    column: int,
    steps: Sequence[Step],
    history: Run,
    chamber: ChamberInput,
    harsh: Sequence[int],
    limit: float,
) -> list[tuple[int, float, float]]:
    """For each harsh step the driest wet bulb [°F] that keeps the lot within `limit`, and the loss a day left.

    Tried, not guessed: the lot's boards dry again from the start in the air of the charge, side by side in
    each wetter wet bulb of a harsh step by half degrees; a step lasts until the lot is as dry as it was at its
    end before, and those after it start from the boards as the wetter air leaves them. A timber is tried as
    the board of the same time, 1/t = 1/t_a + 1/t_b (Newman's product rule).
    """
    stage, taken = history.stage[:, 0], history.taken[:, 0]
    velocity = chamber.air_velocity_fpm / REFERENCE_VELOCITY_FPM

    def boards(rows: int, like: Boards | None = None) -> Boards:
        made = Boards(
            np.full(rows, _as_board_in(lot) * 0.0254),
            np.full(rows, lot.start_mc_pct / 100),
            np.full(rows, lot.speed),
            np.full(rows, 1.0 if lot.species.permeable_sapwood else FREE_SLOPE),
            velocity,
        )
        if like is not None:
            made.moisture[:], made.u[:] = like.moisture, like.u
        return made

    state = boards(1)
    past = [lot.start_mc_pct]  # average every RATE_STEP_H so far
    found = []
    for index in sorted(set(stage[taken > 0].tolist())):
        if index > harsh[-1]:
            break
        here = np.flatnonzero((stage == index) & (taken > 0))
        clock = np.cumsum(taken[here])
        until = 100 * float(history.average[here[-1], 0, column])
        step = steps[index]
        wets = np.array([step.wet_bulb_f])
        if index in harsh:
            wets = np.arange(math.floor(2 * step.wet_bulb_f + 1), 2 * step.dry_bulb_f - 0.5) / 2
            wets = wets if len(wets) else np.array([step.wet_bulb_f])
        rh = np.array([psychro.rh_pct(step.dry_bulb_f, wet, chamber.elevation_ft) for wet in wets]) / 100
        trial = boards(len(wets), state)
        share = trial.width / trial.half[:, None]
        means = [np.full(len(wets), value) for value in past]
        inside = [(trial.moisture.copy(), trial.u.copy())]
        hours, span = 0.0, RATE_WINDOW_H // RATE_STEP_H
        after = min(int(here[-1]) + 1, len(stage) - 1)  # a day begun in this step ends in the air of the next
        onward = stage[after] not in harsh
        while (means[max(-len(means), -1 - span // 2)] > until + 1e-6).any() and hours < 3 * clock[-1] + 48:
            row = here[min(int(np.searchsorted(clock, hours + RATE_STEP_H / 2)), len(here) - 1)]
            rows = np.where((means[-1] <= until + 1e-6) & onward, after, row)
            temp, emc = history.temp_c[rows, 0], history.emc[rows, 0]
            if index in harsh:
                emc = np.where(rows == row, np.maximum(emc, emc_fraction(temp, rh)), emc)
            trial.keep(trial.advance(temp, emc, np.full(len(wets), RATE_STEP_H * 3600.0)))
            means.append(100 * (trial.moisture * share).sum(axis=1))
            inside.append((trial.moisture.copy(), trial.u.copy()))
            hours += RATE_STEP_H
        curves = np.array(means)
        pick = 0
        if index in harsh:
            begin = max(len(past) - 1 - span // 2, 0)
            counted = np.zeros((0, len(wets)))
            if len(curves) > begin + span:
                head, middle = curves[begin:-span], curves[begin + span // 2 : -span // 2]
                loss = head - curves[begin + span :]
                counted = np.where((head > RATE_MC_PCT) & (middle > until), loss, 0.0)
            left = counted.max(axis=0, initial=0.0)
            enough = left <= RATE_IN_HAND * limit
            pick = int(np.argmax(enough)) if enough.any() else len(wets) - 1
            found.append((index, float(wets[pick]), float(left[pick])))
        end = int(np.argmax(curves[len(past) - 1 :, pick] <= until + 1e-6)) or len(inside) - 1
        past = [*past, *curves[len(past) : len(past) + end, pick].tolist()]
        state = boards(1)
        state.moisture[:], state.u[:] = inside[end][0][pick], inside[end][1][pick]
    return found


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


def _end(lots: Sequence[LotInput], steps: Sequence[Step], history: Run, goals: Array) -> list[Warning]:
    """How each lot ends; conditioning wets the shell on purpose, so the wood is judged before it."""
    found = []
    kinds = np.array([step.kind for step in steps])[history.stage[:, 0]]
    damp = (kinds == "condition") & (history.taken[:, 0] > 0)
    before = max(int(np.argmax(damp)) - 1, 0) if damp.any() else -1
    final = 100 * history.average[before, 0]
    if damp.any():
        wetted = 100 * (history.average[np.flatnonzero(damp)[-1], 0] - history.average[before, 0]).max()
        text = (
            f"Conditioning puts up to {wetted:.1f} points back into the wood, most of it in the shell. Let the wood "
            "cool a day before final moisture is measured."
        )
        found.append(Warning("note", "conditioned", text))
    for i, lot in enumerate(lots):
        if history.stalled[0] and final[i] > 100 * goals[i] + 0.05:
            text = (
                f"Lot {lot.key} comes to rest at {final[i]:.1f} % and never reaches {lot.target_mc_pct:g} %: the "
                "chamber cannot take the water out at this temperature."
            )
            found.append(Warning("stop", "stalled", text))
        elif final[i] > 100 * goals[i] + lot.tolerance_pct:
            text = (
                f"Lot {lot.key} is at {final[i]:.1f} % when the hours of the schedule end, not at its target of "
                f"{lot.target_mc_pct:g} %: give it more time, or end with a step on moisture."
            )
            found.append(Warning("stop", "ends_wet", text))
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
