"""Which schedule suits a wood, or the most delicate of several, and why."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from kilnshop.science import psychro
from kilnshop.science.schedules import (
    CODE,
    START_MC_PCT,
    Schedule,
    assemble,
    low_temperature,
    softwood_ladder,
    step_at,
    step_emc_pct,
)
from kilnshop.science.species import (
    RATE_EXPONENT,
    Species,
    all_species,
    read_table,
    safe_rate_pct_per_day,
    thickness_class,
)

GROUP_CODES = {"easy": "T8-D4", "moderate": "T6-C3", "refractory": "T3-C1"}


@dataclass(frozen=True)
class Suggestion:
    """A schedule and one sentence saying why."""

    schedule: Schedule
    reason: str


@cache
def _codes() -> dict[tuple[str, str], tuple[str, str, str]]:
    return {
        (row["species_key"], row["thickness_class"]): (row["schedule_code"], row["source"], row["provenance"])
        for row in read_table("species_schedules")
        if row["species_key"]
    }


def published_code(species: Species, thickness_in: float) -> tuple[str, str, str] | None:
    """The published schedule code of a species and thickness, with source and provenance.

    Returns
    -------
    tuple or None
        (code, source, provenance); None where nothing is published here (above 9/4, or species not listed).
        Softwood codes are listed but cannot be assembled.

    References
    ----------
    USDA Agriculture Handbook 188 (1991) ch. 7, schedules by species.
    """
    quarters = int(thickness_class(thickness_in).split("/")[0])
    band = "4/4-6/4" if quarters <= 6 else "8/4" if quarters <= 9 else ""
    return _codes().get((species.key, band))


def _gentler(code: str) -> str:
    found = CODE.fullmatch(code)
    if not found:
        raise ValueError(f"code {code!r} is not a hardwood schedule")
    return f"T{max(1, int(found[1]) - 2)}-{found[2]}{max(1, int(found[3]) - 1)}"


@lru_cache(maxsize=512)
def for_wood(
    species: Species,
    thickness_in: float,
    max_dry_bulb_f: float,
    *,
    coolest_f: float = 0.0,
    elevation_ft: float = 0.0,
) -> Suggestion:
    """The schedule for one wood in a dehumidification chamber, and why.

    Hardwoods: the published code at low temperature; over 9/4 the 8/4 code two temperature schedules and one
    depression gentler; a species without a code, that of its drying group (both common practice). Softwoods:
    the softwood ladder.
    """
    label, name = thickness_class(thickness_in), species.common_name
    if species.group == "softwood":
        gentle = species.drying_group == "refractory"
        ladder = softwood_ladder(thickness_in, max_dry_bulb_f, gentle=gentle, elevation_ft=elevation_ft)
        return Suggestion(
            ladder,
            f"{label} {name}: our own dehumidification ladder for softwoods (common practice, no code held)",
        )
    thick = int(label.split("/")[0]) > 9
    found = published_code(species, thickness_in)
    nearest = found or published_code(species, 2.0 if thick else 1.0)
    if found:
        code, why = found[0], f"{found[0]} is the published schedule for {label} {name}"
    elif nearest:
        code = _gentler(nearest[0])  # common practice
        why = f"nothing is published for {label} {name}; {code} is gentler than its {nearest[0]}"
    else:
        code = GROUP_CODES[species.drying_group]
        code = _gentler(code) if int(label.split("/")[0]) > 6 else code
        why = f"nothing is published for {label} {name}; {code} suits a {species.drying_group} hardwood"
    chosen = assemble(code, name=f"{code}, {label} {name}")
    low = low_temperature(chosen, max_dry_bulb_f, coolest_f=coolest_f, elevation_ft=elevation_ft)
    usual = low_temperature(chosen, max_dry_bulb_f, elevation_ft=elevation_ft)
    warmer = low.steps[0].dry_bulb_f > usual.steps[0].dry_bulb_f
    season = (
        f", from {low.steps[0].dry_bulb_f:g} °F because the chamber gets no cooler in that month"
        if warmer
        else ""
    )
    return Suggestion(low, f"{why}, run at the same EMC and lower temperature{season}")


@cache
def _group_rates() -> dict[str, float]:
    """The median published 4/4 safe rate of each drying group [% MC a day]."""
    rates = [(s.drying_group, s.safe_rate_4_4_pct_per_day) for s in all_species()]
    return {
        wanted: statistics.median(rate for group, rate in rates if rate is not None and group == wanted)
        for wanted in GROUP_CODES
    }


def bearable_rate(species: Species, thickness_in: float) -> tuple[float, bool]:
    """The moisture a wood may lose a day [% MC], and whether that is published for it.

    Where no safe rate is published the median rate of its drying group stands in, with the thickness rule of
    `safe_rate_pct_per_day`: good for ranking woods, not for judging a charge.
    """
    rate, _ = safe_rate_pct_per_day(species, thickness_in)
    if rate is not None:
        return rate, True
    nominal = max(1.0, int(thickness_class(thickness_in).split("/")[0]) / 4)
    return _group_rates()[species.drying_group] * nominal**-RATE_EXPONENT, False


def delicacy(species: Species, thickness_in: float, schedule: Schedule) -> tuple[float, float]:
    """How delicate a wood is, the larger the more so: by the loss a day it bears, then by its schedule's air.

    Returns
    -------
    tuple
        (minus the rate of `bearable_rate` [% MC a day], mean EMC of `schedule` from 60 to 20 % MC [%]).

    Notes
    -----
    The rate comes first because depressions of different moisture classes start their steps at different
    moistures: from 50 to 30 % MC T8-C3 of hard maple is damper than T4-D2 of red oak, though the oak bears
    3.8 % a day and the maple 6.5.
    """
    at = [step_at(schedule, mc) for mc in (60.0, 50.0, 45.0, 40.0, 35.0, 30.0, 25.0, 20.0)]
    return -bearable_rate(species, thickness_in)[0], sum(map(step_emc_pct, at)) / len(at)


def suggest(
    lots: Sequence[tuple[Species, float, float, float]],
    max_dry_bulb_f: float,
    *,
    coolest_f: float = 0.0,
    elevation_ft: float = 0.0,
) -> Suggestion:
    """One schedule for lots dried together: that of the most delicate member.

    Parameters
    ----------
    lots : sequence of (species, thickness_in, start_mc, target_mc)
        Actual thickness [in], moisture contents [%].
    max_dry_bulb_f : float
        Hottest dry bulb of the chamber while drying [°F], 70 to 200.
    coolest_f : float
        Coolest dry bulb it can hold in the month [°F].
    elevation_ft : float
        Height above the sea [ft]; wet bulbs depend on it.

    Raises
    ------
    ValueError
        No lots, or a moisture content that is impossible.
    """
    if not lots:
        raise ValueError("lots is empty; at least one lot is needed to suggest a schedule")
    for species, _, start, target in lots:
        psychro.check_range(f"start_mc of {species.common_name}", start, 3.0, START_MC_PCT, "%")
        psychro.check_range(f"target_mc of {species.common_name}", target, 3.0, START_MC_PCT, "%")
    options = [
        (
            for_wood(species, thickness, max_dry_bulb_f, coolest_f=coolest_f, elevation_ft=elevation_ft),
            species,
            thickness,
        )
        for species, thickness, _, _ in lots
    ]
    chosen, species, thickness = max(options, key=lambda o: delicacy(o[1], o[2], o[0].schedule))
    mixed = ""
    if len({option.schedule.code for option, _, _ in options}) > 1:
        rate, listed = bearable_rate(species, thickness)
        bears = f"safe to lose {rate:g} % a day" if listed else f"a {species.drying_group} wood"
        mixed = f"; it is the most delicate of the lots ({bears}), so it sets the air for all"
    return replace(chosen, reason=f"{chosen.reason[0].upper()}{chosen.reason[1:]}{mixed}.")
