"""Charges that make room for each other, and the second of two editors."""

import datetime as dt
import itertools

import pytest
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.charges import actions, calendar, moving, queries
from kilnshop.charges.models import Booking, Charge
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

DAY = dt.timedelta(days=1)


def booking(first, last, charge=True, state="planned"):
    row = Booking(
        first_day=TODAY + first * DAY, last_day=TODAY + last * DAY, likely_last_day=TODAY + last * DAY
    )
    if charge:
        row.charge = Charge(pk=1000 + first, started_at=NOW if state == "running" else None)
    else:
        row.outage = "new door"
    return row


def days(first, last):
    return calendar.Days(TODAY + first * DAY, TODAY + last * DAY, TODAY + last * DAY)


def after(rows, wanted):
    """Where everything stands in days from TODAY once room is made, worked out by the rule under test."""
    shifts = {id(shift.booking): shift.days for shift in calendar.make_way(rows, wanted)}
    spans = [shifts.get(id(row), row) for row in rows]
    return [((span.first_day - TODAY).days, (span.last_day - TODAY).days) for span in spans]


@pytest.mark.parametrize(
    ("rows", "wanted", "expected"),
    [  # by hand on squared paper
        ([booking(10, 19), booking(20, 24)], days(5, 12), [(13, 22), (23, 27)]),
        ([booking(10, 19), booking(30, 34)], days(5, 12), [(13, 22), (30, 34)]),
        ([booking(10, 14), booking(17, 18, charge=False)], days(5, 12), [(19, 23), (17, 18)]),
        ([booking(10, 11), booking(16, 17, charge=False)], days(5, 12), [(13, 14), (16, 17)]),
        ([booking(10, 11), booking(13, 15), booking(12, 12, charge=False)], days(5, 10), [(13, 14), (15, 17), (12, 12)]),
        ([booking(2, 8), booking(10, 14)], days(5, 12), [(2, 8), (13, 17)]),  # what began before stands
        ([booking(10, 14, state="running")], days(5, 12), [(10, 14)]),  # what runs stands
    ],
)  # fmt: skip
def test_later_charges_go_back_just_enough_in_their_order_and_over_outages(rows, wanted, expected):
    assert after(rows, wanted) == expected


SPANS = st.lists(st.tuples(st.integers(0, 6), st.integers(1, 9), st.booleans()), max_size=7)


@given(SPANS, st.integers(0, 20), st.integers(1, 15))
def test_making_room_keeps_order_length_and_outages_and_shares_no_day(gaps, start, length):
    rows, day = [], start
    for free, long, is_charge in gaps:
        rows.append(booking(day + free, day + free + long - 1, charge=is_charge))
        day += free + long
    wanted = (start, start + length - 1)
    outages = [row for row in rows if not row.charge_id]
    if any(row.first_day <= TODAY + wanted[1] * DAY for row in outages):
        return  # that would be refused before anything moves
    spans = after(rows, days(*wanted))
    everything = sorted([*spans, wanted])
    assert all(one[1] < two[0] for one, two in itertools.pairwise(everything))
    charges = [(row, span) for row, span in zip(rows, spans, strict=True) if row.charge_id]
    assert [span for _, span in charges] == sorted(span for _, span in charges)
    for row, span in zip(rows, spans, strict=True):
        assert span[1] - span[0] == (row.last_day - row.first_day).days
        assert span[0] >= (row.first_day - TODAY).days
        assert row.charge_id or span[0] == (row.first_day - TODAY).days


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


def charge_of(chamber, number, first, length=5, **over):
    lot = waiting_lot(f"O-2026-{number:04d}", customer=f"Customer {number}")
    return factory.make_charge(
        chamber,
        [lot],
        number=f"K-2026-{number:04d}",
        first_day=TODAY + first * DAY,
        days=length,
        schedule_code="T4-D2-LT",
        **over,
    )


@pytest.fixture
def row_of_three(chamber):
    return [charge_of(chamber, n, 6 * n, started_at=NOW if n == 0 else None) for n in range(3)]


def hold(charge, last, by, **over):
    end = TODAY + last * DAY
    return actions.set_days(
        charge=charge, likely_last_day=end, last_day=end, by=by, now=NOW, why="dries slower", **over
    )


@pytest.mark.django_db
def test_a_slip_is_proposed_first_and_moves_nothing(shop, owner, row_of_three):
    slipped = row_of_three[0]
    end = TODAY + 8 * DAY
    proposal = moving.propose_days(charge=slipped, days=calendar.Days(TODAY, end, end), shop=shop)
    assert [(shift.booking.charge, shift.later_days) for shift in proposal.shifts] == [
        (row_of_three[1], 3),
        (row_of_three[2], 2),
    ]
    assert {move.order.number for move in proposal.promises} == {f"O-2026-000{n}" for n in range(3)}
    assert not proposal.refusals
    assert Booking.objects.get(charge=row_of_three[1]).first_day == TODAY + 6 * DAY


@pytest.mark.django_db
def test_a_slip_that_is_agreed_pushes_the_later_ones_with_the_reason_and_new_promises(owner, row_of_three):
    hold(row_of_three[0], 8, owner, push=True)
    rows = {row.charge.number: row for row in Booking.objects.select_related("charge")}
    assert [(rows[f"K-2026-000{n}"].first_day - TODAY).days for n in range(3)] == [0, 9, 14]
    for charge in row_of_three[1:]:
        event = charge.events.get(kind="moved")
        assert event.why == "Makes room for charge K-2026-0000: dries slower"
        assert charge.charge_lots.get().lot.order.promises.first().why.endswith("dries slower")


@pytest.mark.django_db
def test_without_push_a_slip_into_the_next_charge_is_refused(owner, row_of_three):
    with pytest.raises(ValidationError, match="taken by charge K-2026-0001"):
        hold(row_of_three[0], 8, owner)
    assert Booking.objects.get(charge=row_of_three[0]).last_day == TODAY + 4 * DAY


@pytest.mark.django_db
def test_a_charge_moved_forward_pushes_what_stood_there(owner, chamber):
    """It must get past its own old days, which the database would count as an overlap."""
    first, second = charge_of(chamber, 1, 20, 30), charge_of(chamber, 2, 60, 5)
    moved = actions.move_charge(
        charge=second, chamber=chamber, first_day=TODAY + 20 * DAY, by=owner, now=NOW, why="swap", push=True
    )
    first = Booking.objects.get(charge=first)
    assert moved.booking.first_day == TODAY + 20 * DAY
    assert first.first_day == moved.booking.last_day + DAY
    assert (first.last_day - first.first_day).days == 29


@pytest.mark.django_db
def test_the_second_editor_is_told_what_the_first_one_changed(owner, operator, row_of_three, chamber):
    seen = queries.as_seen(TODAY)
    hold(row_of_three[2], 20, operator, seen=seen)
    actions.add_outage(
        chamber=chamber, first_day=TODAY + 40 * DAY, last_day=TODAY + 41 * DAY, reason="fan", by=operator
    )
    with pytest.raises(ValidationError) as refused:
        hold(row_of_three[1], 10, owner, seen=seen)
    said = " ".join(refused.value.messages)
    assert "nothing was moved" in said
    assert "Charge K-2026-0002 is now in North chamber" in said and "moved by Operator: dries slower" in said
    assert "Outage “fan” is now in North chamber" in said
    actions.cancel_charge(charge=row_of_three[2], by=operator, now=NOW, why="gone")
    with pytest.raises(ValidationError, match="is off the calendar"):
        hold(row_of_three[1], 10, owner, seen=seen)
    assert hold(row_of_three[1], 10, owner, seen=queries.as_seen(TODAY))


@pytest.mark.django_db
def test_a_change_elsewhere_stops_nobody(owner, row_of_three):
    seen = queries.as_seen(TODAY)
    actions.add_outage(
        chamber=factory.make_chamber("south", name="South chamber"),
        first_day=TODAY,
        last_day=TODAY,
        reason="fan",
        by=owner,
    )
    assert hold(row_of_three[1], 10, owner, seen=seen)


@pytest.mark.django_db
@pytest.mark.parametrize("seen", ["x", "2026-03-02|1,2", "2026-03-02|a,b,c,d,e"])
def test_a_page_too_old_to_read_is_refused_in_words(owner, row_of_three, seen):
    with pytest.raises(ValidationError, match="Open the calendar again"):
        hold(row_of_three[1], 10, owner, seen=seen)
