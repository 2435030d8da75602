"""What a set-point sheet says of each step. Rules: common practice of dehumidification kilns, compressor off first."""

from types import SimpleNamespace

import pytest

from kilnshop.charges.set_points import set_points
from kilnshop.shop.models import Chamber

ROOM = Chamber(name="Chamber 2", lockout_dry_bulb_f=125, has_vents=True, has_humidifier=True)
DRY = SimpleNamespace(
    kind="dry", from_mc_pct=60.0, dry_bulb_f=90.0, wet_bulb_f=86.5, expected_wet_bulb_f=86.5, rh_pct=86.0,
    expected_rh_pct=86.0, emc_pct=18.0, hours=240.0, timed=False,
)  # fmt: skip


def step(**over):
    return SimpleNamespace(**(vars(DRY) | over))


def said(line):
    return line.when.replace("\u00a0", " ")


STEPS = (
    DRY,
    step(from_mc_pct=30.0, dry_bulb_f=120.0, wet_bulb_f=90.0, rh_pct=31.0, expected_rh_pct=38.0),
    step(from_mc_pct=15.0, dry_bulb_f=140.0, wet_bulb_f=100.0),
    step(kind="equalize", from_mc_pct=5.0, dry_bulb_f=120.0),
    step(kind="condition", from_mc_pct=7.0, dry_bulb_f=120.0, hours=20.0, timed=True),
    step(kind="heat", dry_bulb_f=150.0, hours=6.43, timed=True),
)


def test_each_step_says_when_to_set_it():
    assert [said(line) for line in set_points(STEPS, ROOM)] == [
        "at the start",
        "moisture down to 30 %",
        "moisture down to 15 %",
        "driest board at 5 %",
        "after step 4, for 20 h",
        "after step 5, for 6.5 h",
    ]


def test_timed_steps_follow_the_clock():
    clock = [step(timed=True, hours=54.0), step(timed=True, hours=54.0), step(from_mc_pct=12.0)]
    assert [said(line) for line in set_points(clock, ROOM)] == [
        "at the start, for 54 h",
        "after step 1, for 54 h",
        "after step 2",
    ]


def test_what_is_switched_in_each_step():
    lines = set_points(STEPS, ROOM)
    assert [line.compressor for line in lines] == ["on", "on", "off", "on", "off", "off first"]
    assert [line.vents for line in lines] == ["shut", "shut", "as needed", "shut", "shut", "shut"]
    assert [line.humidifier for line in lines] == ["off", "off", "off", "on", "on", "off"]
    assert {line.fans for line in lines} == {"on"}


def test_chamber_without_vents_or_mist_has_nothing_to_switch_there():
    bare = Chamber(name="Chamber 1", lockout_dry_bulb_f=125, has_vents=False, has_humidifier=False)
    lines = set_points(STEPS, bare)
    assert {line.vents for line in lines} == {"none"} and {line.humidifier for line in lines} == {"off"}


def test_air_the_machine_cannot_hold_is_told_beside_what_is_keyed():
    overloaded = set_points(STEPS, ROOM)[1]
    assert overloaded.wet_bulb_f == 90 and overloaded.expected_wet_bulb_f == pytest.approx(86.5, abs=0.5)
    assert set_points(STEPS, ROOM)[0].expected_wet_bulb_f is None


def test_humidity_of_a_heat_stage_floats():
    heat = set_points(STEPS, ROOM)[-1]
    assert heat.hot and heat.wet_bulb_f is heat.rh_pct is heat.emc_pct is heat.depression_f is None
