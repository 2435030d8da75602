"""Two people at once. Runs on the database that DATABASE_URL names: SQLite and PostgreSQL both hold."""

import datetime as dt
import itertools
import re
import threading

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, close_old_connections, connection, connections

from kilnshop.charges import actions, queries
from kilnshop.charges.models import Booking, Charge, ChargeLot
from kilnshop.orders.actions import cancel_order
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

DAY = dt.timedelta(days=1)
pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*works):
    """Run the works at the same moment, each on its own connection; their results or exceptions, in order."""
    start = threading.Barrier(len(works))
    results = [None] * len(works)

    def run(place, work):
        close_old_connections()
        try:
            start.wait(timeout=20)
            results[place] = work()
        except Exception as problem:
            results[place] = problem
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(place, work)) for place, work in enumerate(works)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in threads), "a writer waits for ever"
    return results


def split(results):
    won = [result for result in results if not isinstance(result, Exception)]
    lost = [result for result in results if isinstance(result, Exception)]
    return won, lost


@pytest.fixture
def chamber(owner):
    return factory.make_chamber()


def test_two_people_booking_one_chamber_get_one_charge(owner, chamber):
    lots = [waiting_lot(f"O-2026-000{n}", customer=f"Customer {n}") for n in (1, 2)]

    def book(lot):
        return lambda: actions.plan_charge(chamber=chamber, lots=[lot], first_day=TODAY, by=owner, now=NOW)

    won, lost = split(at_once(*map(book, lots)))
    assert len(won) == len(lost) == 1, lost
    assert isinstance(lost[0], ValidationError), repr(lost[0])
    assert f"taken by charge {won[0].number}" in lost[0].message
    late = next(lot for lot in lots if not ChargeLot.objects.filter(lot=lot).exists())
    assert str(late) in lost[0].message
    assert Charge.objects.count() == Booking.objects.count() == 1


def test_without_the_lock_the_database_still_refuses_in_words(owner, chamber, monkeypatch):
    monkeypatch.setattr(actions, "_lock", lambda chambers: None)
    lots = [waiting_lot(f"O-2026-000{n}", customer=f"Customer {n}") for n in (1, 2)]

    def book(lot):
        return lambda: actions.plan_charge(chamber=chamber, lots=[lot], first_day=TODAY, by=owner, now=NOW)

    won, lost = split(at_once(*map(book, lots)))
    assert len(won) == len(lost) == 1, lost
    assert isinstance(lost[0], ValidationError) and lost[0].code == "overlap", repr(lost[0])
    assert f"taken by charge {won[0].number}" in lost[0].message


def test_two_people_loading_one_lot_get_one_charge(owner, chamber):
    lot, other = waiting_lot(), factory.make_chamber("south", name="South chamber")

    def load(where):
        return lambda: actions.plan_charge(chamber=where, lots=[lot], first_day=TODAY, by=owner, now=NOW)

    won, lost = split(at_once(load(chamber), load(other)))
    assert len(won) == len(lost) == 1, lost
    assert isinstance(lost[0], ValidationError), repr(lost[0])
    assert f"is in charge {won[0].number}" in " ".join(lost[0].messages)


def test_an_order_is_not_cancelled_while_its_lot_is_loaded(owner, chamber):
    lot = waiting_lot()
    won, lost = split(
        at_once(
            lambda: actions.plan_charge(chamber=chamber, lots=[lot], first_day=TODAY, by=owner, now=NOW),
            lambda: cancel_order(order=lot.order, by=owner, now=NOW, why="changed their mind"),
        )
    )
    assert len(won) == len(lost) == 1 and isinstance(lost[0], ValidationError), (won, lost)
    lot.order.refresh_from_db()
    assert bool(lot.order.cancelled_at) != Charge.objects.exists()


def test_many_outages_at_once_never_share_a_day(owner, chamber):
    def close(first):
        return lambda: actions.add_outage(
            chamber=chamber,
            first_day=TODAY + first * DAY,
            last_day=TODAY + (first + 2) * DAY,
            reason="repair",
            by=owner,
        )

    won, lost = split(at_once(*(close(first) for first in range(6))))
    assert won and all(isinstance(problem, ValidationError) for problem in lost), lost
    rows = list(Booking.objects.order_by("first_day"))
    assert len(rows) == len(won)
    assert all(one.last_day < two.first_day for one, two in itertools.pairwise(rows))


def test_two_charges_changing_places_at_once_neither_overlap_nor_wait_for_ever(owner, chamber):
    other = factory.make_chamber("south", name="South chamber")
    here, there = (
        actions.plan_charge(
            chamber=where, lots=[waiting_lot(f"O-2026-000{n}")], first_day=TODAY, by=owner, now=NOW
        )
        for n, where in ((1, chamber), (2, other))
    )

    def swap(charge, where):
        return lambda: actions.move_charge(
            charge=charge, chamber=where, first_day=TODAY, by=owner, now=NOW, why="swap"
        )

    won, lost = split(at_once(swap(here, other), swap(there, chamber)))
    assert not won and all(isinstance(problem, ValidationError) for problem in lost), (won, lost)
    assert {(b.charge_id, b.chamber_id) for b in Booking.objects.all()} == {
        (here.pk, chamber.pk),
        (there.pk, other.pk),
    }


def test_writers_past_every_check_meet_the_database(chamber):
    """Straight inserts, as a bypassing script would do: the trigger or exclusion constraint refuses one."""

    def insert():
        Booking.objects.bulk_create(
            [
                Booking(
                    chamber=chamber, first_day=TODAY, last_day=TODAY, likely_last_day=TODAY, outage="script"
                )
            ]
        )

    won, lost = split(at_once(insert, insert))
    assert len(won) == 1 and isinstance(lost[0], DatabaseError), (won, lost)
    assert re.search("booking_overlap|checking exclusion constraint", str(lost[0]))
    assert Booking.objects.count() == 1
    assert connection.vendor in {"sqlite", "postgresql"}


def test_of_two_people_moving_charges_at_once_the_second_is_told_what_changed(owner, chamber):
    """Both looked at the same calendar; both moves push, so only what was seen can tell them apart."""
    charges = [
        factory.make_charge(
            chamber,
            [waiting_lot(f"O-2026-000{n}")],
            number=f"K-2026-000{n}",
            first_day=TODAY + 10 * n * DAY,
            days=8,
        )
        for n in (1, 2)
    ]
    seen = queries.as_seen(TODAY)

    def hold(charge):
        end = charge.booking.last_day + DAY
        return lambda: actions.set_days(
            charge=charge, likely_last_day=end, last_day=end, by=owner, now=NOW, why="slow", push=True, seen=seen
        )  # fmt: skip

    won, lost = split(at_once(*map(hold, charges)))
    assert len(won) == len(lost) == 1, lost
    assert isinstance(lost[0], ValidationError), repr(lost[0])
    said = " ".join(lost[0].messages)
    assert "nothing was moved" in said and f"Charge {won[0]} is now in North chamber" in said
