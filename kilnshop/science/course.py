"""The course of a charge through its schedule: wood, air, machine and heat together, hour by hour.

Several runs of one charge (members) go through the schedule side by side, each on its own clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kilnshop.science import psychro
from kilnshop.science.chamber import COIL_BELOW_AIR_K, Balance, Machine
from kilnshop.science.drying import CELLS, Array, DryingFailed
from kilnshop.science.emc import emc_fraction
from kilnshop.science.heating import heat_capacity_per_dry_kg
from kilnshop.science.section import Step, Stock

MAX_HOURS = 24.0 * 500
MAX_STEPS = 5000
ATTEMPTS = 30  # at the humidity of a step, before the step is taken shorter
AIR_CLOSES = 3e-3  # water the humidity search may leave open, of the evaporation
LEAP_MC = 0.06  # most wanted change of the average in one step
LEAP_OF_GAP, LEAST_LEAP_MC = 0.3, 0.005  # that change as a part of what separates the wood from its EMC
GROW = 2.0  # most a step may be longer than the one before
HOTTEST_C = 110.0  # no drying chamber is meant to get hotter
RAMP_K = 6.0  # most the air warms or cools in one step
NEAR_LOCKOUT_K = 0.2  # a compressor held at its limit is not stopped by round-off (common practice: switches act in a band)
RAMP_H = 12.0  # longest step while the air warms or cools to its set point
DRIFT_K = 0.5  # air off its set point that moves less than this in a step may take longer steps
STALLED_PER_DAY = 0.0002  # moisture fraction a day below which a charge is going nowhere
SLOW_PIECES = 1.15  # the slow boards of a lot dry this much slower than its average


@dataclass(frozen=True)
class Stage:
    """One step of the plan as the run sees it. kind as in a schedule."""

    kind: str
    from_mc: float  # fraction
    temp_c: float
    rh: float  # set; not used by heat and pitch stages, whose humidity floats
    hours: float | None = None


@dataclass(frozen=True)
class Load:
    """The boards of a charge, by member and lot, for `run`. Arrays are members x lots unless said otherwise."""

    thickness_m: Array
    start: Array
    speed: Array
    dry_kg: Array  # by lot
    target: Array  # by lot; where drying stops
    free_slope: Array  # by lot
    spread: Array  # by lot: how much wetter the slow pieces start
    probe_m: Array  # by lot: depth of a shallow probe [m]
    tolerance: Array  # by lot: equalizing ends when slow pieces are this close to target
    width_m: Array | None = None  # by lot: of timbers, which also dry through their edges; nan for boards
    times: Array | float = 1.0  # by member: how many times this wood is in the chamber


@dataclass(frozen=True)
class Run:
    """The history of every member: arrays of steps x members (x lots), each step ending at `hours`.

    A member that has finished keeps its last hour; its later entries have step `taken` 0.
    """

    hours: Array
    taken: Array  # length of the step [h]
    stage: Array
    temp_c: Array
    rh: Array
    emc: Array
    evaporated_kg: Array
    condensed_kg: Array
    vented_kg: Array
    vent_air_kg: Array
    misted_kg: Array
    duty: Array
    compressor_kw: Array
    heater_kw: Array
    overloaded: Array
    stored_kj: Array
    lost_kj: Array
    gained_kj: Array
    average: Array
    core: Array
    shell: Array
    shallow: Array  # at the depth of a shallow probe
    slow: Array
    reached_h: Array  # members x lots; nan when a lot never reached its target
    stalled: Array  # members


def run(
    load: Load, machine: Machine, stages: Sequence[Stage], velocity: float = 1.0, cells: int = CELLS
) -> Run:
    """Take a charge through the stages.

    Drying stages change when the wettest lot's average falls to the next stage's moisture, and end when every
    lot has reached its target; equalizing ends when the slow pieces of every lot are within tolerance; timed
    stages end by the clock, which heat and pitch stages start at temperature.
    """
    members, lots = load.start.shape
    chamber = machine.chamber
    idle_c = machine.idle_c()
    if idle_c > HOTTEST_C:
        raise ValueError(
            f"fan_kw = {chamber.fan_kw:g} kW of {chamber.name} alone would heat it to "
            f"{psychro.f_from_c(idle_c):.0f} °F, past {psychro.f_from_c(HOTTEST_C):.0f} °F; check the fan power"
        )
    pieces = 2 if any(s.kind == "equalize" and s.hours is None for s in stages) else 1
    shape = (members, lots, pieces)  # average pieces; slow pieces where equalizing waits for them
    slow = np.array([0.0, 1.0])[:pieces]
    widths = np.full(lots, np.nan) if load.width_m is None else load.width_m
    stock = Stock(
        np.broadcast_to(load.thickness_m[..., None], shape).ravel(),
        np.broadcast_to(widths[:, None], shape).ravel(),
        (load.start[..., None] + load.spread[:, None] * slow).ravel(),
        (load.speed[..., None] / (1 + (SLOW_PIECES - 1) * slow)).ravel(),
        np.broadcast_to(load.free_slope[:, None], shape).ravel(),
        velocity,
        cells,
    )
    dry_kg = np.broadcast_to(load.dry_kg, (members, lots)) * np.reshape(load.times, (-1, 1))
    weight = load.dry_kg / load.dry_kg.sum()

    kinds = [s.kind for s in stages]
    set_c = np.array([s.temp_c for s in stages])
    set_rh = np.array([s.rh for s in stages])
    floats = np.array([s.kind in ("heat", "pitch") for s in stages])
    timed = np.array([s.hours is not None for s in stages])
    limit_h = np.array([np.inf if s.hours is None else s.hours for s in stages])
    dries = np.array([s.kind == "dry" for s in stages])
    equalizes = np.array([s.kind == "equalize" and s.hours is None for s in stages])
    damp = np.array([chamber.has_humidifier and s.kind in ("equalize", "condition") for s in stages])
    last_dry = max(i for i, kind in enumerate(kinds) if kind == "dry")
    threshold = np.array(
        [
            stages[i + 1].from_mc if i < last_dry and not timed[i] and not timed[i + 1] else -1.0
            for i in range(len(stages))
        ]
    )

    def means(moisture: Array) -> Array:
        return np.asarray((moisture * stock.share).sum(axis=1).reshape(shape))

    near_mc = np.where(threshold >= 0, 1e-4, 2e-5)  # a stage is over this close to its end
    average = means(stock.moisture)
    probes = [  # at the core, under the face and where a shallow probe reads
        stock.probe(np.broadcast_to(depth, shape).ravel()) for depth in (np.inf, 0.0, load.probe_m[:, None])
    ]
    stage = np.zeros(members, dtype=int)
    clock, elapsed = np.zeros(members), np.zeros(members)
    temp = np.full(members, machine.out_c)
    rh = np.full(members, set_rh[0])
    evap = np.zeros(members)
    dt = np.full(members, 2.0)
    known_slope = np.full(members, -10.0)  # of excess water against humidity [kg/h]
    speed_of_loss = np.zeros(members)  # of the governing gap, fraction per hour, and how fast it slows [1/h]
    slowing = np.zeros(members)
    last_h = np.zeros(members)
    moved_k = np.full(members, np.inf)  # of the air temperature in the last step
    done = np.zeros(members, dtype=bool)
    stalled = np.zeros(members, dtype=bool)
    reached = np.where(average[..., 0] <= load.target, 0.0, np.nan)
    log: dict[str, list[Any]] = {name: [] for name in Run.__dataclass_fields__}

    def gap(mean: Array) -> Array:
        """Moisture still to lose before the stage changes, by member."""
        togo = (mean[..., 0] - load.target).max(axis=1)
        ends = threshold[stage]
        fall = np.where(ends >= 0, mean[..., 0].max(axis=1) - ends, togo)
        drying = np.maximum(np.minimum(fall, togo), 0.0) + np.minimum(fall, 0.0)
        if equalizes.any():
            finish = (mean[..., -1] - load.target - load.tolerance).max(axis=1)
            drying = np.where(equalizes[stage], finish, drying)
        return np.where(dries[stage] | equalizes[stage], drying, np.inf)

    def move_on() -> Array:
        """Change stage wherever a stage is over, until none is; what is then left to lose."""
        nonlocal done
        while True:
            togo = gap(average)
            over = np.where(timed[stage], clock >= limit_h[stage] - 1e-9, togo <= near_mc[stage])
            jump = dries[stage] & (average[..., 0] <= load.target + 1e-9).all(axis=1)
            change = (over | jump) & ~done
            if not change.any():
                return togo
            stage[change] = np.where(jump, last_dry, stage)[change] + 1
            clock[change] = 0.0
            dt[change] = np.minimum(dt, 6.0)[change]
            speed_of_loss[change] = slowing[change] = last_h[change] = 0.0
            moved_k[change] = np.inf
            done = done | (stage >= len(stages))
            stage[done] = len(stages) - 1

    togo = move_on()
    for _ in range(MAX_STEPS):
        if done.all():
            break
        # how long a step
        with np.errstate(divide="ignore", invalid="ignore"):
            at_once = speed_of_loss * np.exp(-slowing * last_h / 2)
            left_share = slowing * (togo + 5e-5) / at_once
            until = np.where(
                np.abs(left_share) > 1e-6,
                -np.log1p(-np.minimum(left_share, 1.0)) / slowing,
                (togo + 5e-5) / at_once,
            )
            until = np.where(speed_of_loss > 0, until, np.inf)
        step_h = np.minimum(np.minimum(dt, until), np.maximum(limit_h[stage] - clock, 1e-3))
        goal_c = set_c[stage]
        afloat = floats[stage]
        running = (
            ~afloat & (goal_c <= machine.lockout_c + 1e-9) & (temp <= machine.lockout_c + NEAR_LOCKOUT_K)
        )
        capacity = _heat_capacity(machine, temp, average[..., 0], dry_kg)
        mixed_mc = average[..., 0] @ weight
        off = ~done & (np.abs(goal_c - temp) > 0.05)
        rate = np.zeros(members)  # of the air temperature, all heat or all cooling on [K/h]
        if off.any():
            flat_out = machine.balance(
                temp, rh, evap, mixed_mc, running=running, below_set=done & False, above_set=done & False,
                venting=done & False, warming_kw=np.where(goal_c > temp, 1e6, -1e6), too_warm_k=temp - goal_c,
            )  # fmt: skip
            kj = _ledger(machine, temp, evap, flat_out, _dh(machine, temp, rh), mixed_mc, np.zeros(members))
            rate = np.where(off, (kj[0] - kj[1]) / capacity, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                ramp_h = (goal_c - temp) / rate
            ramp_h = np.where(ramp_h > 0, ramp_h, np.inf)
            steady = RAMP_H * np.maximum(DRIFT_K / np.maximum(moved_k, 1e-6), 1.0)
            gentle = np.minimum(RAMP_K / np.maximum(np.abs(rate), 1e-6), steady)
            step_h = np.where(off, np.minimum(step_h, np.minimum(ramp_h, gentle)), step_h)
        step_h = np.where(done, 1.0, np.maximum(step_h, 1e-3))
        # air, heat and wood together
        target_rh = np.where(afloat, -1.0, set_rh[stage])
        low, high = np.full(members, 0.02), np.full(members, 2.0)  # 2: saturated air not tried yet
        guess = np.where(afloat | (np.abs(rh - target_rh) > 1e-6), rh, target_rh)
        mists = damp[stage]
        guess = np.where(mists, np.maximum(guess, target_rh), guess)  # a humidifier never leaves it drier
        halfway = temp + 0.5 * rate * step_h
        air_c = np.where(off, np.clip(halfway, np.minimum(temp, goal_c), np.maximum(temp, goal_c)), goal_c)
        seconds_by_row = np.repeat(step_h * 3600, lots * pieces)
        before_rh = before_excess = np.full(members, np.nan)
        near: Step | None = None
        trial: Step | None = None
        for attempt in range(ATTEMPTS):
            emc = emc_fraction(air_c, guess)
            try:
                trial = stock.advance(
                    np.repeat(air_c, lots * pieces), np.repeat(emc, lots * pieces), seconds_by_row, near
                )
            except DryingFailed as error:
                if step_h[~done].max() < 0.01:
                    who = int(np.argmin(done))
                    raise DryingFailed(
                        f"{_where(stages, stage[who], air_c[who], elapsed[who])} {error} (thinnest wood "
                        f"{1000 * load.thickness_m.min():.0f} mm, fastest {load.speed.max():.2g} times red oak)"
                    ) from error
                trial = None
                break
            near = trial
            left = trial.left.reshape(shape)[..., 0] * dry_kg
            evap = left.sum(axis=1) / step_h
            at_set = np.abs(guess - target_rh) < 1e-9
            b = machine.balance(
                air_c,
                guess,
                evap,
                mixed_mc,
                running=running,
                below_set=guess < target_rh,
                above_set=guess > target_rh,
                venting=~running & ~afloat & (guess >= target_rh),
                warming_kw=capacity * (goal_c - temp) / (step_h * 3600),
                too_warm_k=temp - goal_c,
            )
            excess = b.excess
            excess = np.where(at_set & mists, np.maximum(excess, 0.0), excess)
            settled = np.abs(excess) <= AIR_CLOSES * np.maximum(np.abs(evap), 0.05)
            saturated = (guess >= 1.0) & (excess > 0)  # the rest runs down the walls
            settled |= saturated
            if (done | settled).all():
                break
            low = np.where(excess > 0, np.maximum(low, guess), low)
            high = np.where(excess < 0, np.minimum(high, guess), high)
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = (excess - before_excess) / (guess - before_rh)
            slope = np.where(np.isfinite(slope) & (slope < 0), slope, known_slope)
            known_slope = slope
            proposed = guess - excess / slope
            inside = (proposed > low) & (proposed < np.minimum(high, 1.0)) & (attempt < 10)
            proposed = np.where(inside, proposed, (low + np.minimum(high, 1.0)) / 2)
            crosses = (
                (target_rh > low) & (target_rh < high) & ((proposed - target_rh) * (guess - target_rh) < 0)
            )
            proposed = np.where(crosses, target_rh, np.where((low > 0.999) & (high > 1.0), 1.0, proposed))
            before_rh, before_excess = guess, excess
            guess = np.where(settled, guess, proposed)
        else:
            if step_h[~done & ~settled].max() < 0.01:
                who = int(np.argmax(~done & ~settled))
                raise ArithmeticError(
                    f"{_where(stages, stage[who], air_c[who], elapsed[who])} no humidity closes the water balance: "
                    f"{evap[who]:.2g} kg/h leave the wood and {abs(b.excess[who]):.2g} kg/h stay open"
                )
            trial = None
        if trial is None:  # the step was too long for thin or fast boards
            dt, speed_of_loss = np.maximum(step_h / 4, 0.005), np.zeros(members)
            continue
        # what the humidity search leaves open goes to the machine, or else the vents, so water and heat close
        misted = np.where((b.excess < 0) & at_set & mists, -b.excess, 0.0)
        by_air = (b.duty <= 0) & (np.abs(b.damper) > 1e-5) & ~saturated
        b.vent = b.vent + np.where(by_air, (b.excess + misted) / np.where(by_air, b.damper, 1.0), 0.0)
        vented = b.vent * b.damper
        b.condensed = evap + misted - vented
        kj = _ledger(machine, air_c, evap, b, _dh(machine, air_c, guess), mixed_mc, misted)
        # too far past a change of step? then take it again, shorter
        mean = means(trial.moisture)
        after = gap(mean)
        overshot = ~done & (after < -3e-4) & (step_h > 0.1) & np.isfinite(togo) & (togo > 0)
        most_change = np.abs(mean - average).max(axis=(1, 2))
        overshot |= ~done & (most_change > 0.12) & (step_h > 0.5)
        leap = np.abs((kj[0] - kj[1]) * step_h / capacity)  # of the air temperature [K]
        overshot |= ~done & (leap > 8.0) & (step_h > 0.02)
        loss = np.where(np.isfinite(togo), togo - np.where(np.isfinite(after), after, 0.0), np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            shorter = np.where(most_change > 0.12, 0.06 / most_change, togo / loss * 0.98)
            shorter = np.where(leap > 8.0, np.minimum(4.0 / leap, 0.5), shorter)
            dt = np.where(overshot, np.maximum(step_h * shorter, 0.02), dt)
        rh = np.where(done, rh, guess)
        taken = ~done & ~overshot
        if not taken.any():
            speed_of_loss[overshot] = 0.0
            continue
        known = taken & np.isfinite(loss)
        with np.errstate(divide="ignore", invalid="ignore"):
            fall = np.log(speed_of_loss * step_h / loss) * 2 / (last_h + step_h)
            most = 1 / step_h
        slowing = np.where(known & np.isfinite(fall), np.clip(fall, -most, most), 0.0)
        speed_of_loss = np.where(overshot, 0.0, np.where(known, loss / step_h, speed_of_loss))
        last_h = np.where(taken, step_h, last_h)
        stock.keep(trial, np.repeat(taken, lots * pieces))
        hours = np.where(taken, step_h, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (average[..., 0] - load.target) / (average[..., 0] - mean[..., 0])
        newly = taken[:, None] & np.isnan(reached) & (mean[..., 0] <= load.target + 3e-5)
        reached = np.where(newly, elapsed[:, None] + np.clip(part, 0, 1) * step_h[:, None], reached)
        warmed = (kj[0] - kj[1]) * hours
        moved_k = np.where(taken, np.abs(warmed / capacity), moved_k)
        temp = np.where(taken, temp + warmed / capacity, temp)
        was, average = average, np.where(taken[:, None, None], mean, average)
        elapsed, clock = elapsed + hours, clock + np.where(afloat & (goal_c - air_c > 1.0), 0.0, hours)
        core, shell, shallow = (
            (stock.moisture * probe).sum(axis=1).reshape(shape)[..., 0] for probe in probes
        )
        for name, value in (
            ("hours", elapsed),
            ("taken", hours),
            ("stage", stage.copy()),
            ("temp_c", air_c),
            ("rh", guess),
            ("emc", emc),
            ("evaporated_kg", evap * hours),
            ("condensed_kg", b.condensed * hours),
            ("vented_kg", vented * hours),
            ("vent_air_kg", b.vent * hours),
            ("misted_kg", misted * hours),
            ("duty", b.duty),
            ("compressor_kw", b.compressor_kw),
            ("heater_kw", b.heater_kw),
            ("overloaded", running & (guess > target_rh + 1e-6)),
            ("stored_kj", warmed),
            ("lost_kj", kj[1] * hours),
            ("gained_kj", kj[0] * hours),
            ("average", average[..., 0]),
            ("core", core),
            ("shell", shell),
            ("shallow", shallow),
            ("slow", average[..., -1]),
        ):
            log[name].append(value)
        per_day = speed_of_loss * 24
        stuck = taken & np.isfinite(togo) & (clock > 48) & (per_day < STALLED_PER_DAY)
        stuck |= taken & (elapsed > MAX_HOURS)
        stalled |= stuck
        done = done | stuck
        wanted = np.clip(LEAP_OF_GAP * np.abs(average - emc[:, None, None]), LEAST_LEAP_MC, LEAP_MC)
        leaps = (np.abs(mean - was) / wanted).max(axis=(1, 2))
        longer = step_h * np.clip(1 / np.maximum(leaps, 1e-9), 0.5, GROW)
        longer = np.where(off, np.maximum(longer, np.minimum(dt, 6.0)), longer)
        dt = np.where(taken, np.clip(longer, 0.5, 72.0), dt)
        togo = move_on()
    else:
        who = int(np.argmin(done))
        raise ArithmeticError(
            f"{_where(stages, stage[who], temp[who], elapsed[who])} the wood stands at "
            f"{100 * average[who].max():.1f} % after {MAX_STEPS} steps of the model, the last of {step_h[who]:.2g} h"
        )
    arrays = {name: np.array(values) for name, values in log.items() if name not in ("reached_h", "stalled")}
    return Run(**arrays, reached_h=reached, stalled=stalled)


def _where(stages: Sequence[Stage], stage: int, temp_c: float, hours: float) -> str:
    return f"in step {stage + 1} ({stages[stage].kind}, {psychro.f_from_c(temp_c):.0f} °F) on day {hours / 24:.1f}"


def _heat_capacity(machine: Machine, temp_c: Array, mc: Array, dry_kg: Array) -> Array:
    """Heat to warm wood, its water and the structure by one degree [kJ/K], by member."""
    return np.asarray(
        machine.structure + (heat_capacity_per_dry_kg(temp_c[:, None], mc) * dry_kg).sum(axis=1)
    )


def _dh(machine: Machine, temp_c: Array, rh: Array) -> Array:
    """Enthalpy of the air above that of the air outside [kJ/kg]."""
    ratio = psychro.ratio_from_rh(temp_c, rh, machine.pressure)
    return np.asarray(psychro.enthalpy_from_ratio(temp_c, ratio) - machine.out_h)


def _ledger(
    machine: Machine, temp_c: Array, evap: Array, b: Balance, dh: Array, mc: Array, misted: Array
) -> tuple[Array, Array]:
    """Heat gained and lost by the box [kJ/h]; their difference warms it."""
    c = machine.chamber
    gained = 3600 * (c.fan_kw + b.heater_kw + b.unit_heat_kw) + evap * 4.186 * temp_c
    lost = 3600 * c.ua_kw_per_k * (temp_c - machine.out_c) + b.vent * dh
    lost = lost + b.condensed * 4.186 * (temp_c - COIL_BELOW_AIR_K) + evap * 1176 * np.exp(-15 * mc)
    return gained, lost
