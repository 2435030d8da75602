"""Equilibrium moisture content against the printed Wood Handbook table."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science.emc import emc_fraction, emc_pct, rh_for_emc

TABLE = list(csv.DictReader((Path(__file__).parent / "published" / "emc_table.csv").open()))


def test_every_printed_point_is_met_within_a_tenth():
    """Source: Wood Handbook FPL-GTR-190 (2010) Table 4-2 (seen), printed to 0.1 % MC."""
    assert len(TABLE) > 250
    for row in TABLE:
        emc = emc_pct(float(row["temperature_f"]), float(row["relative_humidity_pct"]))
        assert emc == pytest.approx(float(row["emc_pct"]), abs=0.1), row


def test_array_form_is_the_same_equation():
    assert emc_fraction(np.array([21.1, 50.0]), np.array([0.5, 0.3])) * 100 == pytest.approx(
        [emc_pct(69.98, 50), emc_pct(122, 30)]
    )


@given(st.floats(30, 200), st.floats(1, 99))
def test_humidity_for_an_emc_is_the_inverse(temp_f, rh):
    emc = emc_pct(temp_f, rh)
    if emc < 20:
        assert rh_for_emc(temp_f, emc) == pytest.approx(rh, abs=1e-4)


@given(st.floats(60, 250), st.floats(5, 90), st.floats(0.5, 9))
def test_damper_air_holds_wetter_wood(temp_f, rh, more):
    assert emc_pct(temp_f, rh + more) > emc_pct(temp_f, rh)


@given(st.floats(60, 190), st.floats(5, 95))
def test_hotter_air_of_one_humidity_holds_drier_wood(temp_f, rh):
    assert emc_pct(temp_f + 20, rh) < emc_pct(temp_f, rh)


@pytest.mark.parametrize(
    "call, says",
    [
        (lambda: emc_pct(20, 50), "dry_bulb_f = 20"),
        (lambda: emc_pct(120, 101), "rh_pct = 101"),
        (lambda: emc_pct(120, float("nan")), "rh_pct = nan"),
        (lambda: rh_for_emc(120, 40), "emc = 40"),
        (lambda: rh_for_emc(120, -1), "emc = -1"),
    ],
)
def test_bad_input_names_argument_and_value(call, says):
    with pytest.raises(ValueError, match=says):
        call()
