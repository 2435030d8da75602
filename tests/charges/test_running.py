"""Starting, reading, stepping, finishing, unloading, testing boards and taking logs."""

import datetime as dt
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kilnshop.charges import readings, running
from kilnshop.charges.models import BoardTest, Booking, Charge, Correction, LogImport, LogMapping, Reading
from kilnshop.imports import charge_log
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, all_done, read, running_charge

MAPPING = {
    "time": "Time",
    "clock": "",
    "columns": {"dry_bulb_f": "Dry", "wet_bulb_f": "Wet", "ch1": "P1", "ch3": "Core"},
    "unit": "F",
    "order": "ymd",
    "clocks": "utc",
    "decimal": ".",
}


@pytest.fixture
def charge(operator):
    return running_charge(operator)


def said(error):
    return " ".join(error.value.messages)


# Start


def test_a_start_is_signed_and_keeps_every_line_with_its_reason(charge, operator):
    assert charge.state == "running"
    assert charge.started_at == NOW
    signed = charge.checklists.get(kind="start")
    assert (signed.initials, signed.signed_by) == ("OP", operator)
    assert all(line["done"] and line["why"] for line in signed.lines)


def test_a_line_left_open_refuses_the_start_and_is_named(operator):
    planned = factory.make_charge()
    lines = all_done() | {"wick": {"done": False}}
    with pytest.raises(ValidationError) as error:
        running.start_charge(charge=planned, lines=lines, initials="OP", by=operator, now=NOW)
    assert "“New wick, wet, reservoir full” is neither done nor skipped" in said(error)
    assert Charge.objects.get().started_at is None


def test_a_skipped_line_needs_and_keeps_its_reason(operator):
    planned = factory.make_charge()
    lines = all_done() | {"wick": {"done": False, "skipped_why": "Hygrometer, no wick"}}
    running.start_charge(charge=planned, lines=lines, initials="OP", by=operator, now=NOW)
    kept = {line["key"]: line for line in planned.checklists.get().lines}
    assert (kept["wick"]["done"], kept["wick"]["skipped_why"]) == (False, "Hygrometer, no wick")
    assert Charge.objects.get().water_topped_up_at is None


@pytest.mark.parametrize("initials", ["", "  ", "ABCDE", "1"])
def test_a_start_needs_initials(operator, initials):
    with pytest.raises(ValidationError, match="letters"):
        running.start_charge(
            charge=factory.make_charge(), lines=all_done(), initials=initials, by=operator, now=NOW
        )


def test_a_start_on_another_day_moves_the_booking(operator):
    planned = factory.make_charge(first_day=factory.DAY + dt.timedelta(days=3), days=14)
    running.start_charge(charge=planned, lines=all_done(), initials="OP", by=operator, now=NOW)
    booking = Booking.objects.get()
    assert (booking.first_day, booking.last_day) == (factory.DAY, factory.DAY + dt.timedelta(days=13))


def test_a_chamber_with_a_running_charge_cannot_start_another(charge, operator):
    lot = factory.make_lot(
        order=factory.make_order(number="O-2026-0002", customer=factory.make_customer("Elm Street Stairs"))
    )
    other = factory.make_charge(
        chamber=charge.chamber,
        number="K-2026-0002",
        lots=[lot],
        first_day=factory.DAY + dt.timedelta(days=40),
    )
    with pytest.raises(ValidationError, match="still holds charge K-2026-0001"):
        running.start_charge(charge=other, lines=all_done(), initials="OP", by=operator, now=NOW + 30 * HOUR)


def test_a_charge_starts_once(charge, operator):
    with pytest.raises(ValidationError, match="is running"):
        running.start_charge(charge=charge, lines=all_done(), initials="OP", by=operator, now=NOW)


def test_the_office_may_not_start_read_or_import(charge, office):
    with pytest.raises(PermissionDenied):
        running.start_charge(charge=charge, lines={}, initials="OF", by=office, now=NOW)
    with pytest.raises(PermissionDenied):
        read(charge, office, dry_bulb_f=110)
    with pytest.raises(PermissionDenied):
        charge_log.take(charge=charge, data=log([0]), mapping=MAPPING, by=office, now=NOW + HOUR)


# Readings


def test_a_reading_keeps_the_raw_value_and_a_correction_beside_it(charge, operator):
    """18 % at 120 °F is 15.05 % by the temperature formula (Pfaff and Garrahan 1986, meter_corrections).

    Douglas-fir scale to red oak then follows the Wood Handbook's resistance rows, checked in test_meters.
    """
    reading = read(charge, operator, dry_bulb_f=120, wet_bulb_f=100, ch1=18.0, ch3=104.0)
    reading.refresh_from_db()
    assert (reading.ch1, reading.ch3) == (18.0, 104.0)
    correction = Correction.objects.get()
    assert correction.channel == 1
    assert correction.wood_temp_f == 120
    assert "temperature (T)" in correction.method
    assert "wood taken as dry bulb" in correction.method
    assert 13 < correction.value < 17


def test_a_species_without_a_table_gets_the_temperature_correction_alone(operator):
    lot = factory.make_lot(species_key="black_cherry")
    charge = running_charge(operator, lots=[lot])
    read(charge, operator, dry_bulb_f=120, ch1=18.0)
    assert Correction.objects.get().value == pytest.approx(15.05, abs=0.02)


@pytest.mark.parametrize(("raw", "verdict"), [(35.0, "over"), (95.0, "over"), (3.0, "below"), (0.0, "open")])
def test_out_of_the_meters_range_there_is_a_verdict_and_no_number(charge, operator, raw, verdict):
    read(charge, operator, dry_bulb_f=110, ch1=raw)
    correction = Correction.objects.get()
    assert (correction.value, correction.verdict) == (None, verdict)


def test_the_same_entry_sent_twice_counts_once(charge, operator):
    entry = uuid.uuid4()
    first = read(charge, operator, entry=entry, dry_bulb_f=110)
    again = read(charge, operator, entry=entry, dry_bulb_f=111)
    assert first.pk == again.pk
    assert Reading.objects.get().dry_bulb_f == 110


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"dry_bulb_f": 118, "wet_bulb_f": 131}, "Wet bulb 131 °F is above dry bulb 118 °F"),
        ({"dry_bulb_f": 1180}, "Dry bulb 1180 °F is outside -40 to 250 °F"),
        ({"ch1": 140}, "Channel 1, moisture, 140 % is outside 0 to 100 %"),
        ({"ch3": 400}, "Channel 3, core temperature, 400 °F is outside -40 to 250 °F"),
        ({"ch7": 12}, "Channel 7 has no probe"),
        ({"condensate_lb": -1}, "outside 0 to 20000 lb"),
        ({"dry_bulb_f": float("nan")}, "outside"),
        ({}, "Nothing was filled in"),
    ],
)
def test_nonsense_is_refused_in_words(charge, operator, values, words):
    with pytest.raises(ValidationError) as error:
        read(charge, operator, **values)
    assert words in said(error)
    assert not Reading.objects.exists()


def test_a_meter_that_runs_back_is_refused(charge, operator):
    read(charge, operator, hours=1, meter_kwh=1350)
    with pytest.raises(ValidationError, match="below 1350"):
        read(charge, operator, hours=2, meter_kwh=1200)


@pytest.mark.parametrize(("hours", "words"), [(-2, "had not started"), (5, "future")])
def test_a_reading_lies_in_the_charges_time(charge, operator, hours, words):
    with pytest.raises(ValidationError, match=words):
        readings.record_reading(
            charge=charge,
            by=operator,
            now=NOW + HOUR,
            taken_at=NOW + hours * HOUR,
            entry=uuid.uuid4(),
            values={"dry_bulb_f": 110},
        )


def test_a_correction_by_hand_leaves_who_why_and_the_older_ones(charge, operator):
    reading = read(charge, operator, dry_bulb_f=110, ch1=18.0)
    readings.correct_by_hand(
        reading=reading, channel=1, value=14.2, why="Oven-dry section", by=operator, now=NOW + 30 * HOUR
    )
    assert [row.method == "by hand" for row in reading.corrections.all()] == [True, False]
    newest = reading.corrections.first()
    assert (newest.value, newest.why, newest.by) == (14.2, "Oven-dry section", operator)
    reading.refresh_from_db()
    assert reading.ch1 == 18.0
    with pytest.raises(ValidationError, match="Say why"):
        readings.correct_by_hand(reading=reading, channel=1, value=14, why=" ", by=operator, now=NOW)
    with pytest.raises(ValidationError, match="no moisture reading"):
        readings.correct_by_hand(reading=reading, channel=3, value=14, why="x", by=operator, now=NOW)


# Steps, water, probes


def test_a_step_change_leaves_who_when_from_to_and_why(charge, operator):
    running.change_step(charge=charge, to_index=1, by=operator, now=NOW + HOUR, why="Wettest half at 15 %")
    event = charge.events.get()
    assert (event.by, event.at, event.why) == (operator, NOW + HOUR, "Wettest half at 15 %")
    assert (event.before["dry_bulb_f"], event.after["dry_bulb_f"]) == (115.0, 120.0)
    assert Charge.objects.get().step_index == 1


@pytest.mark.parametrize(("to_index", "why"), [(0, "x"), (2, "x"), (-1, "x"), (1, " ")])
def test_a_step_change_that_is_none_is_refused(charge, operator, to_index, why):
    with pytest.raises(ValidationError):
        running.change_step(charge=charge, to_index=to_index, by=operator, now=NOW, why=why)


def test_topping_up_leaves_when(charge, operator):
    running.top_up_water(charge=charge, by=operator, now=NOW + 5 * HOUR)
    assert Charge.objects.get().water_topped_up_at == NOW + 5 * HOUR
    assert charge.events.get().kind == "water"


def test_a_channel_with_readings_keeps_its_meaning(charge, operator):
    read(charge, operator, dry_bulb_f=110, ch1=18.0)
    row = charge.charge_lots.get()
    with pytest.raises(ValidationError, match="Channel 1 has readings"):
        readings.set_probes(charge=charge, rows=[], by=operator)
    rows = [{"channel": 1, "kind": "mc", "charge_lot": row, "board": "8", "depth_in": 0.3, "position": "top"}]
    readings.set_probes(charge=charge, rows=rows, by=operator)
    assert [(p.channel, p.board) for p in charge.probes.all()] == [(1, "8")]


# Finish, board tests, unload


def unload(charge, operator, feet="760", pieces=None, now=NOW + 250 * HOUR):
    row = charge.charge_lots.get()
    return running.unload_charge(
        charge=charge,
        lines=all_done("unload"),
        initials="OP",
        counts={row.pk: (pieces, Decimal(feet))},
        by=operator,
        now=now,
    )


def finish(charge, operator):
    return running.finish_charge(
        charge=charge, lines=all_done("finish"), initials="OP", by=operator, now=NOW + 240 * HOUR
    )


def test_a_charge_is_finished_then_unloaded_and_the_chamber_is_free(charge, operator):
    with pytest.raises(ValidationError, match="is running"):
        unload(charge, operator)
    charge = unload(finish(charge, operator), operator, pieces=120)
    assert charge.state == "unloaded"
    row = charge.charge_lots.get()
    assert (row.pieces_out, row.volume_out_bf) == (120, Decimal("760"))
    assert Booking.objects.get().last_day == dt.date(2026, 3, 12)
    assert {c.kind for c in charge.checklists.all()} == {"start", "finish", "unload"}


def test_more_wood_out_than_in_is_refused(charge, operator):
    with pytest.raises(ValidationError, match=r"900 bf came out but 800\.00 bf went in"):
        unload(finish(charge, operator), operator, feet="900")
    assert Charge.objects.get().unloaded_at is None
    assert not charge.checklists.filter(kind="unload").exists()


def test_a_board_test_is_corrected_by_the_named_method(charge, operator):
    row = charge.charge_lots.get()
    common = {"meter": "Two-pin meter", "depth_in": 0.25, "measured_on": dt.date(2026, 3, 12)}
    readings.record_board_tests(
        charge_lot=row,
        rows=[
            {"board": "1", "raw_pct": 8.4, "method": "pin", "wood_temp_f": 70.0, **common},
            {"board": "2", "raw_pct": 7.1, "method": "oven_dry", "wood_temp_f": None, **common},
            {"board": "3", "raw_pct": 4.0, "method": "pin", "wood_temp_f": 70.0, **common},
        ],
        by=operator,
        now=NOW,
    )
    pin, oven, low = BoardTest.objects.all()
    assert "temperature (T)" in pin.correction
    assert pin.corrected_pct == pytest.approx(8.4, abs=0.9)
    assert (oven.corrected_pct, oven.correction) == (7.1, "none needed")
    assert (low.corrected_pct, low.correction) == (None, "below range, no figure")


def test_board_tests_are_kept_all_or_none(charge, operator):
    row = charge.charge_lots.get()
    common = {"method": "pin", "meter": "", "depth_in": None, "wood_temp_f": 70.0}
    rows = [
        {"board": "1", "raw_pct": 8.4, "measured_on": dt.date(2026, 3, 12), **common},
        {"board": "2", "raw_pct": 8.4, "measured_on": dt.date(2026, 1, 1), **common},
        {"board": "3", "raw_pct": 840.0, "measured_on": dt.date(2026, 3, 12), **common},
    ]
    with pytest.raises(ValidationError) as error:
        readings.record_board_tests(charge_lot=row, rows=rows, by=operator, now=NOW)
    assert "Board 2" in said(error)
    assert "Board 3" in said(error)
    assert not BoardTest.objects.exists()


# Logs


def log(minutes, extra=()):
    """A file with a row at each of these minutes after the start."""
    rows = [
        f"{NOW + dt.timedelta(minutes=m):%Y-%m-%d %H:%M},{110 + m % 7},100,{20 - m / 1000:.2f},{90 + m / 10:.1f}"
        for m in minutes
    ]
    return "\n".join(["Time,Dry,Wet,P1,Core", *rows, *extra]).encode()


def take(charge, operator, data, mapping=MAPPING, hours=48):
    return charge_log.take(charge=charge, data=data, mapping=mapping, by=operator, now=NOW + hours * HOUR)


def test_a_log_is_taken_with_its_file_corrections_and_mapping(charge, operator):
    data = log(range(0, 60, 5))
    taken = take(charge, operator, data)
    assert (taken.rows_taken, taken.rows_repeated) == (12, 0)
    assert taken.file.read() == data
    assert LogMapping.objects.get().mapping == MAPPING
    assert Reading.objects.filter(logged=taken).count() == 12
    assert Correction.objects.filter(channel=1).count() == 12
    assert Reading.objects.order_by("taken_at").last().ch3 == pytest.approx(95.5)


def test_the_same_file_twice_changes_nothing(charge, operator):
    data = log(range(0, 60, 5))
    first, second = take(charge, operator, data), take(charge, operator, data)
    assert first.pk == second.pk
    assert Reading.objects.count() == 12
    assert LogImport.objects.count() == 1


def test_an_overlapping_file_adds_only_its_new_rows(charge, operator):
    take(charge, operator, log(range(0, 60, 5)))
    taken = take(charge, operator, log(range(30, 90, 5)))
    assert (taken.rows_taken, taken.rows_repeated) == (6, 6)
    assert Reading.objects.count() == 18


def test_rows_outside_the_charge_are_left_and_counted(charge, operator):
    look = charge_log.look(charge=charge, data=log([-10, -5, 0, 5]), mapping=MAPPING, now=NOW + HOUR)
    assert (len(look.take), look.outside) == (2, 2)
    with pytest.raises(ValidationError, match="2 lie outside"):
        take(charge, operator, log([-10, -5]))


def test_other_values_for_a_time_already_taken_are_refused(charge, operator):
    take(charge, operator, log([0, 5]))
    with pytest.raises(ValidationError, match="other values"):
        take(charge, operator, log([5, 10]).replace(b",100,", b",99,"))
    assert Reading.objects.count() == 2


def test_celsius_cores_are_kept_as_fahrenheit(charge, operator):
    data = b"Time,Core\n2026-03-02 16:00,56\n"
    take(charge, operator, data, MAPPING | {"unit": "C", "columns": {"ch3": "Core"}})
    assert Reading.objects.get().ch3 == 132.8


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    good=st.lists(st.integers(0, 600), max_size=12, unique=True),
    bad=st.sampled_from(
        ["2026-03-02 16:00,x,1,1,1", "yesterday,1,1,1,1", "2026-03-02 16:01,90,99,1,1", "a,b"]
    ),
    at=st.integers(0, 12),
)
def test_one_bad_row_anywhere_and_nothing_is_written(charge, operator, good, bad, at):
    lines = log(sorted(good)).decode().split("\n")
    lines.insert(min(at, len(good)) + 1, bad)
    before = Reading.objects.count(), LogImport.objects.count()
    with pytest.raises((ValidationError, ValueError)):
        take(charge, operator, "\n".join(lines).encode())
    assert (Reading.objects.count(), LogImport.objects.count()) == before


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(minutes=st.lists(st.integers(0, 300), min_size=2, max_size=12, unique=True), cut=st.integers(1, 11))
def test_any_split_gives_the_same_readings_as_the_whole(charge, operator, minutes, cut):
    minutes = sorted(minutes)
    cut = min(cut, len(minutes) - 1)
    Correction.objects.all().delete()
    Reading.objects.all().delete()
    LogImport.objects.all().delete()
    for part in (minutes[cut:], minutes[:cut]):
        take(charge, operator, log(part))
    assert list(Reading.objects.order_by("taken_at").values_list("taken_at", flat=True)) == [
        NOW + dt.timedelta(minutes=m) for m in minutes
    ]
    look = charge_log.look(charge=charge, data=log(minutes), mapping=MAPPING, now=NOW + 48 * HOUR)
    assert (look.take, look.repeated, look.problems) == ([], len(minutes), [])
