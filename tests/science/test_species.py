"""The species table held against physical bounds and the published safe drying rates."""

import dataclasses

import pytest

from kilnshop.science.species import (
    Species,
    all_species,
    find,
    read_table,
    safe_rate_pct_per_day,
    thickness_class,
)

ALL = all_species()


def test_there_are_56_species_with_keys_of_their_own():
    assert len(ALL) == 56
    assert len({s.key for s in ALL}) == 56


@pytest.mark.parametrize("species", ALL, ids=lambda s: s.key)
def test_species_row_is_physically_possible(species):
    # Bounds by physics: solid cell wall has a specific gravity near 1.5, green wood of the lightest and heaviest
    # commercial temperate species lies within 0.28 to 0.75 (range of Wood Handbook Table 5-3).
    assert 0.28 <= species.specific_gravity_green <= 0.75
    # Water cannot exceed the room beside the cell wall: (1/G - 1/1.53) x 100 plus fibre saturation (30 %).
    room = (1 / species.specific_gravity_green - 1 / 1.53) * 100 + 30
    for mc in (species.green_mc_pct, species.green_mc_heartwood_pct, species.green_mc_sapwood_pct):
        assert mc is None or 30 <= mc <= room
    radial, tangential = species.shrinkage_radial_pct, species.shrinkage_tangential_pct
    if radial is not None:
        assert radial < tangential < species.shrinkage_volumetric_pct
        product = (1 - (1 - radial / 100) * (1 - tangential / 100)) * 100
        assert species.shrinkage_volumetric_pct == pytest.approx(
            product, abs=2.8
        )  # worst: tamarack, black ash
    assert 0.5 <= species.speed_factor <= 2
    assert species.source and species.provenance in ("seen", "memory")


def test_unlisted_species_has_speed_one_and_a_wide_spread():
    unlisted = [s for s in ALL if not s.speed_listed]
    assert len(ALL) - len(unlisted) == 11
    assert {s.speed_factor for s in unlisted} == {1.0}
    assert min(s.speed_spread_ln for s in unlisted) > max(s.speed_spread_ln for s in ALL if s.speed_listed)


def test_every_table_row_has_a_source_and_provenance():
    for table in ("species", "temperature_schedules", "depression_schedules", "species_schedules",
                  "safe_drying_rates", "heat_treatments", "meter_resistance"):  # fmt: skip
        for row in read_table(table):
            assert row["source"] and row["provenance"] in ("seen", "memory", "common practice"), (table, row)


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("northern red oak", "northern_red_oak"),
        ("NORTHERN_RED_OAK", "northern_red_oak"),
        ("Quercus alba", "white_oak"),
        ("hard maple", "sugar_maple"),
        ("Walnut", "black_walnut"),
        ("Douglas-fir, coast", "douglas_fir_coast"),
    ],
)
def test_species_is_found_by_any_of_its_names(name, key):
    assert find(name).key == key


def test_unknown_species_is_refused_with_the_nearest_names():
    with pytest.raises(ValueError, match=r"red oak.*northern red oak, southern red oak"):
        find("red oak")
    with pytest.raises(ValueError, match="black cherry"):
        find("blck cherry")
    with pytest.raises(ValueError, match="species list"):
        find("")


# Wengert, University of Wisconsin extension safe-rate table: 4/4 and 8/4 columns, percent per day.
@pytest.mark.parametrize(
    ("name", "four", "eight"),
    [
        ("white ash", 10.4, 4.1),
        ("American beech", 4.5, 1.8),
        ("yellow birch", 6.1, 2.4),
        ("black cherry", 5.8, 2.3),
        ("American elm", 10.4, 4.1),
        ("sugar maple", 6.5, 2.6),
        ("red maple", 13.8, 5.5),
        ("northern red oak", 3.8, 1.5),
        ("white oak", 2.5, 1.0),
        ("sweetgum", 5.3, 2.1),
        ("black walnut", 8.2, 3.3),
        ("yellow-poplar", 13.8, 5.5),
    ],
)
def test_safe_rate_is_the_published_one_and_derived_between(name, four, eight):
    species = find(name)
    assert safe_rate_pct_per_day(species, 1.125)[0] == four
    assert safe_rate_pct_per_day(species, 2.0)[0] == eight
    assert safe_rate_pct_per_day(species, 2.25)[0] == eight
    six, source = safe_rate_pct_per_day(species, 1.5)
    assert six == pytest.approx(0.6 * four, abs=0.03 * four)  # the extension rule: 60 % of the 4/4 rate
    assert "derived" in source
    assert safe_rate_pct_per_day(species, 3.0)[0] < eight
    # The -1.32 power itself, carried from 4/4 to 8/4, gives the published column (which truncates 4.16 to 4.1).
    assert four * 2**-1.32 == pytest.approx(eight, abs=0.07)


def test_species_without_a_published_rate_gets_none():
    rate, why = safe_rate_pct_per_day(find("red alder"), 1.0)
    assert rate is None and "red alder" in why


def test_a_shop_adds_its_own_species_with_its_own_rate():
    own = Species(
        "osage_orange", "Osage-orange", "Maclura pomifera", "hardwood", 0.76, safe_rate_4_4_pct_per_day=2
    )
    assert safe_rate_pct_per_day(own, 1.0) == (2, "the shop's own 4/4 rate")
    changed = dataclasses.replace(find("white oak"), safe_rate_4_4_pct_per_day=2.0)
    assert safe_rate_pct_per_day(changed, 2.0)[0] == pytest.approx(2.0 * 2**-1.32, abs=0.01)


@pytest.mark.parametrize(
    ("field", "value"),
    [("specific_gravity_green", 5.6), ("green_mc_pct", -1), ("group", "palm"), ("speed_factor", 0)],
)
def test_impossible_own_species_is_refused(field, value):
    with pytest.raises(ValueError, match=field):
        dataclasses.replace(find("white oak"), **{field: value})


# NHLA: 1/16 in scant allowed to 1 3/4 in, 1/8 in from 2 in.
@pytest.mark.parametrize(
    ("inches", "label"),
    [(0.75, "3/4"), (0.9375, "4/4"), (1.0, "4/4"), (1.125, "4/4"), (1.1875, "5/4"), (1.5, "6/4"), (1.75, "7/4"),
     (1.875, "8/4"), (2.25, "8/4"), (2.5, "10/4"), (3.0, "12/4"), (4.0, "16/4"), (7.5, "28/4"), (8.0, "32/4")],
)  # fmt: skip
def test_thickness_class_follows_the_scant_allowance(inches, label):
    assert thickness_class(inches) == label


def test_thickness_outside_the_range_is_refused():
    for bad in (0, -1, 30, float("nan")):
        with pytest.raises(ValueError, match="thickness_in"):
            thickness_class(bad)
