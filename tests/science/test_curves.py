"""Curves for drawing, against closed forms."""

import math

import numpy as np
import pytest

from kilnshop.science.curves import band, means


def test_the_band_of_an_exponential_has_the_rates_of_its_ends():
    """Closed form: M = E + (M0 - E) exp(-k t); a clock faster by c has the rate c k (Wood Handbook 13: drying of
    one wood in one air is close to exponential; the identity itself is arithmetic)."""
    hours = np.linspace(0, 480, 4801)
    curve = 6 + 74 * np.exp(-0.01 * hours)
    at, lower, upper = band(hours.tolist(), curve.tolist(), (15.0, 20.0, 30.0))
    inside = [i for i, hour in enumerate(at) if hour * 20 / 15 < 480]
    for i in inside:
        assert lower[i] == pytest.approx(6 + 74 * math.exp(-0.01 * at[i] * 20 / 15), abs=0.01)
        assert upper[i] == pytest.approx(6 + 74 * math.exp(-0.01 * at[i] * 20 / 30), abs=0.01)
    assert at[-1] == pytest.approx(480 * 30 / 20)
    assert upper[-1] == pytest.approx(curve[-1]), "the slowest charge arrives where the expected one does"


def test_a_curve_that_rises_again_keeps_its_band_in_order():
    _, lower, upper = band([0, 10, 20], [20.0, 5.0, 8.0], (1.0, 2.0, 3.0))
    assert all(low <= high for low, high in zip(lower, upper, strict=True))


def test_means_keep_the_kilowatt_hours():
    """By hand: 4 kW for 2 h, 1 kW for 6 h and 3 kW for 4 h are 26 kWh; the first 4 h average 2.5 kW."""
    hours, kw = means([2.0, 8.0, 12.0], [4.0, 1.0, 3.0], 3)
    assert hours == pytest.approx([4.0, 8.0, 12.0])
    assert kw == pytest.approx([2.5, 1.0, 3.0])
    assert sum(kw) * 4 == pytest.approx(26.0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: band([0.0], [20.0], (1, 2, 3)), "hours has 1"),
        (lambda: band([0.0, 1.0], [20.0], (1, 2, 3)), "values 1"),
        (lambda: band([0.0, 1.0], [20.0, 10.0], (3, 2, 4)), "days"),
        (lambda: band([0.0, 1.0], [20.0, 10.0], (0, 2, 4)), "days"),
        (lambda: means([], []), "hours has 0"),
        (lambda: means([1.0], [1.0], 0), "spans"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name(call, named):
    with pytest.raises(ValueError, match=named):
        call()
