"""Heat reaching the core of boards, timbers and logs; heat capacity and conductivity of wood.

An estimate plans a hold; it never proves one. Only a core reading supports a heat record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import j1, jn_zeros

from kilnshop.science.psychro import c_from_f, check_range

ALPHA_MM2_S = 0.142  # across the grain; 30 measured wet-heat means back out 0.127 to 0.181
FILM_W_M2K = 15.0  # a small fan kiln is put at 15 to 40
CONDUCTIVITY_W_MK = 0.15
DRY_HEAT_ALLOWANCE = 1.25  # a 10 °F depression lengthened the measured means by 7 to 25 %
_TERMS = 60


@dataclass(frozen=True)
class Hold:
    """A heat or pitch treatment as the plan needs it: what temperature, where, for how long.

    kind "heat" counts at the wood's core, "pitch" in the air.
    """

    key: str
    label: str
    kind: str
    temp_f: float
    minutes: float

    def __post_init__(self) -> None:
        if self.kind not in ("heat", "pitch"):
            raise ValueError(f"kind = {self.kind!r} is not heat or pitch")
        check_range("temp_f", self.temp_f, 90.0, 250.0, "°F")
        check_range("minutes", self.minutes, 1.0, 60.0 * 24 * 14, "min")


def heat_capacity_per_dry_kg(temp_c: Any, mc: Any) -> Any:
    """Heat capacity of wood with its water per kg of dry wood [kJ/K], for arrays, unchecked.

    `temp_c` [°C], `mc` [fraction]. The bond term of `heat_capacity` stops at 26 % MC; further water counts 4.18.
    """
    t = temp_c + 273.15
    x = np.minimum(mc, 0.26) * 100
    bond = x * (-0.06191 + 2.36e-4 * t - 1.33e-4 * x) * (1 + x / 100)
    return 0.1031 + 0.003867 * t + 4.18 * mc + bond


def heat_capacity(temp_k: float, mc_pct: float) -> float:
    """Heat capacity of moist wood [kJ/(kg K)], per kg of moist wood.

    Parameters
    ----------
    temp_k : float
        Temperature [K], 280 to 420.
    mc_pct : float
        Moisture content [%], 0 to 250. Above 26 % the extra water counts as free water.

    Raises
    ------
    ValueError
        Outside the range.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 4, eq. 4-16 to 4-18 and Table 4-8.
    """
    check_range("temp_k", temp_k, 280.0, 420.0, "K")
    check_range("mc_pct", mc_pct, 0.0, 250.0, "%")
    return float(heat_capacity_per_dry_kg(temp_k - 273.15, mc_pct / 100)) / (1 + mc_pct / 100)


def specific_gravity_at(basic_gravity: float, shrinkage_vol_pct: float, mc_pct: float) -> float:
    """Oven-dry mass over volume at a moisture [-], from basic gravity and total volumetric shrinkage [%].

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 4, eq. 4-7 to 4-9, with fibre saturation at 30 %.
    """
    check_range("basic_gravity", basic_gravity, 0.1, 1.2, "")
    check_range("shrinkage_vol_pct", shrinkage_vol_pct, 0.0, 30.0, "%")
    check_range("mc_pct", mc_pct, 0.0, 250.0, "%")
    return basic_gravity / (1 - shrinkage_vol_pct / 100 * max(0.0, 1 - mc_pct / 30))


def conductivity(basic_gravity: float, shrinkage_vol_pct: float, mc_pct: float) -> float:
    """Heat conductivity across the grain [W/(m K)].

    Parameters
    ----------
    basic_gravity : float
        Oven-dry mass over green volume [-].
    shrinkage_vol_pct : float
        Volumetric shrinkage, green to oven-dry [%].
    mc_pct : float
        Moisture content [%], 0 to 25.

    Raises
    ------
    ValueError
        Outside the range.

    Notes
    -----
    k = Gx (0.1941 + 0.004064 x) + 0.01864, near 24 °C; a real board may differ by up to 20 %.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 4, eq. 4-15.
    """
    check_range("mc_pct", mc_pct, 0.0, 25.0, "%")
    gravity = specific_gravity_at(basic_gravity, shrinkage_vol_pct, mc_pct)
    return gravity * (0.1941 + 0.004064 * mc_pct) + 0.01864


def diffusivity_mm2_s(basic_gravity: float, shrinkage_vol_pct: float, mc_pct: float, temp_k: float) -> float:
    """Heat diffusivity across the grain [mm²/s]: conductivity over density times heat capacity."""
    k = conductivity(basic_gravity, shrinkage_vol_pct, mc_pct)
    density = 1000 * specific_gravity_at(basic_gravity, shrinkage_vol_pct, mc_pct) * (1 + mc_pct / 100)
    return k / (density * heat_capacity(temp_k, mc_pct) * 1000) * 1e6


@lru_cache(maxsize=256)
def _film_roots(biot: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Roots of z tan z = Bi."""
    roots = []
    for n in range(_TERMS):
        low, high = n * math.pi + 1e-12, n * math.pi + math.pi / 2 - 1e-12
        roots.append(brentq(lambda z: z * math.sin(z) - biot * math.cos(z), low, high, xtol=1e-13))
    return np.array(roots)


def slab_remaining(
    thickness_mm: float, minutes: float, alpha: float, position: float = 0.5, film: float | None = None
) -> float:
    """Share of the first temperature difference left in a wide board after its surface is heated [-].

    Parameters
    ----------
    thickness_mm : float
        Thickness [mm].
    minutes : float
        Time [min], 0 or more.
    alpha : float
        Diffusivity [mm²/s].
    position : float
        0 at one face, 0.5 at the centre, 1 at the other.
    film : float or None
        Surface film over conductivity h/k [1/m]; None for a surface at air temperature at once.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 20 (series of MacLean); with a film: Carslaw and Jaeger (1959) ch. 3.11.
    """
    check_range("thickness_mm", thickness_mm, 1.0, 2000.0, "mm")
    check_range("minutes", minutes, 0.0, 1e6, "min")
    check_range("alpha", alpha, 0.01, 1.0, "mm²/s")
    check_range("position", position, 0.0, 1.0, "of the thickness")
    if film is None:
        if minutes == 0:
            return 1.0
        fourier = alpha * minutes * 60 / thickness_mm**2
        m = np.arange(1, 2 * _TERMS, 2)
        series = np.sin(m * math.pi * position) / m * np.exp(-(m**2) * math.pi**2 * fourier)
        return float(4 / math.pi * series.sum())
    check_range("film", film, 0.1, 1e5, "1/m")
    half = thickness_mm / 2
    z = _film_roots(film * half / 1000)
    weight = 4 * np.sin(z) / (2 * z + np.sin(2 * z)) * np.cos(z * (2 * position - 1))
    return float((weight * np.exp(-(z**2) * alpha * minutes * 60 / half**2)).sum())


def core_temperature_c(
    minutes: float,
    start_c: float,
    surface_c: float,
    thickness_mm: float,
    width_mm: float | None = None,
    *,
    alpha: float = ALPHA_MM2_S,
    position: tuple[float, float] = (0.5, 0.5),
    film: float | None = None,
) -> float:
    """Temperature inside a board or timber [°C] some minutes after its surface (or air, with a film) is heated.

    Wide boards leave `width_mm` out; a timber is the product of its two slabs, exact for this problem.
    Arguments as `slab_remaining`; raises as it does.
    """
    left = slab_remaining(thickness_mm, minutes, alpha, position[0], film)
    if width_mm is not None:
        left *= slab_remaining(width_mm, minutes, alpha, position[1], film)
    return surface_c + (start_c - surface_c) * left


def log_core_temperature_c(
    minutes: float, start_c: float, surface_c: float, diameter_mm: float, *, alpha: float = ALPHA_MM2_S
) -> float:
    """Temperature at the heart of a log [°C]. Bessel series of Wood Handbook ch. 20."""
    check_range("diameter_mm", diameter_mm, 5.0, 3000.0, "mm")
    check_range("minutes", minutes, 0.0, 1e6, "min")
    if minutes == 0:
        return start_c
    z = jn_zeros(0, _TERMS)
    fourier = alpha * minutes * 60 / (diameter_mm / 2) ** 2
    left = float((2 / (z * j1(z)) * np.exp(-(z**2) * fourier)).sum())
    return surface_c + (start_c - surface_c) * left


def minutes_to_core(
    target_f: float,
    start_f: float,
    air_f: float,
    thickness_in: float,
    width_in: float | None = None,
    *,
    alpha: float = ALPHA_MM2_S,
    film_w_m2k: float | None = FILM_W_M2K,
    k_w_mk: float = CONDUCTIVITY_W_MK,
) -> float:
    """Minutes until the centre reaches `target_f`, from the moment the air is at `air_f`.

    Parameters
    ----------
    target_f, start_f, air_f : float
        Centre wanted, wood at the start, air [°F].
    thickness_in, width_in : float
        Actual size [in]; leave the width out for wide boards.
    alpha : float
        Diffusivity [mm²/s].
    film_w_m2k : float or None
        Surface film [W/(m² K)]; None for a surface at air temperature at once.

    Returns
    -------
    float
        Minutes; 0 if the wood is there already.

    Raises
    ------
    ValueError
        The air is not hotter than the target: the centre never gets there.

    Notes
    -----
    Stands for wet heat. Dry heat is slower, and a wet bulb below the target holds the surface down; a plan
    should add `DRY_HEAT_ALLOWANCE`.
    """
    if start_f >= target_f:
        return 0.0
    if air_f <= target_f:
        raise ValueError(
            f"air_f = {air_f:g} °F is not above target_f = {target_f:g} °F: the core never reaches it"
        )
    size = thickness_in * 25.4, None if width_in is None else width_in * 25.4
    film = None if film_w_m2k is None else film_w_m2k / k_w_mk
    start, air, target = c_from_f(start_f), c_from_f(air_f), c_from_f(target_f)

    def short(minutes: float) -> float:
        return core_temperature_c(minutes, start, air, *size, alpha=alpha, film=film) - target

    high = 10.0
    while short(high) < 0:
        high *= 2
        if high > 1e6:
            raise ValueError(f"air_f = {air_f:g} °F is too close to target_f = {target_f:g} °F to be reached")
    return float(brentq(short, 0.0, high, xtol=1e-6))
