"""The stack in a chamber: courses, packs, what fits, air through the sticker gaps, weight on the floor."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil, floor

from kilnshop.science.psychro import check_range

MOST_AIR_FPM = 1000.0  # more than this no fan of a small chamber blows through a stack (common practice)
TYPICAL_WIDTH_IN, TYPICAL_LENGTH_FT = 7.0, 10.0  # of hardwood boards without a tally (common practice)
FULL_4_4_IN = 1.0625  # green thickness of 4/4
HAIR = 1e-6
DOORS = ("front", "end")


@dataclass(frozen=True)
class Geometry:
    """Where a stack may stand. Boards lie along the length; air crosses the width, from the machine side.

    The envelope counts from the floor: bolsters, wood and stickers. `plenum_in` is None where half of the
    free width is meant, `pack_height_in` where a pile is built as one. `door` is "front", facing the machines,
    or "end".
    """

    inside_length_ft: float
    inside_width_ft: float
    inside_height_ft: float
    length_ft: float
    width_ft: float
    height_ft: float
    units_deep: int = 1
    plenum_in: float | None = None
    baffle_height_ft: float | None = None
    sticker_in: float = 0.75
    sticker_spacing_in: float = 16.0
    sticker_width_in: float = 1.25
    bolster_in: float = 4.0
    pack_height_in: float | None = None
    fan_cfm: float | None = None
    door: str = "front"

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("inside_length_ft", 3, 100, "ft"),
            ("inside_width_ft", 3, 60, "ft"),
            ("inside_height_ft", 3, 30, "ft"),
            ("length_ft", 1, self.inside_length_ft, "ft"),
            ("width_ft", 1, self.inside_width_ft, "ft"),
            ("height_ft", 1, self.inside_height_ft, "ft"),
            ("units_deep", 1, 6, ""),
            ("sticker_in", 0.25, 2, "in"),
            ("sticker_spacing_in", 6, 48, "in"),
            ("sticker_width_in", 0.5, 4, "in"),
            ("bolster_in", 0, 12, "in"),
        ):
            check_range(name, getattr(self, name), low, high, unit)
        if self.plenum_in is not None:
            check_range("plenum_in", self.plenum_in, 0, self.free_width_in, "in")
        if self.baffle_height_ft is not None:
            check_range(
                "baffle_height_ft", self.baffle_height_ft, self.height_ft, self.inside_height_ft, "ft"
            )
        if self.pack_height_in is not None:
            check_range("pack_height_in", self.pack_height_in, 4, self.usable_height_in, "in")
        if self.fan_cfm is not None:
            check_range("fan_cfm", self.fan_cfm, 50, 500_000, "cfm")
        if self.usable_height_in < 4:
            raise ValueError(
                f"height_ft {self.height_ft:g} leaves no room above bolsters of {self.bolster_in:g} in"
            )
        if self.door not in DOORS:
            raise ValueError(f"door {self.door!r} is not one of {', '.join(DOORS)}")

    @property
    def free_width_in(self) -> float:
        return (self.inside_width_ft - self.width_ft) * 12

    @property
    def machine_gap_in(self) -> float:
        """The plenum on the machine side [in]: the shop's own, or half of the free width."""
        return self.free_width_in / 2 if self.plenum_in is None else self.plenum_in

    @property
    def door_gap_in(self) -> float:
        return self.free_width_in - self.machine_gap_in

    @property
    def ceiling_ft(self) -> float:
        """Height under the ceiling baffle: the shop's own, or half a foot above the stack."""
        return self.baffle_height_ft or min(self.height_ft + 0.5, self.inside_height_ft)

    @property
    def unit_depth_in(self) -> float:
        return self.width_ft * 12 / self.units_deep

    @property
    def usable_height_in(self) -> float:
        return self.height_ft * 12 - self.bolster_in

    @property
    def end_gap_ft(self) -> float:
        """From the end of the envelope to the end wall; the stack stands in the middle."""
        return (self.inside_length_ft - self.length_ft) / 2

    def courses(self, thickness_in: float) -> int:
        """Whole courses of one thickness in the full height."""
        return floor(self.usable_height_in / (thickness_in + self.sticker_in) + HAIR)

    def open_area_sqft(self, courses: int, length_ft: float) -> float:
        """Face between the stickers of a pile [sq ft]: openings x sticker thickness x length clear of stickers."""
        stickers = floor(length_ft * 12 / self.sticker_spacing_in + HAIR) + 1
        clear_ft = max(length_ft - stickers * self.sticker_width_in / 12, 0.0)
        return courses * self.sticker_in / 12 * clear_ft

    def full_bf(self, thickness_in: float = FULL_4_4_IN, nominal_in: float = 1.0) -> float:
        """Board feet of a stack with every course full edge to edge and end to end: the most there can be."""
        return self.courses(thickness_in) * self.width_ft * self.length_ft * nominal_in

    def full_air_fpm(self, thickness_in: float = FULL_4_4_IN) -> float | None:
        """Air speed through a full stack [ft/min], None without a fan flow."""
        area = self.open_area_sqft(self.courses(thickness_in), self.length_ft)
        return self.fan_cfm / area if self.fan_cfm and area else None


@dataclass(frozen=True)
class Boards:
    """Pieces of one size."""

    pieces: int
    width_in: float
    length_ft: float

    def __post_init__(self) -> None:
        check_range("pieces", self.pieces, 1, 100_000, "")
        check_range("width_in", self.width_in, 0.5, 96, "in")
        check_range("length_ft", self.length_ft, 0.5, 80, "ft")


def typical_boards(
    volume_bf: float,
    nominal_in: float,
    width_in: float = TYPICAL_WIDTH_IN,
    length_ft: float = TYPICAL_LENGTH_FT,
) -> Boards:
    """Boards that make a volume when nobody has tallied it."""
    check_range("volume_bf", volume_bf, 0.01, 1e6, "bf")
    check_range("nominal_in", nominal_in, 0.25, 24, "in")
    return Boards(ceil(volume_bf / (width_in * length_ft * nominal_in / 12) - HAIR), width_in, length_ft)


@dataclass(frozen=True)
class StackLot:
    """A lot as it is stacked. `reckoned` where the boards are typical ones, not a tally."""

    key: str
    thickness_in: float
    boards: tuple[Boards, ...]
    volume_bf: float
    green_lb: float
    reckoned: bool = False

    def __post_init__(self) -> None:
        check_range("thickness_in", self.thickness_in, 0.2, 24, "in")
        check_range("volume_bf", self.volume_bf, 0.01, 1e6, "bf")
        check_range("green_lb", self.green_lb, 0, 1e7, "lb")
        if not self.boards:
            raise ValueError(f"lot {self.key} has no boards; enter pieces, width and length")

    @property
    def pieces(self) -> int:
        return sum(one.pieces for one in self.boards)

    @property
    def shortest_ft(self) -> float:
        return min(one.length_ft for one in self.boards)

    @property
    def longest_ft(self) -> float:
        return max(one.length_ft for one in self.boards)


@dataclass(frozen=True)
class Pack:
    """Courses of one lot standing together. Row 1 is by the machines, bay 1 at the left seen from the door."""

    number: int  # in the order of loading
    lot: str
    row: int
    bay: int
    tier: int
    start_ft: float  # from the left end of the envelope
    length_ft: float
    bottom_in: float  # above the floor
    height_in: float
    courses: int
    volume_bf: float
    weight_lb: float

    @property
    def top_in(self) -> float:
        return self.bottom_in + self.height_in

    @property
    def end_ft(self) -> float:
        return self.start_ft + self.length_ft

    @property
    def place(self) -> str:
        return f"row {self.row}, bay {self.bay}, tier {self.tier}"


@dataclass(frozen=True)
class StackPlan:
    """A load as it stands in the chamber."""

    geometry: Geometry
    lots: tuple[StackLot, ...]  # in the order of loading
    packs: tuple[Pack, ...]
    left_bf: tuple[tuple[str, float], ...]  # lot, board feet that found no place

    @property
    def volume_bf(self) -> float:
        return sum(pack.volume_bf for pack in self.packs)

    @property
    def fill_pct(self) -> float:
        """Room taken by wood and stickers, of the envelope above the bolsters."""
        g = self.geometry
        return 100 * sum(p.length_ft * p.height_in for p in self.packs) / (
            g.units_deep * g.length_ft * g.usable_height_in
        )  # fmt: skip

    @property
    def more_4_4_bf(self) -> float:
        """Board feet of 4/4 in the room left, edge to edge."""
        return self.geometry.full_bf() * max(0.0, 1 - self.fill_pct / 100)

    @property
    def weight_lb(self) -> float:
        return sum(pack.weight_lb for pack in self.packs)

    @property
    def heaviest(self) -> Pack:
        return max(self.packs, key=lambda pack: pack.weight_lb)

    def piles(self) -> dict[tuple[int, int], list[Pack]]:
        """Packs standing on one another, by row and bay, the lowest first."""
        found: dict[tuple[int, int], list[Pack]] = {}
        for pack in self.packs:
            found.setdefault((pack.row, pack.bay), []).append(pack)
        return found

    @property
    def floor_psf(self) -> float:
        """Green weight of the heaviest pile over its own floor [lb/sq ft]."""
        depth_ft = self.geometry.unit_depth_in / 12
        return max(
            sum(p.weight_lb for p in pile) / (pile[0].length_ft * depth_ft) for pile in self.piles().values()
        )

    @property
    def open_area_sqft(self) -> float:
        """Sticker openings of the row that has most: there the air is slowest."""
        areas: dict[int, float] = defaultdict(float)
        for pack in self.packs:
            areas[pack.row] += self.geometry.open_area_sqft(pack.courses, pack.length_ft)
        return max(areas.values())

    @property
    def air_fpm(self) -> float | None:
        """Air speed through the sticker gaps when every other way is baffled; None without a fan flow."""
        return self.geometry.fan_cfm / self.open_area_sqft if self.geometry.fan_cfm else None

    @property
    def beyond_fans(self) -> bool:
        """Whether that air speed is arithmetic only."""
        return self.air_fpm is not None and self.air_fpm > MOST_AIR_FPM

    @property
    def left_words(self) -> str:
        """What finds no place, in words."""
        said = ", ".join(f"about {volume:,.0f} bf of {key}" for key, volume in self.left_bf)
        return f"By its sizes the load does not all fit: {said} finds no place. Stack a little to try, or leave it out."

    def cfm_for(self, air_fpm: float) -> float:
        """Fan flow that gives this load an air speed."""
        check_range("air_fpm", air_fpm, 20, 2000, "ft/min")
        return air_fpm * self.open_area_sqft

    @property
    def openings_in(self) -> float:
        """Sticker openings above one another in the tallest pile, which the plenum has to feed."""
        return max(sum(p.courses for p in pile) for pile in self.piles().values()) * self.geometry.sticker_in

    def of_lot(self, key: str) -> list[Pack]:
        return [pack for pack in self.packs if pack.lot == key]


def _filled(items: Iterable[tuple[float, float, int]], room: float) -> Counter[float]:
    """Items (size, width, count) into as few lines of a room as first fit finds, the longest first.

    Gives the lines by their width, a line being as wide as its widest item.
    """
    lines: Counter[tuple[float, float]] = Counter()
    for size, width, count in sorted(items, reverse=True):
        while count:
            fits = [line for line in lines if line[0] >= size - HAIR]
            if not fits:
                each = floor(room / size + HAIR)
                full, odd = divmod(count, each)
                lines[(room - each * size, width)] += full
                if odd:
                    lines[(room - odd * size, width)] += 1
                break
            left, wide = min(fits, key=lambda line: (abs(line[1] - width), line[0]))
            taken = min(lines[(left, wide)], count)
            lines[(left, wide)] -= taken
            if not lines[(left, wide)]:
                del lines[(left, wide)]
            lines[(left - size, max(wide, width))] += taken
            count -= taken
    widths: Counter[float] = Counter()
    for (_, width), number in lines.items():
        widths[width] += number
    return +widths


def courses_of(lot: StackLot, geometry: Geometry) -> int:
    """Courses a lot makes, its boards laid end to end where they fit and edge to edge across one unit.

    Raises
    ------
    ValueError
        A piece longer than the chamber, or wider than a unit.

    Notes
    -----
    Boards go into lines as long as the longest of them and lines into courses as deep as a unit, longest and
    widest first. Edges touch: a stacker who leaves gaps needs more courses.
    """
    for one in sorted(lot.boards, key=lambda boards: -boards.length_ft):
        if one.length_ft > geometry.inside_length_ft:
            raise ValueError(
                f"Lot {lot.key}: {one.pieces} piece{'s' * (one.pieces > 1)} {one.length_ft:g} ft long "
                f"({one.width_in:g} in wide) will not go into a chamber {geometry.inside_length_ft:g} ft long. "
                "Cut them with the customer's word, or use a longer chamber."
            )
        if one.width_in > geometry.unit_depth_in:
            raise ValueError(
                f"Lot {lot.key}: {one.pieces} piece{'s' * (one.pieces > 1)} {one.width_in:g} in wide will not lie "
                f"on a unit {geometry.unit_depth_in:g} in deep. Use fewer units side by side or a wider chamber."
            )
    lines = _filled(((b.length_ft, b.width_in, b.pieces) for b in lot.boards), lot.longest_ft)
    return _filled(((width, 0.0, n) for width, n in lines.items()), geometry.unit_depth_in).total()


@dataclass
class _Pile:
    row: int
    bay: int
    start_ft: float
    length_ft: float
    top_in: float
    packs: list[Pack] = field(default_factory=list)

    @property
    def end_ft(self) -> float:
        return self.start_ft + self.length_ft

    def blocked_by(self, other: _Pile, door: str) -> bool:
        """Whether the other pile stands between this one and the door."""
        if door == "end":
            return other.start_ft >= self.end_ft - HAIR
        overlap = other.start_ft < self.end_ft - HAIR and self.start_ft < other.end_ft - HAIR
        return other.row > self.row and overlap


def load(geometry: Geometry, lots: Sequence[StackLot]) -> StackPlan:
    """Stack lots in the order given, the first by the machines and at the bottom, the last by the door and on top.

    Parameters
    ----------
    geometry : Geometry
        The chamber's stack.
    lots : sequence of StackLot
        In the order of loading; the last one comes out first.

    Returns
    -------
    StackPlan

    Raises
    ------
    ValueError
        No lots, one key twice, a piece that does not go in.

    Notes
    -----
    A course is as high as its thickness and one sticker. A pack never stands on a shorter one, because ends
    must not hang, nor behind or under what was loaded after it. Board feet and weight of a lot are spread
    evenly over its courses.

    References
    ----------
    Stickers in line over bolsters, no mixed lengths with hanging ends, baffled top, ends and floor: common
    practice. Plenum and air speed: USDA Agriculture Handbook 188 ch. 2 and 5 (memory).
    """
    if not lots:
        raise ValueError("lots is empty; give at least one lot to stack")
    if len({lot.key for lot in lots}) < len(lots):
        raise ValueError("lots holds one lot twice")
    piles: list[_Pile] = []
    packs: list[Pack] = []
    left: list[tuple[str, float]] = []
    for lot in lots:
        courses = rest = courses_of(lot, geometry)
        length = min(lot.longest_ft, geometry.length_ft)
        pitch = lot.thickness_in + geometry.sticker_in
        while rest:
            pile, most = _pile_for(piles, geometry, length, pitch)
            if pile is None:
                left.append((lot.key, lot.volume_bf * rest / courses))
                break
            bottom = pile.top_in + _between(pile, geometry)
            taken = min(rest, most)
            share = taken / courses
            pack = Pack(
                len(packs) + 1, lot.key, pile.row, pile.bay, len(pile.packs) + 1, pile.start_ft, length, bottom,
                taken * pitch, taken, lot.volume_bf * share, lot.green_lb * share,
            )  # fmt: skip
            pile.packs.append(pack)
            pile.top_in = pack.top_in
            packs.append(pack)
            rest -= taken
    return StackPlan(geometry, tuple(lots), tuple(packs), tuple(left))


def _between(pile: _Pile, geometry: Geometry) -> float:
    """Bolsters under a pack that is lifted onto another; a pile built by hand goes on without."""
    return geometry.bolster_in if pile.packs and geometry.pack_height_in else 0.0


def _pile_for(
    piles: list[_Pile], geometry: Geometry, length_ft: float, pitch_in: float
) -> tuple[_Pile | None, int]:
    """The pile the next pack goes on, a new one when no open one takes it, and the courses it takes."""

    def most(pile: _Pile) -> int:
        room = geometry.height_ft * 12 - pile.top_in - _between(pile, geometry)
        return floor(min(room, geometry.pack_height_in or room) / pitch_in + HAIR)

    for pile in piles:
        holds = pile.packs[-1].length_ft >= length_ft - HAIR
        if holds and most(pile) >= 1 and not any(pile.blocked_by(other, geometry.door) for other in piles):
            return pile, most(pile)
    ends = {row: 0.0 for row in range(1, geometry.units_deep + 1)}
    bays: Counter[int] = Counter()
    for pile in piles:
        ends[pile.row] = max(ends[pile.row], pile.end_ft)
        bays[pile.row] += 1
    rows = sorted(ends, key=lambda row: (ends[row] if geometry.door == "end" else 0.0, row))
    for row in rows:
        new = _Pile(row, bays[row] + 1, ends[row], length_ft, geometry.bolster_in)
        open_ = not any(new.blocked_by(other, geometry.door) for other in piles)
        if new.end_ft <= geometry.length_ft + HAIR and open_ and most(new) >= 1:
            piles.append(new)
            return new, most(new)
    return None, 0
