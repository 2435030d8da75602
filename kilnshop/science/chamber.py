"""A kiln chamber over time: walls, dehumidifier, vents, heater, and the air the boards really meet.

Several runs of one charge (members) go through the schedule side by side, each on its own clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kilnshop.science import psychro
from kilnshop.science.drying import Advance, Array, Boards, DryingFailed
from kilnshop.science.emc import emc_fraction
from kilnshop.science.heating import heat_capacity_per_dry_kg

WALL_EXTRA = 1.25  # doors, joints, floor edge; until a meter says otherwise
STRUCTURE_KJ_PER_K_PER_M2 = 10.0  # 500 kJ/K for a box of 50 m2
COIL_BELOW_AIR_K = 20.0  # condensate leaves this much cooler than the air
MAX_HOURS = 24.0 * 500
DRIFT_LIMIT_K = 10.0
STALLED_PER_DAY = 0.0002  # moisture fraction a day below which a charge is going nowhere
SLOW_PIECES = 1.15  # the slow boards of a lot dry this much slower than its average

# Removal relative to 120 °F and 50 % RH, by dry bulb 80 to 140 °F and RH 30 to 80 %, each by tens. Shape
# calculated for a fixed-displacement single-stage unit; the shop's own rated point sets the level.
REMOVAL = np.array(
    [
        [0.11, 0.23, 0.35, 0.47, 0.59, 0.71],
        [0.16, 0.32, 0.48, 0.63, 0.78, 0.93],
        [0.23, 0.43, 0.63, 0.82, 1.01, 1.19],
        [0.32, 0.56, 0.80, 1.04, 1.26, 1.49],
        [0.41, 0.71, 1.00, 1.28, 1.55, 1.81],
        [0.52, 0.87, 1.21, 1.54, 1.86, 2.17],
        [0.63, 1.04, 1.44, 1.82, 2.18, 2.54],
    ]
)


@dataclass(frozen=True)
class ChamberInput:
    """What the shop enters once per chamber. US units, inside dimensions."""

    key: str
    name: str
    length_ft: float
    width_ft: float
    height_ft: float
    wall_r: float  # US h·ft²·°F/Btu
    heater_kw: float
    fan_kw: float
    removal_lb_per_day: float
    removal_at_dry_bulb_f: float
    removal_at_rh_pct: float
    compressor_kw: float  # at the same condition as the removal
    blower_kw: float
    lockout_dry_bulb_f: float
    max_dry_bulb_f: float
    has_humidifier: bool
    capacity_bf: float  # of 4/4 on stickers
    leak_kg_per_h: float = 3.0
    unit_inside: bool = True
    elevation_ft: float = 0.0
    air_velocity_fpm: float = 250.0
    vents: bool = True
    vent_kg_per_h: float = 150.0  # most air the open vents pass
    removal_derate: float = 0.7  # cycling, fouled coils, frost; until the shop's own bucket says otherwise

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("length_ft", 2, 200, "ft"),
            ("width_ft", 2, 60, "ft"),
            ("height_ft", 2, 30, "ft"),
            ("wall_r", 0.5, 100, "h·ft²·°F/Btu"),
            ("heater_kw", 0, 200, "kW"),
            ("fan_kw", 0, 100, "kW"),
            ("removal_lb_per_day", 1, 20000, "lb/day"),
            ("removal_at_dry_bulb_f", 60, 180, "°F"),
            ("removal_at_rh_pct", 30, 95, "%"),
            ("compressor_kw", 0.05, 200, "kW"),
            ("blower_kw", 0, 50, "kW"),
            ("lockout_dry_bulb_f", 60, 250, "°F"),
            ("max_dry_bulb_f", 70, 250, "°F"),
            ("capacity_bf", 10, 200000, "bf"),
            ("leak_kg_per_h", 0, 1000, "kg/h"),
            ("air_velocity_fpm", 20, 2000, "ft/min"),
            ("vent_kg_per_h", 0, 20000, "kg/h"),
            ("removal_derate", 0.05, 1.5, ""),
        ):
            psychro.check_range(name, getattr(self, name), low, high, unit)
        psychro.pressure_pa(self.elevation_ft)

    @property
    def area_m2(self) -> float:
        """Inside surface of walls, roof and floor [m²]."""
        a, b, c = self.length_ft, self.width_ft, self.height_ft
        return 2 * (a * b + b * c + a * c) * 0.09290304

    @property
    def ua_kw_per_k(self) -> float:
        """Heat loss through walls, roof, floor, doors and joints [kW/K]."""
        return WALL_EXTRA * self.area_m2 / (self.wall_r * 0.1761102) / 1000


@dataclass(frozen=True)
class Outside:
    """The air around the chamber."""

    temp_f: float
    rh_pct: float

    def __post_init__(self) -> None:
        psychro.check_range("temp_f", self.temp_f, -40.0, 120.0, "°F")
        psychro.check_range("rh_pct", self.rh_pct, 1.0, 100.0, "%")


def relative_removal(temp_c: Any, rh: Any) -> Array:
    """Removal relative to 120 °F and 50 % RH at `temp_c` [°C], `rh` [0-1]: bilinear, extended at the edges."""
    x = (psychro.f_from_c(temp_c) - 80.0) / 10
    y = (rh - 0.30) * 10
    i = np.clip(np.floor(x), 0, 5).astype(int)
    j = np.clip(np.floor(y), 0, 4).astype(int)
    a, b = x - i, y - j
    low = REMOVAL[i, j] * (1 - b) + REMOVAL[i, j + 1] * b
    high = REMOVAL[i + 1, j] * (1 - b) + REMOVAL[i + 1, j + 1] * b
    return np.asarray(np.maximum(low * (1 - a) + high * a, 0.0))


class Machine:
    """One chamber's dehumidifier, heater, vents and walls in one outside air; SI inside."""

    def __init__(self, chamber: ChamberInput, outside: Outside) -> None:
        self.chamber = chamber
        self.pressure = psychro.pressure_pa(chamber.elevation_ft)
        self.out_c = psychro.c_from_f(outside.temp_f)
        self.out_w = float(psychro.ratio_from_rh(self.out_c, outside.rh_pct / 100, self.pressure))
        self.out_h = float(psychro.enthalpy_from_ratio(self.out_c, self.out_w))
        self.ref_c = psychro.c_from_f(chamber.removal_at_dry_bulb_f)
        self.ref_rh = chamber.removal_at_rh_pct / 100
        rated = float(relative_removal(self.ref_c, self.ref_rh))
        self.level = chamber.removal_lb_per_day * 0.45359237 / 24 * chamber.removal_derate / rated
        self.structure = STRUCTURE_KJ_PER_K_PER_M2 * chamber.area_m2
        self.lockout_c = psychro.c_from_f(chamber.lockout_dry_bulb_f)

    def removal(self, temp_c: Any, rh: Any) -> Array:
        """Water taken out running all the time [kg/h]."""
        return self.level * relative_removal(temp_c, rh)

    def compressor_kw(self, temp_c: Any, rh: Any) -> Any:
        """Compressor power running all the time [kW]."""
        humid = (1 + 0.074 * (rh - 0.5)) / (1 + 0.074 * (self.ref_rh - 0.5))
        return self.chamber.compressor_kw * np.exp(0.0236 * (temp_c - self.ref_c)) * humid

    def highest_c(self) -> float:
        """The steady air temperature [°C] heater and fans hold with the compressor off and vents shut."""
        leak = self.chamber.leak_kg_per_h * 1.02 / 3600
        return self.out_c + (self.chamber.heater_kw + self.chamber.fan_kw) / (self.chamber.ua_kw_per_k + leak)

    def balance(
        self,
        temp_c: Array,
        rh: Array,
        evaporation: Array,
        mc: Array,
        *,
        running: Array,
        below_set: Array,
        above_set: Array,
        venting: Array,
        warming_kw: Array,
        too_warm_k: Any = 0.0,
    ) -> Balance:
        """Heat and water of the box at one moment, by member.

        Parameters
        ----------
        temp_c, rh : array
            Air [°C], [0-1].
        evaporation : array
            Water leaving the wood [kg/h].
        mc : array
            Moisture of the wood giving it up [fraction], for the heat that binds it.
        running : array of bool
            May the compressor run (not locked out, not a heat stage)?
        below_set, above_set : array of bool
            Is the air drier or wetter than the set point: then the compressor is off, or on all the time.
        venting : array of bool
            May vents open to take water while the compressor cannot run?
        warming_kw : array
            Heat wanted to bring wood, water and walls to the set point within the step [kW].

        too_warm_k : array
            How far the air is above its set point already [K].

        Notes
        -----
        P_fan + d (P_comp e + P_blow) + P_heat = UA (T - T_out) + C dT/dt + v (h - h_out) + m_c h_f(T_c)
        - m_e [h_f(T) - q(M)], and m_e = d MER + v (w - w_out). Heater and vents exclude each other, except
        where vents must take the water. `missing_kw` is what the heater lacks (or, negative, what the chamber
        cannot shed); `excess` is water nothing takes out [kg/h] (or, negative, lost by leaks beyond supply).
        """
        c = self.chamber
        w = psychro.ratio_from_rh(temp_c, rh, self.pressure)
        dw = w - self.out_w
        dh = psychro.enthalpy_from_ratio(temp_c, w) - self.out_h
        mer = np.maximum(self.removal(temp_c, rh), 1e-6)
        comp = self.compressor_kw(temp_c, rh)
        unit = comp * c.unit_inside + c.blower_kw
        cool = 4.186 * (temp_c - COIL_BELOW_AIR_K)
        leak = c.leak_kg_per_h
        wood = evaporation * (4.186 * temp_c - 1176 * np.exp(-15 * mc)) / 3600
        walls = c.ua_kw_per_k * (temp_c - self.out_c)

        def duty(vent: Array) -> Array:
            at_set = np.clip((evaporation - vent * dw) / mer, 0.0, 1.0)
            return np.where(running, np.where(above_set, 1.0, np.where(below_set, 0.0, at_set)), 0.0)

        def short(vent: Array, d: Array) -> Array:
            loss = walls + vent * dh / 3600 + d * mer * cool / 3600 - wood
            return np.asarray(loss + warming_kw - c.fan_kw - d * unit)

        vent = np.full_like(temp_c, leak)
        d = duty(vent)
        need = short(vent, d)
        most = c.vent_kg_per_h if c.vents else 0.0
        saving = np.where((d > 0) & (d < 1), dw * (unit / mer - cool / 3600), 0.0)
        per_kg = np.maximum(dh / 3600 + saving, 1e-4)
        dry_air = dw > 1e-5
        supply = np.where(dry_air, evaporation / np.where(dry_air, dw, 1.0), np.inf)  # more would over-dry
        room = np.where(
            above_set, np.inf, np.maximum(supply - leak, 0.0)
        )  # too damp: vent all that heat allows
        afford = np.maximum(c.heater_kw - need, 0.0) / np.maximum(dh / 3600, 1e-4)
        shed = np.where(need < 0, -need / per_kg, 0.0)
        extra = np.minimum(np.where(venting & dry_air, np.maximum(shed, afford), shed), room)
        vent = leak + np.minimum(extra, most)
        d = duty(vent)
        need = short(vent, d)
        # a chamber that cannot shed its heat drifts warmer, and stops the compressor before DRIFT_LIMIT_K
        room_k = np.clip(DRIFT_LIMIT_K - too_warm_k, 0.0, None)
        spill = need - np.minimum(warming_kw, 0.0) + 3 * c.ua_kw_per_k * room_k
        d = np.clip(d + np.minimum(spill, 0.0) / np.maximum(unit - mer * cool / 3600, 1e-3), 0.0, d)
        need = short(vent, d)
        heater = np.clip(need, 0.0, c.heater_kw)
        return Balance(
            duty=d,
            vent=vent,
            heater_kw=heater,
            compressor_kw=d * (comp + c.blower_kw),
            unit_heat_kw=d * unit,
            missing_kw=need - heater,
            excess=evaporation - d * mer - vent * dw,
            condensed=d * mer,
            vented=vent * dw,
        )


@dataclass
class Balance:
    """Result of `Machine.balance`, by member."""

    duty: Array
    vent: Array
    heater_kw: Array
    compressor_kw: Array  # with its blower
    unit_heat_kw: Array  # the part that stays in the chamber
    missing_kw: Array
    excess: Array
    condensed: Array
    vented: Array


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
    tolerance: Array  # by lot: equalizing ends when slow pieces are this close to target


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
    shallow: Array  # an inch deep, or a quarter of the thickness if that is less
    slow: Array
    reached_h: Array  # members x lots; nan when a lot never reached its target
    stalled: Array  # members


def run(load: Load, machine: Machine, stages: Sequence[Stage], velocity: float = 1.0) -> Run:
    """Take a charge through the stages.

    Drying stages change when the wettest lot's average falls to the next stage's moisture, and end when every
    lot has reached its target; equalizing ends when the slow pieces of every lot are within tolerance; timed
    stages end by the clock, which heat and pitch stages start at temperature.
    """
    members, lots = load.start.shape
    chamber = machine.chamber
    pieces = 2 if any(s.kind == "equalize" and s.hours is None for s in stages) else 1
    shape = (members, lots, pieces)  # average pieces; slow pieces where equalizing waits for them
    slow = np.array([0.0, 1.0])[:pieces]
    boards = Boards(
        np.broadcast_to(load.thickness_m[..., None], shape).ravel(),
        (load.start[..., None] + load.spread[:, None] * slow).ravel(),
        (load.speed[..., None] / (1 + (SLOW_PIECES - 1) * slow)).ravel(),
        np.broadcast_to(load.free_slope[:, None], shape).ravel(),
        velocity,
    )
    share = boards.width / boards.half[:, None]
    dry_kg, dry_total = load.dry_kg, float(load.dry_kg.sum())

    kinds = [s.kind for s in stages]
    set_c = np.array([s.temp_c for s in stages])
    set_rh = np.array([s.rh for s in stages])
    floats = np.array([s.kind in ("heat", "pitch") for s in stages])
    limit_h = np.array([np.inf if s.hours is None else s.hours for s in stages])
    dries = np.array([s.kind == "dry" for s in stages])
    equalizes = np.array([s.kind == "equalize" and s.hours is None for s in stages])
    last_dry = max(i for i, kind in enumerate(kinds) if kind == "dry")
    threshold = np.array(
        [
            stages[i + 1].from_mc if i < last_dry and stages[i + 1].hours is None else -1.0
            for i in range(len(stages))
        ]
    )

    def means(moisture: Array) -> Array:
        return np.asarray((moisture * share).sum(axis=1).reshape(shape))

    average = means(boards.moisture)
    half = boards.half.reshape(shape)[0, :, 0]
    depth = np.minimum(0.0254, half / 2)
    shallow_cell = np.abs(boards.centre.reshape((*shape, -1))[0, :, 0] - (half - depth)[:, None]).argmin(
        axis=1
    )
    stage = np.zeros(members, dtype=int)
    clock, elapsed = np.zeros(members), np.zeros(members)
    temp = np.full(members, machine.out_c)
    rh = np.full(members, set_rh[0])
    evap = np.zeros(members)
    dt = np.full(members, 2.0)
    rate = np.zeros(members)  # of the air temperature [K/h]
    drift = np.ones(members)  # of the air temperature over the last step [K]
    known_slope = np.full(members, -10.0)  # of excess water against humidity [kg/h]
    speed_of_loss = np.zeros(members)  # of the governing gap, fraction per hour
    done = np.zeros(members, dtype=bool)
    stalled = np.zeros(members, dtype=bool)
    reached = np.where(average[..., 0] <= load.target, 0.0, np.nan)
    log: dict[str, list[Any]] = {name: [] for name in Run.__dataclass_fields__}

    def gap(mean: Array, at: Array) -> Array:
        """Moisture still to lose before the stage changes, by member."""
        wettest = mean[..., 0].max(axis=1)
        togo = (mean[..., 0] - load.target).max(axis=1)
        finish = (mean[..., -1] - load.target - load.tolerance).max(axis=1)
        drying = np.where((at < last_dry) & (threshold[at] >= 0), wettest - threshold[at], togo)
        drying = np.where(
            at < last_dry, np.maximum(np.minimum(drying, togo), 0) + np.minimum(drying, 0), drying
        )
        return np.asarray(np.where(equalizes[at], finish, np.where(dries[at], drying, np.inf)))

    def move_on() -> None:
        """Change stage wherever a stage is over, until none is."""
        nonlocal done
        for _ in range(len(stages) + 1):
            finished = (average[..., 0] <= load.target + 1e-9).all(axis=1)
            timed = np.isfinite(limit_h[stage])
            over = np.where(timed, clock >= limit_h[stage] - 1e-9, gap(average, stage) <= 2e-5)
            jump = dries[stage] & finished
            change = (over | jump) & ~done
            if not change.any():
                return
            stage[change] = np.where(jump, last_dry, stage)[change] + 1
            clock[change] = 0.0
            dt[change] = np.minimum(dt, 3.0)[change]
            speed_of_loss[change] = 0.0
            done = done | (stage >= len(stages))
            stage[done] = len(stages) - 1

    move_on()
    for _ in range(20000):
        if done.all():
            break
        # how long a step
        togo = gap(average, stage)
        with np.errstate(divide="ignore", invalid="ignore"):
            until = np.where(speed_of_loss > 0, (togo + 3e-4) / speed_of_loss, np.inf)
        step_h = np.minimum(np.minimum(dt, until), np.maximum(limit_h[stage] - clock, 1e-3))
        goal_c = set_c[stage]
        heating = goal_c - temp > 0.05
        step_h = np.maximum(
            np.where(
                np.abs(goal_c - temp) > 0.05, np.minimum(step_h, np.where(drift > 0.5, 3.0, 12.0)), step_h
            ),
            1e-3,
        )
        # air, heat and wood together
        afloat = floats[stage]
        target_rh = np.where(afloat, -1.0, set_rh[stage])
        running = ~afloat & (goal_c <= machine.lockout_c + 1e-9) & (temp <= machine.lockout_c + 1e-9)
        capacity = _heat_capacity(machine, temp, average[..., 0], dry_kg)
        low, high = np.full(members, 0.02), np.full(members, 1.0)
        guess = np.where(afloat | (np.abs(rh - target_rh) > 1e-6), rh, target_rh)
        halfway = temp + 0.5 * rate * step_h  # as the last step drifted
        halfway = np.clip(halfway, np.minimum(temp, goal_c), np.maximum(temp, goal_c))
        air_c = np.where(heating | (temp > goal_c + 0.05), halfway, goal_c)
        seconds_by_row = np.repeat(step_h * 3600, lots * pieces)
        before_rh = before_excess = np.full(members, np.nan)
        near: Advance | None = None
        trial: Advance | None = None
        for attempt in range(30):
            emc = emc_fraction(air_c, guess)
            try:
                trial = boards.advance(
                    np.repeat(air_c, lots * pieces), np.repeat(emc, lots * pieces), seconds_by_row, near
                )
            except DryingFailed:
                if step_h.min() < 0.01:
                    raise
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
                average[..., 0] @ dry_kg / dry_total,
                running=running,
                below_set=guess < target_rh,
                above_set=guess > target_rh,
                venting=~running & ~afloat & (guess >= target_rh),
                warming_kw=capacity * (goal_c - temp) / (step_h * 3600),
                too_warm_k=temp - goal_c,
            )
            excess = b.excess
            if chamber.has_humidifier:
                excess = np.where(at_set, np.maximum(excess, 0.0), excess)
            settled = np.abs(excess) <= 5e-3 * np.maximum(np.abs(evap), 0.05)
            if attempt == 29 or (done | settled).all():
                break
            low = np.where(excess > 0, np.maximum(low, guess), low)
            high = np.where(excess < 0, np.minimum(high, guess), high)
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = (excess - before_excess) / (guess - before_rh)
            slope = np.where(np.isfinite(slope) & (slope < 0), slope, known_slope)
            known_slope = slope
            proposed = guess - excess / slope
            inside = (proposed > low) & (proposed < high) & (attempt < 10)
            proposed = np.where(inside, proposed, (low + high) / 2)
            crosses = (
                (target_rh > low) & (target_rh < high) & ((proposed - target_rh) * (guess - target_rh) < 0)
            )
            proposed = np.where(crosses, target_rh, proposed)
            before_rh, before_excess = guess, excess
            guess = np.where(settled, guess, proposed)
        if trial is None:  # the step was too long for thin or fast boards
            dt, speed_of_loss = np.maximum(step_h / 4, 0.005), np.zeros(members)
            continue
        # too far past a change of step? then take it again, shorter
        mean = means(trial.moisture)
        after = gap(mean, stage)
        overshot = ~done & (after < -1e-3) & (step_h > 0.1) & np.isfinite(togo) & (togo > 0)
        most_change = np.abs(mean - average).max(axis=(1, 2))
        overshot |= ~done & (most_change > 0.12) & (step_h > 0.5)
        loss = np.where(np.isfinite(togo), togo - np.where(np.isfinite(after), after, 0.0), np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            shorter = np.where(most_change > 0.12, 0.06 / most_change, togo / loss * 0.98)
            dt = np.where(overshot, np.maximum(step_h * shorter, 0.05), dt)
        rh = np.where(done, rh, guess)
        taken = ~done & ~overshot
        if not taken.any():
            speed_of_loss[overshot] = 0.0
            continue
        speed_of_loss = np.where(
            overshot, 0.0, np.where(taken & np.isfinite(loss), loss / step_h, speed_of_loss)
        )
        boards.keep(trial, np.repeat(taken, lots * pieces))
        hours = np.where(taken, step_h, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (average[..., 0] - load.target) / (average[..., 0] - mean[..., 0])
        newly = taken[:, None] & np.isnan(reached) & (mean[..., 0] <= load.target + 3e-5)
        reached = np.where(newly, elapsed[:, None] + np.clip(part, 0, 1) * step_h[:, None], reached)
        # what nothing took out leaves by the cracks: below the solver's tolerance, booked so that water closes
        misted = np.where((b.excess < 0) & chamber.has_humidifier & at_set, -b.excess, 0.0)
        vented = evap - b.condensed + misted
        dh = (
            psychro.enthalpy_from_ratio(air_c, psychro.ratio_from_rh(air_c, guess, machine.pressure))
            - machine.out_h
        )
        kj = _ledger(machine, air_c, evap, b, dh, average[..., 0] @ dry_kg / dry_total, misted)
        warmed = (kj[0] - kj[1]) * hours
        drift = np.abs(warmed / capacity)
        rate = np.where(taken, warmed / capacity / step_h, rate)
        temp = np.where(taken, temp + warmed / capacity, temp)
        average = np.where(taken[:, None, None], mean, average)
        elapsed, clock = elapsed + hours, clock + np.where(afloat & (goal_c - air_c > 1.0), 0.0, hours)
        moisture = boards.moisture.reshape((*shape, -1))
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
            ("core", moisture[:, :, 0, 0].copy()),
            ("shell", moisture[:, :, 0, -1].copy()),
            ("shallow", moisture[:, np.arange(lots), 0, shallow_cell].copy()),
            ("slow", average[..., -1]),
        ):
            log[name].append(value)
        per_day = speed_of_loss * 24
        stuck = taken & np.isfinite(togo) & (clock > 48) & (per_day < STALLED_PER_DAY)
        stuck |= taken & (elapsed > MAX_HOURS)
        stalled |= stuck
        done = done | stuck
        change = most_change
        with np.errstate(divide="ignore", invalid="ignore"):
            grow = np.where(np.isfinite(change) & (change > 0), np.clip(0.03 / change, 0.5, 2.0), 2.0)
        dt = np.where(taken, np.clip(step_h * grow, 0.5, 24.0), dt)
        move_on()
    else:
        raise ArithmeticError("the charge did not finish within 20000 steps")
    arrays = {name: np.array(values) for name, values in log.items() if name not in ("reached_h", "stalled")}
    return Run(**arrays, reached_h=reached, stalled=stalled)


def _heat_capacity(machine: Machine, temp_c: Array, mc: Array, dry_kg: Array) -> Array:
    """Heat to warm wood, its water and the structure by one degree [kJ/K], by member."""
    return np.asarray(
        machine.structure + (heat_capacity_per_dry_kg(temp_c[:, None], mc) * dry_kg).sum(axis=1)
    )


def _ledger(
    machine: Machine, temp_c: Array, evap: Array, b: Balance, dh: Array, mc: Array, misted: Array
) -> tuple[Array, Array]:
    """Heat gained and lost by the box [kJ/h]; their difference warms it."""
    c = machine.chamber
    gained = 3600 * (c.fan_kw + b.heater_kw + b.unit_heat_kw) + evap * 4.186 * temp_c
    lost = 3600 * c.ua_kw_per_k * (temp_c - machine.out_c) + b.vent * dh
    lost = lost + b.condensed * 4.186 * (temp_c - COIL_BELOW_AIR_K) + evap * 1176 * np.exp(-15 * mc)
    return gained, lost
