"""Kept, moved in time, broken: cases worked out by hand on a calendar of March 2026."""

import datetime as dt

import pytest

from kilnshop.orders.models import Promise
from kilnshop.reports.promises import fared, outcome
from tests import factory
from tests.charges.helpers import NOW


def march(day):
    return dt.date(2026, 3, day)


@pytest.mark.parametrize(
    ("made_and_promised", "ready", "expected"),
    [
        ([(1, 10)], 10, "kept"),
        ([(1, 10)], 8, "kept"),
        ([(1, 10), (3, 8)], 9, "broken"),  # brought forward, and the nearer day was missed
        ([(1, 10), (8, 14)], 14, "moved"),
        ([(1, 10), (8, 14)], 9, "moved"),
        ([(1, 10)], 11, "broken"),
        ([(1, 10), (11, 14)], 12, "broken"),  # the new day was named too late
        ([(1, 10), (8, 12)], 13, "broken"),
        ([(1, 10), (11, 11)], 11, "broken"),  # said only on the day it was ready
        ([(1, 10), (9, 9)], 9, "kept"),  # unloading early names an earlier day, which promises nothing
        ([(1, 22)], None, "open"),
        ([(1, 10), (8, 22)], None, "open"),
        ([(1, 10)], None, "broken"),
    ],
)
def test_what_came_of_a_promise(made_and_promised, ready, expected):
    days = [(march(made), march(promised)) for made, promised in made_and_promised]
    assert outcome(days, march(ready) if ready else None, march(20)) == expected


@pytest.mark.django_db
def test_orders_are_counted_with_who_moved_them_when_and_why(shop, owner, django_assert_max_num_queries):
    chamber, customer = factory.make_chamber(), factory.make_customer()
    for number in range(4):
        order = factory.make_order(customer=customer, number=f"O-2026-{number:04d}")
        Promise.objects.create(order=order, ready_on=march(20), made_at=NOW, made_by=owner, why="booked")
        Promise.objects.create(
            order=order,
            ready_on=march(25),
            made_at=NOW + dt.timedelta(days=3),
            made_by=owner,
            why="fan motor",
        )
        out = NOW + dt.timedelta(days=22)
        factory.make_charge(
            chamber, [factory.make_lot(order)], number=f"K-2026-{number:04d}", started_at=NOW, dried_at=out,
            unloaded_at=out, first_day=march(2) + number * dt.timedelta(days=30),
        )  # fmt: skip
    with django_assert_max_num_queries(6):
        rows = fared(since=march(1), today=march(30))
    assert [(row.outcome, row.ready_on, row.late_days) for row in rows] == [("moved", march(24), 4)] * 4
    ((promise, before),) = rows[0].moves
    assert (promise.made_by, promise.why, before) == (owner, "fan motor", march(20))
    assert fared(since=march(26), today=march(30)) == []
