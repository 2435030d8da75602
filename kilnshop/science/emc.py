"""Equilibrium moisture content: where wood settles in air of a given temperature and humidity."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import brentq

from kilnshop.science.psychro import c_from_f, check_range

TEMP_RANGE_F = (30.0, 270.0)


def emc_fraction(temp_c: Any, rh: Any) -> Any:
    """EMC as a fraction, for numpy arrays or floats, unchecked: for loops that have checked already.

    `temp_c` [°C]; `rh` 0 to below 1. Equation and range as `emc_pct`.
    """
    w = 349 + 1.29 * temp_c + 0.0135 * temp_c**2
    kh = (0.805 + 0.000736 * temp_c - 0.00000273 * temp_c**2) * rh
    k1 = 6.27 - 0.00938 * temp_c - 0.000303 * temp_c**2
    k2 = 1.91 + 0.0407 * temp_c - 0.000293 * temp_c**2
    bound = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 18.0 / w * (kh / (1 - kh) + bound)


def emc_pct(dry_bulb_f: float, rh_pct: float) -> float:
    """Equilibrium moisture content of wood.

    Parameters
    ----------
    dry_bulb_f : float
        Air temperature [°F], 30 to 270 (the printed table's range).
    rh_pct : float
        Relative humidity [%], 0 to 100.

    Returns
    -------
    float
        EMC [% of oven-dry weight].

    Raises
    ------
    ValueError
        Naming the argument, its value and the range.

    Notes
    -----
    Two-hydrate Hailwood-Horrobin equation. It describes an average wood; a species may sit up to about 1 % MC
    away at high humidity, and wood drying down settles slightly above wood taking water up.

    References
    ----------
    USDA Forest Products Laboratory, Wood Handbook FPL-GTR-190 (2010), ch. 4, eq. 4-5, and Table 4-2.
    """
    check_range("dry_bulb_f", dry_bulb_f, *TEMP_RANGE_F, "°F")
    check_range("rh_pct", rh_pct, 0.0, 100.0, "%")
    return 100.0 * float(emc_fraction(c_from_f(dry_bulb_f), rh_pct / 100))


def rh_for_emc(dry_bulb_f: float, emc: float) -> float:
    """Relative humidity [%] at which wood settles at `emc` [% MC] in air of `dry_bulb_f` [°F].

    Raises
    ------
    ValueError
        Temperature outside 30 to 270 °F, or an EMC no humidity from 0 to 100 % gives at that temperature.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010), ch. 4, eq. 4-5, solved for the humidity.
    """
    top = emc_pct(dry_bulb_f, 100.0)
    check_range("emc", emc, 0.0, float(np.floor(top * 10) / 10), "% MC")
    return 100.0 * float(brentq(lambda h: emc_pct(dry_bulb_f, 100 * h) - emc, 0.0, 1.0, xtol=1e-9))
