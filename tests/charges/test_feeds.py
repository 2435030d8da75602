"""The iCalendar feed, read by vobject (another library than the one that writes it)."""

import datetime as dt
import zoneinfo

import pytest
import time_machine
import vobject
from django.core.cache import cache
from django.urls import reverse

from kilnshop.charges import feeds
from kilnshop.charges.models import Booking, Feed
from tests import factory
from tests.charges.helpers import NOW, TODAY

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)
NEW_YORK = zoneinfo.ZoneInfo("America/New_York")


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


def read(key, shop, now=NOW):
    made = feeds.ical(feed=feeds.by_key(key), shop=shop, now=now, site="http://kiln.example")
    return vobject.readOne(made.decode())


def events(calendar):
    return {event.summary.value: event for event in calendar.vevent_list}


def make(owner, chamber=None):
    return feeds.make_feed(name="Phone", chamber=chamber, by=owner, now=NOW)


def test_a_booking_is_a_whole_day_event_that_ends_the_day_after_its_last(shop, owner, chamber):
    factory.make_charge(chamber, first_day=TODAY, days=14)
    Booking.objects.create(
        chamber=chamber, first_day=TODAY + 20 * DAY, last_day=TODAY + 20 * DAY,
        likely_last_day=TODAY + 20 * DAY, outage="new door; and hinges, all",
    )  # fmt: skip
    found = events(read(make(owner), shop))
    charge = found["North chamber: K-2026-0001, planned"]
    # RFC 5545 3.6.1: the end of an event is not part of it
    assert (charge.dtstart.value, charge.dtend.value) == (TODAY, TODAY + 14 * DAY)
    assert type(charge.dtstart.value) is dt.date
    assert "Ida Marsh Joinery" in charge.description.value
    closed = found["North chamber: closed, new door; and hinges, all"]
    assert closed.dtend.value - closed.dtstart.value == DAY


def test_a_feed_of_one_chamber_leaves_the_others_out(shop, owner, chamber):
    south = factory.make_chamber("south", name="South chamber")
    factory.make_charge(chamber, first_day=TODAY)
    assert len(read(make(owner, chamber), shop).vevent_list) == 1
    assert not hasattr(read(make(owner, south), shop), "vevent_list")


@pytest.mark.parametrize(
    ("started", "due"),
    [  # clocks go forward on 8 March 2026 and back on 1 November 2026 at 2 o'clock in New York
        (dt.datetime(2026, 3, 7, 7, 30, tzinfo=NEW_YORK), dt.datetime(2026, 3, 8, 12, 30, tzinfo=dt.UTC)),
        (dt.datetime(2026, 10, 31, 7, 30, tzinfo=NEW_YORK), dt.datetime(2026, 11, 1, 11, 30, tzinfo=dt.UTC)),
    ],
)
def test_a_reading_is_due_at_the_right_moment_across_a_clock_change(shop, owner, chamber, started, due):
    factory.make_charge(chamber, first_day=started.date(), started_at=started)
    found = events(read(make(owner), shop, now=started + dt.timedelta(hours=1)))
    event = found["Reading due: K-2026-0001, North chamber"]
    assert event.dtstart.value.astimezone(dt.UTC) == due


def test_only_a_hash_is_kept_and_a_revoked_address_opens_nothing(client, shop, owner, chamber):
    cache.clear()
    key = make(owner)
    row = Feed.objects.get()
    assert key not in str(row.__dict__)
    answer = client.get(reverse("feed", args=[key]))
    assert answer.status_code == 200 and answer["Content-Type"].startswith("text/calendar")
    assert vobject.readOne(answer.content.decode()).name == "VCALENDAR"
    row.refresh_from_db()
    assert row.last_read_at
    feeds.revoke_feed(feed=row, by=owner)
    assert client.get(reverse("feed", args=[key])).status_code == 404
    assert client.get(reverse("feed", args=["guess"])).status_code == 404


def test_guessing_addresses_is_stopped(client, shop, owner):
    cache.clear()
    key = make(owner)
    for _ in range(60):
        client.get(reverse("feed", args=["guess"]))
    assert client.get(reverse("feed", args=[key])).status_code == 429
    cache.clear()


def test_the_page_shows_a_new_address_once_and_revokes_it(client_for, operator, chamber):
    web = client_for(operator)
    page = web.post(reverse("feeds"), {"name": "Sam's phone", "chamber": chamber.pk}).content.decode()
    assert "shown only this once" in page and "/calendar/" in page and ".ics" in page
    page = web.get(reverse("feeds")).content.decode()
    assert ".ics" not in page and "never read yet" in page
    web.post(reverse("feed_revoke", args=[Feed.objects.get().pk]))
    assert not Feed.objects.exists()


def test_the_feed_takes_the_same_queries_for_more_bookings(
    shop, owner, chamber, django_assert_max_num_queries
):
    for number in range(8):
        factory.make_charge(
            chamber,
            [factory.make_lot(factory.make_order(number=f"O-2026-{number:04d}"))],
            number=f"K-2026-{number:04d}",
            first_day=TODAY + number * 20 * DAY,
        )
    key = make(owner)
    with time_machine.travel(NOW, tick=False), django_assert_max_num_queries(9):
        assert len(read(key, shop).vevent_list) == 8
