"""Moist air against CoolProp, a printed table and its own inverses."""

import csv
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from kilnshop.science import psychro

PUBLISHED = Path(__file__).parent / "published"
ELEVATIONS = (0.0, 2000.0, 4000.0, 6000.0)


@pytest.mark.parametrize("elevation_ft", ELEVATIONS)
@pytest.mark.parametrize("dry_bulb_f", range(60, 201, 10))
def test_rh_agrees_with_coolprop_within_half_a_percent(dry_bulb_f, elevation_ft):
    """Source: CoolProp 8 humid air (Herrmann, Kretzschmar, Gatley 2009), an independent real-gas library."""
    pressure = psychro.pressure_pa(elevation_ft)
    checked = 0
    for depression in (2, 4, 7, 10, 15, 20, 30, 45):
        wet = dry_bulb_f - depression
        if wet < 40 or wet <= psychro.wet_bulb_f(dry_bulb_f, 1.0, elevation_ft):
            continue
        other = 100 * HAPropsSI(
            "R",
            "T",
            psychro.c_from_f(dry_bulb_f) + 273.15,
            "B",
            psychro.c_from_f(wet) + 273.15,
            "P",
            pressure,
        )
        assert psychro.rh_pct(dry_bulb_f, wet, elevation_ft) == pytest.approx(other, abs=0.5)
        checked += 1
    assert checked >= 4


@pytest.mark.parametrize("dry_bulb_f, rh", [(70, 50), (110, 87), (120, 45), (160, 30)])
def test_humidity_ratio_enthalpy_and_dew_point_agree_with_coolprop(dry_bulb_f, rh):
    """Source: CoolProp 8; ideal-gas moist air differs from it by up to 0.5 %."""
    args = ("T", psychro.c_from_f(dry_bulb_f) + 273.15, "R", rh / 100, "P", psychro.pressure_pa())
    assert psychro.humidity_ratio(dry_bulb_f, rh) == pytest.approx(HAPropsSI("W", *args), rel=0.01)
    assert psychro.enthalpy(dry_bulb_f, rh) == pytest.approx(HAPropsSI("H", *args) / 1000, rel=0.01)
    dew = psychro.f_from_c(HAPropsSI("D", *args) - 273.15)
    assert psychro.dew_point_f(dry_bulb_f, rh) == pytest.approx(dew, abs=0.2)


def test_rh_agrees_with_the_printed_kiln_table():
    """Source: USDA Agriculture Handbook 188 Table 1-6 (memory). It truncates and uses an older formula, so it
    sits up to 1.6 % RH away, nearly always below."""
    rows = [
        r for r in csv.DictReader((PUBLISHED / "wet_bulb_table.csv").open()) if r["relative_humidity_pct"]
    ]
    gaps = [
        psychro.rh_pct(float(r["dry_bulb_f"]), float(r["wet_bulb_f"])) - float(r["relative_humidity_pct"])
        for r in rows
    ]
    assert len(gaps) > 100
    assert max(map(abs, gaps)) < 1.6
    assert 0 < np.mean(gaps) < 0.9


def test_pressure_at_elevation():
    """Source: US Standard Atmosphere 1976: 101325 Pa at sea level, 81200 Pa at 6000 ft."""
    assert psychro.pressure_pa(0) == pytest.approx(101325)
    assert psychro.pressure_pa(6000) == pytest.approx(81200, rel=2e-3)


@settings(max_examples=60, deadline=None)
@given(st.floats(60, 200), st.floats(3, 99), st.sampled_from(ELEVATIONS))
def test_wet_bulb_and_humidity_are_inverse(dry_bulb_f, rh, elevation_ft):
    if rh / 100 * psychro.saturation_pa(psychro.c_from_f(dry_bulb_f)) > 0.9 * psychro.pressure_pa(
        elevation_ft
    ):
        rh = 50.0
    wet = psychro.wet_bulb_f(dry_bulb_f, rh, elevation_ft)
    assert psychro.rh_pct(dry_bulb_f, min(wet, dry_bulb_f), elevation_ft) == pytest.approx(rh, abs=0.1)


def test_array_formulas_are_psychrolibs():
    temp = np.linspace(1, 100, 40)
    assert psychro.saturation_pa(temp) == pytest.approx(
        [psychrolib.GetSatVapPres(float(t)) for t in temp], rel=1e-9
    )
    rh, pressure = np.linspace(0.05, 0.95, 40), 95000.0
    hot = np.linspace(20, 90, 40)
    wet = [
        psychrolib.GetTWetBulbFromRelHum(float(t), float(h), pressure) for t, h in zip(hot, rh, strict=True)
    ]
    assert psychro.wet_bulb_c_from_rh(hot, rh, pressure) == pytest.approx(wet, abs=0.01)
    ratio = psychro.ratio_from_rh(hot, rh, pressure)
    assert ratio == pytest.approx(
        [
            psychrolib.GetHumRatioFromRelHum(float(t), float(h), pressure)
            for t, h in zip(hot, rh, strict=True)
        ],
        rel=1e-4,
    )
    assert 1000 * psychro.enthalpy_from_ratio(hot, ratio) == pytest.approx(
        [psychrolib.GetMoistAirEnthalpy(float(t), float(w)) for t, w in zip(hot, ratio, strict=True)],
        rel=1e-6,
    )


@pytest.mark.parametrize(
    "call, says",
    [
        (lambda: psychro.rh_pct(110, 111), "wet_bulb_f = 111"),
        (lambda: psychro.rh_pct(110, 40), "completely dry air reads"),
        (lambda: psychro.rh_pct(300, 100), "dry_bulb_f = 300"),
        (lambda: psychro.rh_pct(float("nan"), 100), "dry_bulb_f = nan"),
        (lambda: psychro.rh_pct(110, float("nan")), "wet_bulb_f = nan"),
        (lambda: psychro.rh_pct(220, 215), "boiling"),
        (lambda: psychro.wet_bulb_f(110, 101), "rh_pct = 101"),
        (lambda: psychro.wet_bulb_f(230, 99), "boiling"),
        (lambda: psychro.dew_point_f(110, 0), "rh_pct = 0"),
        (lambda: psychro.humidity_ratio(110, -1), "rh_pct = -1"),
        (lambda: psychro.pressure_pa(30000), "elevation_ft = 30000"),
    ],
)
def test_bad_input_names_argument_and_value(call, says):
    with pytest.raises(ValueError, match=says):
        call()
