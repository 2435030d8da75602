"""Sampling of finished boards against scipy.stats, printed tables and drawn lots."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kilnshop.science.sampling import (
    WANTED_SHARE,
    sampled,
    share_by_count,
    share_by_spread,
    tolerance_factor,
)


def test_tolerance_factor_of_the_nist_example():
    # NIST/SEMATECH e-Handbook 7.2.6.3: 43 wafers, 90 % of them, 99 % confidence: k2 = 2.217 (seen in a sheet that
    # cites it, scribd.com/document/471866375).
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2173, abs=1e-4)


@pytest.mark.parametrize(
    ("count", "share", "factor"),
    [
        (4, 0.90, 5.37), (4, 0.95, 6.34), (6, 0.90, 3.73), (8, 0.95, 3.75), (10, 0.90, 2.86), (12, 0.95, 3.17),
        (20, 0.90, 2.32), (30, 0.95, 2.55), (60, 0.90, 1.96), (60, 0.99, 3.07),
    ],
)  # fmt: skip
def test_tolerance_factor_of_a_printed_table(count, share, factor):
    # Statistics for Environmental Engineers, Table 21.1, two-sided 95 % (seen, bookini.ru); Howe's factor is an
    # approximation, and the table is rounded: 1 %.
    assert tolerance_factor(count, share, 0.95) == pytest.approx(factor, rel=0.01)


@given(st.integers(1, 60), st.data(), st.sampled_from([0.80, 0.95]))
def test_counted_share_agrees_with_scipy(count, data, confidence):
    within = data.draw(st.integers(0, count))
    expected = stats.binomtest(within, count, alternative="greater").proportion_ci(confidence, "exact").low
    assert share_by_count(within, count, confidence) == pytest.approx(expected, abs=1e-9)


@given(st.integers(5, 60), st.floats(6.2, 7.8), st.floats(0.1, 1.5), st.sampled_from([0.80, 0.95]))
def test_share_by_spread_is_the_one_whose_interval_just_fits(count, mean, sd, confidence):
    share = share_by_spread(count, mean, sd, 6, 8, confidence)
    room = min(8 - mean, mean - 6)
    widening = np.sqrt((count - 1) * (1 + 1 / count) / stats.chi2.ppf(1 - confidence, count - 1))
    assert share == pytest.approx(2 * stats.norm.cdf(room / sd / widening) - 1, abs=1e-9)
    if 0.01 < share < 0.999:
        assert tolerance_factor(count, share, confidence) * sd == pytest.approx(room)


def test_expected_share_is_the_normal_one():
    found = sampled([6.5, 6.8, 7.0, 7.1, 7.3, 7.6], 7, 1)
    mean, sd = np.mean([6.5, 6.8, 7.0, 7.1, 7.3, 7.6]), np.std([6.5, 6.8, 7.0, 7.1, 7.3, 7.6], ddof=1)
    assert found.expected == pytest.approx(stats.norm.cdf(8, mean, sd) - stats.norm.cdf(6, mean, sd))
    assert 0 < found.low_95 < found.low_80 < found.expected


@pytest.mark.parametrize("confidence", [0.80, 0.95])
@pytest.mark.parametrize(("mean", "sd"), [(7.0, 0.6), (7.4, 0.5), (6.5, 0.4)])
def test_the_bound_holds_as_often_as_it_says(confidence, mean, sd):
    # 1,500 lots drawn from a known normal: the true share may lie below the bound in 1 - confidence of them.
    true = stats.norm.cdf(8, mean, sd) - stats.norm.cdf(6, mean, sd)
    drawn = np.random.default_rng(4).normal(mean, sd, (1500, 8))
    bounds = [share_by_spread(8, row.mean(), row.std(ddof=1), 6, 8, confidence) for row in drawn]
    held = np.mean(np.array(bounds) <= true)
    assert held >= confidence - 0.03


@given(st.lists(st.floats(5, 10), min_size=1, max_size=40))
def test_order_of_boards_says_nothing(readings):
    first, again = sampled(readings, 7, 1), sampled(readings[::-1], 7, 1)
    assert first.low_95 == pytest.approx(again.low_95, abs=1e-9)
    assert first.words == again.words


def test_few_boards_ask_for_more_and_that_many_settle_it():
    found = sampled([6.6, 6.8, 7.0, 7.2, 7.4], 7, 1)
    assert found.more and "more like these would settle it" in found.words
    sd, count = found.found.sd, found.found.count + found.more
    assert share_by_spread(count, 7.0, sd, 6, 8, 0.95) >= WANTED_SHARE
    assert share_by_spread(count - 1, 7.0, sd, 6, 8, 0.95) < WANTED_SHARE


def test_twenty_nine_without_a_miss_settle_by_counting():
    # 0.9 ** 29 = 0.047 < 0.05 < 0.9 ** 28, so 29 boards in a row show nine in ten with 95 % confidence.
    assert sampled([7.0] * 28, 7, 1).more == 1
    assert sampled([7.0] * 29, 7, 1).more == 0


@pytest.mark.parametrize(
    ("readings", "what"),
    [
        ([8.2, 8.6, 8.9, 8.4, 8.8], "wet side"),
        ([5.2, 5.0, 5.4, 5.1, 5.6], "dry side"),
        ([5.0, 9.1, 6.0, 8.2, 7.0], "differ too much"),
    ],
)
def test_a_lot_outside_is_told_what_to_do_instead_of_more_boards(readings, what):
    found = sampled(readings, 7, 1)
    assert found.more is None
    assert what in found.words


def test_a_board_beyond_the_meter_counts_against():
    found = sampled([6.9, 7.0, 7.1, 7.0, 7.2], 7, 1, beyond=1)
    assert (found.tested, found.by_spread) == (6, False)
    assert found.low_95 == pytest.approx(stats.beta.ppf(0.05, 5, 2))


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: sampled([], 7, 1), "at least one board"),
        (lambda: sampled([7], 7, 1, beyond=-1), "beyond -1"),
        (lambda: share_by_count(3, 2, 0.95), "within 3"),
        (lambda: share_by_spread(1, 7, 0.5, 6, 8, 0.95), "count 1"),
        (lambda: share_by_spread(5, 7, 0, 6, 8, 0.95), "sd 0"),
    ],
)
def test_bad_input_is_named(call, named):
    with pytest.raises(ValueError, match=named):
        call()
