"""When a running charge will be dry, from its plan and from what was measured since."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from kilnshop.science.learning import SIGMA_LN

Z80 = 1.2816  # 80 % of a normal distribution lies within this many deviations of its mean
MC_SD_PCT = (
    0.5  # of the average of several boards (design choice; one in-kiln probe is good to about 1 point)
)
LEAST_SHARE = 0.05  # of the plan's drying seen before it says anything about speed (design choice)


@dataclass(frozen=True)
class Forecast:
    """End of drying in hours from the start; `slower` is the time drying takes against the plan, 1 as planned."""

    low: float
    expected: float
    high: float
    slower: float
    share_seen: float  # of the plan's drying, 0 to 1


def mc_at(hour: float, hours: Sequence[float], mcs: Sequence[float]) -> float:
    """Moisture [%] of a planned curve at an hour, level before its start and after its end."""
    if hour <= hours[0]:
        return mcs[0]
    for i in range(1, len(hours)):
        if hour <= hours[i]:
            return mcs[i - 1] + (mcs[i] - mcs[i - 1]) * (hour - hours[i - 1]) / (
                (hours[i] - hours[i - 1]) or 1
            )
    return mcs[-1]


def hour_of(mc_pct: float, hours: Sequence[float], mcs: Sequence[float]) -> float:
    """The hour at which a planned curve first falls to a moisture [%].

    Above the curve's start its first day's slope is carried back, so the hour is negative.

    Raises
    ------
    ValueError
        The curve never falls that far, or does not fall at all.
    """
    if mc_pct > mcs[0]:
        lost = mcs[0] - mc_at(hours[0] + 24, hours, mcs)
        if lost <= 0:
            raise ValueError("mcs does not fall on its first day; give a drying curve")
        return hours[0] - 24 * (mc_pct - mcs[0]) / lost
    for i in range(1, len(hours)):
        if mcs[i] <= mc_pct:
            fell = mcs[i - 1] - mcs[i]
            return hours[i - 1] + (hours[i] - hours[i - 1]) * ((mcs[i - 1] - mc_pct) / fell if fell else 0.0)
    raise ValueError(f"mc_pct {mc_pct:g} is below {min(mcs):g}, where the curve ends")


def forecast(
    hours: Sequence[float],
    mcs: Sequence[float],
    end_hour: float,
    band: tuple[float, float],
    seen: Sequence[tuple[float, float]],
) -> Forecast:
    """When drying ends, from a planned curve and measured moistures.

    Parameters
    ----------
    hours, mcs : sequence of float
        Planned curve of the governing moisture: hours from the start, [%].
    end_hour : float
        When the plan ends drying [h], above 0.
    band : tuple of float
        The plan's 80 % band as shares of its time, such as (0.75, 1.3).
    seen : sequence of (float, float)
        Measured governing moisture: hours from the start and [%], oldest first, at least one.

    Returns
    -------
    Forecast

    Raises
    ------
    ValueError
        No measurement, an end at or before 0, or a band that does not hold 1.

    Notes
    -----
    The plan is entered where it has the last measured moisture, so a wetter or drier start moves the date at
    once. The time still planned from there is stretched by k, time taken over time planned between first and
    last measurement: ln k ~ Normal(0, s²) with s from the plan's band, seen with variance
    sigma² / share + (relative error of the moisture lost)²; share is how much of the plan's drying was seen, so
    mid-run evidence counts by its share and the band narrows as it grows.

    References
    ----------
    Conjugate normal mean, e.g. Gelman and others, Bayesian Data Analysis, sec. 2.5 (memory). Weight by share:
    design choice.
    """
    if not seen:
        raise ValueError("seen is empty; give at least one measured moisture")
    if end_hour <= 0:
        raise ValueError(f"end_hour {end_hour:g} is not above 0 h")
    low, high = band
    if not 0 < low <= 1 <= high:
        raise ValueError(f"band {low:g} to {high:g} does not hold 1")
    (t0, m0), (t1, m1) = seen[0], seen[-1]
    at0, at1 = _entered(m0, hours, mcs, end_hour), _entered(m1, hours, mcs, end_hour)
    share = max(0.0, (at1 - at0) / end_hour)
    variance = (math.log(high / low) / (2 * Z80)) ** 2
    mean = 0.0
    if share >= LEAST_SHARE and t1 > t0 and m0 > m1 and variance > 0:
        noise = SIGMA_LN**2 / share + (math.sqrt(2) * MC_SD_PCT / (m0 - m1)) ** 2
        weight = variance / (variance + noise)
        mean, variance = weight * math.log((t1 - t0) / (at1 - at0)), variance * (1 - weight)
    k, spread = math.exp(mean), math.exp(Z80 * math.sqrt(variance))
    left = max(0.0, end_hour - at1) * k
    error = Z80 * k * _hours_of_error(m1, at1, hours, mcs, end_hour)
    early, late = math.hypot(left - left / spread, error), math.hypot(left * spread - left, error)
    return Forecast(max(t1, t1 + left - early), t1 + left, t1 + left + late, k, min(share, 1.0))


def _entered(mc_pct: float, hours: Sequence[float], mcs: Sequence[float], end_hour: float) -> float:
    """Where the plan has this moisture; its end where the wood is drier than the plan ever gets."""
    return end_hour if mc_pct <= min(mcs) else min(hour_of(mc_pct, hours, mcs), end_hour)


def _hours_of_error(
    mc_pct: float, at: float, hours: Sequence[float], mcs: Sequence[float], end_hour: float
) -> float:
    """One deviation of the measured moisture as planned hours; none once the plan's end is reached."""
    return 0.0 if at >= end_hour else at - _entered(mc_pct + MC_SD_PCT, hours, mcs, end_hour)
