"""Planning, moving, cancelling charges and closing a chamber."""

import datetime as dt
import math
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from kilnshop.charges import actions, queries
from kilnshop.charges.models import Booking, Charge, ChargeLot
from kilnshop.orders.queries import waiting_lots
from tests import factory
from tests.charges.helpers import NOW, TODAY, accept, waiting_lot

DAY = dt.timedelta(days=1)


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


@pytest.fixture
def plan(owner, chamber):
    def plan(*lots, first_day=TODAY, **over):
        return actions.plan_charge(
            **{"chamber": chamber, "lots": lots, "first_day": first_day, "by": owner, "now": NOW} | over
        )

    return plan


@pytest.fixture
def move(owner, chamber):
    def move(charge, first_day, **over):
        given = {"chamber": chamber, "by": owner, "now": NOW + DAY, "why": "the door gasket is torn"}
        return actions.move_charge(charge=charge, first_day=first_day, **given | over)

    return move


def messages(error) -> str:
    return " ".join(error.value.messages)


def test_a_charge_takes_a_loading_day_the_high_end_and_an_unloading_day(plan):
    charge = plan(waiting_lot())
    days, booking = charge.plan["days"], charge.booking
    assert booking.first_day == TODAY
    assert booking.last_day == TODAY + (math.ceil(days["high"]) + 1) * DAY
    assert booking.likely_last_day == TODAY + (math.ceil(days["expected"]) + 1) * DAY
    assert days["low"] <= days["expected"] <= days["high"]


def test_the_plan_is_frozen_as_plain_figures(plan):
    charge = plan(waiting_lot())
    charge.refresh_from_db()
    assert charge.state == "planned"
    assert charge.number == "K-2026-0001"
    assert charge.schedule_code == charge.plan["schedule_code"]
    assert charge.plan["lots"][0]["water_lb"] > 0
    assert charge.plan["steps"] and charge.plan["workings"]


def test_lots_of_several_customers_share_a_charge_and_its_days(plan):
    lots = [
        waiting_lot("O-2026-0001", volume_bf=Decimal("600.00")),
        waiting_lot("O-2026-0002", customer="Hollow Oak Stairs", volume_bf=Decimal("200.00")),
    ]
    charge = plan(*lots)
    assert {row.lot for row in charge.charge_lots.all()} == set(lots)
    assert [round(lot["share"], 4) for lot in charge.plan["lots"]] == [0.75, 0.25]


def test_the_promise_is_the_high_end_and_the_margin(plan, shop):
    lot = waiting_lot()
    charge = plan(lot)
    promise = lot.order.promises.get()
    assert promise.ready_on == charge.booking.last_day + shop.promise_margin_days * DAY
    assert charge.number in promise.why


def test_no_promise_while_a_lot_of_the_order_waits(plan):
    first = waiting_lot()
    second = waiting_lot(letter="B", species_key="white_oak")
    plan(first)
    assert not first.order.promises.exists()
    charge = plan(second, first_day=TODAY + 60 * DAY)
    assert first.order.promises.get().ready_on > charge.booking.last_day


def test_moving_later_promises_anew_and_keeps_the_first_promise(plan, move):
    lot = waiting_lot()
    charge = plan(lot)
    first = lot.order.promises.get().ready_on
    moved = move(charge, TODAY + 10 * DAY)
    newest, oldest = lot.order.promises.all()
    assert (newest.ready_on - oldest.ready_on).days == (moved.booking.last_day - charge.booking.last_day).days
    assert oldest.ready_on == first
    assert "the door gasket is torn" in newest.why
    event = charge.events.get(kind="moved")
    assert event.before["first_day"] == TODAY.isoformat()
    assert event.after["first_day"] == (TODAY + 10 * DAY).isoformat()
    assert queries.slipped(queries.charges()) == {charge.pk: (newest.ready_on - oldest.ready_on).days}


def test_a_charge_may_move_onto_days_it_holds_itself(plan, move):
    charge = plan(waiting_lot())
    assert move(charge, TODAY + 1 * DAY).booking.first_day == TODAY + 1 * DAY


def test_moving_to_another_chamber_is_estimated_there(plan, move):
    charge = plan(waiting_lot())
    small = factory.make_chamber("south", name="South chamber", removal_lb_per_day=40.0)
    before = charge.plan["days"]["expected"]
    moved = move(charge, TODAY, chamber=small)
    assert moved.booking.chamber == moved.chamber == small
    assert moved.plan["days"]["expected"] > before


def test_an_overlap_is_refused_naming_both_and_the_next_free_day(plan):
    first = plan(waiting_lot())
    late = waiting_lot("O-2026-0002", customer="Hollow Oak Stairs")
    with pytest.raises(ValidationError) as refused:
        plan(late, first_day=first.booking.last_day)
    said = messages(refused)
    assert f"charge {first.number}" in said
    assert "O-2026-0002-A" in said
    assert "North chamber" in said
    free = first.booking.last_day + DAY
    assert f"from {free:%a} {free.day} {free:%b}" in said
    assert Charge.objects.count() == 1
    assert not late.order.promises.exists()
    assert plan(late, first_day=free).number == "K-2026-0002", "a refused charge leaves no gap in the numbers"


def test_a_move_onto_an_outage_is_refused_naming_both(plan, move, chamber, owner):
    charge = plan(waiting_lot())
    day = charge.booking.last_day + 5 * DAY
    actions.add_outage(chamber=chamber, first_day=day, last_day=day, reason="new door", by=owner)
    with pytest.raises(ValidationError, match=f"outage “new door”.*charge {charge.number}"):
        move(charge, day)
    charge.booking.refresh_from_db()
    assert charge.booking.first_day == TODAY


def test_the_database_has_the_last_word_when_the_check_saw_nothing(plan, monkeypatch):
    first = plan(waiting_lot())
    real, looks = queries.room_problem, []

    def blind_at_first(*args):
        looks.append(args)
        return None if len(looks) == 1 else real(*args)

    monkeypatch.setattr(queries, "room_problem", blind_at_first)
    with pytest.raises(ValidationError, match=f"charge {first.number}.*O-2026-0002-A"):
        plan(waiting_lot("O-2026-0002", customer="Hollow Oak Stairs"))
    assert Booking.objects.count() == 1


def test_a_refused_mix_cannot_be_overridden(plan):
    green, dry = waiting_lot(start_mc_pct=80), waiting_lot(letter="B", start_mc_pct=15)
    with pytest.raises(ValidationError, match="green at 80 %"):
        plan(green, dry, override_note="the customer insists")


def test_a_costly_mix_needs_a_note_and_keeps_it(plan):
    lots = waiting_lot(species_key="white_ash", start_mc_pct=18), waiting_lot(letter="B", start_mc_pct=17)
    with pytest.raises(ValidationError, match="Write a note"):
        plan(*lots)
    charge = plan(*lots, override_note="agreed by telephone")
    assert {row.override_note for row in charge.charge_lots.all()} == {"agreed by telephone"}


def test_only_the_owner_accepts_a_cost(plan, operator):
    lots = waiting_lot(species_key="white_ash", start_mc_pct=18), waiting_lot(letter="B", start_mc_pct=17)
    with pytest.raises(ValidationError, match="Ask the owner"):
        plan(*lots, by=operator, override_note="agreed by telephone")
    assert not Charge.objects.exists()
    assert plan(lots[0], by=operator)


def test_more_than_the_chamber_holds_is_refused(plan):
    with pytest.raises(ValidationError, match=r"fill \d+ % of North chamber"):
        plan(waiting_lot(volume_bf=Decimal("4000.00")), override_note="squeeze it in")


def test_a_lot_is_in_one_charge_at_a_time(plan):
    lot = waiting_lot()
    charge = plan(lot)
    with pytest.raises(ValidationError, match=f"is in charge {charge.number}"):
        plan(lot, first_day=TODAY + 100 * DAY)


def test_a_lot_without_an_accepted_quote_does_not_wait(plan):
    lot = factory.make_lot()
    with pytest.raises(ValidationError, match="not accepted"):
        plan(lot)
    accept(lot.order)
    assert plan(lot)


def test_no_lot_chosen_is_said_in_words(plan):
    with pytest.raises(ValidationError, match="Tick at least one"):
        plan()


def test_office_may_not_plan(plan, office):
    with pytest.raises(PermissionDenied, match="plan and run charges"):
        plan(waiting_lot(), by=office)


def test_cancelling_frees_days_and_lots_and_keeps_the_record(plan, owner):
    lot = waiting_lot()
    charge = actions.cancel_charge(charge=plan(lot), by=owner, now=NOW, why="customer waits")
    assert charge.state == "cancelled"
    assert not Booking.objects.exists()
    assert list(waiting_lots()) == [lot]
    assert charge.events.get().before["first_day"] == TODAY.isoformat()
    assert plan(lot).number == "K-2026-0002"
    assert ChargeLot.objects.filter(lot=lot).count() == 2


def test_a_running_charge_is_neither_moved_nor_cancelled(plan, move, owner):
    charge = plan(waiting_lot())
    Charge.objects.update(started_at=NOW)
    with pytest.raises(ValidationError, match="running; only a planned charge can be moved"):
        move(charge, TODAY + 10 * DAY)
    with pytest.raises(ValidationError, match="only a planned charge can be cancelled"):
        actions.cancel_charge(charge=charge, by=owner, now=NOW, why="no")


def test_a_running_charge_that_slips_promises_anew(plan, owner):
    lot = waiting_lot()
    charge = plan(lot)
    Charge.objects.update(started_at=NOW)
    end = charge.booking.last_day + 4 * DAY
    actions.set_days(
        charge=charge,
        likely_last_day=end,
        last_day=end,
        by=owner,
        now=NOW + DAY,
        why="dries slower than planned",
    )
    newest, oldest = lot.order.promises.all()
    assert (newest.ready_on - oldest.ready_on).days == 4


def test_a_cancelled_order_gets_no_new_promise_and_stops_nothing(plan, owner):
    lot = waiting_lot()
    charge = plan(lot)
    Charge.objects.update(started_at=NOW)
    type(lot.order).objects.update(cancelled_at=NOW)
    end = charge.booking.last_day + 4 * DAY
    actions.set_days(charge=charge, likely_last_day=end, last_day=end, by=owner, now=NOW, why="slow")
    assert lot.order.promises.count() == 1


def test_a_slip_into_the_next_charge_is_refused(plan, owner):
    first = plan(waiting_lot())
    second = plan(waiting_lot("O-2026-0002"), first_day=first.booking.last_day + DAY)
    end = first.booking.last_day + DAY
    with pytest.raises(ValidationError, match=f"taken by charge {second.number}.*so charge {first.number}"):
        actions.set_days(charge=first, likely_last_day=end, last_day=end, by=owner, now=NOW, why="slow")


def test_an_outage_must_end_after_it_starts_and_say_why(chamber, owner):
    with pytest.raises(ValidationError, match="before it starts"):
        actions.add_outage(chamber=chamber, first_day=TODAY, last_day=TODAY - DAY, reason="door", by=owner)
    with pytest.raises(ValidationError, match="what the chamber is closed for"):
        actions.add_outage(chamber=chamber, first_day=TODAY, last_day=TODAY, reason=" ", by=owner)


def test_an_outage_is_removed_and_a_charge_is_not(plan, chamber, owner):
    charge = plan(waiting_lot())
    with pytest.raises(ValidationError, match="no outage"):
        actions.remove_outage(outage=charge.booking, by=owner)
    day = charge.booking.last_day + DAY
    outage = actions.add_outage(chamber=chamber, first_day=day, last_day=day, reason="door", by=owner)
    actions.remove_outage(outage=outage, by=owner)
    assert Booking.objects.get() == charge.booking


def test_a_chamber_out_of_use_takes_no_charge(plan, chamber):
    chamber.active = False
    chamber.save()
    with pytest.raises(ValidationError, match="out of use"):
        plan(waiting_lot())
