"""The Today page: each kind of row appears for whom it concerns and leads to where it is done."""

import datetime as dt
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from kilnshop.charges.models import Charge
from kilnshop.orders.actions import save_quote
from kilnshop.orders.models import Promise, Quote
from kilnshop.reports.today import today
from kilnshop.shop.queries import shop_today
from tests import factory

NOW = dt.datetime(2026, 3, 20, 15, 0, tzinfo=dt.UTC)
HOUR = dt.timedelta(hours=1)


def kinds(shop, person, now=NOW):
    return [task.kind for task in today(shop=shop, person=person, now=now).tasks]


def quote(order, valid_until, by):
    return Quote.objects.create(
        order=order,
        revision=1,
        number=f"Q-{order.pk}",
        issued_at=NOW,
        issued_by=by,
        valid_until=valid_until,
        ready_low=valid_until,
        ready_high=valid_until,
        subtotal=Decimal("100.00"),
        tax=Decimal("0.00"),
        total=Decimal("100.00"),
        figures={},
    )


@pytest.mark.django_db
def test_a_quiet_day_says_so(client_for, owner):
    answer = client_for(owner).get(reverse("today"))
    assert "Nothing needs you now." in answer.content.decode()


@pytest.mark.django_db
def test_a_new_shop_is_led_through_its_set_up(client_for, owner):
    page = client_for(owner).get(reverse("today")).content.decode()
    assert "Finish setting up your shop" in page and reverse("chambers") in page


@pytest.mark.django_db
def test_a_reading_is_due_a_day_after_the_last_and_late_half_a_day_on(shop, operator):
    charge = factory.make_charge(first_day=dt.date(2026, 3, 19), started_at=NOW - 20 * HOUR)
    assert "reading" not in kinds(shop, operator)
    Charge.objects.update(started_at=NOW - 25 * HOUR)
    row = today(shop=shop, person=operator, now=NOW).at_the_kiln[0]
    assert (row.kind, row.press, row.place, row.pk) == ("reading", "due", "reading_new", charge.pk)
    Charge.objects.update(started_at=NOW - 37 * HOUR)
    assert today(shop=shop, person=operator, now=NOW).at_the_kiln[0].press == "late"


@pytest.mark.django_db
def test_wet_bulb_water_is_due_two_weeks_after_the_last_topping_up(shop, operator):
    factory.make_charge(
        started_at=NOW - dt.timedelta(days=15), water_topped_up_at=NOW - dt.timedelta(days=11)
    )
    assert "water" not in kinds(shop, operator)
    Charge.objects.update(water_topped_up_at=None)  # not at the start of this charge
    assert "water" in kinds(shop, operator)
    Charge.objects.update(water_topped_up_at=NOW - dt.timedelta(days=15))
    assert "water" in kinds(shop, operator)
    Charge.objects.update(water_topped_up_at=NOW - dt.timedelta(days=1))
    assert "water" not in kinds(shop, operator)


@pytest.mark.django_db
def test_a_step_whose_planned_hours_have_run_out_asks_to_be_looked_at(shop, operator):
    factory.make_charge(started_at=NOW - 121 * HOUR)  # the first step of the plan lasts 120 hours
    row = next(t for t in today(shop=shop, person=operator, now=NOW).tasks if t.kind == "step change")
    assert row.press == "late" and row.dry_bulb_f == 120 and row.place == "charge"


@pytest.mark.django_db
def test_a_dry_charge_is_to_be_unloaded_and_a_planned_one_started(shop, operator):
    charge = factory.make_charge(first_day=shop_today(NOW))
    assert kinds(shop, operator) == ["start"]
    Charge.objects.filter(pk=charge.pk).update(started_at=NOW - 9 * HOUR, dried_at=NOW)
    assert kinds(shop, operator) == ["charge done"]


@pytest.mark.django_db
def test_the_office_sees_papers_and_no_readings(shop, office, operator):
    order = factory.make_order()
    quote(order, dt.date(2026, 3, 24), office)
    factory.make_charge(
        lots=[factory.make_lot(order)], started_at=NOW - 30 * HOUR, water_topped_up_at=NOW - 30 * HOUR
    )
    assert kinds(shop, office) == ["quote lapsing"]
    assert kinds(shop, operator) == ["reading"]


@pytest.mark.django_db
def test_a_promise_of_this_week_is_listed_and_a_missed_one_is_late(shop, office):
    order = factory.make_order()
    factory.make_lot(order)
    promise = Promise.objects.create(
        order=order, ready_on=dt.date(2026, 3, 25), made_at=NOW, why="planned", made_by=office
    )
    row = today(shop=shop, person=office, now=NOW).promised[0]
    assert row.press == "soon" and row.pk == order.pk
    promise.ready_on = dt.date(2026, 3, 18)
    promise.save()
    assert today(shop=shop, person=office, now=NOW).promised[0].press == "late"
    promise.ready_on = dt.date(2026, 4, 2)
    promise.save()
    assert not today(shop=shop, person=office, now=NOW).promised


@pytest.mark.django_db
def test_every_row_opens_a_page_and_the_sentence_counts_them(client_for, owner):
    now = timezone.now()
    order, chamber = factory.make_order(number="O-2026-0007"), factory.make_chamber()
    factory.make_tariff()
    factory.make_rate_card()
    lots = [factory.make_lot(order)]
    saved = save_quote(order=order, by=owner, now=now - dt.timedelta(days=28), chamber=chamber)
    assert saved.valid_until == shop_today(now) + dt.timedelta(days=2)
    factory.make_charge(
        chamber=chamber, lots=lots, first_day=shop_today(now), started_at=now - dt.timedelta(days=16)
    )
    page = client_for(owner).get(reverse("today"))
    text = page.content.decode()
    assert (
        "4 things need somebody: 1 reading due, 1 step change, 1 wet bulb to water, 1 quote lapsing." in text
    )
    for _, rows in page.context["groups"]:
        for row in rows:
            assert client_for(owner).get(row["url"]).status_code == 200, row["url"]


@pytest.mark.django_db
def test_queries_do_not_grow_with_orders(client_for, owner, django_assert_max_num_queries):
    now = timezone.now()
    for number in range(12):
        order = factory.make_order(customer=factory.make_customer(f"Customer {number}"), number=f"O-{number}")
        factory.make_lot(order)
        quote(order, shop_today(now), owner)
        Promise.objects.create(
            order=order, ready_on=shop_today(now), made_at=now, why="planned", made_by=owner
        )
    client = client_for(owner)
    with django_assert_max_num_queries(40):
        assert client.get(reverse("today")).status_code == 200


@pytest.mark.django_db
def test_alerts_come_first_worst_first_and_every_running_charge_has_its_sentence(client_for, operator):
    now = timezone.now()
    charge = factory.make_charge(started_at=now - 30 * HOUR, water_topped_up_at=now - 30 * HOUR)
    for kind, severity in (("off_plan", "caution"), ("hot", "stop"), ("door", "note")):
        charge.alerts.create(kind=kind, severity=severity, text="seen", first_seen=now, last_seen=now)
    page = client_for(operator).get(reverse("today"))
    assert page.context["groups"][0][0] == "Alerts"
    assert [row["task"].what for row in page.context["groups"][0][1]] == [
        "Too hot",
        "Air off plan",
        "Door opened",
    ]
    assert "is on step 1 of 2, drying. Next: set dry bulb 120" in page.content.decode()


@pytest.mark.django_db
def test_queries_grow_by_a_few_with_each_running_chamber(client_for, operator, django_assert_max_num_queries):
    now = timezone.now()
    for number in range(8):
        chamber = factory.make_chamber(f"c{number}", name=f"Chamber {number}")
        order = factory.make_order(customer=factory.make_customer(f"Customer {number}"), number=f"O-{number}")
        factory.make_charge(
            chamber=chamber,
            lots=[factory.make_lot(order)],
            number=f"K-{number}",
            started_at=now - 30 * HOUR,
            water_topped_up_at=now,
        )
    client = client_for(operator)
    with django_assert_max_num_queries(23 + 8 * 6):
        assert client.get(reverse("today")).status_code == 200
