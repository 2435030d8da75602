"""Shrinkage against the Wood Handbook rule by hand and the softwood rules of FPL-RP-489."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science.shrinkage import dried_tally_bf, dried_thickness_in, dried_width_in, shrinkage_pct
from kilnshop.science.species import find


def test_flatsawn_red_oak_by_hand():
    # Wood Handbook ch. 4: S = S0 (30 - M) / 30. Tangential 8.6 %, to 7 %: 8.6 x 23 / 30 = 6.593 %.
    oak = find("northern red oak")
    assert shrinkage_pct(8.6, 80, 7) == pytest.approx(6.593, abs=0.001)
    assert dried_width_in(oak, 10, 80, 7) == pytest.approx(9.3407, abs=0.0001)
    # radial 4.0 %: 4 x 23 / 30 = 3.067 % through a flatsawn 1 1/8 in board
    assert dried_thickness_in(oak, 1.125, 80, 7) == pytest.approx(1.0905, abs=0.0001)
    assert dried_tally_bf(oak, 1000, 80, 7) == pytest.approx(934.07, abs=0.01)


def test_quartersawn_board_changes_the_two_directions():
    oak = find("northern red oak")
    assert dried_width_in(oak, 10, 80, 7, quartersawn=True) == pytest.approx(9.6933, abs=0.0001)
    assert dried_thickness_in(oak, 1, 80, 7, quartersawn=True) == pytest.approx(0.93407, abs=0.0001)


@pytest.mark.parametrize("name", ["Douglas-fir, coast", "western hemlock", "white fir"])
@pytest.mark.parametrize("mc", [10, 12, 15, 19])
def test_softwood_width_and_thickness_against_fpl_rp_489(name, mc):
    # Green 1989, FPL-RP-489: width 6.031 - 0.215 M, thickness 5.062 - 0.181 M for most softwoods. That rule is for
    # dimension lumber of mixed ring angle, so it lies between radial and tangential; hence 1.2 points.
    species = find(name)
    radial = shrinkage_pct(species.shrinkage_radial_pct, 30, mc)
    tangential = shrinkage_pct(species.shrinkage_tangential_pct, 30, mc)
    for published in (6.031 - 0.215 * mc, 5.062 - 0.181 * mc):
        assert radial - 1.2 <= published <= tangential + 1.2


def test_nothing_shrinks_above_fibre_saturation():
    assert shrinkage_pct(8.6, 80, 30) == 0
    assert shrinkage_pct(8.6, 12, 12) == 0


@given(st.floats(0.5, 30), st.floats(0, 120), st.floats(0, 120), st.floats(0, 120))
def test_two_stages_shrink_as_much_as_one(total, a, b, c):
    wet, middle, dry = sorted((a, b, c), reverse=True)
    once = 1 - shrinkage_pct(total, wet, dry) / 100
    twice = (1 - shrinkage_pct(total, wet, middle) / 100) * (1 - shrinkage_pct(total, middle, dry) / 100)
    assert once == pytest.approx(twice, rel=1e-12)
    assert 0 <= shrinkage_pct(total, wet, dry) <= total + 1e-9


def test_species_without_published_shrinkage_is_refused():
    with pytest.raises(ValueError, match="no shrinkage is published for boxelder"):
        dried_width_in(find("boxelder"), 8, 60, 8)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: shrinkage_pct(8.6, 7, 12), "wood shrinks as it dries"),
        (lambda: shrinkage_pct(0, 80, 7), "total_pct"),
        (lambda: shrinkage_pct(8.6, 80, -1), "to_mc_pct"),
        (lambda: dried_width_in(find("white oak"), 0, 80, 7), "width_in"),
        (lambda: dried_thickness_in(find("white oak"), 50, 80, 7), "thickness_in"),
        (lambda: dried_tally_bf(find("white oak"), 0, 80, 7), "bf"),
    ],
)
def test_impossible_input_is_refused_by_name(call, told):
    with pytest.raises(ValueError, match=told):
        call()
