"""One charge, estimated: water, days, kilowatt-hours, air, and what to watch. The door to the science."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, is_dataclass
from typing import Any

from kilnshop.science.chamber import ChamberInput, Outside
from kilnshop.science.heating import Hold
from kilnshop.science.schedules import Schedule
from kilnshop.science.species import Species

__all__ = ["ChamberInput", "Estimate", "Hold", "LotInput", "Outside", "Range", "estimate"]

START_HOW = ("oven_dry", "weighed", "pin", "assumed_green", "assumed_air_dried")


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


@dataclass(frozen=True)
class Range:
    """An 80 % band with its middle."""

    low: float
    expected: float
    high: float


@dataclass(frozen=True)
class Kwh:
    """Electricity by user."""

    compressor: Range
    fans: Range
    heater: Range
    total: Range


@dataclass(frozen=True)
class Warning:
    """Something a person should know. severity: "stop", "caution" or "note"."""

    severity: str
    code: str
    text: str


@dataclass(frozen=True)
class Working:
    """How one figure was made."""

    key: str
    label: str
    equation: str
    inputs: tuple[tuple[str, str], ...]
    source: str
    uncertainty: str
    narrows: str


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
    final_mc_pct: float


@dataclass(frozen=True)
class StepResult:
    """One schedule step as it is expected to run (time-weighted means)."""

    kind: str  # dry, equalize, condition, heat, pitch
    from_mc_pct: float
    dry_bulb_f: float
    wet_bulb_f: float  # set
    expected_wet_bulb_f: float  # really reached
    rh_pct: float
    emc_pct: float
    hours: float
    kwh: float
    compressor: bool


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
    warnings: tuple[Warning, ...]
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
) -> Estimate:
    """Estimate a charge of one or more lots on one schedule in one chamber."""
    raise NotImplementedError
