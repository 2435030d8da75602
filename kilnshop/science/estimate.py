"""One charge, estimated: water, days, kilowatt-hours, air, and what to watch. The door to the science."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, is_dataclass, replace
from typing import Any

import numpy as np

from kilnshop.science import cautions, psychro, workings
from kilnshop.science.cautions import Warning
from kilnshop.science.chamber import ChamberInput, Machine, Outside
from kilnshop.science.course import Load, Run, Stage, run
from kilnshop.science.drying import (
    CELLS,
    FREE_SLOPE,
    MAX_START_MC_PCT,
    REFERENCE_VELOCITY_FPM,
    Array,
    speed_factor,
)
from kilnshop.science.emc import emc_pct
from kilnshop.science.heating import DRY_HEAT_ALLOWANCE, Hold, minutes_to_core
from kilnshop.science.learning import AIR_DRIED_PCT, AIR_DRIED_SD_LN, BAND_Z, SIGMA_LN, TAU_LN, Figure
from kilnshop.science.schedules import Schedule, Step
from kilnshop.science.section import TIMBER_FROM_IN
from kilnshop.science.species import Species
from kilnshop.science.workings import Working

__all__ = [
    "ChamberInput", "Estimate", "Full", "Hold", "Kwh", "LotInput", "LotResult", "Outside", "Range", "StepResult",
    "Warning", "Working", "estimate",
]  # fmt: skip

START_HOW = ("oven_dry", "weighed", "pin", "assumed_green", "assumed_air_dried")
LB_PER_KG = 2.2046226
LB_PER_GALLON = 8.34
M3_PER_BF = 0.002359737
QUARTERSAWN_SLOWER = 1.15  # drying time, quartersawn over plainsawn (Wengert)
THICKNESS_SD_IN = 1 / 32
EMC_MARGIN_PCT = 0.3  # drying within this of the air's EMC takes for ever
STICKER_IN = 0.75
NEARLY_FULL = 0.95
QUICK_CELLS = 12


def start_sd_pct(how: str, start_mc_pct: float) -> float:
    """How far the true average start moisture may lie from the one given, one standard deviation [%]."""
    return {
        "oven_dry": 1.5,
        "weighed": 3.0,
        "pin": 2.0 if start_mc_pct <= 28 else 15.0,
        "assumed_green": max(8.0, 0.15 * start_mc_pct),
        "assumed_air_dried": 4.0,
    }[how]


@dataclass(frozen=True)
class LotInput:
    """One customer's boards of one species, thickness and starting moisture."""

    key: str
    species: Species
    thickness_in: float  # actual
    volume_bf: float
    start_mc_pct: float
    target_mc_pct: float
    start_how: str  # one of START_HOW
    tolerance_pct: float = 1.0
    width_in: float | None = None  # give it for timbers: they also dry through the edges
    nominal_thickness_in: float | None = None  # thickness the board feet were counted on, if not the actual
    quartersawn: bool = False
    treatments: tuple[str, ...] = ()
    learned: Figure | None = None  # of the speed, from the shop's own charges

    def __post_init__(self) -> None:
        where = f" of lot {self.key}"
        for name, low, high, unit in (
            ("thickness_in", 0.2, 16.0, "in"),
            ("volume_bf", 0.01, 200000.0, "bf"),
            ("start_mc_pct", 3.0, MAX_START_MC_PCT, "%"),
            ("target_mc_pct", 3.0, 60.0, "%"),
            ("tolerance_pct", 0.1, 10.0, "%"),
            ("width_in", 0.5, 60.0, "in"),
            ("nominal_thickness_in", 0.2, 24.0, "in"),
        ):
            value = getattr(self, name)
            if value is not None:
                psychro.check_range(name + where, value, low, high, unit)
        if self.start_how not in START_HOW:
            raise ValueError(f"start_how{where} = {self.start_how!r} is not one of {', '.join(START_HOW)}")

    @property
    def oven_dry_kg(self) -> float:
        """Weight of the wood without water [kg]: measured volume x specific gravity."""
        fuller = self.thickness_in / (self.nominal_thickness_in or self.thickness_in)
        return self.volume_bf * M3_PER_BF * fuller * self.species.specific_gravity_green * 1000

    @property
    def is_timber(self) -> bool:
        """Whether it dries through its edges as well."""
        return self.width_in is not None and self.thickness_in >= TIMBER_FROM_IN

    @property
    def core_depth_in(self) -> float:
        """Depth of the middle under the wide face [in]."""
        return (
            min(self.thickness_in, self.width_in or math.inf) if self.is_timber else self.thickness_in
        ) / 2

    @property
    def probe_depth_in(self) -> float:
        """Depth of a shallow probe [in]: a quarter of the thickness, in timbers no more than an inch."""
        quarter = self.core_depth_in / 2
        return min(1.0, quarter) if self.is_timber else quarter

    @property
    def speed(self) -> float:
        """Speed factor, quartersawn and what was learned counted in."""
        own = self.learned.multiple if self.learned else 1.0
        return own * speed_factor(self.species) / (QUARTERSAWN_SLOWER if self.quartersawn else 1.0)

    @property
    def start_sd_pct(self) -> float:
        """How far the true average start moisture may lie from the one given, one standard deviation [%]."""
        return start_sd_pct(self.start_how, self.start_mc_pct)

    @property
    def stack_share(self) -> float:
        """Room the lot takes with its stickers, in board feet of 4/4."""
        nominal = self.nominal_thickness_in or self.thickness_in
        return self.volume_bf / nominal * (self.thickness_in + STICKER_IN) / (1.0625 + STICKER_IN)


@dataclass(frozen=True)
class Range:
    """An 80 % band with its middle."""

    low: float
    expected: float
    high: float


@dataclass(frozen=True)
class Kwh:
    """Electricity by user [kWh]; the compressor with its blower."""

    compressor: Range
    fans: Range
    heater: Range
    total: Range


@dataclass(frozen=True)
class Full:
    """What the same wood would take if it filled the chamber."""

    days: float
    kwh: float


@dataclass(frozen=True)
class LotResult:
    """One lot of the charge. Curve hours count from the start of the charge; moisture in percent."""

    key: str
    oven_dry_lb: float
    water_lb: float
    water_gal: float
    days: Range  # until this lot reaches its target
    share: float  # of the charge's chamber-days, by board feet
    share_kwh: float
    curve_hours: tuple[float, ...]
    curve_avg: tuple[float, ...]
    curve_core: tuple[float, ...]
    curve_shell: tuple[float, ...]
    curve_probe: tuple[float, ...]  # where a probe `probe_depth_in` under the wide face reads
    probe_depth_in: float
    final_mc_pct: float


@dataclass(frozen=True)
class StepResult:
    """One schedule step as it is expected to run (time-weighted means)."""

    kind: str  # dry, equalize, condition, heat, pitch
    from_mc_pct: float
    dry_bulb_f: float
    wet_bulb_f: float  # set
    expected_wet_bulb_f: float  # really reached
    rh_pct: float  # of the set air
    emc_pct: float  # of the set air
    expected_rh_pct: float
    expected_emc_pct: float
    hours: float
    kwh: float
    compressor: bool
    timed: bool = False  # ends by the clock, not on moisture


@dataclass(frozen=True)
class Estimate:
    """The whole charge."""

    schedule_code: str
    schedule_name: str
    reason: str
    lots: tuple[LotResult, ...]
    steps: tuple[StepResult, ...]
    days: Range
    kwh: Kwh
    oven_dry_lb: float
    water_lb: float
    water_gal: float
    fill: float  # 0 to 1 and above, of the chamber's capacity in 4/4
    full: Full | None  # None when this load is as good as full, or a full one would never dry
    reaches_target: bool
    warnings: tuple[Warning, ...]  # in order of harm
    hours: tuple[float, ...]  # of the arrays below, from the start
    dry_bulb_f: tuple[float, ...]
    wet_bulb_f: tuple[float, ...]
    power_compressor_kw: tuple[float, ...]  # with its blower
    power_fans_kw: tuple[float, ...]
    power_heater_kw: tuple[float, ...]
    workings: tuple[Working, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain, JSON-safe figures, rounded for freezing in a quote."""
        plain = _plain(self)
        assert isinstance(plain, dict)
        return plain


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(item) for name, item in vars(value).items()}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(f"{value:.5g}")
    return value


def estimate(
    lots: Sequence[LotInput],
    chamber: ChamberInput,
    schedule: Schedule,
    outside: Outside,
    *,
    reason: str = "",
    holds: Mapping[str, Hold] | None = None,
    quick: bool = False,
) -> Estimate:
    """Estimate a charge of one or more lots on one schedule in one chamber.

    Parameters
    ----------
    lots : sequence of LotInput
        What goes in together.
    chamber, outside
        The chamber and the air around it for the season.
    schedule : Schedule
        Steps on moisture content or by the hour; assembled, suggested or the shop's own.
    reason : str
        Why this schedule, for the reader.
    holds : mapping of treatment key to Hold
        What each treatment a lot may ask for needs.
    quick : bool
        For figures shown while typing: fewer cells in the boards (0.2 % of the days) and no wetter air tried for
        a step that is too harsh.

    Returns
    -------
    Estimate

    Raises
    ------
    ValueError
        No lots, two lots with one key, a step with impossible air, nothing to do, or no solution.

    Notes
    -----
    The nominal charge and four variations (faster wood, slower wood, wetter start, thicker boards) run side by
    side, with the nominal one filling the chamber beside them when it does not; the 80 % band is exp(1.28 sd) with the four effects on ln(time) added in squares. A target drier than
    the last step's air can give is stopped just above that air's EMC and reported as a "stop" warning.
    """
    if not lots:
        raise ValueError("lots is empty; an estimate needs at least one lot")
    if len({lot.key for lot in lots}) < len(lots):
        raise ValueError(f"lots share a key: {', '.join(lot.key for lot in lots)}")
    machine = Machine(chamber, outside)
    steps = [step for step in schedule.steps if step.kind != "condition" or chamber.has_humidifier]
    stages = [_stage(step, number, chamber) for number, step in enumerate(steps, 1)]
    drying = [stage for stage in stages if stage.kind == "dry"]
    if not drying:
        raise ValueError(f"schedule {schedule.code!r} has no drying step")
    driest = emc_pct(psychro.f_from_c(drying[-1].temp_c), 100 * drying[-1].rh)
    goals = np.array([max(lot.target_mc_pct, driest + EMC_MARGIN_PCT) for lot in lots]) / 100
    holds = holds or {}
    asked = {key: holds[key] for lot in lots for key in lot.treatments if key in holds}
    added = [_hold_stage(hold, lots, steps, chamber, machine) for hold in asked.values()]
    for hold_step, _ in added:
        if hold_step is not None:
            steps.append(hold_step)
            stages.append(_stage(hold_step, len(steps), chamber))
    rooms = np.array([lot.stack_share for lot in lots])
    fill = float(rooms.sum()) / chamber.capacity_bf
    load = _load(lots, goals, fill)
    velocity = chamber.air_velocity_fpm / REFERENCE_VELOCITY_FPM
    try:
        history = run(load, machine, stages, velocity, QUICK_CELLS if quick else CELLS)
    except ArithmeticError as error:
        raise ValueError(
            f"no estimate for {chamber.name}: {error}. Check heater, leaks, vents and outside air of the chamber."
        ) from error
    if not len(history.hours) or history.hours[-1, 0] <= 0:
        raise ValueError("nothing to do: every lot is at its target already and no step runs by the hour")

    lot_days = _lot_days(history, load)
    days = _band(history.hours[-1] / 24)
    kwh, full_kwh = _kwh(history, chamber)
    found = cautions.find(
        lots, chamber, schedule, steps, history, machine, goals, driest, asked, added, quick
    )
    taken = history.taken[:, 0] > 0
    oven_dry = load.dry_kg * LB_PER_KG
    water = oven_dry * np.maximum(load.start[0] - np.array([lot.target_mc_pct for lot in lots]) / 100, 0.0)
    shares = rooms / rooms.sum()
    wet = water / water.sum() if water.sum() > 0 else shares
    fans_heater = kwh.fans.expected + kwh.heater.expected
    hours = np.concatenate([[0.0], history.hours[taken, 0]])
    first = load.start[0]
    lot_results = tuple(
        LotResult(
            key=lot.key,
            oven_dry_lb=float(oven_dry[i]),
            water_lb=float(water[i]),
            water_gal=float(water[i]) / LB_PER_GALLON,
            days=lot_days[i],
            share=float(shares[i]),
            share_kwh=float(kwh.compressor.expected * wet[i] + fans_heater * shares[i]),
            curve_hours=_floats(hours),
            curve_avg=_curve(first[i], history.average[taken, 0, i]),
            curve_core=_curve(first[i], history.core[taken, 0, i]),
            curve_shell=_curve(first[i], history.shell[taken, 0, i]),
            curve_probe=_curve(first[i], history.shallow[taken, 0, i]),
            probe_depth_in=lot.probe_depth_in,
            final_mc_pct=100 * float(history.average[-1, 0, i]),
        )
        for i, lot in enumerate(lots)
    )
    air_c, rh = history.temp_c[taken, 0], history.rh[taken, 0]
    step_results = _steps(steps, stages, history, chamber, machine, 100 * float(first.max()))
    result = Estimate(
        schedule_code=schedule.code,
        schedule_name=schedule.name,
        reason=reason,
        lots=lot_results,
        steps=step_results,
        days=days,
        kwh=kwh,
        oven_dry_lb=float(oven_dry.sum()),
        water_lb=float(water.sum()),
        water_gal=float(water.sum()) / LB_PER_GALLON,
        fill=fill,
        full=Full(float(history.hours[-1, -1]) / 24, full_kwh)
        if fill < NEARLY_FULL and not history.stalled[-1]
        else None,
        reaches_target=not any(w.code in ("target_below_emc", "stalled", "ends_wet") for w in found),
        warnings=found,
        hours=_floats(history.hours[taken, 0]),
        dry_bulb_f=_floats(psychro.f_from_c(air_c)),
        wet_bulb_f=_floats(psychro.f_from_c(psychro.wet_bulb_c_from_rh(air_c, rh, machine.pressure))),
        power_compressor_kw=_floats(history.compressor_kw[taken, 0]),
        power_fans_kw=_floats(np.full(int(taken.sum()), chamber.fan_kw)),
        power_heater_kw=_floats(history.heater_kw[taken, 0]),
        workings=(),
    )
    shown = workings.show(lots, chamber, outside, result, machine, _narrows(history, lots))
    return replace(result, workings=shown)


def _stage(step: Step, number: int, chamber: ChamberInput) -> Stage:
    try:
        rh = psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, chamber.elevation_ft)
    except ValueError as error:
        raise ValueError(f"step {number}: {error}") from error
    return Stage(step.kind, step.from_mc_pct / 100, psychro.c_from_f(step.dry_bulb_f), rh / 100, step.hours)


def _hold_stage(
    hold: Hold, lots: Sequence[LotInput], steps: Sequence[Step], chamber: ChamberInput, machine: Machine
) -> tuple[Step | None, str]:
    """The step a treatment adds at the end, or None and why the chamber cannot do it."""
    reach = min(chamber.max_dry_bulb_f, psychro.f_from_c(machine.highest_c()))
    heat = hold.kind == "heat"
    air = min(hold.temp_f + (15.0 if heat else 0.0), reach)
    limit = (
        f"its limit is {chamber.max_dry_bulb_f:g} °F"
        if chamber.max_dry_bulb_f <= psychro.f_from_c(machine.highest_c())
        else f"its heater and fans hold {reach:.0f} °F at most in this outside air"
    )
    if air < hold.temp_f + (3.0 if heat else 0.0):
        wanted = (
            f"{hold.temp_f:g} °F in the core, so air some degrees hotter"
            if heat
            else f"{hold.temp_f:g} °F air"
        )
        return None, f"{hold.label} needs {wanted}; {chamber.name} cannot: {limit}."
    for step in steps:
        if step.kind == hold.kind and step.dry_bulb_f >= hold.temp_f + (3.0 if heat else 0.0):
            return None, ""
    minutes = hold.minutes
    if heat:
        start = steps[-1].dry_bulb_f  # the ramp warms the wood further; that is left in hand
        minutes += DRY_HEAT_ALLOWANCE * max(
            minutes_to_core(hold.temp_f, start, air, lot.thickness_in, lot.width_in)
            for lot in lots
            if hold.key in lot.treatments
        )
    wet = psychro.wet_bulb_f(air, 20.0, chamber.elevation_ft)
    from_mc = max(lot.target_mc_pct for lot in lots)
    return Step(from_mc, round(air, 1), round(wet, 1), hold.kind, math.ceil(minutes / 6) / 10), ""


def _load(lots: Sequence[LotInput], goals: Array, fill: float) -> Load:
    """Nominal, faster, slower, wetter and thicker charge, and the nominal one filling the chamber."""
    full = int(fill < NEARLY_FULL)
    thickness = np.array([lot.thickness_in for lot in lots]) * 0.0254
    start = np.array([lot.start_mc_pct for lot in lots]) / 100
    sd = np.array([lot.start_sd_pct for lot in lots]) / 100
    speed = np.array([lot.speed for lot in lots])
    sigma = np.array([_speed_sd(lot) for lot in lots])
    return Load(
        thickness_m=np.stack([thickness] * 4 + [thickness + THICKNESS_SD_IN * 0.0254] + [thickness] * full),
        start=np.stack([start, start, start, start + sd, start] + [start] * full),
        speed=np.stack([speed, speed * np.exp(sigma), speed * np.exp(-sigma), speed, speed] + [speed] * full),
        dry_kg=np.array([lot.oven_dry_kg for lot in lots]),
        target=goals,
        free_slope=np.array([1.0 if lot.species.permeable_sapwood else FREE_SLOPE for lot in lots]),
        spread=np.maximum(0.06 * start, 0.01),
        probe_m=np.array([lot.probe_depth_in for lot in lots]) * 0.0254,
        tolerance=np.array([lot.tolerance_pct for lot in lots]) / 100,
        width_m=np.array([lot.width_in or np.nan if lot.is_timber else np.nan for lot in lots]) * 0.0254,
        times=np.array([1.0] * 5 + [1 / fill] * full),
    )


def _speed_sd(lot: LotInput) -> float:
    if lot.learned:
        return lot.learned.next_sd_ln
    air_dried = AIR_DRIED_SD_LN if lot.start_mc_pct <= AIR_DRIED_PCT else 0.0
    return math.hypot(TAU_LN[lot.species.speed_listed], SIGMA_LN, air_dried)


def _effects(values: Array) -> Array:
    """One-standard-deviation effects of speed, start moisture and thickness, from the five members."""
    return np.stack([(values[2] - values[1]) / 2, values[3] - values[0], values[4] - values[0]])


def _band(values: Array) -> Range:
    middle = float(values[0])
    if middle <= 0 or not np.isfinite(values).all():
        return Range(middle, middle, middle)
    width = math.exp(BAND_Z * float(np.sqrt((_effects(np.log(np.maximum(values, 1e-9))) ** 2).sum())))
    return Range(middle / width, middle, middle * width)


def _lot_days(history: Run, load: Load) -> list[Range]:
    end = history.hours[-1][:, None]
    reached = np.where(np.isnan(history.reached_h), end, history.reached_h) / 24
    return [_band(reached[:, i]) for i in range(load.start.shape[1])]


def _kwh(history: Run, chamber: ChamberInput) -> tuple[Kwh, float]:
    compressor = (history.compressor_kw * history.taken).sum(axis=0)
    heater = (history.heater_kw * history.taken).sum(axis=0)
    fans = chamber.fan_kw * history.taken.sum(axis=0)
    total = compressor + heater + fans

    def span(values: Array, machine_sd_ln: float = 0.0) -> Range:
        middle = float(values[0])
        effects = [*_effects(values), machine_sd_ln * middle]
        half = BAND_Z * math.hypot(*effects)
        return Range(middle**2 / (middle + half) if middle > 0 else 0.0, middle, middle + half)

    own = chamber.kwh_sd_ln
    return Kwh(span(compressor, own), span(fans), span(heater, own), span(total, own)), float(total[-1])


def _narrows(history: Run, lots: Sequence[LotInput]) -> tuple[tuple[float, ...], str]:
    """The standard deviation of ln(time) from speed, start and thickness, and what would narrow it most."""
    effects = tuple(abs(float(e)) for e in _effects(np.log(np.maximum(history.hours[-1], 1e-9))))
    new = sorted({lot.species.common_name for lot in lots if not (lot.learned and lot.learned.count)})
    known = ", ".join(sorted({lot.species.common_name for lot in lots}))
    advice = (
        f"measuring this charge: it is the first of {' and '.join(new)} in this chamber"
        if new
        else f"more finished, measured charges of {known} in this chamber",
        "measuring the start moisture on oven-dry sections",
        "measuring thickness on more boards",
    )
    return effects, advice[int(np.argmax(effects))]


def _floats(values: Any) -> tuple[float, ...]:
    return tuple(np.asarray(values, float).tolist())


def _curve(start: float, values: Array) -> tuple[float, ...]:
    return _floats(100 * np.concatenate([[start], values]))


def _steps(
    steps: Sequence[Step],
    stages: Sequence[Stage],
    history: Run,
    chamber: ChamberInput,
    machine: Machine,
    wettest_pct: float,
) -> tuple[StepResult, ...]:
    """What each step that runs comes to."""
    results = []
    hours, at = history.taken[:, 0], history.stage[:, 0]
    power = history.compressor_kw[:, 0] + history.heater_kw[:, 0] + chamber.fan_kw
    for index, (step, stage) in enumerate(zip(steps, stages, strict=True)):
        mine = np.where(at == index, hours, 0.0)
        if mine.sum() <= 0:
            continue
        warm = np.where(history.temp_c[:, 0] > stage.temp_c - 1.0, mine, 0.0)
        weight = warm / warm.sum() if warm.sum() > 0 else mine / mine.sum()
        rh = float(weight @ history.rh[:, 0])
        air = np.array([float(weight @ history.temp_c[:, 0])])
        wet = psychro.wet_bulb_c_from_rh(air, np.array([rh]), machine.pressure)
        results.append(
            StepResult(
                kind=step.kind,
                from_mc_pct=min(step.from_mc_pct, wettest_pct),
                dry_bulb_f=step.dry_bulb_f,
                wet_bulb_f=step.wet_bulb_f,
                expected_wet_bulb_f=float(psychro.f_from_c(wet[0])),
                rh_pct=100 * stage.rh,
                emc_pct=emc_pct(step.dry_bulb_f, 100 * stage.rh),
                expected_rh_pct=100 * rh,
                expected_emc_pct=100 * float(weight @ history.emc[:, 0]),
                hours=float(mine.sum()),
                kwh=float(mine @ power),
                compressor=bool((history.compressor_kw[:, 0] * mine).sum() > 0),
                timed=step.hours is not None,
            )
        )
    return tuple(results)
