"""Moist air: wet bulb, relative humidity, dew point, humidity ratio, enthalpy.

The only importer of psychrolib, whose unit system is one switch for the whole process: it is set once, here.
Temperatures are degrees Fahrenheit and relative humidity is percent, because that is what a kiln is set by;
humidity ratio is kg/kg and enthalpy kJ/kg because that is what the energy balance counts in.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

DRY_BULB_RANGE_F = (-40.0, 250.0)
ELEVATION_RANGE_FT = (-1500.0, 15000.0)


def c_from_f(temp_f: float) -> float:
    """Celsius from Fahrenheit."""
    return (temp_f - 32.0) / 1.8


def f_from_c(temp_c: float) -> float:
    """Fahrenheit from Celsius."""
    return temp_c * 1.8 + 32.0


def check_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse a value that is not a number between low and high, naming argument, value and range."""
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{name} = {value:g} {unit} is outside {low:g} to {high:g} {unit}")


def pressure_pa(elevation_ft: float = 0.0) -> float:
    """Standard air pressure at an elevation.

    Parameters
    ----------
    elevation_ft : float
        Height above sea level [ft], -1500 to 15000.

    Returns
    -------
    float
        Pressure [Pa].

    Raises
    ------
    ValueError
        Elevation outside the range.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 3.
    """
    check_range("elevation_ft", elevation_ft, *ELEVATION_RANGE_FT, "ft")
    return float(psychrolib.GetStandardAtmPressure(elevation_ft * 0.3048))


def _check_state(dry_bulb_f: float, rh_pct: float, pressure: float) -> None:
    check_range("dry_bulb_f", dry_bulb_f, *DRY_BULB_RANGE_F, "°F")
    check_range("rh_pct", rh_pct, 0.0, 100.0, "%")
    vapour = rh_pct / 100 * psychrolib.GetSatVapPres(c_from_f(dry_bulb_f))
    if vapour >= pressure:
        raise ValueError(
            f"rh_pct = {rh_pct:g} % at dry_bulb_f = {dry_bulb_f:g} °F is above the boiling point at this "
            f"elevation; the most possible is {rh_pct * pressure / vapour:.1f} %"
        )


def rh_pct(dry_bulb_f: float, wet_bulb_f: float, elevation_ft: float = 0.0) -> float:
    """Relative humidity from dry and wet bulb.

    Parameters
    ----------
    dry_bulb_f : float
        Dry bulb [°F], -40 to 250.
    wet_bulb_f : float
        Wet bulb [°F], not above the dry bulb and not below what completely dry air gives.
    elevation_ft : float
        Height above sea level [ft].

    Returns
    -------
    float
        Relative humidity [%], 0 to 100.

    Raises
    ------
    ValueError
        Naming the argument, its value and what is allowed.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 33 (through psychrolib). Checked against CoolProp
    over 60-200 °F and 0-6000 ft: within 0.5 % RH.
    """
    check_range("dry_bulb_f", dry_bulb_f, *DRY_BULB_RANGE_F, "°F")
    if not (math.isfinite(wet_bulb_f) and wet_bulb_f <= dry_bulb_f):
        raise ValueError(
            f"wet_bulb_f = {wet_bulb_f:g} °F is above dry_bulb_f = {dry_bulb_f:g} °F; "
            "a wet bulb is at most the dry bulb"
        )
    check_range("wet_bulb_f", wet_bulb_f, DRY_BULB_RANGE_F[0], dry_bulb_f, "°F")
    pressure = pressure_pa(elevation_ft)
    if psychrolib.GetSatVapPres(c_from_f(wet_bulb_f)) >= pressure:
        raise ValueError(
            f"wet_bulb_f = {wet_bulb_f:g} °F is at or above the boiling point at {elevation_ft:g} ft"
        )
    ratio = psychrolib.GetHumRatioFromTWetBulb(c_from_f(dry_bulb_f), c_from_f(wet_bulb_f), pressure)
    if ratio <= psychrolib.MIN_HUM_RATIO:
        lowest = f_from_c(psychrolib.GetTWetBulbFromRelHum(c_from_f(dry_bulb_f), 0.0, pressure))
        raise ValueError(
            f"wet_bulb_f = {wet_bulb_f:g} °F is impossible at dry_bulb_f = {dry_bulb_f:g} °F: "
            f"completely dry air reads {lowest:.1f} °F"
        )
    return min(100.0, 100.0 * float(psychrolib.GetRelHumFromHumRatio(c_from_f(dry_bulb_f), ratio, pressure)))


@lru_cache(maxsize=4096)
def wet_bulb_f(dry_bulb_f: float, rh_pct: float, elevation_ft: float = 0.0) -> float:
    """Wet bulb [°F] from dry bulb [°F] and relative humidity [%, 0 to 100].

    Raises
    ------
    ValueError
        Dry bulb outside -40 to 250 °F, humidity outside 0 to 100 %, or above the boiling point.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 33 and 35 solved for the wet bulb (psychrolib).
    """
    pressure = pressure_pa(elevation_ft)
    _check_state(dry_bulb_f, rh_pct, pressure)
    return f_from_c(psychrolib.GetTWetBulbFromRelHum(c_from_f(dry_bulb_f), rh_pct / 100, pressure))


def dew_point_f(dry_bulb_f: float, rh_pct: float, elevation_ft: float = 0.0) -> float:
    """Dew point [°F] from dry bulb [°F] and relative humidity [%, above 0, to 100].

    Raises
    ------
    ValueError
        As `wet_bulb_f`; also humidity of exactly 0 %, which has no dew point.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 5 and 6 inverted (psychrolib).
    """
    _check_state(dry_bulb_f, rh_pct, pressure_pa(elevation_ft))
    check_range("rh_pct", rh_pct, 0.1, 100.0, "%")
    return f_from_c(psychrolib.GetTDewPointFromRelHum(c_from_f(dry_bulb_f), rh_pct / 100))


def humidity_ratio(dry_bulb_f: float, rh_pct: float, elevation_ft: float = 0.0) -> float:
    """Humidity ratio [kg water / kg dry air] from dry bulb [°F] and relative humidity [%].

    Raises
    ------
    ValueError
        As `wet_bulb_f`.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 20 (psychrolib).
    """
    pressure = pressure_pa(elevation_ft)
    _check_state(dry_bulb_f, rh_pct, pressure)
    return float(psychrolib.GetHumRatioFromRelHum(c_from_f(dry_bulb_f), rh_pct / 100, pressure))


def enthalpy(dry_bulb_f: float, rh_pct: float, elevation_ft: float = 0.0) -> float:
    """Enthalpy [kJ / kg dry air, zero at 0 °C dry] from dry bulb [°F] and relative humidity [%].

    Raises
    ------
    ValueError
        As `wet_bulb_f`.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 30 (psychrolib).
    """
    ratio = humidity_ratio(dry_bulb_f, rh_pct, elevation_ft)
    return float(psychrolib.GetMoistAirEnthalpy(c_from_f(dry_bulb_f), ratio)) / 1000.0


def saturation_pa(temp_c: Any) -> Any:
    """Saturation pressure over water [Pa] at `temp_c` [°C, 0 to 200], for arrays in loops, unchecked.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) ch. 1, eq. 6 (Hyland and Wexler 1983). Same as psychrolib to 1e-9.
    """
    t = temp_c + 273.15
    return np.exp(
        -5.8002206e3 / t
        + 1.3914993
        + t * (-4.8640239e-2 + t * (4.1764768e-5 - 1.4452093e-8 * t))
        + 6.5459673 * np.log(t)
    )


def ratio_from_rh(temp_c: Any, rh: Any, pressure: float) -> Any:
    """Humidity ratio [kg/kg] from temperature [°C] and humidity [0-1], for arrays, unchecked."""
    vapour = rh * saturation_pa(temp_c)
    return 0.621945 * vapour / (pressure - vapour)


def enthalpy_from_ratio(temp_c: Any, ratio: Any) -> Any:
    """Enthalpy [kJ/kg dry air] from temperature [°C] and humidity ratio, for arrays, unchecked."""
    return 1.006 * temp_c + ratio * (2501 + 1.86 * temp_c)


def wet_bulb_c_from_rh(temp_c: Any, rh: Any, pressure: float) -> Any:
    """Wet bulb [°C, above freezing] from temperature [°C] and humidity [0-1], for arrays, unchecked."""
    ratio = ratio_from_rh(temp_c, rh, pressure)
    low, high = np.full_like(temp_c, 0.01), np.array(temp_c, dtype=float)
    for _ in range(26):
        wet = (low + high) / 2
        at = ((2501 - 2.326 * wet) * ratio_from_rh(wet, 1.0, pressure) - 1.006 * (temp_c - wet)) / (
            2501 + 1.86 * temp_c - 4.186 * wet
        )
        high = np.where(at > ratio, wet, high)
        low = np.where(at > ratio, low, wet)
    return (low + high) / 2
