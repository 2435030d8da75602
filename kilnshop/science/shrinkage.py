"""How much smaller a board gets as it dries: dried thickness, width and tally from the green ones."""

from __future__ import annotations

from kilnshop.science.species import Species

SHRINKAGE_START_PCT = 30.0  # wood above this has not begun to shrink


def shrinkage_pct(total_pct: float, from_mc_pct: float, to_mc_pct: float) -> float:
    """Shrinkage between two moisture contents, as percent of the size at the first.

    Parameters
    ----------
    total_pct : float
        Published shrinkage green to oven-dry [% of green size], 0 to 35.
    from_mc_pct, to_mc_pct : float
        Moisture contents [%], 0 to 300; drying, so from is not below to.

    Raises
    ------
    ValueError
        An argument outside its range.

    Notes
    -----
    Linear from 30 % MC to oven-dry: S = S0 (30 - M) / 30 of the green size at M below 30 %. Single boards
    spread widely about it.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) ch. 4, equation 4-7 and Table 4-3.
    """
    if not 0 < total_pct <= 35:
        raise ValueError(f"total_pct {total_pct} is outside 0 to 35 %")
    for name, value in (("from_mc_pct", from_mc_pct), ("to_mc_pct", to_mc_pct)):
        if not 0 <= value <= 300:
            raise ValueError(f"{name} {value} is outside 0 to 300 %")
    if to_mc_pct > from_mc_pct:
        raise ValueError(
            f"to_mc_pct {to_mc_pct} is above from_mc_pct {from_mc_pct}; wood shrinks as it dries"
        )

    def remaining(mc: float) -> float:
        return 1 - total_pct / 100 * (1 - min(mc, SHRINKAGE_START_PCT) / SHRINKAGE_START_PCT)

    return (1 - remaining(to_mc_pct) / remaining(from_mc_pct)) * 100


def _across(species: Species, quartersawn: bool, *, width: bool) -> float:
    """Total shrinkage of width or thickness: tangential or radial by how the board is sawn."""
    radial, tangential = species.shrinkage_radial_pct, species.shrinkage_tangential_pct
    value = tangential if width != quartersawn else radial
    if value is None:
        raise ValueError(f"no shrinkage is published for {species.common_name}; measure the dried boards")
    return value


def dried_thickness_in(
    species: Species, thickness_in: float, from_mc_pct: float, to_mc_pct: float, *, quartersawn: bool = False
) -> float:
    """Thickness after drying [in]. Plainsawn boards shrink radially through the thickness.

    `thickness_in` [in] 0.2 to 24. Raises ValueError without a published shrinkage or out of range.
    """
    if not 0.2 <= thickness_in <= 24:
        raise ValueError(f"thickness_in {thickness_in} is outside 0.2 to 24 in")
    total = _across(species, quartersawn, width=False)
    return thickness_in * (1 - shrinkage_pct(total, from_mc_pct, to_mc_pct) / 100)


def dried_width_in(
    species: Species, width_in: float, from_mc_pct: float, to_mc_pct: float, *, quartersawn: bool = False
) -> float:
    """Width after drying [in]. Plainsawn boards shrink tangentially across the width.

    `width_in` [in] 0.2 to 96. Raises ValueError without a published shrinkage or out of range.
    """
    if not 0.2 <= width_in <= 96:
        raise ValueError(f"width_in {width_in} is outside 0.2 to 96 in")
    total = _across(species, quartersawn, width=True)
    return width_in * (1 - shrinkage_pct(total, from_mc_pct, to_mc_pct) / 100)


def dried_tally_bf(
    species: Species, bf: float, from_mc_pct: float, to_mc_pct: float, *, quartersawn: bool = False
) -> float:
    """Board feet expected after drying, for lumber counted by width on a thickness that keeps its name.

    Parameters
    ----------
    bf : float
        Green (incoming) tally [bf], above 0.
    from_mc_pct, to_mc_pct : float
        Moisture contents [%], 0 to 300.
    quartersawn : bool
        Quartersawn boards lose less width.

    Returns
    -------
    float
        Expected tally [bf]; the trade keeps the thickness name (4/4 stays 4/4), so only width changes it.

    Raises
    ------
    ValueError
        No published shrinkage, or an argument out of range.

    References
    ----------
    Wood Handbook FPL-GTR-190 (2010) Table 4-3.
    """
    if not bf > 0:
        raise ValueError(f"bf {bf} must be above 0")
    total = _across(species, quartersawn, width=True)
    return bf * (1 - shrinkage_pct(total, from_mc_pct, to_mc_pct) / 100)
