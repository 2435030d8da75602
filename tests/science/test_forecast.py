"""The forecast against hand arithmetic on a straight curve: 27 to 7 % in 200 hours, a tenth of a point an hour."""

import math

import pytest

from kilnshop.science.forecast import Z80, forecast, hour_of, mc_at

CURVE = [0.0, 200.0], [27.0, 7.0]
BAND = (0.75, 4 / 3)


def run(*seen, band=BAND):
    return forecast(*CURVE, 200.0, band, seen)


@pytest.mark.parametrize(("mc", "hour"), [(27, 0), (17, 100), (7, 200), (28, -10)])
def test_a_moisture_has_its_hour_on_the_plan(mc, hour):
    assert hour_of(mc, *CURVE) == pytest.approx(hour)


def test_a_moisture_the_plan_never_reaches_is_refused():
    with pytest.raises(ValueError, match="6 is below 7"):
        hour_of(6, *CURVE)


def test_the_curve_is_read_between_its_points():
    assert [mc_at(hour, *CURVE) for hour in (-5, 0, 50, 300)] == [27, 27, 22, 7]


def test_as_planned_keeps_the_date_and_narrows_the_band():
    early, late = run((0, 27.0), (20, 25.0)), run((0, 27.0), (150, 12.0))
    assert early.expected == late.expected == pytest.approx(200)
    assert early.slower == pytest.approx(1)
    assert late.high - late.low < (early.high - early.low) / 2
    assert early.high - early.low < 200 * (BAND[1] - BAND[0])


def test_slow_drying_stretches_what_is_left_by_the_weighed_speed():
    """Ten points in 150 h, 100 planned. Prior sd ln(16/9)/2/Z80; noise 0.15²/0.5 + (√2 * 0.5 / 10)²."""
    prior = (math.log(16 / 9) / (2 * Z80)) ** 2
    noise = 0.15**2 / 0.5 + (math.sqrt(2) * 0.5 / 10) ** 2
    k = math.exp(prior / (prior + noise) * math.log(1.5))
    found = run((0, 27.0), (150, 17.0))
    assert found.slower == pytest.approx(k)
    assert found.expected == pytest.approx(150 + 100 * k)
    assert found.share_seen == pytest.approx(0.5)
    assert found.low < found.expected < found.high


def test_fast_drying_brings_the_date_forward():
    assert run((0, 27.0), (60, 17.0)).expected < 160


def test_a_drier_start_moves_the_date_at_once_and_says_nothing_of_speed():
    found = run((12, 20.0), (12, 20.0))
    assert found.expected == pytest.approx(12 + 130)
    assert found.slower == 1


def test_more_evidence_moves_the_speed_further():
    half = run((0, 27.0), (60, 22.0)).slower  # 1.2 over a quarter
    full = run((0, 27.0), (180, 12.0)).slower  # 1.2 over three quarters
    assert 1 < half < full < 1.2


def test_dry_wood_is_done_now():
    found = run((0, 27.0), (190, 6.5))
    assert found.expected == found.low == found.high == 190


@pytest.mark.parametrize(
    ("end", "band", "seen", "word"),
    [(200, BAND, [], "seen"), (0, BAND, [(0, 27)], "end_hour"), (200, (1.1, 1.4), [(0, 27)], "band")],
)
def test_nonsense_is_refused(end, band, seen, word):
    with pytest.raises(ValueError, match=word):
        forecast(*CURVE, end, band, seen)
