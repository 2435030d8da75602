"""What a pin-meter reading means: corrected for temperature and species, or no number at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from kilnshop.science.psychro import c_from_f, check_range
from kilnshop.science.species import read_table

LOWEST_PCT = 6.0  # pins read nothing trustworthy below this
OVER_RANGE_PCT = 28.0  # fibre saturation: resistance no longer follows moisture
ROUGH_PCT = 25.0  # above this, weigh samples instead
SCALE_KEY = "douglas_fir_coast"  # resistance meters are scaled on coast Douglas-fir
TEMP_RANGE_F = (-22.0, 185.0)
FITTED_TEMP_C = (-20.0, 50.0)
TEMPERATURE_RULES = ("T", "W", "none")
FULL_SCALE_PCT = 99.0  # from here a meter shows its end stop, not wood
STUCK_AFTER = 6  # equal readings in a row, while others move (design choice)
MOVED_PCT = 0.5  # by this much the others must have moved (design choice)


@dataclass(frozen=True)
class MeterResult:
    """A corrected reading. `mc_pct` is None when the status is not "ok"; the raw reading stays beside it."""

    raw_pct: float
    mc_pct: float | None
    status: str  # "ok", "over range", "below range", "no contact"
    methods: tuple[str, ...]  # corrections used, in order
    notes: tuple[str, ...]


def temperature_corrected_pct(
    reading_pct: float, wood_temp_f: float, *, a: float = 1.0, b: float = 0.0
) -> float:
    """Moisture content from a reading and the wood's temperature (method T).

    Parameters
    ----------
    reading_pct : float
        Raw reading on the coast Douglas-fir scale [%], 4 to 40.
    wood_temp_f : float
        Temperature of the wood, not the air [°F], -22 to 185. Fitted data end near -4 and 122 °F.
    a, b : float
        Species constants from a trusted print; 1 and 0 correct for temperature only.

    Returns
    -------
    float
        Corrected moisture content [%].

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    MC = [(R + 0.567 - 0.0260 x + 0.000051 x²) / (0.881 · 1.0056^x) - b] / a, x in °C. Charts differ: at
    18 % and 120 °F this gives 15.05, the chart in James (1988) about 14.

    References
    ----------
    Pfaff and Garrahan (1986), Forest Products Journal 36(3) (memory).
    """
    check_range("reading_pct", reading_pct, 4.0, 40.0, "%")
    x = c_from_f(wood_temp_f)
    check_range("wood_temp_f", wood_temp_f, *TEMP_RANGE_F, "°F")
    check_range("a", a, 0.3, 3.0, "")
    check_range("b", b, -10.0, 10.0, "%")
    at_scale = (reading_pct + 0.567 - 0.0260 * x + 0.000051 * x**2) / (0.881 * math.pow(1.0056, x))
    return (at_scale - b) / a


def rule_corrected_pct(reading_pct: float, wood_temp_f: float) -> float:
    """Moisture content by the rule of one point for every 20 °F from 70 °F (method W).

    `reading_pct` [%] 4 to 40, `wood_temp_f` [°F] -22 to 185. It over-corrects dry wood: method T gives about
    0.7 point per 20 °F at 8 %.

    References
    ----------
    Kiln-drying adviser, technical reply on correcting moisture meters for temperature (seen).
    """
    check_range("reading_pct", reading_pct, 4.0, 40.0, "%")
    check_range("wood_temp_f", wood_temp_f, *TEMP_RANGE_F, "°F")
    return reading_pct - (wood_temp_f - 70.0) / 20.0


def resistance_mc_pct(megohm: float) -> float:
    """Moisture content of Douglas-fir from electrical resistance (method R).

    Parameters
    ----------
    megohm : float
        Resistance [MΩ], 0.4 to 25000: about 7 to 25 % MC.

    Raises
    ------
    ValueError
        Outside the range.

    Notes
    -----
    log10 MC = 2.99 - 2.113 log10(log10 R), R in ohm. Agrees with the Wood Handbook row within 0.25 point.

    References
    ----------
    Straube, Onysko and Schumacher (2002), wood-frame monitoring (memory).
    """
    check_range("megohm", megohm, 0.4, 25_000.0, "MΩ")
    return float(10 ** (2.99 - 2.113 * math.log10(math.log10(megohm * 1e6))))


@cache
def _curves() -> dict[str, list[tuple[float, float]]]:
    """Species key to (moisture [%], log10 resistance [MΩ]), moisture rising."""
    curves: dict[str, list[tuple[float, float]]] = {}
    for row in read_table("meter_resistance"):
        for key in row["species_keys"].split(";"):
            curves.setdefault(key, []).append((float(row["mc_pct"]), math.log10(float(row["megohm"]))))
    return {key: sorted(curve) for key, curve in curves.items()}


def corrected_species() -> tuple[str, ...]:
    """Keys of the species with a resistance table."""
    return tuple(_curves())


def _interpolate(x: float, points: list[tuple[float, float]]) -> float | None:
    for (x0, y0), (x1, y1) in pairwise(points):
        if min(x0, x1) - 1e-12 <= x <= max(x0, x1) + 1e-12:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return None


def species_corrected_pct(reading_pct: float, species_key: str, scale_key: str = SCALE_KEY) -> float | None:
    """Moisture content of a species that has the resistance the meter saw (method S).

    Parameters
    ----------
    reading_pct : float
        Reading on the scale of `scale_key`, temperature already corrected [%].
    species_key, scale_key : str
        Keys of `corrected_species`: the wood, and the species the meter is set to.

    Returns
    -------
    float or None
        Corrected moisture content [%]; None outside the table (about 8 to 20 %): no value is made up.

    Raises
    ------
    ValueError
        A species without a table.

    Notes
    -----
    Linear in log10 of resistance between table rows. The table is for 27 °C.

    References
    ----------
    Wood Handbook and James (1988) FPL-GTR-6, resistance along the grain (memory).
    """
    curves = _curves()
    for name, key in (("species_key", species_key), ("scale_key", scale_key)):
        if key not in curves:
            raise ValueError(f"{name} {key!r} has no resistance table; it has {', '.join(curves)}")
    log_resistance = _interpolate(reading_pct, curves[scale_key])
    if log_resistance is None:
        return None
    return _interpolate(log_resistance, [(r, mc) for mc, r in curves[species_key]])


def corrected(
    reading_pct: float,
    *,
    wood_temp_f: float | None = None,
    species_key: str | None = None,
    scale_key: str = SCALE_KEY,
    temperature_rule: str = "T",
    meter_corrects_temperature: bool = False,
    meter_corrects_species: bool = False,
) -> MeterResult:
    """A reading corrected for temperature, then species; nothing is corrected twice.

    Parameters
    ----------
    reading_pct : float
        Raw reading [%], 0 to 100.
    wood_temp_f : float or None
        Temperature of the wood [°F], -22 to 185; None when not taken.
    species_key : str or None
        Species; one without a table is left uncorrected and the notes say so.
    scale_key : str
        Species the meter is set to; the wood's own needs no correction.
    temperature_rule : str
        "T" (formula), "W" (one point per 20 °F) or "none".
    meter_corrects_temperature, meter_corrects_species : bool
        The meter has already done it.

    Returns
    -------
    MeterResult
        No number when raw or corrected value is above 28 % ("over range") or below 6 % ("below range"), nor at 0
        or full scale ("no contact").

    Raises
    ------
    ValueError
        An argument outside its range.
    """
    check_range("reading_pct", reading_pct, 0.0, 100.0, "%")
    if temperature_rule not in TEMPERATURE_RULES:
        raise ValueError(
            f"temperature_rule {temperature_rule!r} is not one of {', '.join(TEMPERATURE_RULES)}"
        )
    methods: list[str] = []
    notes: list[str] = []
    value = reading_pct
    if outside := _outside(value):
        return MeterResult(reading_pct, None, outside, (), (_NO_NUMBER[outside],))
    if meter_corrects_temperature:
        notes.append("The meter corrects for temperature itself.")
    elif wood_temp_f is None:
        notes.append("Not corrected for temperature: the wood's temperature was not taken.")
    elif temperature_rule == "none":
        notes.append("Not corrected for temperature.")
    else:
        value = (temperature_corrected_pct if temperature_rule == "T" else rule_corrected_pct)(
            value, wood_temp_f
        )
        methods.append(temperature_rule)
        if not FITTED_TEMP_C[0] <= c_from_f(wood_temp_f) <= FITTED_TEMP_C[1]:
            notes.append("The wood was outside -4 to 122 °F: the temperature correction is an extrapolation.")
    if meter_corrects_species:
        notes.append("The meter is set to the species.")
    elif species_key is not None and species_key != scale_key:
        held = species_key in _curves() and scale_key in _curves()
        by_species = species_corrected_pct(value, species_key, scale_key) if held else None
        if by_species is not None:
            value = by_species
            methods.append("S")
        elif held:
            notes.append("No species correction is published at this moisture; it matters little when dry.")
        else:
            notes.append("No species correction is held for this wood.")
    if outside := _outside(value):
        return MeterResult(reading_pct, None, outside, tuple(methods), (*notes, _NO_NUMBER[outside]))
    if max(value, reading_pct) > ROUGH_PCT:
        notes.append("Pin readings above 25 % are rough: weigh a sample instead.")
    return MeterResult(reading_pct, value, "ok", tuple(methods), tuple(notes))


_NO_NUMBER = {
    "over range": "Above 28 %, near fibre saturation, pins do not measure the wood: weigh a sample.",
    "below range": "Below 6 % pins do not measure: oven-dry a section.",
    "no contact": "At 0 or full scale the pins or their lead have no contact: look at them.",
}


def _outside(value: float) -> str:
    if value <= 0 or value >= FULL_SCALE_PCT:
        return "no contact"
    return "over range" if value > OVER_RANGE_PCT else "below range" if value < LOWEST_PCT else ""


def is_stuck(own: Sequence[float], others: Sequence[Sequence[float]]) -> bool:
    """Whether a channel repeats one raw value [%] while others move.

    Parameters
    ----------
    own : sequence of float
        Its latest readings, in order of time.
    others : sequence of sequences of float
        The other channels over the same time.

    Notes
    -----
    True when the last 6 readings are equal and another channel moved by 0.5 or more over as many (design choice).
    Above 28 %, where raw values do not follow the wood, a channel is never called stuck.
    """
    last = own[-STUCK_AFTER:]
    if len(last) < STUCK_AFTER or len(set(last)) > 1 or last[0] > OVER_RANGE_PCT:
        return False
    recent = [row[-STUCK_AFTER:] for row in others if row]
    return any(max(row) - min(row) >= MOVED_PCT for row in recent)
