"""What a running charge answers: step, governing moisture, next change, when done."""

import pytest

from kilnshop.charges import following, readings, running
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, read, running_charge


@pytest.fixture
def charge(operator):
    return running_charge(operator, lots=[factory.make_lot(species_key="black_cherry")])


def by_hand(charge, operator, hours, *values):
    """A reading whose channels 1 and 2 are put to known figures."""
    reading = read(charge, operator, hours=hours, dry_bulb_f=115, **{f"ch{i}": 18.0 for i in (1, 2)})
    for channel, value in enumerate(values, 1):
        readings.correct_by_hand(
            reading=reading, channel=channel, value=value, why="known", by=operator, now=NOW + hours * HOUR
        )
    return reading


def test_a_planned_charge_has_no_step_and_no_next_change(operator):
    charge = factory.make_charge()
    assert following.current_step(charge) is None
    assert following.next_change(charge, NOW) is None
    assert following.governing_mc(charge, NOW) is None
    assert following.expected_done(charge, NOW) is None


def test_the_first_step_is_set_at_the_start(charge):
    step = following.current_step(charge)
    assert (step.number, step.dry_bulb_f, step.wet_bulb_f, step.state) == (1, 115.0, 96.0, "now")
    assert [row.state for row in following.steps(charge)] == ["now", "next"]


def test_without_readings_the_plan_says_when(charge):
    change = following.next_change(charge, NOW + HOUR)
    assert change.trigger == "when the wettest half of the probes averages 15 %"
    assert change.expected_at == NOW + 120 * HOUR
    assert not change.due
    mc = following.governing_mc(charge, NOW + 60 * HOUR)
    assert (mc.measured, mc.value) == (False, 20.0)  # half way from 25 to 15 by hand


def test_the_wettest_half_governs(charge, operator):
    by_hand(charge, operator, 10, 22.0, 19.0)
    mc = following.governing_mc(charge, NOW + 11 * HOUR)
    assert (mc.value, mc.measured, mc.how) == (22.0, True, "average of the wettest 1 of 2 probes")


def test_a_later_reading_of_one_probe_does_not_stand_for_all(charge, operator):
    by_hand(charge, operator, 10, 22.0, 19.0)
    later = read(charge, operator, hours=20, dry_bulb_f=115, ch2=18.0)
    readings.correct_by_hand(
        reading=later, channel=2, value=16.0, why="known", by=operator, now=NOW + 20 * HOUR
    )
    assert following.governing_mc(charge, NOW + 21 * HOUR).value == 22.0
    much_later = read(charge, operator, hours=60, dry_bulb_f=115, ch2=17.0)
    readings.correct_by_hand(
        reading=much_later, channel=2, value=15.5, why="known", by=operator, now=NOW + 60 * HOUR
    )
    assert following.governing_mc(charge, NOW + 61 * HOUR).value == 15.5


def test_a_measured_moisture_moves_the_expected_change(charge, operator):
    """At 20 %, half of 25 to 15 is left: half of 120 hours, by hand."""
    by_hand(charge, operator, 30, 20.0, 18.0)
    assert following.next_change(charge, NOW + 30 * HOUR).expected_at == NOW + 90 * HOUR


def test_at_the_trigger_the_change_is_due(charge, operator):
    by_hand(charge, operator, 100, 15.0, 14.0)
    assert following.next_change(charge, NOW + 100 * HOUR).due


def test_a_probe_over_range_leaves_no_number_and_no_change(charge, operator):
    read(charge, operator, hours=10, dry_bulb_f=110, ch1=35.0, ch2=12.0)
    mc = following.governing_mc(charge, NOW + 11 * HOUR)
    assert (mc.value, mc.verdict) == (None, "over")
    assert not following.next_change(charge, NOW + 11 * HOUR).due


def test_an_old_reading_does_not_drive_the_schedule(charge, operator):
    by_hand(charge, operator, 10, 15.0, 14.0)
    assert following.governing_mc(charge, NOW + 120 * HOUR).measured is False


def test_the_last_step_ends_at_the_target(charge, operator):
    running.change_step(charge=charge, to_index=1, by=operator, now=NOW + 120 * HOUR, why="15 %")
    charge.refresh_from_db()
    change = following.next_change(charge, NOW + 130 * HOUR)
    assert change.step is None
    assert change.trigger.endswith("averages 7 %, the target")
    assert change.expected_at == NOW + 288 * HOUR


def test_the_finish_has_a_band_from_the_plan(charge):
    """288 planned hours of steps; the plan's band is 9 and 15.5 around 12 days, by hand."""
    low, expected, high = following.expected_done(charge, NOW)
    assert expected == NOW + 288 * HOUR
    assert low == NOW + 216 * HOUR
    assert high == NOW + 372 * HOUR


def test_a_step_past_its_time_without_evidence_is_late(charge):
    change = following.next_change(charge, NOW + 150 * HOUR)
    assert change.late
    assert change.expected_at == NOW + 150 * HOUR


def test_last_values_are_the_newest_of_each(charge, operator):
    read(charge, operator, hours=1, dry_bulb_f=100, meter_kwh=10)
    read(charge, operator, hours=2, dry_bulb_f=105)
    last = following.last_values(charge)
    assert last["dry_bulb_f"] == (105, NOW + 2 * HOUR)
    assert last["meter_kwh"] == (10, NOW + HOUR)


def test_water_is_due_within_two_weeks_of_the_last_top_up(charge, operator):
    assert following.water_due_at(charge) == NOW + 14 * 24 * HOUR
    charge = running.top_up_water(charge=charge, by=operator, now=NOW + 48 * HOUR)
    assert following.water_due_at(charge) == NOW + 16 * 24 * HOUR


def test_a_reading_is_due_a_day_after_the_last(charge, operator):
    assert following.reading_due_at(charge, 24) == NOW + 24 * HOUR
    read(charge, operator, hours=10, dry_bulb_f=110)
    assert following.reading_due_at(charge, 24) == NOW + 34 * HOUR


def test_the_chart_holds_plan_and_measurement_apart(charge, operator):
    by_hand(charge, operator, 10, 22.0, 19.0)
    drawn = following.figures(charge, charge.started_at)
    assert [row["mc"] for row in drawn.planned_mc] == [25.0, 15.0, 7.0]
    assert sorted(row["mc"] for row in drawn.measured_mc) == [19.0, 22.0]
    assert {row["temp_f"] for row in drawn.planned_air} == {115.0, 96.0, 120.0, 90.0}
    assert [row["temp_f"] for row in drawn.measured_air] == [115]


def test_a_long_log_is_thinned_for_the_chart_and_keeps_its_end(charge, operator):
    from kilnshop.charges.models import LogImport, Reading

    log = LogImport.objects.create(
        charge=charge, sha256="0", mapping={}, rows_taken=1000, imported_at=NOW, imported_by=operator
    )
    Reading.objects.bulk_create(
        Reading(charge=charge, logged=log, taken_at=NOW + i / 60 * HOUR, dry_bulb_f=100) for i in range(1000)
    )
    rows = following.thinned(charge)
    assert len(rows) <= 401
    assert rows[-1].taken_at == NOW + 999 / 60 * HOUR
