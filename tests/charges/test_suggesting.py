"""Charges suggested from waiting lots pass the same rules as one made by hand, and are booked only when accepted."""

import datetime as dt
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kilnshop.charges import actions, planning, queries, suggesting
from kilnshop.charges.calendar import DAY
from kilnshop.charges.models import Charge
from kilnshop.orders.models import Lot
from kilnshop.orders.queries import waiting_lots
from kilnshop.shop.models import Chamber
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

KINDS = (
    ("northern_red_oak", 25.0), ("white_oak", 26.0), ("sugar_maple", 18.0), ("black_cherry", 19.0),
    ("yellow_poplar", 85.0), ("eastern_white_pine", 17.0), ("black_walnut", 19.0),
)  # fmt: skip


@pytest.fixture
def chamber(shop):
    factory.make_rate_card()
    return factory.make_chamber()


def lot(number, kind, volume=500, needed_in=None):
    species, start = KINDS[kind]
    made = waiting_lot(
        f"O-2026-{number:04}",
        quoted=Decimal(volume) * Decimal("0.60"),
        species_key=species,
        start_mc_pct=start,
        volume_bf=Decimal(volume),
    )
    if needed_in is not None:
        made.order.needed_by = TODAY + needed_in * DAY
        made.order.save()
    return made


def suggested(shop, *, exact=False, weeks=10, **over):
    steps = suggesting.suggest(shop=shop, today=TODAY, weeks=weeks, seconds=3, exact=exact, **over)
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


def book(found, by):
    charges = []
    for draft in found.drafts:
        made = waiting_lots().filter(pk__in=draft.lots)
        chamber = Chamber.objects.get(pk=draft.chamber)
        charges.append(
            {"chamber": chamber, "lots": list(made), "first_day": draft.first_day, "override_note": "Agreed"}
        )
    return actions.plan_charges(charges=charges, by=by, now=NOW)


@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)  # fmt: skip
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(KINDS) - 1), st.sampled_from([250, 500, 900]), st.none() | st.integers(10, 60)
        ),
        min_size=1,
        max_size=5,
    ),
    st.booleans(),
)
def test_every_proposal_passes_the_rules_of_a_hand_made_charge(chamber, shop, owner, kinds, exact):
    with transaction.atomic():
        for number, (kind, volume, needed) in enumerate(kinds, 1):
            lot(number, kind, volume, needed)
        found = suggested(shop, exact=exact)
        gone = [pk for draft in found.drafts for pk in draft.lots]
        waiting = sorted(waiting_lots().values_list("pk", flat=True))
        assert sorted([*gone, *(pk for pk, _ in found.left)]) == waiting
        assert all(why for _, why in found.left)
        for row in suggesting.weigh(found.drafts, shop, TODAY):
            assert not row.problems
        assert len(book(found, owner)) == len(found.drafts)  # every rule again, in action and database
        transaction.set_rollback(True)


def test_unlike_lots_are_not_proposed_together(chamber, shop):
    green, dry = lot(1, 4, 600, 40), lot(2, 2, 600, 40)
    found = suggested(shop)
    assert not any({green.pk, dry.pk} <= set(draft.lots) for draft in found.drafts)


def test_lots_that_share_at_a_cost_are_mixed_only_when_asked(chamber, shop):
    both = {lot(1, 2, 500, 50).pk, lot(2, 5, 500, 50).pk}  # drying groups differ
    light = [set(draft.lots) for draft in suggested(shop, at_a_cost=True).drafts]
    strict = [set(draft.lots) for draft in suggested(shop, at_a_cost=False).drafts]
    assert both not in strict and both in light


def test_outages_and_booked_charges_are_left_alone(chamber, shop, operator):
    lot(1, 0, 900, 40)
    actions.add_outage(
        chamber=chamber, first_day=TODAY + 5 * DAY, last_day=TODAY + 9 * DAY, reason="Gasket", by=operator
    )
    found = suggested(shop)
    (draft,) = found.drafts
    plan = planning.plan(chamber=chamber, lots=[Lot.objects.get()], first_day=draft.first_day, shop=shop)
    assert not queries.room_problem(chamber, plan.days, "it")
    assert draft.first_day >= TODAY + 10 * DAY


def test_a_lot_left_over_says_why(chamber, shop):
    long = waiting_lot("O-2026-0009", volume_bf=Decimal("200.00"))
    long.tally.create(pieces=10, width_in=8, length_ft=40)
    small = lot(1, 0, 20)
    why = dict(suggested(shop).left)
    assert "company" in why[small.pk]
    assert "40" in why[long.pk]


@pytest.mark.parametrize("exact", [False, True], ids=["greedy", "highs"])
def test_a_stop_while_lots_are_estimated_ends_the_search_with_those_seen(chamber, shop, exact):
    seen, unseen = lot(1, 0, 1500), lot(2, 0, 1500)
    steps = suggesting.suggest(
        shop=shop, today=TODAY, weeks=10, seconds=3, exact=exact, stopped=lambda: bool(told)
    )
    told = []
    while True:
        try:
            told.append(next(steps).text)
        except StopIteration as end:
            found = end.value
            break
    assert sum(text.startswith("Estimated") for text in told) == 1
    assert [draft.lots for draft in found.drafts] == [(seen.pk,)]
    assert found.stopped
    assert [(pk, "stopped" in why) for pk, why in found.left] == [(unseen.pk, True)]


def test_accepting_refuses_in_words_when_something_changed_meanwhile(chamber, shop, owner):
    first = lot(1, 0, 900, 60)
    lot(2, 4, 900, 60)
    found = suggested(shop, weeks=16)
    assert len(found.drafts) == 2
    draft = next(draft for draft in found.drafts if first.pk in draft.lots)
    actions.plan_charge(
        chamber=chamber,
        lots=[first],
        first_day=draft.first_day,
        by=owner,
        now=NOW,
        override_note="By hand",
    )
    rows = suggesting.weigh(found.drafts, shop, TODAY)
    assert any("does not wait any more" in problem for row in rows for problem in row.problems)
    before = Charge.objects.count()
    with pytest.raises(ValidationError, match=r"Nothing is booked.*(in charge|taken by charge)"):
        charges = [
            {
                "chamber": chamber,
                "lots": list(Lot.objects.filter(pk__in=one.lots)),
                "first_day": one.first_day,
                "override_note": "Agreed",
            }
            for one in found.drafts
        ]
        actions.plan_charges(charges=charges, by=owner, now=NOW)
    assert Charge.objects.count() == before


def test_the_scene_counts_by_hand(chamber, shop):
    """One chamber, 29 days with today: a draft of n days leaves 29 - n idle; quoted 0.60 a foot on 900 ft."""
    lot(1, 0, 900, 20)
    (draft,) = suggested(shop, weeks=10).drafts
    rows = suggesting.weigh([draft], shop, TODAY)
    empty = suggesting.scene([], shop, TODAY, TODAY + 28 * DAY)
    assert (empty.charges, empty.days_held, empty.days_idle, empty.brings) == (0, 0, 29, 0)
    assert empty.late == (f"O-2026-0001, due {suggesting.day_text(TODAY + 20 * DAY)}, not planned",)
    full = suggesting.scene(rows, shop, TODAY, TODAY + 28 * DAY)
    length = rows[0].plan.days.length
    assert full.brings == Decimal("540.00") and full.days_held == min(29, length)
    assert full.days_idle == 29 - full.days_held


def test_an_empty_yard_is_no_trouble(chamber, shop):
    assert suggested(shop).drafts == ()


def test_a_promise_is_kept_with_the_shops_margin(chamber, shop):
    lot(1, 0, 600, 60)
    found = suggested(shop)
    (row,) = suggesting.weigh(found.drafts, shop, TODAY)
    assert row.plan.days.last_day + dt.timedelta(days=shop.promise_margin_days) <= TODAY + 60 * DAY
