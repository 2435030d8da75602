"""The days of a chamber: what is taken, what is free, and that no day is taken twice."""

import datetime as dt
import itertools

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kilnshop.charges import actions, calendar, queries
from kilnshop.charges.models import Booking
from kilnshop.science.estimate import Range
from tests import factory
from tests.charges.helpers import TODAY

DAY = dt.timedelta(days=1)


def booking(first, last):
    return Booking(
        first_day=TODAY + first * DAY,
        last_day=TODAY + last * DAY,
        likely_last_day=TODAY + last * DAY,
        outage="x",
    )


@pytest.mark.parametrize(
    ("high", "days"),
    [(10.0, 12), (10.1, 13), (0.4, 3)],  # loading day + whole days of drying + unloading day, by hand
)
def test_days_taken_round_drying_up_to_whole_days(high, days):
    taken = calendar.days_taken(TODAY, Range(high / 2, high, high))
    assert taken.length == days
    assert taken.last_day == TODAY + (days - 1) * DAY


def test_gaps_lie_between_bookings_within_the_stretch():
    found = calendar.gaps([booking(10, 12), booking(3, 5), booking(13, 14)], TODAY, TODAY + 20 * DAY)
    assert [((gap.first_day - TODAY).days, gap.length) for gap in found] == [(0, 3), (6, 4), (15, 6)]


def test_a_booking_across_the_edge_leaves_no_gap_there():
    found = calendar.gaps([booking(-5, 2), booking(18, 30)], TODAY, TODAY + 20 * DAY)
    assert [((gap.first_day - TODAY).days, gap.length) for gap in found] == [(3, 15)]


def test_the_first_free_place_is_long_enough():
    taken = [booking(0, 3), booking(6, 9)]
    assert calendar.first_free(taken, TODAY, 2) == TODAY + 4 * DAY
    assert calendar.first_free(taken, TODAY, 3) == TODAY + 10 * DAY


def test_a_free_place_is_not_looked_for_beyond_two_years():
    assert calendar.first_free([booking(0, 800)], TODAY, 1) is None


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 8)), max_size=8),
    st.integers(1, 30),
)
def test_gaps_and_bookings_cover_every_day_once(spans, stretch):
    taken, bookings = set(), []
    for first, length in spans:
        days = set(range(first, first + length + 1))
        if not days & taken:
            taken |= days
            bookings.append(booking(first, first + length))
    free = [
        (gap.first_day - TODAY).days + n
        for gap in calendar.gaps(bookings, TODAY, TODAY + stretch * DAY)
        for n in range(gap.length)
    ]
    assert sorted(free) == [day for day in range(stretch + 1) if day not in taken]


SPANS = st.lists(
    st.tuples(st.sampled_from(["north", "south"]), st.integers(0, 30), st.integers(0, 9)),
    min_size=1,
    max_size=12,
)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(spans=SPANS)
@pytest.mark.django_db
def test_two_bookings_never_share_a_day_whatever_is_asked(spans, shop):
    owner = factory.make_person("owner")
    with transaction.atomic():
        chambers = {key: factory.make_chamber(key, name=key) for key in ("north", "south")}
        taken = {key: set() for key in chambers}
        for key, first, length in spans:
            days = set(range(first, first + length + 1))
            given = {"first_day": TODAY + first * DAY, "last_day": TODAY + (first + length) * DAY}
            try:
                actions.add_outage(chamber=chambers[key], reason="repair", by=owner, **given)
            except ValidationError as refused:
                assert refused.code == "overlap" and days & taken[key], "only a real overlap is refused"
            else:
                assert not days & taken[key], "a shared day was let through"
                taken[key] |= days
        transaction.set_rollback(True)


STEPS = st.lists(
    st.tuples(st.sampled_from(["close", "shift"]), st.integers(0, 3), st.integers(0, 30), st.integers(0, 9)),
    min_size=1,
    max_size=10,
)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
@pytest.mark.django_db
def test_charges_shifted_among_outages_never_share_a_day(steps, shop):
    owner = factory.make_person("owner")
    with transaction.atomic():
        chamber = factory.make_chamber()
        charges = [
            factory.make_charge(
                chamber,
                [factory.make_lot(factory.make_order(number=f"O-2026-000{n}"))],
                number=f"K-2026-000{n}",
                first_day=TODAY + n * 6 * DAY,
                days=5,
            )
            for n in range(3)
        ]
        for what, which, first, length in steps:
            start, end = TODAY + first * DAY, TODAY + (first + length) * DAY
            try:
                if what == "close":
                    actions.add_outage(
                        chamber=chamber, first_day=start, last_day=end, reason="repair", by=owner
                    )
                else:
                    charge = charges[which % len(charges)]
                    actions.set_days(
                        charge=charge, first_day=start, likely_last_day=start, last_day=end, by=owner,
                        now=factory.NOW, why="slower",
                    )  # fmt: skip
            except ValidationError as refused:
                assert refused.code == "overlap"
            rows = list(Booking.objects.filter(chamber=chamber).order_by("first_day"))
            assert all(one.last_day < two.first_day for one, two in itertools.pairwise(rows))
        transaction.set_rollback(True)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(spans=SPANS)
@pytest.mark.django_db
def test_the_database_alone_refuses_every_overlap(spans, shop):
    with transaction.atomic():
        chambers = {key: factory.make_chamber(key, name=key) for key in ("north", "south")}
        kept = []
        for key, first, length in spans:
            row = booking(first, first + length)
            row.chamber = chambers[key]
            meets = any(
                other.chamber == row.chamber
                and other.first_day <= row.last_day
                and row.first_day <= other.last_day
                for other in kept
            )
            try:
                with transaction.atomic():
                    Booking.objects.bulk_create([row])  # past every check in the code
            except IntegrityError as refused:
                assert "booking_overlap" in str(refused) and meets
            else:
                assert not meets
                kept.append(row)
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_moving_onto_a_taken_day_is_refused_by_the_database(shop):
    chamber = factory.make_chamber()
    first, second = booking(0, 4), booking(10, 14)
    for row in (first, second):
        row.chamber = chamber
        row.save()
    with pytest.raises(IntegrityError, match="booking_overlap"), transaction.atomic():
        Booking.objects.filter(pk=second.pk).update(first_day=TODAY + 4 * DAY)
    Booking.objects.filter(pk=second.pk).update(first_day=TODAY + 5 * DAY)  # the day after is free


@pytest.mark.django_db
def test_calendar_rows_show_chambers_in_use_with_gaps_from_today(shop):
    north = factory.make_chamber()
    factory.make_chamber("old", name="Old chamber", active=False)
    row = booking(-3, 3)
    row.chamber = north
    row.save()
    (shown,) = queries.calendar_rows(TODAY - 7 * DAY, 28, TODAY)
    assert shown.chamber == north
    assert shown.bookings == [row]
    assert [(gap.first_day, gap.length) for gap in shown.gaps] == [(TODAY + 4 * DAY, 17)]


@pytest.mark.django_db
def test_calendar_rows_take_the_same_queries_for_more_bookings(shop, django_assert_num_queries):
    north = factory.make_chamber()
    for number in range(6):
        factory.make_charge(
            north,
            [factory.make_lot(factory.make_order(number=f"O-2026-{number:04d}"))],
            number=f"K-2026-{number:04d}",
            first_day=TODAY + number * 20 * DAY,
        )
    for days in (20, 120):
        with django_assert_num_queries(6):
            queries.calendar_rows(TODAY, days, TODAY)
