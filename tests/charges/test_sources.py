"""Which way of knowing the moisture is believed, and what looks wrong with it: rules on lists of cases."""

import datetime as dt
import math

import pytest

from kilnshop.charges import following, readings, running, sources
from kilnshop.charges.models import Correction
from tests.charges.running_helpers import HOUR, NOW, read, running_charge
from tests.charges.test_weighing import cut

DAY = dt.timedelta(days=1)


def boards(*values, days_ago=0.0):
    return sources.Round(sources.BOARDS, NOW - days_ago * DAY, values)


def probes(*values):
    return sources.Round(sources.PROBES, NOW, values)


# Above 28 % pins do not measure and above 25 % they are rough (meter_corrections 6; technical replies of a drying
# adviser, seen): weigh samples instead. Below 6 % pins do not measure (FPL-GTR-6, memory).
@pytest.mark.parametrize(
    ("found_boards", "found_probes", "believes", "because"),
    [
        (boards(60.0, 50.0), None, sources.BOARDS, "no probe"),
        (None, probes(20.0, 18.0), sources.PROBES, "no sample board"),
        (None, probes(math.inf, 18.0), sources.PROBES, "weigh a sample"),
        (boards(60.0, 50.0), probes(math.inf, math.inf), sources.BOARDS, "above 28 %"),
        (boards(24.0, 20.0, days_ago=3), probes(math.inf, 20.0), sources.BOARDS, "above 28 %"),
        (boards(24.0, 20.0), probes(26.5, 20.0), sources.BOARDS, "above 25 %"),
        (boards(30.0, 22.0), probes(24.0, 20.0), sources.BOARDS, "average 30.0 %"),
        (boards(25.1), probes(24.0), sources.BOARDS, "average 25.1 %"),
        (boards(25.0), probes(24.0), sources.PROBES, "25 % and below"),
        (boards(27.0, days_ago=2.5), probes(24.0), sources.PROBES, "25 % and below"),
        (boards(12.0, 11.0), probes(11.0, 10.0), sources.PROBES, "25 % and below"),
        (boards(16.0, 11.0), probes(11.0, 10.0), sources.PROBES, "dry a section"),
        (boards(5.5, 5.2), probes(-math.inf, -math.inf), sources.BOARDS, "below 6 %"),
    ],
)
def test_which_round_leads(found_boards, found_probes, believes, because):
    row, why = sources.believed(found_boards, found_probes, NOW)
    assert row.source == believes
    assert because in why


def test_with_nothing_fresh_nothing_is_believed():
    assert sources.believed(None, None, NOW) is None


@pytest.mark.parametrize(
    ("values", "value"),
    [
        ((40.0,), 40.0),
        ((40.0, 30.0), 40.0),
        ((30.0, 50.0, 40.0), 45.0),  # of three the middle one counts as wet
        ((30.0, 50.0, 40.0, 20.0), 45.0),
    ],
)
def test_the_wettest_half_by_hand(values, value):
    assert boards(*values).value == value


@pytest.mark.django_db
def test_boards_lead_while_wet_and_are_never_mixed_with_probes(operator):
    charge = running_charge(operator)
    row = charge.charge_lots.get()
    cut(row, operator, "S1", mc=60, at=NOW + HOUR)
    cut(row, operator, "S2", mc=40, at=NOW + HOUR)
    reading = read(charge, operator, hours=2, dry_bulb_f=100, ch1=18.0, ch2=18.0)
    for channel in (1, 2):
        readings.correct_by_hand(
            reading=reading, channel=channel, value=20.0, why="known", by=operator, now=NOW + 2 * HOUR
        )
    found = following.governing_mc(charge, NOW + 3 * HOUR)
    assert (found.source, found.how) == ("boards", "average of the wettest 1 of 2 sample boards")
    assert found.value == pytest.approx(60.0)
    later = following.governing_mc(charge, NOW + 60 * HOUR)  # boards not weighed for over two days
    assert (later.source, later.value) == ("probes", 20.0)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([(12.0, 14.0)] * 2 + [(0.0, 13.5)], "no contact"),
        ([(12.0, 14.0)] * 2 + [(100.0, 13.5)], "no contact"),
        ([(12.0, 14.0)] + [(None, 13.5)] * 3, "no value"),
        ([(12.0, 14.0 - 0.2 * i) for i in range(6)], "stays at 12"),
    ],
)
def test_a_channel_in_trouble_is_named_and_left_out(operator, rows, told):
    charge = running_charge(operator)
    for i, (first, second) in enumerate(rows):
        values = {"ch2": second} if first is None else {"ch1": first, "ch2": second}
        read(charge, operator, hours=6.0 * (i + 1), dry_bulb_f=110, **values)
    now = NOW + 6 * (len(rows) + 1) * HOUR
    evidence = following.Evidence(charge, now)
    assert list(evidence.troubles) == [1]
    assert told in evidence.troubles[1]
    assert len(evidence.probes.values) == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    "rows",
    [
        [(12.0, 14.0)] * 8,  # nothing moves: equalized wood, not a fault
        [(12.0, 14.0 - 0.2 * i) for i in range(5)],  # too few to say
        [(35.0, 14.0 - 0.2 * i) for i in range(8)],  # over range: raw values do not follow the wood
        [(12.0 - 0.1 * (i % 2), 14.0 - 0.2 * i) for i in range(8)],
    ],
)
def test_a_quiet_channel_is_not_called_faulty(operator, rows):
    charge = running_charge(operator)
    for i, (first, second) in enumerate(rows):
        read(charge, operator, hours=6.0 * (i + 1), dry_bulb_f=110, ch1=first, ch2=second)
    assert following.Evidence(charge, NOW + 6 * (len(rows) + 1) * HOUR).troubles == {}


@pytest.mark.parametrize(
    ("read_as", "counts", "pounds"),
    [
        ([30, 25, 20], False, [30, 55, 75]),
        ([100, 125, 145], True, [0, 25, 45]),  # a counter's first figure is where it stood
        ([100, 125, 10], True, [0, 25, 35]),  # set back to 0
        ([], True, []),
    ],
)
def test_bucket_and_counter_by_hand(read_as, counts, pounds):
    times = [NOW + i * DAY for i in range(len(read_as))]
    found = sources.drained(list(zip(times, map(float, read_as), strict=True)), counts)
    assert [lb for _, lb in found] == pounds


def watered(operator, daily_lb):
    """1,000 lb of dry wood that the plan takes from 25 to 15 % in five days: 20 lb a day, by hand."""
    charge = running_charge(operator)
    charge.plan["lots"][0]["oven_dry_lb"] = 1000.0
    charge.save()
    for day, pounds in enumerate(daily_lb, 1):
        read(charge, operator, hours=24.0 * day, condensate_lb=pounds)
    return sources.water(charge)


@pytest.mark.django_db
def test_water_as_moisture_by_hand(operator):
    found = watered(operator, [18.0, 18.0])
    assert (found.drained_lb, found.predicted_lb) == (36.0, pytest.approx(40.0))
    assert found.mc_pct == pytest.approx(25 - 3.6)
    assert found.trouble == ""


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("daily_lb", "told"),
    [
        ([18.0, 18.0, 18.0, 18.0], ""),
        ([18.0, 18.0, 2.0, 2.0], "look at the drain"),
        ([2.0, 8.0, 24.0, 24.0], ""),  # behind, but catching up
        ([20.0, 20.0, 40.0, 40.0], "runs ahead"),
    ],
)
def test_a_growing_difference_of_water_is_said(operator, daily_lb, told):
    trouble = watered(operator, daily_lb).trouble
    assert told.lower() in trouble.lower()
    assert bool(trouble) == bool(told)


@pytest.mark.django_db
def test_water_never_drives_the_schedule(operator):
    watered(operator, [18.0, 18.0])
    charge = following.Charge.objects.get()
    assert following.governing_mc(charge, NOW + 50 * HOUR).source == sources.PLAN


@pytest.mark.django_db
def test_the_wood_temperature_comes_from_its_channel_then_typed_then_the_dry_bulb(operator):
    charge = running_charge(operator)
    probe = charge.probes.get(channel=1)
    probe.temp_channel = 3
    probe.save()
    read(charge, operator, hours=1, dry_bulb_f=120, ch1=18.0, ch2=18.0, ch3=100.0)
    one, two = Correction.objects.order_by("channel")
    assert (one.wood_temp_f, two.wood_temp_f) == (100.0, 120.0)
    assert "wood by channel 3" in one.method
    assert "wood taken as dry bulb" in two.method


@pytest.mark.django_db
def test_a_meter_that_corrects_itself_is_not_corrected_twice(operator):
    charge = running_charge(operator)
    charge.probes.filter(channel=1).update(corrects_temperature=True, scale_species="northern_red_oak")
    read(charge, operator, hours=1, dry_bulb_f=120, ch1=18.0)
    found = Correction.objects.get()
    assert (found.value, found.method) == (18.0, "by the meter itself")


@pytest.mark.django_db
def test_a_temperature_channel_must_measure_a_temperature(operator):
    charge = running_charge(operator)
    row = charge.charge_lots.get()
    rows = [
        {"channel": n, "kind": "mc", "charge_lot": row, "board": str(n), "depth_in": 0.25, "position": ""}
        for n in (1, 2)
    ]
    rows[0]["temp_channel"] = 2
    with pytest.raises(running.ValidationError, match="does not measure a temperature"):
        readings.set_probes(charge=charge, rows=rows, by=operator)


@pytest.mark.django_db
def test_how_the_drain_is_read_is_fixed_once_it_was_read(operator):
    charge = running_charge(operator)
    assert running.set_drain(charge=charge, counts=True, by=operator).drain_counts
    read(charge, operator, condensate_lb=100)
    with pytest.raises(running.ValidationError, match="read already"):
        running.set_drain(charge=charge, counts=False, by=operator)
