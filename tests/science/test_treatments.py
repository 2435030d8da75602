"""Heat treatments judged on logs: ISPM 15 (56 °C for 30 continuous minutes through the core) and others."""

import dataclasses
import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science.psychro import f_from_c
from kilnshop.science.treatments import Treatment, all_treatments, clocks, find, highest_held, judge

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
ISPM = find("ispm15_ht")
LIMIT = 132.8  # 56 °C exactly


def log(minutes, *cores):
    """Times at those minutes, and channels core_1, core_2, ..."""
    times = [START + timedelta(minutes=m) for m in minutes]
    return times, {f"core_{n}": list(values) for n, values in enumerate(cores, 1)}


def steady(last, *levels, every=5):
    minutes = [*range(0, int(last), every), last]
    return log(minutes, *([level] * len(minutes) for level in levels))


def test_limit_of_ispm_15_is_56_c_exactly():
    # ISPM 15 Annex 1: 56 °C for 30 minutes; US papers print 133 °F.
    assert ISPM.min_temperature_f == LIMIT
    assert ISPM.min_continuous_minutes == 30
    assert ISPM.is_core and ISPM.needs_agency
    assert ISPM.criterion == "core at or above 132.8 °F (56 °C) for 30 min without a break"


# Criteria as published: ISPM 15 Annex 1; USDA T314-a and -c; CFIA; Wood Handbook ch. 14; pitch by extension advice.
@pytest.mark.parametrize(
    ("key", "limit", "minutes"),
    [
        ("aphis_t314a", 140.0, 60),
        ("aphis_t314b", 132.8, 30),
        ("aphis_t314c", 160.0, 75),
        ("canada_eab_high", 159.8, 1200),
        ("lyctid_core", 133.0, 30),
        ("pitch_180f", 180.0, 1440),
    ],
)
def test_published_criteria(key, limit, minutes):
    treatment = find(key)
    assert (treatment.min_temperature_f, treatment.min_continuous_minutes) == (limit, minutes)
    assert treatment.checkable


def test_thirty_minutes_are_met_and_29_9_are_not():
    assert judge(ISPM, *steady(30.0, 135.0)).verdict == "met"
    short = judge(ISPM, *steady(29.9, 135.0))
    assert short.verdict == "not met"
    assert short.longest_minutes == pytest.approx(29.9)
    assert "29.9 min; 30 are needed" in short.reasons[0]


def test_56_c_logged_is_the_limit_and_a_hair_less_is_not():
    for celsius, verdict in ((56.0, "met"), (55.99, "not met"), (56.01, "met")):
        assert judge(ISPM, *steady(45, f_from_c(celsius))).verdict == verdict, celsius
    assert judge(ISPM, *steady(45, 132.8)).verdict == "met"
    assert judge(ISPM, *steady(45, 132.7)).verdict == "not met"


def test_verdict_gives_the_interval_and_its_coldest_reading():
    times, cores = log([0, 5, 10, 15, 20, 25, 30, 35, 40, 45], [120, 131, 133, 134, 134, 135, 135, 134, 133, 130],
                       [118, 130, 134, 133.2, 136, 135, 135, 134, 134, 129])  # fmt: skip
    found = judge(ISPM, times, cores)
    assert found.met
    assert (found.longest_minutes, found.lowest_f) == (30, 133)
    assert (found.start, found.end) == (times[2], times[8])
    assert any("agency" in r for r in found.reasons) and any("debarked" in r for r in found.reasons)


def test_a_drop_starts_the_clock_again():
    minutes = list(range(0, 65, 5))
    core = [140.0] * 13
    core[6] = 132.7
    found = judge(ISPM, *log(minutes, core))
    assert found.verdict == "not met"
    assert found.longest_minutes == 25
    assert any("fell to 132.7" in r for r in found.reasons)


def test_a_gap_longer_than_allowed_breaks_the_time():
    minutes = [0, 5, 10, 15, 21, 26, 31, 36]
    found = judge(ISPM, *log(minutes, [140.0] * 8))
    assert (found.verdict, found.longest_minutes) == ("not met", 15)
    assert any("longest gap between readings is 6 min; 5 is allowed" in r for r in found.reasons)
    assert judge(ISPM, *log(minutes, [140.0] * 8), max_gap_minutes=6).verdict == "met"


def test_one_cold_probe_among_warm_ones_is_not_met():
    found = judge(ISPM, *steady(120, 150.0, 150.0, 131.0, 150.0))
    assert (found.verdict, found.longest_minutes, found.lowest_f) == ("not met", 0, None)
    assert "coldest read 131 °F" in found.reasons[0]


@pytest.mark.parametrize("missing", [None, float("nan"), float("inf"), 999.0, -400.0])
def test_a_missing_or_impossible_reading_breaks_the_time(missing):
    minutes = list(range(0, 50, 5))
    core = [140.0] * 10
    core[5] = missing
    found = judge(ISPM, *log(minutes, core, [140.0] * 10))
    assert found.verdict == "not met"
    assert any("missing or impossible" in r for r in found.reasons)


def test_order_of_rows_does_not_matter():
    times, cores = log([0, 5, 10, 15, 20, 25, 30, 35], [131, 133, 134, 135, 135, 134, 133.5, 133])
    found = judge(ISPM, times, cores)
    assert judge(ISPM, times[::-1], {k: v[::-1] for k, v in cores.items()}) == found
    assert found.longest_minutes == 30


def test_rows_of_the_same_moment_are_joined_and_the_colder_reading_kept():
    times, cores = steady(30, 140.0)
    again = [*times, times[3]]
    assert judge(ISPM, again, {"core_1": [*cores["core_1"], 140.0]}).verdict == "met"
    assert judge(ISPM, again, {"core_1": [*cores["core_1"], 120.0]}).verdict == "not met"
    assert judge(ISPM, again, {"core_1": [*cores["core_1"], None]}).verdict == "met"
    # one row per probe, as some loggers write
    long_times = [t for t in times for _ in range(2)]
    one = [140.0 if i % 2 == 0 else None for i in range(len(long_times))]
    two = [140.0 if i % 2 == 1 else None for i in range(len(long_times))]
    assert judge(ISPM, long_times, {"a": one, "b": two}).verdict == "met"


def test_clock_change_does_not_add_an_hour():
    # US clocks go forward at 02:00 on 8 March 2026: 01:55 to 03:05 on the wall is ten minutes.
    wall = ZoneInfo("America/New_York")
    times = [datetime(2026, 3, 8, 1, 55, tzinfo=wall), datetime(2026, 3, 8, 3, 0, tzinfo=wall),
             datetime(2026, 3, 8, 3, 5, tzinfo=wall)]  # fmt: skip
    assert judge(ISPM, times, {"core": [140, 140, 140]}).longest_minutes == 10


@pytest.mark.parametrize(
    ("times", "cores"),
    [([], {}), ([START], {}), ([], {"core": []}), ([START], {"core": [None]})],
)
def test_without_evidence_it_is_not_recorded(times, cores):
    found = judge(ISPM, times, cores)
    assert found.verdict == "not recorded" and not found.met and found.reasons


def test_a_single_reading_shows_no_time():
    found = judge(ISPM, [START], {"core": [180.0]})
    assert (found.verdict, found.longest_minutes) == ("not met", 0)


def test_treatment_without_a_published_time_is_never_met():
    for key in ("kiln_130f_rule", "pitch_160f", "us_kd_only", "ispm15_dielectric", "mold_no_residual"):
        assert judge(find(key), *steady(6000, 200.0)).verdict == "not recorded", key


def test_too_few_probes_for_the_rule_is_not_recorded():
    # USDA T314 protocol: at least three sensors in the wood.
    rule = find("aphis_t314a")
    assert judge(rule, *steady(90, 150.0, 150.0)).verdict == "not recorded"
    assert judge(rule, *steady(90, 150.0, 150.0, 150.0)).verdict == "met"


def test_every_checkable_treatment_is_met_at_its_limit_and_not_below():
    checkable = [t for t in all_treatments() if t.checkable]
    assert len(checkable) == 22
    for treatment in checkable:
        levels = [treatment.min_temperature_f] * treatment.min_channels
        assert judge(treatment, *steady(treatment.min_continuous_minutes, *levels)).met, treatment.key
        levels[-1] -= 0.1
        assert not judge(treatment, *steady(treatment.min_continuous_minutes, *levels)).met, treatment.key


def test_heat_record_of_an_official_rule_says_it_is_not_the_mark():
    for treatment in all_treatments():
        if treatment.needs_agency and treatment.checkable:
            levels = [treatment.min_temperature_f + 2] * treatment.min_channels
            found = judge(treatment, *steady(treatment.min_continuous_minutes, *levels))
            assert any("not its mark" in r for r in found.reasons), treatment.key


reading = st.sampled_from([150.0] * 8 + [LIMIT] * 4 + [132.7, 120.0, None, float("nan")])
row = st.tuples(st.sampled_from([1, 5, 5, 5, 5, 6]), reading, reading)


@given(st.lists(row, min_size=1, max_size=25), st.randoms(use_true_random=False))
def test_met_only_where_every_core_is_at_the_limit_all_the_time(points, random):
    """Against every possible interval, tried one by one: met exactly where one holds for 30 minutes."""
    random.shuffle(points)
    minutes = [sum(p[0] for p in points[: i + 1]) for i in range(len(points))]
    warm = [all(v is not None and v >= LIMIT for v in p[1:]) for p in points]  # NaN compares false
    longest = max(
        (
            minutes[j] - minutes[i]
            for i in range(len(points))
            for j in range(i, len(points))
            if all(warm[i : j + 1]) and all(points[k][0] <= 5 for k in range(i + 1, j + 1))
        ),
        default=0,
    )
    found = judge(ISPM, *log(minutes, [p[1] for p in points], [p[2] for p in points]))
    assert found.longest_minutes == longest
    assert found.met == (longest >= 30)


@given(st.lists(st.floats(60, 132.79), min_size=10, max_size=40), st.integers(1, 4))
def test_one_core_always_cold_is_never_met(cold, others):
    minutes = list(range(len(cold)))
    times, cores = log([m * 5 for m in minutes], cold, *([160.0] * len(cold) for _ in range(others)))
    assert judge(ISPM, times, cores).verdict == "not met"


@given(st.integers(7, 40), st.data())
def test_one_cold_reading_in_every_half_hour_is_never_met(count, data):
    """A cold reading at least every sixth five-minute row leaves no 30 minutes."""
    core = [150.0] * count
    offset = data.draw(st.integers(0, 5))
    for index in range(offset, count, 6):
        core[index] = data.draw(st.floats(80, 132.79))
    assert not judge(ISPM, *log([5 * i for i in range(count)], core)).met


def test_bad_arguments_are_refused_by_name():
    times, cores = steady(30, 140.0)
    with pytest.raises(ValueError, match="max_gap_minutes"):
        judge(ISPM, times, cores, max_gap_minutes=0)
    with pytest.raises(ValueError, match="'core_1' has 7 values for 6 times"):
        judge(ISPM, times[:-1], cores)
    with pytest.raises(ValueError, match="time zone"):
        judge(ISPM, [*times[:-1], datetime(2026, 3, 2, 9)], cores)
    with pytest.raises(ValueError, match=r"'ispm15' is not known; .*ispm15_ht"):
        find("ispm15")


def test_a_shop_adds_its_own_treatment():
    own = Treatment("own_145", "Shop margin", "powderpost", "core", 145.0, 120.0, True)
    assert judge(own, *steady(120, 145.0)).met
    assert judge(own, *steady(115, 145.0)).verdict == "not met"


@pytest.mark.parametrize(
    ("field", "value"),
    [("measured_at", "door"), ("min_temperature_f", 600), ("min_continuous_minutes", 0), ("min_channels", 0)],
)
def test_impossible_own_treatment_is_refused(field, value):
    with pytest.raises(ValueError, match=field):
        dataclasses.replace(ISPM, **{field: value})
    with pytest.raises(ValueError, match="checkable"):
        dataclasses.replace(ISPM, min_temperature_f=None)


# Hand-made logs, one reading each 5 minutes from the start, °C at two cores. ISPM 15 Annex 1: 56 °C through the core
# for 30 continuous minutes; USDA T314: a reading at least every 5 minutes.
LOGS = {
    "seven warm readings are thirty minutes": ([56.0] * 7, [57.0] * 7, "met", [30]),
    "six are twenty-five": ([56.0] * 6, [57.0] * 6, "not met", [25]),
    "a dip in one core": ([58.0] * 12, [57.0] * 6 + [55.9] + [57.0] * 5, "not met", [25, 20]),
    "a lost reading": ([58.0] * 12, [57.0] * 6 + [None] + [57.0] * 5, "not met", [25, 20]),
    "a late core": ([60.0] * 12, [50.0] * 5 + [56.0] * 7, "met", [30]),
    "a core that never comes up": ([60.0] * 24, [55.99] * 24, "not met", []),
    "one core not logged at all": ([60.0] * 24, [None] * 24, "not recorded", []),
}


@pytest.mark.parametrize("name", LOGS)
def test_hand_made_logs(name):
    one, two, verdict, minutes = LOGS[name]
    convert = [[None if v is None else f_from_c(v) for v in core] for core in (one, two)]
    found = judge(ISPM, *log([5 * i for i in range(len(one))], *convert))
    assert found.verdict == verdict
    assert [interval.minutes for interval in found.intervals] == minutes


@given(st.lists(row, min_size=1, max_size=25), st.randoms(use_true_random=False), st.booleans())
def test_a_verdict_never_depends_on_the_order_of_rows(points, random, metric):
    minutes = [sum(p[0] for p in points[: i + 1]) for i in range(len(points))]
    times, cores = log(minutes, [p[1] for p in points], [p[2] for p in points])
    order = list(range(len(times)))
    random.shuffle(order)
    again = judge(
        ISPM, [times[i] for i in order], {k: [v[i] for i in order] for k, v in cores.items()}, metric=metric
    )
    assert again == judge(ISPM, times, cores, metric=metric)


def test_a_cold_reading_is_never_printed_as_the_limit():
    found = judge(ISPM, *steady(60, 132.7999))
    assert "132.7999 °F" in found.reasons[0]
    assert "55.9999 °C" in judge(ISPM, *steady(60, 132.7999), metric=True).reasons[0]


@given(st.lists(st.floats(100, 200), min_size=3, max_size=40), st.integers(1, 30))
def test_highest_held_against_every_window(values, minutes):
    """Against every stretch of rows tried one by one, one reading a minute."""
    best = max(
        (
            math.floor(round(min(values[i : j + 1]), 4))
            for i in range(len(values))
            for j in range(i, len(values))
            if j - i >= minutes
        ),
        default=None,
    )
    found = highest_held(*log(range(len(values)), values), minutes)
    assert (found.degrees if found else None) == best


@pytest.mark.parametrize(
    ("values", "minutes"),
    [
        ([132.8, 133, 134, 135], 9.0),  # 56 °C is 132.8 °F (ISPM 15): at the limit counts
        ([134, 132.7, 133, 134], 3.0),  # a cold reading starts the clock again
        ([134, None, 133, 134], 3.0),  # so does a missing one
        ([134, 134, 134, 132], 0.0),
        ([], 0.0),
    ],
)
def test_a_running_clock_counts_back_from_the_last_row(values, minutes):
    times = [datetime(2026, 3, 2, 8, 3 * i, tzinfo=UTC) for i in range(len(values))]
    (clock,) = clocks(132.8, times, {"core": values})
    assert clock.minutes == minutes


def test_a_gap_starts_every_clock_again_and_the_slowest_comes_first():
    times = [datetime(2026, 3, 2, 8, minute, tzinfo=UTC) for minute in (0, 3, 9, 12)]
    found = clocks(132.8, times, {"a": [134, 134, 134, 134], "b": [134, 134, 130, 134]})
    assert [(clock.name, clock.minutes) for clock in found] == [("b", 0.0), ("a", 3.0)]
