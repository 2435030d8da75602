"""Wood species: the published figures an estimate needs, one frozen record each."""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

RATE_EXPONENT = 1.32  # safe rate ~ thickness^-1.32: the exponent between the published 4/4 and 8/4 columns
MAX_THICKNESS_IN = 24.0
UNLISTED_SPREAD_LN = 0.35


@dataclass(frozen=True)
class Species:
    """One wood as the estimates see it; a shop builds its own the same way.

    Specific gravity is oven-dry weight over green volume. Moisture contents are percent of oven-dry weight
    and shrinkages percent from green to oven-dry; None means not known. `speed_factor` multiplies the drying
    speed of the model (1.0 when not listed) and `speed_spread_ln` is the half-range of its logarithm.
    `drying_group` is "easy", "moderate" or "refractory" (checks and honeycombs readily).
    """

    key: str
    common_name: str
    botanical_name: str
    group: str  # "hardwood" or "softwood"
    specific_gravity_green: float
    green_mc_pct: float | None = None
    green_mc_heartwood_pct: float | None = None
    green_mc_sapwood_pct: float | None = None
    shrinkage_radial_pct: float | None = None
    shrinkage_tangential_pct: float | None = None
    shrinkage_volumetric_pct: float | None = None
    speed_factor: float = 1.0
    speed_listed: bool = False
    speed_spread_ln: float = UNLISTED_SPREAD_LN
    permeable_sapwood: bool = False
    light_wood: bool = False  # white wood that shows mould and stain
    pitchy: bool = False
    drying_group: str = "moderate"
    safe_rate_4_4_pct_per_day: float | None = None
    source: str = ""
    provenance: str = ""
    note: str = ""
    also_called: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        allowed = {
            "group": ("hardwood", "softwood"),
            "drying_group": ("easy", "moderate", "refractory"),
        }
        for name, values in allowed.items():
            if getattr(self, name) not in values:
                raise ValueError(f"{name} {getattr(self, name)!r} is not one of {', '.join(values)}")
        limits = {
            "specific_gravity_green": (0.05, 1.3),
            "green_mc_pct": (5.0, 300.0),
            "green_mc_heartwood_pct": (5.0, 300.0),
            "green_mc_sapwood_pct": (5.0, 300.0),
            "shrinkage_radial_pct": (0.1, 20.0),
            "shrinkage_tangential_pct": (0.1, 25.0),
            "shrinkage_volumetric_pct": (0.1, 35.0),
            "speed_factor": (0.1, 10.0),
            "speed_spread_ln": (0.01, 1.5),
            "safe_rate_4_4_pct_per_day": (0.1, 40.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ValueError(f"{name} {value} is outside {low} to {high}")


def read_table(name: str) -> list[dict[str, str]]:
    """The rows of a table in `kilnshop/science/data`."""
    text = (files("kilnshop.science") / "data" / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _number(text: str) -> float | None:
    return float(text) if text else None


@cache
def _safe_rates() -> dict[tuple[str, str], tuple[float, str]]:
    return {
        (row["species_key"], row["thickness"]): (
            float(row["max_mc_loss_pct_per_day"]),
            f"{row['source']} ({row['provenance']})",
        )
        for row in read_table("safe_drying_rates")
        if row["value_kind"] == "published" and row["species_key"]
    }


def _species(row: dict[str, str]) -> Species:
    gravity = _number(row["specific_gravity_green"])
    if gravity is None:
        raise ValueError(f"species.csv: {row['key']} has no specific gravity")
    speed, spread = _number(row["speed_factor"]), _number(row["speed_spread_ln"])
    rate = _safe_rates().get((row["key"], "4/4"))
    return Species(
        key=row["key"],
        common_name=row["common_name"],
        botanical_name=row["botanical_name"],
        group=row["group"],
        specific_gravity_green=gravity,
        green_mc_pct=_number(row["green_mc_average_pct"]),
        green_mc_heartwood_pct=_number(row["green_mc_heartwood_pct"]),
        green_mc_sapwood_pct=_number(row["green_mc_sapwood_pct"]),
        shrinkage_radial_pct=_number(row["shrinkage_radial_pct"]),
        shrinkage_tangential_pct=_number(row["shrinkage_tangential_pct"]),
        shrinkage_volumetric_pct=_number(row["shrinkage_volumetric_pct"]),
        speed_factor=1.0 if speed is None else speed,
        speed_listed=speed is not None,
        speed_spread_ln=UNLISTED_SPREAD_LN if spread is None else spread,
        permeable_sapwood=row["permeable_sapwood"] == "yes",
        light_wood=row["light_wood"] == "yes",
        pitchy=row["pitchy"] == "yes",
        drying_group=row["drying_group"],
        safe_rate_4_4_pct_per_day=rate[0] if rate else None,
        source=row["source"],
        provenance=row["provenance"],
        note=row["note"],
        also_called=tuple(name for name in row["also_called"].split(";") if name),
    )


@cache
def all_species() -> tuple[Species, ...]:
    """Every published species, in the order of the table.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) Tables 4-1, 4-3, 5-3a; USDA Research Note NRS-38; sources on each row.
    """
    return tuple(_species(row) for row in read_table("species"))


def slug(name: str) -> str:
    """A name as a key: lower case, underscores between words."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


@cache
def _names() -> dict[str, Species]:
    names = {slug(also): species for species in all_species() for also in species.also_called}
    for species in all_species():
        names |= {slug(species.common_name): species, slug(species.botanical_name): species}
    return names | {species.key: species for species in all_species()}  # a key always wins


def find(name_or_key: str) -> Species:
    """The species of a key, common, botanical or other usual name, in any case.

    Raises
    ------
    ValueError
        When no species has that name; the message offers the nearest ones.
    """
    wanted = slug(name_or_key)
    names = _names()
    if wanted in names:
        return names[wanted]
    near = [key for key in names if wanted and wanted in key]
    near += difflib.get_close_matches(wanted, names, n=5, cutoff=0.6)
    offered = list(dict.fromkeys(names[key].common_name for key in near))[:6]
    hint = f"did you mean {', '.join(offered)}?" if offered else "see the species list for the names"
    raise ValueError(f"species {name_or_key!r} is not known; {hint}")


def thickness_class(thickness_in: float) -> str:
    """The quarter class of a rough board, such as "4/4" for anything from 15/16 in to below 5/4.

    Parameters
    ----------
    thickness_in : float
        Actual thickness [in], 0.2 to 24.

    Raises
    ------
    ValueError
        Outside the range.

    Notes
    -----
    The largest class whose scant limit the board meets: 1/16 in under for 1 3/4 in and thinner, 1/8 in for
    2 in and thicker. Classes go by quarters to 2 in, by halves to 6 in, then by whole inches.

    References
    ----------
    NHLA rules, standard thicknesses and kiln-dried thickness allowance (memory).
    """
    if not 0.2 <= thickness_in <= MAX_THICKNESS_IN:
        raise ValueError(f"thickness_in {thickness_in} is outside 0.2 to {MAX_THICKNESS_IN:g} in")
    quarters = [*range(1, 8), *range(8, 25, 2), *range(28, 101, 4)]
    met = [q for q in quarters if q / 4 - (0.0625 if q < 8 else 0.125) <= thickness_in + 1e-9]
    return f"{met[-1]}/4"


def safe_rate_pct_per_day(species: Species, thickness_in: float) -> tuple[float | None, str]:
    """The largest moisture loss a day that the species stands without checking.

    Parameters
    ----------
    species : Species
        A shop's own species may carry its own 4/4 rate.
    thickness_in : float
        Actual thickness [in], 0.2 to 24.

    Returns
    -------
    tuple
        Percentage points of MC per day, or None where nothing is published; and the source in words.

    Raises
    ------
    ValueError
        Thickness outside the range.

    Notes
    -----
    4/4 and 8/4 are published. Other classes follow nominal thickness^-1.32 from the 4/4 rate; stock thinner
    than 4/4 keeps the 4/4 rate. The limit binds above about 45 % MC and matters down to about 28 %. A daily
    average inside it does not protect if part of the day ran faster.

    References
    ----------
    Wengert, University of Wisconsin extension safe-rate table; Drying Hardwood Lumber FPL-GTR-118.
    """
    label = thickness_class(thickness_in)
    rate = species.safe_rate_4_4_pct_per_day
    if rate is None:
        return None, f"no safe rate is published for {species.common_name}"
    published = _safe_rates().get((species.key, label))
    base = _safe_rates().get((species.key, "4/4"))
    own = base is None or base[0] != rate
    if published and not own:
        return published
    source = "the shop's own 4/4 rate" if base is None or own else base[1]
    nominal = int(label.split("/")[0]) / 4
    if nominal <= 1:
        return rate, f"{source}, 4/4 rate" if nominal < 1 else source
    return round(rate * nominal**-RATE_EXPONENT, 2), (
        f"{source}; {label} derived as the 4/4 rate x {nominal:g}^-{RATE_EXPONENT}"
    )
