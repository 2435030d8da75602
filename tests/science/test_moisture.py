"""Moisture from weights and board tests, by hand."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science.moisture import (
    LB_PER,
    SampleBoard,
    board_tests,
    gallons,
    loss_pct_per_day,
    mc_from_drain,
    mc_from_start,
    mc_pct,
    oven_dry_weight,
    section_mc_pct,
    water_lb,
    weight_at,
    wettest_half,
)
from kilnshop.science.volume import oven_dry_lb


def test_moisture_section_by_hand():
    # Section weighs 182 g wet and 100 g oven-dry: (182 / 100 - 1) x 100 = 82 %.
    assert mc_pct(182, 100) == pytest.approx(82)
    assert mc_pct(100, 100) == 0


def test_sample_board_by_hand():
    # Wengert, Drying Oak Lumber, step 3B: oven-dry weight = weight / (MC + 100) x 100; MC = (now / dry - 1) x 100.
    board = SampleBoard(start_weight=9.10, start_mc_pct=82)
    assert board.oven_dry_weight == pytest.approx(5.0)
    assert board.mc_pct(6.0) == pytest.approx(20)
    assert board.mc_pct(5.35) == pytest.approx(7)


def test_the_samples_moisture_is_the_average_of_its_sections():
    # Wengert, Drying Oak Lumber, step 3B: (MS 1 + MS 2) / 2; 182/100 and 89/50 make 82 and 78 %, so 80 %.
    assert section_mc_pct([(182, 100), (89, 50)]) == pytest.approx(80)


def test_units_of_the_scale():
    # NIST Handbook 44, appendix C: 16 oz and 453.59237 g a pound.
    assert 16 * LB_PER["oz"] == pytest.approx(453.59237 * LB_PER["g"]) == pytest.approx(1.0)
    assert LB_PER["kg"] == pytest.approx(1000 * LB_PER["g"])


@given(st.lists(st.floats(5, 120), min_size=1, max_size=12))
def test_the_wettest_half_is_never_drier_than_the_rest(values):
    half = wettest_half(values)
    assert len(half) == (len(values) + 1) // 2
    assert statistics.mean(half) >= statistics.mean(values) - 1e-9


def test_a_pack_from_its_start_by_hand():
    # 1,250 lb at 25 % hold 1,000 lb of wood; 1,100 lb are 10 %, +- 1.28 x 2 x 1100 / 1250 = 2.2528.
    found = mc_from_start(1100, 1250, 25, 2)
    assert (found.low, found.expected, found.high) == pytest.approx((7.7472, 10, 12.2528))


@given(st.floats(0.5, 1.0), st.floats(30, 120), st.floats(0, 15))
def test_a_pack_is_as_sure_as_its_start_and_less_water_matters_less(share, start, sd):
    dry = 1000 / (1 + start / 100)
    weight = dry + (1000 - dry) * share
    found = mc_from_start(weight, 1000, start, sd)
    assert found.low <= found.expected <= found.high
    # the same weights read with the start one standard deviation wetter, by the plain formula
    wetter = (weight / 1000) * (100 + start + sd) - 100
    assert (found.high - found.expected) / 1.28 == pytest.approx(wetter - found.expected, abs=1e-6)


def test_drained_water_as_moisture_by_hand():
    assert mc_from_drain(80, 500, 1000) == pytest.approx(30)


def test_weight_at_another_moisture_by_hand():
    # Wengert, Calculating the weight of lumber: weight x (100 + MCx) / (100 + MCs).
    assert weight_at(3500, 75, 7) == pytest.approx(3500 * 107 / 175)


def test_water_in_a_thousand_feet_of_red_oak_by_hand():
    # 1000 / 12 x 62.4 x 0.56 = 2912 lb of wood; 80 % to 7 % leaves 73 % of that: 2125.8 lb or 255.2 gal.
    dry = oven_dry_lb(1000, 0.56)
    assert dry == pytest.approx(2912)
    water = water_lb(dry, 80, 7)
    assert water == pytest.approx(2125.76)
    assert gallons(water) == pytest.approx(255.19, abs=0.01)


@given(st.floats(0.1, 1e5), st.floats(0, 300), st.floats(0, 300))
def test_weight_and_moisture_round_trip(weight, start, later):
    dry = oven_dry_weight(weight, start)
    assert mc_pct(weight, dry) == pytest.approx(start, abs=1e-6)
    assert mc_pct(weight_at(weight, start, later), dry) == pytest.approx(later, abs=1e-6)


def test_loss_per_day_by_hand():
    assert loss_pct_per_day(60, 57.5, 20) == pytest.approx(3.0)
    assert loss_pct_per_day(7, 8, 24) == pytest.approx(-1.0)


def test_board_tests_by_hand():
    found = board_tests([6.5, 7.0, 7.4, 8.0, 8.6], 7, 1)
    assert (found.count, found.within, found.lowest, found.highest) == (5, 4, 6.5, 8.6)
    assert found.mean == pytest.approx(7.5)
    # deviations -1, -0.5, -0.1, 0.5, 1.1: squares sum to 2.72; / 4 = 0.68; root 0.8246
    assert found.sd == pytest.approx(0.8246, abs=0.0001)
    assert found.share_within == pytest.approx(0.8)


def test_single_board_has_no_standard_deviation():
    assert board_tests([7.2], 7, 1).sd is None


@given(st.lists(st.floats(4, 30), min_size=2, max_size=40))
def test_board_tests_agree_with_the_standard_library(readings):
    found = board_tests(readings, 8, 2)
    assert found.mean == pytest.approx(statistics.mean(readings))
    assert found.sd == pytest.approx(statistics.stdev(readings), abs=1e-9)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: section_mc_pct([]), "sections is empty"),
        (lambda: mc_from_start(1100, 1250, 25, -1), "sd_pct"),
        (lambda: mc_from_drain(80, 900, 1000), "drained_lb 900"),
        (lambda: mc_pct(90, 100), "less than the oven-dry"),
        (lambda: mc_pct(500, 100), "moisture content"),
        (lambda: mc_pct(-1, 100), "weight -1"),
        (lambda: mc_pct(1, float("nan")), "oven_dry"),
        (lambda: oven_dry_weight(5, 400), "at_mc_pct"),
        (lambda: water_lb(2912, 7, 7), "target_mc_pct 7 must be below"),
        (lambda: water_lb(0, 80, 7), "oven_dry_lb"),
        (lambda: gallons(-1), "water"),
        (lambda: board_tests([], 7, 1), "at least one board"),
        (lambda: board_tests([7, -2], 7, 1), "readings_pct"),
        (lambda: board_tests([7], 7, 0), "tolerance_pct"),
        (lambda: loss_pct_per_day(60, 50, 0), "hours"),
    ],
)
def test_impossible_input_is_refused_by_name(call, told):
    with pytest.raises(ValueError, match=told):
        call()
