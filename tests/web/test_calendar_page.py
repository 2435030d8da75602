"""The calendar of the chambers, moving charges on it, and closing a chamber."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from kilnshop.charges import actions
from kilnshop.charges.models import Booking, Charge
from kilnshop.web import timeline
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


@pytest.fixture
def web(client_for, operator):
    return client_for(operator)


@pytest.fixture
def charge(operator, chamber):
    return actions.plan_charge(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, by=operator, now=NOW)


def text(response) -> str:
    return response.content.decode()


def test_a_bar_says_its_state_in_word_and_shape(web, charge, chamber, operator):
    day = charge.booking.last_day + 4 * DAY
    actions.add_outage(chamber=chamber, first_day=day, last_day=day + 6 * DAY, reason="new door", by=operator)
    page = text(web.get(reverse("calendar")))
    assert f"○ Planned {charge.number}" in page
    assert "■ Closed" in page and "new door" in page
    assert "Today" in page
    assert "3 days free" in page
    Charge.objects.update(started_at=NOW)
    assert f"▶ Running {charge.number}" in text(web.get(reverse("calendar")))


def test_the_drawing_has_attributes_and_no_styles(web, charge):
    page = text(web.get(reverse("calendar")))
    assert "<svg" in page
    assert not re.search(r"\sstyle=|<style|\son\w+=", page)


def test_bars_are_as_long_as_their_days_with_a_soft_end(charge, chamber):
    from kilnshop.charges import queries

    rows = queries.calendar_rows(TODAY, 42, TODAY)
    drawing = timeline.draw(rows, TODAY, 42, TODAY)
    wide = (drawing.width - drawing.left) / 42
    (bar,) = drawing.lanes[0].bars
    booking = charge.booking
    assert bar.x == drawing.left
    assert bar.width == pytest.approx(((booking.last_day - booking.first_day).days + 1) * wide, abs=0.2)
    assert bar.soft_width == pytest.approx((booking.last_day - booking.likely_last_day).days * wide, abs=0.2)
    assert bar.soft_x + bar.soft_width == pytest.approx(bar.x + bar.width, abs=0.2)
    assert drawing.today_x == pytest.approx(drawing.left + wide / 2, abs=0.2)
    (gap,) = drawing.lanes[0].gaps
    assert gap.x == pytest.approx(bar.x + bar.width, abs=0.2)


def test_a_bar_beyond_the_edge_is_cut_at_the_edge(charge):
    from kilnshop.charges import queries

    first = TODAY + 3 * DAY
    drawing = timeline.draw(queries.calendar_rows(first, 7, first), first, 7, TODAY)
    (bar,) = drawing.lanes[0].bars
    assert bar.x == drawing.left and bar.x + bar.width <= drawing.width + 0.1
    assert drawing.today_x is None


def test_every_text_on_a_bar_fits_it(charge):
    for width in range(0, 400, 7):
        for line in timeline._bar_lines(charge.booking, "○", "Planned", width):
            assert len(line) * timeline.LETTER <= max(width, 0)


def test_earlier_and_later_weeks_are_one_link_away(web, charge):
    page = text(web.get(reverse("calendar"), {"from": "2026-03-04", "weeks": "4"}))
    assert "Mon 2 Mar to Sun 29 Mar" in page
    assert "?from=2026-02-02&amp;weeks=4" in page and "?from=2026-03-30&amp;weeks=4" in page
    assert charge.number not in text(web.get(reverse("calendar"), {"from": "2026-09-07"}))


@pytest.mark.parametrize(
    "query",
    [
        {"from": "x"},
        {"from": "0001-01-01"},
        {"from": "9999-12-31"},
        {"weeks": "99999999"},
        {"weeks": "-1"},
        {"weeks": "²"},
    ],
)
def test_odd_addresses_still_show_the_calendar(web, charge, query):
    assert web.get(reverse("calendar"), query).status_code == 200


def test_without_a_chamber_the_calendar_says_what_to_do_first(web, shop):
    assert "Describe the first one" in text(web.get(reverse("calendar")))


def test_the_calendar_takes_the_same_queries_for_more_charges(web, chamber, django_assert_max_num_queries):
    for number in range(6):
        factory.make_charge(
            chamber,
            [waiting_lot(f"O-2026-{number:04d}", customer=f"Customer {number}")],
            number=f"K-2026-{number:04d}",
            first_day=TODAY + number * 14 * DAY,
        )
    with django_assert_max_num_queries(18):
        web.get(reverse("calendar"), {"weeks": "12"})


def test_office_sees_the_calendar_without_the_doors_to_change_it(client_for, office, charge):
    signed_in = client_for(office)
    page = text(signed_in.get(reverse("calendar")))
    assert charge.number in page
    assert reverse("charge_move", args=[charge.pk]) not in page
    assert reverse("charge_plan") not in page
    for address in (reverse("charge_move", args=[charge.pk]), reverse("outage_new")):
        assert signed_in.get(address).status_code == 403


def test_a_move_shows_the_promises_it_breaks_before_it_is_made(web, charge, chamber):
    there = {"chamber": chamber.pk, "first_day": (TODAY + 10 * DAY).isoformat(), "why": ""}
    address = reverse("charge_move", args=[charge.pk])
    for given in (there | {"do": "preview"}, there):
        headers = {} if "do" in given else {"HTTP_HX_REQUEST": "true"}
        page = text(web.post(address, given, **headers))
        assert "It can move there" in page
        assert "Slips" in page and re.search(r"(9|10|11) days late", page)
    charge.booking.refresh_from_db()
    assert charge.booking.first_day == TODAY


def test_a_move_is_made_with_its_reason_and_the_pages_say_it_slipped(web, charge, chamber):
    there = {"chamber": chamber.pk, "first_day": (TODAY + 10 * DAY).isoformat(), "do": "move"}
    address = reverse("charge_move", args=[charge.pk])
    refused = web.post(address, there | {"why": ""})
    assert "This field is required" in text(refused)
    moved = web.post(address, there | {"why": "fan motor"}, follow=True)
    assert "now holds North chamber from Thu 12 Mar" in text(moved)
    assert re.search(r"slipped (9|10|11) days", text(web.get(reverse("charges"))))


def test_a_move_onto_taken_days_is_refused_naming_both(web, charge, chamber, operator):
    day = charge.booking.last_day + 3 * DAY
    actions.add_outage(chamber=chamber, first_day=day, last_day=day, reason="new door", by=operator)
    there = {"chamber": chamber.pk, "first_day": day.isoformat(), "why": "x"}
    address = reverse("charge_move", args=[charge.pk])
    for do in ("preview", "move"):
        page = text(web.post(address, there | {"do": do}))
        assert "taken by outage “new door”" in page and f"charge {charge.number} cannot have it" in page
    charge.booking.refresh_from_db()
    assert charge.booking.first_day == TODAY


def test_a_running_charge_gets_a_new_end_and_the_promise_slips(web, charge):
    Charge.objects.update(started_at=NOW)
    address = reverse("charge_move", args=[charge.pk])
    assert "When charge" in text(web.get(address))
    end = charge.booking.last_day + 5 * DAY
    web.post(
        address,
        {"likely_last_day": end.isoformat(), "last_day": end.isoformat(), "why": "dries slower"},
        follow=True,
    )
    assert Booking.objects.get().last_day == end
    assert "slipped 5 days" in text(web.get(reverse("charges")))


def test_days_in_the_wrong_order_are_said_in_words(web, charge):
    Charge.objects.update(started_at=NOW)
    page = web.post(
        reverse("charge_move", args=[charge.pk]),
        {"likely_last_day": "2026-04-10", "last_day": "2026-04-01", "why": "x"},
    )
    assert "must run in order" in text(page)


def test_the_cancel_button_of_a_charge_opens_the_form_that_asks_why(web, charge):
    address = reverse("charge_cancel", args=[charge.pk])
    assert f'href="{address}"' in text(web.get(reverse("charge", args=[charge.pk])))
    page = text(web.get(address))
    assert '<details class="panel" open>' in page
    assert "This field is required" not in page
    assert Charge.objects.get(pk=charge.pk).cancelled_at is None


def test_a_cancelled_charge_leaves_the_calendar_and_its_lots_wait(web, charge):
    address = reverse("charge_cancel", args=[charge.pk])
    assert "This field is required" in text(web.post(address, {"cancel-why": ""}))
    page = text(web.post(address, {"cancel-why": "customer waits"}, follow=True))
    assert "wait in the yard again" in page
    assert not Booking.objects.exists()
    assert web.get(reverse("charge_move", args=[charge.pk])).status_code == 404


def test_a_chamber_is_closed_and_opened_again(web, chamber):
    address = reverse("outage_new")
    given = {"chamber": chamber.pk, "first_day": "2026-03-09", "last_day": "2026-03-12", "reason": "new door"}
    assert "is before the first day" in text(web.post(address, given | {"last_day": "2026-03-08"}))
    assert "is closed from Mon 9 Mar on: new door" in text(web.post(address, given, follow=True))
    closed = Booking.objects.get()
    page = reverse("outage", args=[closed.pk])
    assert "new door" in text(web.get(page))
    assert "is open again" in text(web.post(page, {"do": "open"}, follow=True))
    assert not Booking.objects.exists()


def test_an_outage_is_put_on_other_days_and_charges_make_room(web, charge, chamber):
    """By a drop, which gives only what was moved, and by the form; what was booked since is told."""
    held = charge.booking
    closed = actions.add_outage(
        chamber=factory.make_chamber("south", name="South chamber"), first_day=TODAY + 40 * DAY,
        last_day=TODAY + 42 * DAY, reason="new door", by=charge.created_by,
    )  # fmt: skip
    page = reverse("outage", args=[closed.pk])
    drop = {"do": "drop", "chamber": chamber.pk, "first_day": held.first_day.isoformat()}
    shown = text(web.post(page, drop))
    last = held.first_day + 2 * DAY
    assert f"Outage “new door”: {chamber}" in shown and "goes 3 days later" in shown
    assert f'name="last_day" value="{last}"' in shown and "Move it there" in shown
    held.refresh_from_db(), closed.refresh_from_db()
    assert held.first_day == TODAY and closed.chamber.name == "South chamber"  # nothing moved yet
    given = {"chamber": chamber.pk, "first_day": held.first_day, "last_day": last, "why": "door and fan"}
    assert "now holds North chamber" in text(web.post(page, given | {"do": "move"}, follow=True))
    held.refresh_from_db(), closed.refresh_from_db()
    assert (closed.chamber, closed.last_day, closed.outage) == (chamber, last, "door and fan")
    assert held.first_day == last + DAY
    event = charge.events.get(kind="moved")
    assert event.why == "Makes room for outage “door and fan”: North chamber is closed"
    upside_down = {"do": "preview", "first_day": TODAY + DAY, "last_day": TODAY}
    assert "is before the first day" in text(web.post(page, given | upside_down))


def test_a_chamber_is_not_closed_under_a_charge(web, charge, chamber):
    given = {"chamber": chamber.pk, "first_day": "2026-03-09", "last_day": "2026-03-12", "reason": "new door"}
    page = text(web.post(reverse("outage_new"), given))
    assert f"taken by charge {charge.number}" in page and "outage “new door” cannot have it" in page


def test_the_calendar_says_which_charges_it_has_lost(web, charge):
    assert "Behind the calendar" not in text(web.get(reverse("calendar")))
    with time_machine.travel(NOW + DAY, tick=False):
        assert "was to be loaded on Mon 2 Mar and has not started" in text(web.get(reverse("calendar")))
    Charge.objects.update(started_at=NOW)
    with time_machine.travel(NOW + 25 * DAY, tick=False):
        page = text(web.get(reverse("calendar")))
        assert "and is still in it" in page and reverse("charge_move", args=[charge.pk]) in page
        Charge.objects.update(dried_at=NOW + DAY, unloaded_at=NOW + DAY)
        assert "Behind the calendar" not in text(web.get(reverse("calendar")))
