"""The calendar of the chambers for calendar programs (iCalendar, RFC 5545), at private addresses."""

import datetime as dt
import hashlib
import secrets

import icalendar
from django.db import transaction

from kilnshop.charges import following, queries
from kilnshop.charges.calendar import DAY, day_text
from kilnshop.charges.models import Booking, Feed
from kilnshop.shop.models import Chamber, Person, Shop
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May, require

BACK = 60 * DAY  # how far back a feed reaches
READING_TAKES = dt.timedelta(minutes=15)


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


@transaction.atomic
def make_feed(*, name: str, chamber: Chamber | None, by: Person, now: dt.datetime) -> str:
    """A new private key, told once."""
    require(by, May.RUN_CHARGES)
    key = secrets.token_urlsafe(24)
    feed = Feed(name=name.strip(), chamber=chamber, key_hash=_hash(key), made_at=now, made_by=by)
    feed.full_clean()
    feed.save()
    return key


@transaction.atomic
def revoke_feed(*, feed: Feed, by: Person) -> None:
    """The address stops working at once."""
    require(by, May.RUN_CHARGES)
    feed.delete()


def by_key(key: str) -> Feed | None:
    return Feed.objects.filter(key_hash=_hash(key)).select_related("chamber").first()


def note_read(*, feed: Feed, now: dt.datetime) -> None:
    """When it was read, to the hour: programs ask often."""
    if feed.last_read_at is None or now - feed.last_read_at > dt.timedelta(hours=1):
        Feed.objects.filter(pk=feed.pk).update(last_read_at=now)


def ical(*, feed: Feed, shop: Shop, now: dt.datetime, site: str) -> bytes:
    """Bookings as whole days, and when the next reading of a running charge is due.

    That moment is written in UTC, which every program turns into its own clock; a time zone described in the
    file is read differently from program to program on the day the clocks change.
    """
    made = icalendar.Calendar()
    made.add("prodid", "-//kilnshop//chambers//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", f"{shop.name}: {feed.chamber or 'all chambers'}")
    made.add("x-wr-timezone", shop.time_zone)
    made.add("refresh-interval", dt.timedelta(hours=1), parameters={"value": "DURATION"})
    rows = (
        Booking.objects.filter(last_day__gte=shop_today(now) - BACK)
        .select_related("chamber", "charge")
        .prefetch_related("charge__charge_lots__lot__order__customer")
        .order_by("first_day", "pk")
    )
    if feed.chamber:
        rows = rows.filter(chamber=feed.chamber)
    for booking in rows:
        made.add_component(_days(booking, now, site))
    for charge in queries.charges("running"):
        if feed.chamber is None or charge.chamber_id == feed.chamber_id:
            due = following.reading_due_at(charge, shop.reading_every_hours)
            made.add_component(
                _event(
                    f"reading-{charge.pk}", now, site, f"Reading due: {charge}, {charge.chamber}",
                    start=due.astimezone(dt.UTC), end=(due + READING_TAKES).astimezone(dt.UTC),
                    url=f"{site}/charges/{charge.pk}/readings/new/",
                )
            )  # fmt: skip
    return made.to_ical()


def _days(booking: Booking, now: dt.datetime, site: str) -> icalendar.Event:
    """A booking: the day after its last is where an all-day event ends."""
    if booking.charge_id is None:
        words, told, url = f"closed, {booking.outage}", "", f"{site}/outages/{booking.pk}/"
    else:
        rows = booking.charge.charge_lots.all()
        customers = ", ".join(dict.fromkeys(row.lot.order.customer.name for row in rows))
        words = f"{booking.charge}, {booking.charge.state}"
        told = (
            f"{customers}\nLots: {', '.join(str(row.lot) for row in rows)}\n"
            f"Loading {day_text(booking.first_day)}; likely out {day_text(booking.likely_last_day)}, "
            f"at the latest {day_text(booking.last_day)}"
        )
        url = f"{site}/charges/{booking.charge_id}/"
    return _event(
        f"booking-{booking.pk}", now, site, f"{booking.chamber}: {words}",
        start=booking.first_day, end=booking.last_day + DAY, url=url, told=told,
    )  # fmt: skip


def _event(
    key: str,
    now: dt.datetime,
    site: str,
    summary: str,
    *,
    start: dt.date,
    end: dt.date,
    url: str,
    told: str = "",
) -> icalendar.Event:
    event = icalendar.Event()
    event.add("uid", f"{key}@{site.split('//')[-1]}")
    event.add("dtstamp", now.astimezone(dt.UTC))
    event.add("dtstart", start)
    event.add("dtend", end)
    event.add("summary", summary)
    event.add("url", url)
    event.add("transp", "TRANSPARENT")
    if told:
        event.add("description", told)
    return event
