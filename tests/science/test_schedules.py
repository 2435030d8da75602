"""Schedules against the published tables; ladders, suggestions and refusals."""

from dataclasses import replace
from itertools import pairwise, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science import psychro
from kilnshop.science.chamber import ChamberInput, Machine, Outside
from kilnshop.science.emc import emc_pct
from kilnshop.science.schedule_checks import out_of_reach, problems
from kilnshop.science.schedule_choice import bearable_rate, delicacy, for_wood, published_code, suggest
from kilnshop.science.schedules import (
    START_MC_PCT,
    Schedule,
    Step,
    assemble,
    conditioning_hours,
    finish,
    joined,
    low_temperature,
    parted,
    softwood_ladder,
    step_at,
    timber_programme,
    with_heat,
)
from kilnshop.science.species import Species, all_species, find
from tests.science.published import rows

CODES = [f"T{t}-{c}{d}" for t, c, d in product(range(1, 15), "ABCDEF", range(1, 9))]


ROOM = ChamberInput(
    key="two", name="Chamber 2", length_ft=16, width_ft=8, height_ft=8, wall_r=20, heater_kw=2, fan_kw=0.5,
    removal_lb_per_day=120, removal_at_dry_bulb_f=120, removal_at_rh_pct=50, compressor_kw=1.2, blower_kw=0.1,
    lockout_dry_bulb_f=125, max_dry_bulb_f=160, has_humidifier=False, capacity_bf=1000,
)  # fmt: skip


def emc(step, elevation_ft=0.0):
    return emc_pct(step.dry_bulb_f, psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, elevation_ft))


@pytest.mark.parametrize("code", ["T4-D2", "T8-C3"])
def test_assembled_code_matches_the_handbook_step_by_step(code):
    # Source beside each row of assembled_schedules.csv: Agriculture Handbook 188, ch. 7.
    expected = [
        (float(r["from_mc_pct"] or START_MC_PCT), float(r["dry_bulb_f"]), float(r["wet_bulb_f"]))
        for r in rows("assembled_schedules")
        if r["code"] == code
    ]
    assert [(s.from_mc_pct, s.dry_bulb_f, s.wet_bulb_f) for s in assemble(code).steps] == expected
    assert problems(assemble(code)) == []


def test_air_of_t4_d2_is_that_of_the_printed_wet_bulb_table():
    # Agriculture Handbook 188, Table 1-6. The printed table uses an older formula and truncates: its RH sits up to
    # 1.5 below a present-day computation and its EMC up to 0.6.
    printed = [r for r in rows("assembled_schedules") if r["rh_pct"]]
    assert len(printed) == 4
    for row, step in zip(printed, assemble("T4-D2").steps, strict=False):
        rh = psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f)
        assert rh == pytest.approx(float(row["rh_pct"]), abs=1.5)
        assert emc(step) == pytest.approx(float(row["emc_pct"]), abs=0.6)


@pytest.mark.parametrize("code", CODES)
def test_every_code_assembles_to_a_schedule_that_makes_sense(code):
    schedule = assemble(code)
    assert problems(schedule) == []
    assert [s.dry_bulb_f for s in schedule.steps] == sorted(s.dry_bulb_f for s in schedule.steps)


def test_air_drier_than_possible_is_raised_and_said_so():
    cool = assemble("T1-F8")  # 105 °F less 50 °F: completely dry air of 105 °F reads 58.6 °F
    assert "Drier than any air" in cool.note
    assert assemble("T4-D2").note == ""


@pytest.mark.parametrize("written", ["T4-D2", "t4d2", "T4 - D2", " T04-D2 "])
def test_code_is_read_as_people_write_it(written):
    assert assemble(written).code == "T4-D2"


@pytest.mark.parametrize("bad", ["T15-D2", "T0-D2", "T4-G2", "T4-D9", "T4-D0", "", "oak", "T4-D22", "T4"])
def test_other_codes_are_refused_with_what_is_allowed(bad):
    with pytest.raises(ValueError, match="T1 to T14, then A to F, then 1 to 8"):
        assemble(bad)


# Agriculture Handbook 188 ch. 7, schedules by species.
@pytest.mark.parametrize(
    ("name", "thickness", "code"),
    [
        ("northern red oak", 1.125, "T4-D2"),
        ("northern red oak", 2.0, "T3-D1"),
        ("white oak", 1.0, "T4-C2"),
        ("sugar maple", 1.25, "T8-C3"),
        ("yellow-poplar", 1.0, "T11-D4"),
        ("black walnut", 2.125, "T3-D3"),
        ("black cherry", 1.0, "T8-B4"),
    ],
)
def test_published_code_of_a_species(name, thickness, code):
    found = published_code(find(name), thickness)
    assert found is not None
    assert found[0] == code and "Handbook 188" in found[1] and found[2] == "memory"


def test_nothing_is_published_for_thick_stock_or_unlisted_woods():
    assert published_code(find("northern red oak"), 3.0) is None
    assert published_code(find("redwood, young growth"), 1.0) is None


@pytest.mark.parametrize("code", ["T4-D2", "T3-C1", "T8-C3", "T11-D4", "T12-E7"])
@pytest.mark.parametrize("top", [110.0, 120.0, 140.0, 160.0])
def test_low_temperature_keeps_the_emc_and_the_cap(code, top):
    published = assemble(code)
    low = low_temperature(published, top)
    assert max(s.dry_bulb_f for s in low.steps) <= top
    assert low.provenance == "common practice"
    assert problems(low, max_dry_bulb_f=top, target_mc_pct=6) == []
    for mc in (80, 50, 45, 40, 35, 30, 25, 20, 15, 10):
        wanted = max(emc(step_at(published, mc)), 4.5)
        got = emc(step_at(low, mc))
        assert wanted - 1e-6 <= got <= wanted + 1.1  # wet bulbs are rounded up to half a degree
        assert step_at(low, mc).dry_bulb_f <= step_at(published, mc).dry_bulb_f


def test_low_temperature_oak_starts_gently():
    first = low_temperature(assemble("T4-D2"), 120).steps[0]
    assert first.dry_bulb_f == 90
    assert 86 <= first.wet_bulb_f <= 87


def test_every_species_gets_a_sensible_suggestion():
    for species, thickness in product(all_species(), (1.0, 1.5, 2.0, 3.0, 7.5)):
        suggestion = suggest([(species, thickness, 80, 8)], 125)
        assert problems(suggestion.schedule, target_mc_pct=8, max_dry_bulb_f=125) == []
        assert species.common_name in suggestion.reason
        if species.group == "softwood":
            assert suggestion.schedule.provenance == "common practice"
            assert "softwood" in suggestion.schedule.note


def test_most_delicate_lot_governs_a_mix():
    oak, poplar, pine = find("white oak"), find("yellow-poplar"), find("eastern white pine")
    mixed = suggest([(poplar, 1.0, 90, 7), (oak, 1.125, 60, 7), (pine, 1.0, 90, 8)], 120)
    assert mixed.schedule == suggest([(oak, 1.125, 60, 7)], 120).schedule
    assert "T4-C2" in mixed.reason and "most delicate" in mixed.reason
    thick = suggest([(oak, 1.125, 60, 7), (oak, 2.0, 60, 7)], 120)
    assert "T3-C1" in thick.reason


def test_thicker_oak_is_dried_more_gently():
    oak = find("northern red oak")
    thin, thick = (suggest([(oak, t, 80, 7)], 120).schedule for t in (2.0, 3.0))
    assert all(emc(step_at(thick, mc)) >= emc(step_at(thin, mc)) - 0.3 for mc in (60, 50, 40, 35))
    assert thick.steps[0].dry_bulb_f <= thin.steps[0].dry_bulb_f


def test_own_species_gets_the_schedule_of_its_group():
    own = Species("osage", "Osage-orange", "Maclura pomifera", "hardwood", 0.76, drying_group="refractory")
    assert "refractory hardwood" in suggest([(own, 1.0, 40, 8)], 120).reason


def test_suggestion_without_lots_or_with_impossible_moisture_is_refused():
    with pytest.raises(ValueError, match="lots"):
        suggest([], 120)
    with pytest.raises(ValueError, match="start_mc"):
        suggest([(find("white oak"), 1.0, 900, 7)], 120)


def test_softwood_ladder_is_gentler_when_thick():
    thin, thick = softwood_ladder(1.0, 130), softwood_ladder(2.0, 130)
    assert emc(thick.steps[0]) > emc(thin.steps[0]) + 1
    assert problems(thin, target_mc_pct=7) == problems(thick, target_mc_pct=7) == []


# Wengert, Drying Oak Lumber, step 6C: equalize at target - 2; Handbook 188 ch. 7: condition at target + 4.
def test_finish_equalizes_and_conditions_at_the_published_emc():
    oak = low_temperature(assemble("T4-D2"), 125)
    done = finish(oak, target_mc_pct=7, softwood=False, has_humidifier=True, conditioning_hours=20)
    equalize, condition = done.steps[-2:]
    assert equalize.kind == "equalize" and emc(equalize) == pytest.approx(5, abs=0.4)
    assert condition.kind == "condition" and emc(condition) == pytest.approx(11, abs=0.4)
    assert condition.hours == 20
    assert problems(done, target_mc_pct=7, max_dry_bulb_f=125) == []
    assert (done.code, done.name) == ("T4-D2-LT+condition", f"{oak.name}, then equalize and condition")
    hot = with_heat(oak, kind="heat", dry_bulb_f=150, hours=10)
    after = finish(hot, target_mc_pct=7, softwood=False, has_humidifier=False)
    assert [step.kind for step in after.steps[-2:]] == ["equalize", "heat"]
    with pytest.raises(ValueError, match="of its own already"):
        finish(done, target_mc_pct=7, softwood=False, has_humidifier=True)


# 4 to 72 h (lumber conditioning advice, seen); 4 h for 4/4 softwood, 16 to 24 for 4/4 and 48 or more for 8/4 hardwood
# (USDA Agriculture Handbook 188 ch. 7, memory).
def test_hours_of_conditioning_keep_to_the_published_ones():
    assert conditioning_hours(1.0, softwood=True) == 4
    assert 16 <= conditioning_hours(1.0, softwood=False) <= 24
    assert 48 <= conditioning_hours(2.125, softwood=False) <= 72
    assert conditioning_hours(16, softwood=False) == 72 and conditioning_hours(0.5, softwood=True) == 4


@pytest.mark.parametrize("code", ["", "T4-D2-LT", "+equalize", "slow-oak+condition"])
def test_a_code_and_its_finish_part_and_join(code):
    assert joined(*parted(code)) == code


def test_an_unknown_finish_is_named():
    with pytest.raises(ValueError, match=r"'T4-D2\+steam' ends in none of \+equalize or \+condition"):
        parted("T4-D2+steam")


def test_conditioning_without_a_humidifier_is_refused():
    with pytest.raises(ValueError, match="humidifier"):
        finish(
            assemble("T4-D2"), target_mc_pct=7, softwood=False, has_humidifier=False, conditioning_hours=20
        )


def test_heat_stage_holds_the_emc_and_comes_last():
    oak = low_temperature(assemble("T4-D2"), 125)
    hot = with_heat(oak, kind="heat", dry_bulb_f=150, hours=10)
    assert (hot.steps[-1].kind, hot.steps[-1].hours, hot.steps[-1].dry_bulb_f) == ("heat", 10, 150)
    assert emc(hot.steps[-1]) == pytest.approx(emc(oak.steps[-1]), abs=0.2)
    assert problems(hot, target_mc_pct=7, max_dry_bulb_f=150) == []
    assert any("150 °F is above" in problem for problem in problems(hot, max_dry_bulb_f=140))


@pytest.mark.parametrize(
    ("kwargs", "told"),
    [
        ({"kind": "steam", "dry_bulb_f": 150, "hours": 10}, "kind"),
        ({"kind": "heat", "dry_bulb_f": 90, "hours": 10}, "dry_bulb_f"),
        ({"kind": "pitch", "dry_bulb_f": 160, "hours": 0}, "hours"),
    ],
)
def test_impossible_heat_stage_is_refused(kwargs, told):
    with pytest.raises(ValueError, match=told):
        with_heat(assemble("T4-D2"), **kwargs)


def own(*steps):
    return Schedule("", "our own", tuple(steps))


GOOD = (Step(START_MC_PCT, 100, 92), Step(30, 110, 92), Step(20, 120, 88))


def test_own_schedule_that_makes_sense_has_no_problems():
    assert problems(own(*GOOD), target_mc_pct=7, max_dry_bulb_f=120) == []


@pytest.mark.parametrize(
    ("steps", "kwargs", "told"),
    [
        ((Step(300, 100, 100),), {}, "wet bulb 100 °F must be below the dry bulb 100 °F"),
        ((Step(300, 100, 104),), {}, "must be below"),
        ((Step(300, 120, 40),), {}, "no air of 120 °F has a wet bulb as low as 40 °F"),
        ((Step(300, 100, 92), Step(30, 110, 92), Step(35, 120, 92)), {}, "moisture must fall"),
        ((Step(300, 100, 92), Step(30, 110, 92), Step(30, 120, 92)), {}, "moisture must fall"),
        ((Step(300, 100, 95),), {"target_mc_pct": 7}, "never reaches the target of 7 %"),
        (GOOD, {"max_dry_bulb_f": 115}, "above the 115 °F that the chamber may run at"),
        ((), {}, "no steps"),
        ((Step(10, 160, 120, "pitch", 24),), {}, "no drying step"),
        ((Step(10, 160, 120, "pitch", 24), *GOOD), {}, "after the last drying step"),
        ((*GOOD, Step(8, 150, 110, "heat")), {}, "needs its hours"),
        ((Step(300, float("nan"), 92),), {}, "must be numbers"),
        ((Step(300, 500, 92),), {}, "outside 40 to 250"),
        ((Step(300, 100, 92, hours=-4),), {}, "hours"),
        ((Step(400, 100, 92),), {}, "starting moisture 400 %"),
    ],
)
def test_nonsense_is_named(steps, kwargs, told):
    assert any(told in problem for problem in problems(own(*steps), **kwargs)), problems(
        own(*steps), **kwargs
    )


def test_pitch_stage_after_drying_is_allowed():
    assert problems(own(*GOOD, Step(8, 160, 120, "pitch", 24)), target_mc_pct=8, max_dry_bulb_f=160) == []


def test_unknown_kind_of_step_is_refused():
    with pytest.raises(ValueError, match="kind"):
        Step(30, 100, 90, "steam")


def test_wording_of_when_a_step_starts():
    schedule = own(*GOOD, Step(8, 160, 120, "pitch", 24))
    assert [schedule.when(i) for i in range(4)] == ["over 30 %", "at 30 %", "at 20 %", "then 24 h"]


@given(mc=st.floats(0, 300), code=st.sampled_from(CODES))
def test_step_at_is_the_last_step_the_wood_has_fallen_to(mc, code):
    steps = assemble(code).steps
    chosen = step_at(assemble(code), mc)
    later = steps[steps.index(chosen) + 1 :]
    assert mc <= chosen.from_mc_pct
    assert all(mc > step.from_mc_pct for step in later)


def test_step_at_refuses_impossible_moisture():
    with pytest.raises(ValueError, match="mc_pct"):
        step_at(assemble("T4-D2"), -1)


def harder_to_dry(name, thickness):
    wood = find(name)
    return delicacy(wood, thickness, for_wood(wood, thickness, 125).schedule)


def test_delicacy_goes_as_the_trade_knows_it():
    # Common practice, and the order of the safe rates of FOR-128 Table 9: 2.5, 3.8, 6.5, 13.8 % a day.
    order = ["white oak", "northern red oak", "sugar maple", "yellow-poplar"]
    for thickness in (1.0, 2.0):
        for harder, easier in pairwise(order):
            assert harder_to_dry(harder, thickness) > harder_to_dry(easier, thickness)


def test_thicker_stock_of_a_wood_is_more_delicate():
    # FOR-128 Table 9: the 8/4 rate is 0.4 times the 4/4 rate; thickness^-1.32 between them.
    for wood in all_species():
        for thin, thick in pairwise((1.0, 1.5, 2.0, 3.0)):
            assert harder_to_dry(wood.key, thick) > harder_to_dry(wood.key, thin), wood.key


def test_red_oak_and_not_hard_maple_governs_their_mix():
    # Their codes are T4-D2 and T8-C3; by mean depression alone the maple's is the damper one.
    oak, maple = find("northern red oak"), find("sugar maple")
    for lots in ([(oak, 1.0, 70, 7), (maple, 1.0, 70, 7)], [(maple, 1.0, 70, 7), (oak, 1.0, 70, 7)]):
        suggestion = suggest(lots, 120)
        assert suggestion.schedule.code == "T4-D2-LT"
        assert "most delicate" in suggestion.reason and "3.8 % a day" in suggestion.reason
        assert suggestion.reason.count(". ") == 0 and suggestion.reason.endswith(".")


def test_a_wood_without_a_safe_rate_ranks_by_its_drying_group():
    slow = Species("own", "Osage-orange", "", "hardwood", 0.76, drying_group="refractory")
    easy = replace(slow, drying_group="easy")
    assert not bearable_rate(slow, 1.0)[1]
    assert bearable_rate(slow, 1.0)[0] < bearable_rate(easy, 1.0)[0]
    mixed = suggest([(find("yellow-poplar"), 1.0, 80, 8), (slow, 1.0, 60, 8)], 120)
    assert "Osage-orange" in mixed.reason and "a refractory wood" in mixed.reason


@pytest.mark.parametrize("elevation_ft", [0.0, 5000.0, 9000.0])
def test_the_air_of_a_suggestion_does_not_depend_on_elevation_but_its_wet_bulb_does(elevation_ft):
    # Psychrometric wet bulb falls with pressure at one dry bulb and RH (ASHRAE Fundamentals 2017, ch. 1, eq. 33).
    for name in ("northern red oak", "eastern white pine"):
        lots = [(find(name), 1.0, 80, 8)]
        here, sea = (suggest(lots, 125, elevation_ft=e).schedule for e in (elevation_ft, 0.0))
        assert problems(here, target_mc_pct=8, max_dry_bulb_f=125, elevation_ft=elevation_ft) == []
        for high, low in zip(here.steps, sea.steps, strict=True):
            assert high.dry_bulb_f == low.dry_bulb_f and high.wet_bulb_f <= low.wet_bulb_f
            assert emc(high, elevation_ft) == pytest.approx(emc(low), abs=1.1)  # half degrees of wet bulb
        assert elevation_ft < 5000 or here != sea


@pytest.mark.parametrize("code", ["T1-F8", "T2-F8", "T3-E8", "T14-A8"])
def test_every_code_makes_sense_high_up(code):
    for elevation_ft in (5000.0, 10000.0):
        assert problems(assemble(code, elevation_ft=elevation_ft), elevation_ft=elevation_ft) == []


def test_finish_and_heat_take_elevation():
    oak = low_temperature(assemble("T4-D2"), 125, elevation_ft=7000)
    done = finish(
        oak, target_mc_pct=7, softwood=False, has_humidifier=True, conditioning_hours=20, elevation_ft=7000
    )
    assert [round(emc(step, 7000)) for step in done.steps[-2:]] == [5, 11]
    hot = with_heat(oak, kind="heat", dry_bulb_f=150, hours=10, elevation_ft=7000)
    assert emc(hot.steps[-1], 7000) == pytest.approx(emc(oak.steps[-1], 7000), abs=0.2)


def test_equalizing_air_that_no_dehumidifier_holds_is_refused_with_its_figure():
    with pytest.raises(ValueError, match=r"4 % EMC, drier than the 4\.5 %"):
        finish(assemble("T4-D2"), target_mc_pct=6, softwood=False, has_humidifier=True)


def test_equalizing_air_that_is_too_damp_is_named():
    damp = own(*GOOD, Step(8, 120, 105, "equalize"))
    assert any("Step 4" in p and "never reaches the target" in p for p in problems(damp, target_mc_pct=7))


def test_timed_step_does_not_hide_rising_moisture():
    rising = own(Step(300, 100, 92), Step(30, 110, 92), Step(30, 110, 90, hours=24), Step(40, 120, 90))
    assert any("Step 4" in p and "moisture must fall" in p for p in problems(rising))


def test_timber_programme_runs_its_days_from_cool_and_damp_to_warm_and_dry():
    timbers = timber_programme(21, 115)
    assert problems(timbers, target_mc_pct=12, max_dry_bulb_f=115) == []
    assert sum(step.hours for step in timbers.steps) == pytest.approx(21 * 24)
    assert [s.dry_bulb_f for s in timbers.steps] == [90, 100, 110, 115]
    assert all(emc(after) < emc(before) for before, after in pairwise(timbers.steps))
    hot = with_heat(timbers, kind="pitch", dry_bulb_f=160, hours=48)
    assert problems(hot, max_dry_bulb_f=160) == [] and hot.steps[-1].kind == "pitch"
    with pytest.raises(ValueError, match="days"):
        timber_programme(0, 115)


@pytest.mark.parametrize(
    ("step", "outside_f", "told"),
    [
        (Step(20, 165, 120), 50, "165 °F is hotter than the 160 °F limit of Chamber 2"),
        (
            Step(20, 150, 110),
            0,
            "150 °F is out of reach: with 0 °F outside, heater and fans hold Chamber 2 at",
        ),
        (
            Step(300, 85, 80),
            95,
            "85 °F is out of reach: with 95 °F outside, the fans alone bring Chamber 2 to",
        ),
        (Step(300, 66, 60), 40, "66 °F is colder than the 70 °F"),
        (Step(300, 90, 86), 50, ""),
        (Step(9, 140, 105, "heat", 12), 50, ""),
    ],
)
def test_step_out_of_a_chambers_reach_is_told_with_the_figure_that_stops_it(step, outside_f, told):
    room = replace(ROOM, heater_kw=1.0) if outside_f == 0 else ROOM
    why = out_of_reach(step, Machine(room, Outside(outside_f, 60)))
    assert why.startswith(told) if told else why == ""


def test_reach_is_the_steady_heat_balance_worked_by_hand():
    # Q = (UA + m cp) dT with U = 1/R; 1 kW and 0.5 kW of fans. Walls 640 ft2 = 59.5 m2 at R 20 (3.52 m2K/W) with a
    # quarter for doors and joints: 0.0211 kW/K; 3 kg/h of leaks: 0.0009 kW/K; 1.5 kW / 0.0220 = 68.3 K = 123 °F.
    machine = Machine(replace(ROOM, heater_kw=1.0), Outside(0, 60))
    assert psychro.f_from_c(machine.highest_c()) == pytest.approx(123, abs=1)
