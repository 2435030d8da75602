"""Moisture content from weights, sample boards, water in a lot, and board tests against a target."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

LB_PER_GALLON = 8.33  # of condensate near room temperature
MC_RANGE_PCT = (0.0, 300.0)
FIBRE_SATURATION_PCT = 28.0
LB_PER = {"lb": 1.0, "oz": 1 / 16, "kg": 1 / 0.45359237, "g": 1 / 453.59237}  # of the units a scale shows


@dataclass(frozen=True)
class SampleBoard:
    """A sample board: its oven-dry weight is calculated once, from sections cut at its ends."""

    start_weight: float
    start_mc_pct: float

    @property
    def oven_dry_weight(self) -> float:
        """Calculated oven-dry weight, in the unit of the start weight."""
        return oven_dry_weight(self.start_weight, self.start_mc_pct)

    def mc_pct(self, weight: float) -> float:
        """Moisture content [%] at a later weight in the same unit."""
        return mc_pct(weight, self.oven_dry_weight)


@dataclass(frozen=True)
class BandedMc:
    """An estimated moisture content [%] with its 80 % band."""

    low: float
    expected: float
    high: float


@dataclass(frozen=True)
class BoardTests:
    """Readings of finished boards against target and tolerance [% MC]."""

    count: int
    mean: float
    sd: float | None  # None for a single board
    lowest: float
    highest: float
    within: int
    share_within: float  # 0 to 1


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} {value} must be above 0")


def _check_mc(name: str, value: float) -> None:
    if not MC_RANGE_PCT[0] <= value <= MC_RANGE_PCT[1]:
        raise ValueError(f"{name} {value} is outside {MC_RANGE_PCT[0]:g} to {MC_RANGE_PCT[1]:g} %")


def mc_pct(weight: float, oven_dry: float) -> float:
    """Moisture content [% of oven-dry weight] from two weights in one unit.

    Parameters
    ----------
    weight, oven_dry : float
        Weight now and oven-dry [any one unit], above 0.

    Raises
    ------
    ValueError
        A weight not above 0, lighter than oven-dry, or over 300 % MC.

    References
    ----------
    ASTM D4442 oven-drying; Wengert, Drying Oak Lumber, step 3B: (weight / oven-dry weight - 1) x 100 (seen).
    """
    _positive("weight", weight)
    _positive("oven_dry", oven_dry)
    value = round((weight / oven_dry - 1) * 100, 9)  # so that rounding never makes dry wood lighter than dry
    if value < 0:
        raise ValueError(f"weight {weight} is less than the oven-dry weight {oven_dry:.6g}; check both")
    _check_mc("moisture content", value)
    return value


def oven_dry_weight(weight: float, at_mc_pct: float) -> float:
    """Oven-dry weight of wood that weighs `weight` at `at_mc_pct` [%, 0 to 300], in the same unit.

    References
    ----------
    Wengert, Drying Oak Lumber, step 3B: weight / (100 + MC) x 100 (seen).
    """
    _positive("weight", weight)
    _check_mc("at_mc_pct", at_mc_pct)
    return weight / (100 + at_mc_pct) * 100


def weight_at(weight: float, at_mc_pct: float, new_mc_pct: float) -> float:
    """Weight of the same wood at another moisture content [%, 0 to 300], in the same unit.

    References
    ----------
    Wengert, Calculating the weight of lumber (1993/2001) (seen).
    """
    _check_mc("new_mc_pct", new_mc_pct)
    return oven_dry_weight(weight, at_mc_pct) * (1 + new_mc_pct / 100)


def section_mc_pct(sections: Sequence[tuple[float, float]]) -> float:
    """Moisture content [%] of a sample board: the average of its moisture sections.

    `sections` are (green, oven-dry) weights, each pair in one unit; at least one.

    Raises
    ------
    ValueError
        No section, or weights that `mc_pct` refuses.

    References
    ----------
    Wengert, Drying Oak Lumber, step 3B: the mean of the two sections' moisture contents (seen).
    """
    if not sections:
        raise ValueError("sections is empty; dry at least one section")
    return math.fsum(mc_pct(green, dry) for green, dry in sections) / len(sections)


def wettest_half(values_pct: Sequence[float]) -> list[float]:
    """The wetter half, wettest first; of an odd number the middle one counts as wet.

    References
    ----------
    USDA Agriculture Handbook 188, ch. 6 and 7: hardwood schedules follow the average of the wettest half of the
    samples (memory).
    """
    return sorted(values_pct, reverse=True)[: math.ceil(len(values_pct) / 2)]


def mc_from_start(weight: float, start_weight: float, start_mc_pct: float, sd_pct: float) -> BandedMc:
    """Moisture content [%] now of wood weighed at the start, whose start moisture is known to a standard deviation.

    Parameters
    ----------
    weight, start_weight : float
        Weights in one unit, above 0, of the wood alone.
    start_mc_pct, sd_pct : float
        Moisture content at the start weight [%, 0 to 300] and how well it is known [%, 0 or more].

    Returns
    -------
    BandedMc
        Expected, and an 80 % band (1.28 standard deviations of the start moisture; the scale's own error left out).

    Raises
    ------
    ValueError
        An argument outside its range, or wood lighter than its oven-dry weight.

    Notes
    -----
    MC = W / W0 (100 + M0) - 100, so an error of the start moisture comes through as W / W0 of itself.
    """
    value = mc_pct(weight, oven_dry_weight(start_weight, start_mc_pct))
    if not (math.isfinite(sd_pct) and sd_pct >= 0):
        raise ValueError(f"sd_pct {sd_pct} must be 0 or more")
    half = 1.28 * sd_pct * weight / start_weight
    return BandedMc(max(value - half, 0.0), value, value + half)


def mc_from_drain(start_mc_pct: float, drained_lb: float, oven_dry_lb: float) -> float:
    """Average moisture content [%] if the drain took all the water lost; the wood is drier by what vents and leaks took.

    Raises ValueError for weights not above 0, or more water drained than the wood held.
    """
    _check_mc("start_mc_pct", start_mc_pct)
    _positive("oven_dry_lb", oven_dry_lb)
    value = start_mc_pct - 100 * drained_lb / oven_dry_lb
    if not (drained_lb >= 0 and value >= 0):
        raise ValueError(
            f"drained_lb {drained_lb:g} is outside 0 to {oven_dry_lb * start_mc_pct / 100:.0f} lb"
        )
    return value


def water_lb(oven_dry_lb: float, start_mc_pct: float, target_mc_pct: float) -> float:
    """Water to remove from a lot [lb].

    Parameters
    ----------
    oven_dry_lb : float
        Oven-dry weight of the lot [lb], above 0.
    start_mc_pct, target_mc_pct : float
        Moisture contents [%], 0 to 300.

    Raises
    ------
    ValueError
        An argument outside its range, or a target not below the start.
    """
    _positive("oven_dry_lb", oven_dry_lb)
    _check_mc("start_mc_pct", start_mc_pct)
    _check_mc("target_mc_pct", target_mc_pct)
    if target_mc_pct >= start_mc_pct:
        raise ValueError(f"target_mc_pct {target_mc_pct} must be below start_mc_pct {start_mc_pct}")
    return oven_dry_lb * (start_mc_pct - target_mc_pct) / 100


def gallons(water: float) -> float:
    """US gallons of `water` [lb, 0 or more], at 8.33 lb a gallon."""
    if not (math.isfinite(water) and water >= 0):
        raise ValueError(f"water {water} must be 0 or more")
    return water / LB_PER_GALLON


def loss_pct_per_day(before_pct: float, after_pct: float, hours: float) -> float:
    """Moisture lost a day [percentage points] between two contents `hours` apart; negative when it rose."""
    _positive("hours", hours)
    _check_mc("before_pct", before_pct)
    _check_mc("after_pct", after_pct)
    return (before_pct - after_pct) * 24 / hours


def board_tests(readings_pct: Sequence[float], target_pct: float, tolerance_pct: float) -> BoardTests:
    """Statistics of finished boards against a target.

    Parameters
    ----------
    readings_pct : sequence of float
        One moisture content per board [%], 0 to 300, at least one.
    target_pct, tolerance_pct : float
        A board is within when it lies in target - tolerance to target + tolerance, ends included [%].

    Raises
    ------
    ValueError
        No readings, or a value out of range.

    Notes
    -----
    Standard deviation with n - 1. Limits are compared at 0.001 % so that 8.0 is within 7 +/- 1.
    """
    if not readings_pct:
        raise ValueError("readings_pct is empty; test at least one board")
    for value in readings_pct:
        _check_mc("readings_pct", value)
    _check_mc("target_pct", target_pct)
    if not 0 < tolerance_pct <= 20:
        raise ValueError(f"tolerance_pct {tolerance_pct} is outside 0 to 20 %")
    count = len(readings_pct)
    mean = math.fsum(readings_pct) / count
    sd = math.sqrt(math.fsum((r - mean) ** 2 for r in readings_pct) / (count - 1)) if count > 1 else None
    within = sum(round(abs(r - target_pct), 3) <= round(tolerance_pct, 3) for r in readings_pct)
    return BoardTests(count, mean, sd, min(readings_pct), max(readings_pct), within, within / count)
