"""What a finished charge teaches, what is set aside and why, and that estimates use it until told not to."""

import datetime as dt
import math
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from kilnshop.charges import learning, readings, running
from kilnshop.charges.learning import work_out_again
from kilnshop.charges.models import Correction, Event, Reading
from kilnshop.orders.estimating import estimate_lots
from kilnshop.shop.models import Learned
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, all_done, running_charge

pytestmark = pytest.mark.django_db


def rows(kind="speed"):
    return Learned.objects.get(kind=kind).evidence


def dried(operator, *, days=13.0, every=12.0, skip=(), chamber=None, number="K-2026-0001", meter=None, drain=None,
          wet=84.0, order="O-2026-0001", final=8.5, **lot):  # fmt: skip
    """A charge run at 115/84 °F whose pins fall from 25 to `final` % in `days`, read every `every` hours, then unloaded."""
    from kilnshop.shop.models import Customer

    customer = Customer.objects.first() or factory.make_customer()
    values = {
        "thickness_measured": True,
        "start_how": "oven_dry",
        "nominal_thickness_in": Decimal("1.125"),
    } | lot
    made = factory.make_lot(factory.make_order(customer, number=order), **values)
    charge = running_charge(operator, lots=[made], number=number, chamber=chamber or factory.make_chamber())
    hours, steps = 0.0, int(days * 24 / every)
    for step in range(1, steps + 1):
        hours = step * every
        if any(low < hours < high for low, high in skip):
            continue
        mc = 25.0 - (25.0 - final) * (hours / (days * 24)) ** 0.6
        values = {"dry_bulb_f": 115.0, "wet_bulb_f": wet, "ch1": mc, "ch2": mc}
        if meter:
            values["meter_kwh"] = 1000 + meter * hours
        if drain is not None:
            values["condensate_lb"] = drain * every / 24
        at = charge.started_at + hours * HOUR
        readings.record_reading(
            charge=charge, by=operator, now=at, taken_at=at, entry=uuid.uuid4(), values=values
        )
    end = charge.started_at + (hours + 1) * HOUR
    charge = running.finish_charge(
        charge=charge, lines=all_done("finish"), initials="op", by=operator, now=end
    )
    counts = {row.pk: (None, Decimal(780)) for row in charge.charge_lots.all()}
    return running.unload_charge(
        charge=charge,
        lines=all_done("unload"),
        initials="op",
        counts=counts,
        by=operator,
        now=end + 24 * HOUR,
    )


def test_unloading_teaches_the_speed_of_the_wood_in_the_chamber(operator):
    dried(operator)
    (told,) = rows()
    assert "why" not in told, told
    assert told["weight"] == learning.BY_HAND_WEIGHT and "by hand" in told["note"]
    result = Learned.objects.get(kind="speed").result
    assert result["counts"] == {"wood northern_red_oak, chamber north": 1}


def test_a_slower_charge_teaches_a_slower_speed(operator):
    dried(operator, days=10)
    quick = rows()[0]["ln_ratio"]
    dried(
        operator, days=20, number="K-2026-0002", order="O-2026-0002",
        chamber=factory.make_chamber("south", name="South chamber"),
    )  # fmt: skip
    slow = rows()[1]["ln_ratio"]
    # twice the time in the same air is half the speed: D and the film both go with f (drying_model note, section 3)
    assert quick - slow == pytest.approx(math.log(2), abs=0.05)


@pytest.mark.parametrize(
    ("over", "why"),
    [
        ({"start_how": "assumed_air_dried"}, "assumed, not measured"),
        ({"start_how": "pin", "start_mc_pct": 45.0}, "read with pins, which do not tell above 28 %"),
        ({"thickness_measured": False}, "thickness was not measured"),
        ({"skip": [(100, 140)]}, "its air was not read for 48 hours; 36 are allowed"),
        ({"wet": None}, "dry and wet bulb were not read"),
        ({"days": 1.5}, "does not fit its air"),
    ],
)
def test_evidence_that_should_not_count_is_set_aside_with_the_reason(operator, over, why):
    dried(operator, **over)
    (told,) = rows()
    assert "effects" not in told and why in told["why"]
    assert Learned.objects.get(kind="speed").result["names"] == []


def test_a_gap_of_half_a_day_in_a_recorders_log_is_set_aside(operator):
    from kilnshop.charges.models import LogImport

    charge = dried(operator)
    log = LogImport.objects.create(
        charge=charge, sha256="0", mapping={}, rows_taken=1, imported_at=NOW, imported_by=operator
    )
    Reading.objects.update(logged=log)
    learning.learn_from(charges=[charge], now=NOW)
    assert "why" not in rows()[0] and rows()[0]["weight"] == 1.0  # every 12 hours is just allowed
    Reading.objects.filter(taken_at=charge.started_at + 96 * HOUR).delete()
    learning.learn_from(charges=[charge], now=NOW)
    assert "not read for 24 hours; 12 are allowed in a log" in rows()[0]["why"]


def test_the_drain_teaches_only_while_the_unit_cannot_hold_its_set_point(operator):
    # T4-D2 of the factory's plan asks for 96 °F wet bulb first: 100 °F is 4 °F above, so the unit runs all the time
    dried(operator, wet=100.0, drain=130.0)
    (told,) = rows("removal")
    assert "flat out" in told["note"]
    # rated 130 lb/day at 120 °F and 50 %; 115 °F and 59 % RH (wet bulb 100) take 1.134 of that by the table in
    # chamber.py: 1.016 at 110 °F, 1.252 at 120 °F; 0.7 of it is expected: 130/(130 x 1.134 x 0.7)
    assert told["ln_ratio"] == pytest.approx(math.log(1 / (1.134 * 0.7)), abs=0.02)


def test_a_unit_that_keeps_up_teaches_nothing_about_its_removal(operator):
    dried(operator, drain=20.0)
    assert "flat out for 0 hours" in rows("removal")[0]["why"]


def test_more_metered_power_means_more_heat_loss(operator):
    dried(operator, meter=3.7)
    told = rows("heat_loss")[0]
    assert "kWh" in (told.get("note") or told["why"])
    other = factory.make_chamber("south", name="South chamber")
    dried(operator, meter=3.9, number="K-2026-0002", order="O-2026-0002", chamber=other)
    more = rows("heat_loss")[1]
    assert more["ln_ratio"] > told["ln_ratio"]


def test_without_a_second_meter_reading_nothing_is_learned_of_the_walls(operator):
    dried(operator)
    assert "meter was not read twice" in rows("heat_loss")[0]["why"]


def test_estimates_use_what_was_learned_until_it_is_switched_off(operator, shop):
    charge = dried(operator, days=22)
    lot = charge.charge_lots.get().lot
    day = dt.date(2026, 4, 1)
    ours = estimate_lots([lot], charge.chamber, shop, day)
    shop.learns = False
    published = estimate_lots([lot], charge.chamber, shop, day)
    assert ours.days.expected > published.days.expected
    assert ours.days.high / ours.days.expected < published.days.high / published.days.expected
    narrows = {w.key: w.narrows for w in ours.workings}
    assert "first of" not in narrows["days"]
    assert "first of northern red oak" in {w.key: w.narrows for w in published.workings}["days"]
    assert rows()  # the evidence stays


def test_working_out_again_takes_corrections_in_and_is_the_owners(operator, owner):
    charge = dried(operator, thickness_measured=False)
    assert "why" in rows()[0]
    lot = charge.charge_lots.get().lot
    lot.thickness_measured = True
    lot.save()
    with pytest.raises(PermissionDenied):
        work_out_again(by=operator, now=NOW)
    assert work_out_again(by=owner, now=NOW) == 1
    assert "effects" in rows()[0] and len(rows()) == 1


def test_a_charge_not_unloaded_teaches_nothing(operator):
    charge = running_charge(operator)
    assert learning.lessons(charge, factory.make_shop()) == {"speed": [], "removal": [], "heat_loss": []}
    assert not Event.objects.filter(kind=Event.Kind.STEP).exists()


def test_boards_tested_after_unloading_are_learned_from(operator):
    """Without probes the boards at the door are the last reading."""
    charge = dried(operator)
    Reading.objects.update(ch1=None, ch2=None)
    Correction.objects.all().delete()
    learning.learn_from(charges=[charge], now=NOW)
    assert "no moisture was read at the end" in rows()[0]["why"]
    test = {
        "board": "1",
        "raw_pct": 8.6,
        "method": "oven_dry",
        "meter": "",
        "depth_in": None,
        "wood_temp_f": None,
    }
    readings.record_board_tests(
        charge_lot=charge.charge_lots.get(),
        rows=[test | {"measured_on": charge.unloaded_at.date()}],
        by=operator,
        now=charge.unloaded_at + HOUR,
    )
    assert "to 8.6 %" in rows()[0]["note"]
