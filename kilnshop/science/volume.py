"""Board measure: board feet, sizes, thickness as people write it, and the weight of the wood itself."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from kilnshop.science.species import thickness_class

CUBIC_FEET_PER_BF = 1 / 12
CUBIC_METRES_PER_BF = 0.3048**3 / 12
WATER_LB_PER_CUBIC_FOOT = 62.4
BASES = ("rough", "dressed")

# Minimum dressed dry sizes [in] of softwood lumber by nominal size: American Softwood Lumber Standard PS 20
# (memory). Boards are under 2 in nominal, dimension 2 to under 5 in.
DRESSED_THICKNESS_IN = {
    Fraction(1): Fraction(3, 4),
    Fraction(5, 4): Fraction(1),
    Fraction(3, 2): Fraction(5, 4),
    Fraction(2): Fraction(3, 2),
    Fraction(5, 2): Fraction(2),
    Fraction(3): Fraction(5, 2),
    Fraction(7, 2): Fraction(3),
    Fraction(4): Fraction(7, 2),
}
DRESSED_WIDTH_IN = {
    Fraction(2): Fraction(3, 2),
    Fraction(3): Fraction(5, 2),
    Fraction(4): Fraction(7, 2),
    Fraction(5): Fraction(9, 2),
    Fraction(6): Fraction(11, 2),
    Fraction(8): Fraction(29, 4),
    Fraction(10): Fraction(37, 4),
    Fraction(12): Fraction(45, 4),
    Fraction(14): Fraction(53, 4),
    Fraction(16): Fraction(61, 4),
}


@dataclass(frozen=True)
class Thickness:
    """A thickness as entered: what it measures, what board feet are counted on, and how to print it."""

    actual_in: float
    counted_in: float
    label: str
    basis: str  # "rough" or "dressed"
    actual_width_in: float | None = None  # of a dressed size such as 2x6
    counted_width_in: float | None = None

    @property
    def width_factor(self) -> float:
        """Wood there is over wood counted, across the width: 5.5 / 6 for a 2x6, 1 for rough stock."""
        if self.actual_width_in is None or self.counted_width_in is None:
            return 1.0
        return self.actual_width_in / self.counted_width_in


@dataclass(frozen=True)
class TallyLine:
    """Some pieces of one size. Width [in] and length [ft] as counted."""

    pieces: int
    width_in: Decimal
    length_ft: Decimal

    def __post_init__(self) -> None:
        if not 1 <= self.pieces <= 100_000:
            raise ValueError(f"pieces {self.pieces} is outside 1 to 100000")
        for name, value, high in (("width_in", self.width_in, 96), ("length_ft", self.length_ft, 80)):
            if not (value.is_finite() and 0 < value <= high):
                raise ValueError(f"{name} {value} is outside 0 to {high}")


def parse_inches(text: str) -> Fraction:
    """Inches written as 1 1/16, 1-1/16, 1.0625, 17/16 or with a closing inch mark.

    Raises
    ------
    ValueError
        Not such a number, or not above 0 and up to 96.
    """
    clean = text.strip().removesuffix('"').removesuffix("”").removesuffix("in.").removesuffix("in").strip()
    found = re.fullmatch(r"(?:(\d{1,3})(?:\s+|\s*-\s*))?(\d{1,3})\s*/\s*(\d{1,3})", clean)
    plain = re.fullmatch(r"\d{1,3}(\.\d{1,6})?|\.\d{1,6}", clean)
    if found and int(found[3]):
        value = int(found[1] or 0) + Fraction(int(found[2]), int(found[3]))
    elif plain:
        value = Fraction(clean)
    else:
        raise ValueError(f"{text!r} is not a size in inches; write it as 1.25 or 1 1/4")
    if not 0 < value <= 96:
        raise ValueError(f"{text!r} is outside 0 to 96 in")
    return value


def inches_text(value: float | Fraction) -> str:
    """Inches to the nearest 1/16, as 1 1/16 in."""
    sixteenths = round(Fraction(value) * 16)
    whole, part = divmod(sixteenths, 16)
    fraction = f"{Fraction(part, 16)}" if part else ""
    return f"{' '.join(t for t in (str(whole) if whole or not part else '', fraction) if t)} in"


def parse_thickness(text: str) -> Thickness:
    """A thickness as a mill writes it.

    Parameters
    ----------
    text : str
        Quarters ("4/4"), inches ("1 1/16", "1.0625") or a dressed softwood size ("2x6").

    Returns
    -------
    Thickness
        Quarters: counted as named; the actual thickness is the named one until it is measured. Inches: rough
        actual, counted on that thickness but never less than 1 in. Dressed: counted on nominal, actual by
        PS 20.

    Raises
    ------
    ValueError
        Not one of these, or outside 0.2 to 24 in.

    References
    ----------
    American Softwood Lumber Standard PS 20, minimum dressed dry sizes (memory). Stock under 1 in counts as
    1 in: hardwood terminology page on board measure (seen).
    """
    clean = text.strip().lower().replace("×", "x")
    if found := re.fullmatch(r"(.+?)\s*x\s*(.+)", clean):
        nominal, width = parse_inches(found[1]), parse_inches(found[2])
        if nominal not in DRESSED_THICKNESS_IN or width not in DRESSED_WIDTH_IN:
            raise ValueError(
                f"{text!r} is not a dressed size held here; thickness may be "
                f"{', '.join(str(float(t)).removesuffix('.0') for t in DRESSED_THICKNESS_IN)} and width "
                f"{', '.join(str(w) for w in DRESSED_WIDTH_IN)}. Enter the measured thickness instead"
            )
        return Thickness(
            actual_in=float(DRESSED_THICKNESS_IN[nominal]),
            counted_in=float(nominal),
            label=f"{_short(nominal)}x{_short(width)}",
            basis="dressed",
            actual_width_in=float(DRESSED_WIDTH_IN[width]),
            counted_width_in=float(width),
        )
    quarters = re.fullmatch(r"(\d{1,2})\s*/\s*4", clean)
    value = Fraction(int(quarters[1]), 4) if quarters else parse_inches(text)
    if not Fraction(1, 5) <= value <= 24:
        raise ValueError(f"thickness {text!r} is outside 0.2 to 24 in")
    label = f"{int(quarters[1])}/4" if quarters else inches_text(value)
    return Thickness(float(value), float(max(value, Fraction(1))), label, "rough")


def _short(value: Fraction) -> str:
    return f"{value * 4}/4" if value.denominator > 1 and value < 2 else f"{float(value):g}"


def round_bf(value: Decimal) -> Decimal:
    """Board feet to two places, halves up."""
    return value.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)


def board_feet(counted_thickness_in: Decimal, tally: Iterable[TallyLine]) -> Decimal:
    """Board feet of a piece tally.

    Parameters
    ----------
    counted_thickness_in : Decimal
        Thickness board feet are counted on [in], 1 to 24 (under 1 in counts as 1).
    tally : iterable of TallyLine
        Pieces, width [in], length [ft].

    Returns
    -------
    Decimal
        pieces x width x length x thickness / 12, summed exactly and rounded once to 0.01 bf.

    Raises
    ------
    ValueError
        Thickness outside its range, or no lines.

    References
    ----------
    NHLA rules: one board foot is 1 ft x 1 ft x 1 in (seen).
    """
    if not Decimal(1) <= counted_thickness_in <= 24:
        raise ValueError(f"counted_thickness_in {counted_thickness_in} is outside 1 to 24 in")
    lines = list(tally)
    if not lines:
        raise ValueError("tally has no lines; enter at least one size")
    inches = sum((line.pieces * line.width_in * line.length_ft for line in lines), Decimal(0))
    return round_bf(inches * counted_thickness_in / 12)


def surface_measure(width_in: Decimal, length_ft: Decimal, *, half_up: bool = True) -> int:
    """Surface measure of one board [sq ft], the whole number a hardwood grader tallies.

    width [in] x whole feet of length / 12, to the nearest whole; an exact half goes up or down as `half_up`
    says, because the rules alternate. Ranges as `TallyLine`.

    References
    ----------
    NHLA rules, measurement section (examples seen; alternating halves memory).
    """
    line = TallyLine(1, width_in, length_ft)
    area = line.width_in * int(line.length_ft) / 12
    whole = int(area)
    part = area - whole
    return whole + (part > Decimal("0.5") or (part == Decimal("0.5") and half_up))


def cubic_metres(bf: float) -> float:
    """Cubic metres of nominal board feet: 1000 bf are 2.3597 m³."""
    return bf * CUBIC_METRES_PER_BF


def board_feet_from_cubic_metres(m3: float) -> float:
    """Nominal board feet in cubic metres."""
    return m3 / CUBIC_METRES_PER_BF


def volume_factor(
    actual_in: float,
    counted_in: float,
    actual_width_in: float | None = None,
    counted_width_in: float | None = None,
) -> float:
    """Actual wood per counted wood: 1 1/8 in counted as 1 in gives 1.125, a dressed 2x6 gives 0.6875.

    Parameters
    ----------
    actual_in, counted_in : float
        Thickness measured and counted [in], 0.2 to 24 and 1 to 24.
    actual_width_in, counted_width_in : float or None
        Widths [in], both or neither.

    Raises
    ------
    ValueError
        An argument outside its range.

    References
    ----------
    Wengert, Calculating the weight of lumber (1993/2001), volume correction factor (seen).
    """
    pairs = [("actual_in", actual_in, 0.2, 24.0), ("counted_in", counted_in, 1.0, 24.0)]
    if (actual_width_in is None) != (counted_width_in is None):
        raise ValueError("actual_width_in and counted_width_in are given together or not at all")
    width = 1.0
    if actual_width_in is not None and counted_width_in is not None:
        pairs += [
            ("actual_width_in", actual_width_in, 0.2, 96.0),
            ("counted_width_in", counted_width_in, 1, 96),
        ]
    for name, value, low, high in pairs:
        if not low <= value <= high:
            raise ValueError(f"{name} {value} is outside {low:g} to {high:g} in")
    if actual_width_in is not None and counted_width_in is not None:
        width = actual_width_in / counted_width_in
    return actual_in / counted_in * width


def oven_dry_lb(bf: float, specific_gravity_green: float, factor: float = 1.0) -> float:
    """Weight of the wood substance in a lot, without any water.

    Parameters
    ----------
    bf : float
        Board feet as counted, 0 to 1,000,000.
    specific_gravity_green : float
        Oven-dry weight over green volume, 0.05 to 1.3.
    factor : float
        Actual wood per counted wood, see `volume_factor`; 0.1 to 3.

    Returns
    -------
    float
        Oven-dry weight [lb] = bf / 12 x factor x specific gravity x 62.4.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Specific gravity is on green volume, so `factor` is that of the green size; lumber bought dry and measured
    dry holds a few percent more wood than this says.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 4, density and specific gravity.
    """
    limits = [("bf", bf, 0.0, 1e6), ("specific_gravity_green", specific_gravity_green, 0.05, 1.3)]
    for name, value, low, high in [*limits, ("factor", factor, 0.1, 3.0)]:
        if not low <= value <= high:
            raise ValueError(f"{name} {value} is outside {low:g} to {high:g}")
    return bf * CUBIC_FEET_PER_BF * factor * specific_gravity_green * WATER_LB_PER_CUBIC_FOOT


def size_label(thickness: Thickness) -> str:
    """The trade size of a thickness: its quarters if rough, its nominal size if dressed."""
    return thickness.label if thickness.basis == "dressed" else thickness_class(thickness.actual_in)
