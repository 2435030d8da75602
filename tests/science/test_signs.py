"""Signs in the readings, on hand-made cases. Ceilings: Wengert's safe-rate table (4/4 red oak 3.8, 4/4 white oak
2.5, 8/4 red oak 1.5 % a day); air: psychrometric charts by psychrolib's own equations (ASHRAE Fundamentals ch. 1)."""

import datetime as dt

import pytest

from kilnshop.science import signs, species
from kilnshop.science.signs import Air, Setting, Wood

START = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)


def at(hours):
    return START + dt.timedelta(hours=hours)


def setting(**over):
    values = {
        "since": at(-48),
        "kind": "dry",
        "dry_bulb_f": 110.0,
        "wet_bulb_f": 95.0,
        "wet_bulb_high_f": 95.0,
        "emc_pct": 9.3,  # 110/95 °F is 57 % RH: EMC table of the Wood Handbook, ch. 4 (memory)
        "compressor": True,
        "lockout_dry_bulb_f": 125.0,
    }
    return Setting(**(values | over))


def wood(key, thickness, *rounds, **over):
    told = tuple((at(hours), {str(i): mc for i, mc in enumerate(mcs)}) for hours, *mcs in rounds)
    return Wood("A", species.find(key), thickness, 7.0, told, **over)


def log(values, minutes=5):
    return [(START + dt.timedelta(minutes=minutes * i), value) for i, value in enumerate(values)]


@pytest.mark.parametrize(
    ("key", "thickness", "before", "after", "severity"),
    [
        ("northern_red_oak", 1.0, 50.0, 46.1, "stop"),  # 3.9 of 3.8
        ("northern_red_oak", 1.0, 50.0, 46.9, "caution"),  # 3.1 is 82 %
        ("northern_red_oak", 1.0, 50.0, 47.1, None),  # 2.9 is 76 %
        ("northern_red_oak", 2.0, 50.0, 48.4, "stop"),  # 1.6 of 1.5
        ("white_oak", 1.0, 50.0, 47.4, "stop"),  # 2.6 of 2.5
        ("white_oak", 1.0, 50.0, 48.1, None),  # 1.9 is 76 %
        ("northern_red_oak", 1.0, 50.0, 50.5, None),  # gained
        ("northern_red_oak", 1.0, 23.0, 19.9, None),  # 82 %, but past where it checks
        ("northern_red_oak", 1.0, 23.0, 19.1, "stop"),
    ],
)
def test_the_days_loss_is_held_against_the_safe_ceiling(key, thickness, before, after, severity):
    found = list(signs.too_fast(wood(key, thickness, (0, before), (24, after))))
    assert [sign.severity for sign in found] == ([severity] if severity else [])
    assert all(sign.about == "A" and sign.at == at(24) for sign in found)


def test_a_loss_over_two_days_counts_by_the_day_and_only_of_boards_read_twice():
    loss = signs.loss_of(wood("northern_red_oak", 1.0, (0, 50.0), (48, 44.0, 80.0)))
    assert (loss.pct_per_day, loss.mc_pct) == (3.0, 44.0)


@pytest.mark.parametrize("hours", [6, 90])
def test_rounds_too_close_or_too_far_apart_give_no_loss(hours):
    assert signs.loss_of(wood("northern_red_oak", 1.0, (0, 50.0), (hours, 30.0))) is None


@pytest.mark.parametrize(
    ("key", "before", "after", "count"),
    [
        ("yellow_poplar", 80.0, 76.0, 1),
        ("yellow_poplar", 80.0, 74.0, 0),
        ("yellow_poplar", 24.0, 22.0, 0),
        ("northern_red_oak", 80.0, 78.0, 0),
    ],
)
def test_white_wood_that_dries_too_slowly_may_mould(key, before, after, count):
    assert species.find("yellow_poplar").light_wood and not species.find("northern_red_oak").light_wood
    assert len(list(signs.too_slow(wood(key, 1.0, (0, before), (24, after))))) == count


@pytest.mark.parametrize(
    ("airs", "kind"),
    [
        ([(0, 110, 95)], None),
        ([(0, 112, 96)], None),
        ([(0, 104, 92)], "off_plan"),
        ([(0, 110, 88)], "off_plan"),
        ([(0, 110, 101)], "off_plan"),
        ([(0, 121, 95)], "hot"),
        ([(0, 110, 95), (1, 100, 90), (1.5, 110, 95)], None),  # a door opened between
    ],
)
def test_air_off_plan(airs, kind):
    found = list(signs.off_plan([Air(at(h), d, w) for h, d, w in airs], setting()))
    assert [sign.kind for sign in found] == ([kind] if kind else [])


def test_a_wet_bulb_that_the_machine_was_not_expected_to_hold_is_on_plan():
    airs = [Air(at(0), 110, 101)]
    assert not list(signs.off_plan(airs, setting(wet_bulb_high_f=100.0)))


def test_after_a_change_of_step_the_chamber_has_time_to_settle():
    airs = [Air(at(0), 95, 85)]
    assert not list(signs.off_plan(airs, setting(since=at(-6))))
    assert list(signs.off_plan(airs, setting(since=at(-13))))


def test_wood_below_the_emc_of_its_air_that_still_dries_accuses_the_wick():
    airs = [Air(at(24), 110, 95)]
    losing = wood("northern_red_oak", 1.0, (0, 8.2), (24, 7.8))
    (sign,) = signs.wick(airs, [losing], setting())
    assert sign.kind == "wick" and "7.8 %" in sign.text
    assert not list(signs.wick(airs, [wood("northern_red_oak", 1.0, (0, 7.8), (24, 7.8))], setting()))
    assert not list(signs.wick(airs, [wood("northern_red_oak", 1.0, (0, 14.0), (24, 13.0))], setting()))


def test_drying_faster_than_planned_in_air_no_drier_accuses_the_wick():
    airs = [Air(at(24), 110, 97)]
    fast = wood("northern_red_oak", 1.0, (0, 22.0), (24, 19.0), planned_loss_pct_per_day=1.5)
    assert [sign.about for sign in signs.wick(airs, [fast], setting())] == ["A"]
    dry = [Air(at(24), 110, 85)]
    assert not list(signs.wick(dry, [fast], setting()))


def test_a_falling_wet_bulb_with_the_heat_off_is_told_apart_from_drying_air():
    (sign,) = signs.heat_off([Air(at(0), 110, 95), Air(at(2), 95, 86)], setting())
    assert "not drying air" in sign.text
    assert not list(signs.heat_off([Air(at(0), 110, 95), Air(at(2), 110, 88)], setting()))


WET = [wood("northern_red_oak", 1.0, (0, 30.0))]


def drained(*pounds):
    return [Air(at(6 * i), condensate_lb=lb) for i, lb in enumerate(pounds)]


@pytest.mark.parametrize(
    ("pounds", "woods", "over", "count"),
    [
        ((0, 20, 20, 20, 0, 0), WET, {}, 1),
        ((0, 20, 20, 20, 15, 12), WET, {}, 0),
        ((0, 20, 20, 20, 20, 0), WET, {}, 0),  # six hours are not enough to tell
        ((0, 20, 20, 20, 0, 0), [wood("northern_red_oak", 1.0, (0, 9.0))], {}, 0),
        ((0, 20, 20, 20, 0, 0), WET, {"compressor": False}, 0),
        ((0, 0.3, 0.3, 0.3, 0, 0), WET, {}, 0),
    ],
)
def test_a_drain_that_stops_while_the_wood_is_wet(pounds, woods, over, count):
    assert len(list(signs.drain(drained(*pounds), woods, setting(**over)))) == count


@pytest.mark.parametrize(("dry", "on", "count"), [(124, True, 0), (127, True, 1), (127, False, 0)])
def test_a_compressor_above_its_limit(dry, on, count):
    assert len(list(signs.compressor([Air(at(0), dry)], setting(compressor=on)))) == count


def test_a_gap_in_the_log_has_its_length():
    rows = log([110.0] * 20)
    later = [(time + dt.timedelta(hours=3, minutes=20), 80.0) for time, _ in rows]
    (sign,) = signs.power(rows + [(t + dt.timedelta(minutes=95), v) for t, v in later])
    assert sign.severity == "caution"
    assert "3 h 20 min" in sign.text and "30 °F cooler" in sign.text


def test_a_recorder_that_writes_every_hour_has_no_gaps():
    assert not list(signs.power(log([110.0] * 30, minutes=60)))


def test_short_dips_are_openings_of_the_door_and_a_lasting_fall_is_not():
    dip = [110] * 5 + [102, 103, 106, 109]
    (sign,) = signs.doors(log(dip + dip + [110] * 3))
    assert "2 times" in sign.text
    assert not list(signs.doors(log([110] * 5 + [102] * 40)))


def test_damp_warm_air_for_most_of_a_day_is_mould_weather():
    """90/87 °F is about 89 % RH, 110/95 °F about 57 %: psychrometric chart (memory)."""
    damp = [Air(at(4 * i), 90, 87) for i in range(7)]
    assert [sign.kind for sign in signs.damp_air(damp, WET, setting())] == ["mould"]
    assert not list(signs.damp_air([*damp[:5], Air(at(20), 110, 95), Air(at(24), 90, 87)], WET, setting()))
    assert not list(signs.damp_air(damp, [wood("northern_red_oak", 1.0, (0, 12.0))], setting()))


def test_a_quiet_charge_shows_nothing():
    airs = [Air(at(12 * i), 110, 95, 10.0) for i in range(5)]
    calm = wood("northern_red_oak", 1.0, (0, 22.0), (24, 20.8), (48, 19.6))
    assert signs.signs(airs, log([110.0] * 50), [calm], setting()) == []
