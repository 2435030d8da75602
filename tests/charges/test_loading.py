"""How a charge's lots stand in the chamber, and what filling the rest is worth."""

import datetime as dt
from decimal import Decimal

import pytest

from kilnshop.charges import loading, money, planning
from kilnshop.orders.models import Promise, TallyLine
from kilnshop.shop.queries import rate_card_on, tariff_on
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()  # stack 12 x 5 x 5.5 ft in 14 x 8 x 8 ft


def tallied(lot, *lines):
    for pieces, width, length in lines:
        TallyLine.objects.create(lot=lot, pieces=pieces, width_in=width, length_ft=length)
    return lot


def promise(lot, ready_on):
    Promise.objects.create(order=lot.order, ready_on=ready_on, made_at=NOW, why="agreed")
    return lot


def test_the_first_promised_goes_in_last(chamber):
    soon = promise(waiting_lot(volume_bf=Decimal("100")), TODAY + dt.timedelta(days=10))
    late = promise(waiting_lot("O-2026-0002", volume_bf=Decimal("100")), TODAY + dt.timedelta(days=40))
    never = waiting_lot("O-2026-0003", volume_bf=Decimal("100"))
    made = loading.load(chamber, [soon, never, late])
    assert [row.lot for row in made.lots] == [never, late, soon]
    assert [row.letter for row in made.lots] == ["A", "B", "C"]
    assert made.order_words.endswith("because it is promised first.")


def test_the_newest_promise_counts_and_else_the_day_it_is_needed(chamber):
    moved = promise(waiting_lot(volume_bf=Decimal("50")), TODAY + dt.timedelta(days=5))
    Promise.objects.create(
        order=moved.order,
        ready_on=TODAY + dt.timedelta(days=60),
        made_at=NOW + dt.timedelta(hours=1),
        why="moved",
    )
    needed = waiting_lot("O-2026-0002", volume_bf=Decimal("50"))
    needed.order.needed_by = TODAY + dt.timedelta(days=30)
    made = loading.load(chamber, [needed, moved])
    assert [row.lot for row in made.lots] == [moved, needed]


def test_a_promise_that_would_leave_wood_out_gives_way_and_says_so(chamber):
    """The short lot is promised last, but a 10 ft pack may not stand on 7 ft boards, and 5 ft beside them is short."""
    short = promise(tallied(waiting_lot(), (20, 8, 7)), TODAY + dt.timedelta(days=40))
    long = promise(tallied(waiting_lot("O-2026-0002"), (20, 8, 10)), TODAY + dt.timedelta(days=10))
    made = loading.load(chamber, [short, long])
    assert [row.lot for row in made.lots] == [long, short] and not made.stack.left_bf
    assert "the longest goes in first" in made.notices[0]


def test_green_weight_by_hand(chamber):
    """Northern red oak, specific gravity 0.56: 800 bf / 12 x 62.4 x 0.56 x 1.125 thick x 1.25 wet = 3,276 lb.

    The published 29.1 lb of water per percent and 1,000 bf (board_measure.csv of the sources) says the same.
    """
    (row,) = loading.load(chamber, [waiting_lot()]).lots
    assert row.stacked.green_lb == pytest.approx(800 / 12 * 62.4 * 0.56 * 1.125 * 1.25, rel=0.002)
    assert row.stacked.green_lb == pytest.approx(29.1 * 0.8 * 1.125 * 125, rel=0.005)
    assert row.stacked.reckoned


def test_dressed_stock_is_as_wide_as_it_is(chamber):
    """A 2x6 counts 6 in and measures 5 1/2: ten lie on 60 in, not nine of a course of 6 in."""
    lot = tallied(
        waiting_lot(
            species_key="eastern_white_pine",
            thickness_label="2x6",
            thickness_in=Decimal("1.5"),
            nominal_thickness_in=Decimal("2"),
            basis="dressed",
        ),
        (10, 6, 8),
    )
    (row,) = loading.load(chamber, [lot]).lots
    assert row.stacked.boards[0].width_in == pytest.approx(5.5) and row.courses == 1


def test_a_piece_longer_than_the_chamber_refuses_the_charge_by_piece_and_length(chamber, shop):
    lot = tallied(waiting_lot(), (40, 8, 10), (2, 9, 16))
    plan = planning.plan(chamber=chamber, lots=[lot], first_day=TODAY, shop=shop)
    assert plan.load is None and plan.verdict == "refused"
    assert "2 pieces 16 ft long (9 in wide)" in plan.refusals[0] and "14 ft" in plan.refusals[0]


def row(volume, days, kwh, total):
    cost = money.Cost(None, None, total and Decimal(total), None, None, None, ())
    return planning.FillCost("", 0, volume, days, kwh, 0, 0, cost)


def test_the_rest_of_the_chamber_by_hand(chamber, shop):
    """800 bf as planned cost 500, 2,000 bf full cost 620: 120 / 1,200 = 0.10 per bf and 0.06 of stacking. The card
    asks 0.65 for slow hardwood: 1 - 0.16 / 0.65 = 75.4 % off still pays."""
    card = factory.make_rate_card()
    plan = planning.plan(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, shop=shop)
    rows = [row(800, 12, 700, "500"), row(1000, 12, 800, "530"), row(2000, 13, 1100, "620")]
    rest = planning.remainder(plan, rows, card)
    assert (rest.volume_bf, rest.days, rest.kwh) == (1200, 1, 400)
    assert rest.per_bf == Decimal("0.1000") and rest.break_even_per_bf == Decimal("0.1600")
    assert rest.card_per_bf == Decimal("0.6500")
    assert float(rest.discount_pct) == pytest.approx(75.38, abs=0.01)
    assert any("0.1000 per bf" in value for _, value in rest.working.inputs)


def test_a_full_chamber_or_one_without_prices_has_no_rest(chamber, shop):
    card = factory.make_rate_card()
    plan = planning.plan(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, shop=shop)
    assert planning.remainder(plan, [row(2000, 13, 1100, "620")] * 2, card) is None
    assert planning.remainder(plan, [row(800, 12, 700, None), row(2000, 13, 1100, None)], card) is None


def test_a_dear_rest_leaves_no_discount(chamber, shop):
    card = factory.make_rate_card()
    plan = planning.plan(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, shop=shop)
    rest = planning.remainder(plan, [row(800, 12, 700, "100"), row(1800, 30, 3000, "1100")], card)
    assert rest.discount_pct == 0


def test_the_rest_agrees_with_the_fill_table(chamber, shop):
    factory.make_tariff()
    factory.make_rate_card()
    plan = planning.plan(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, shop=shop)
    rows = planning.fill_costs(plan, shop, "", rate_card_on(TODAY), tariff_on(TODAY))
    rest = planning.remainder(plan, rows, rate_card_on(TODAY))
    assert rest.volume_bf == pytest.approx(
        2000 * 1.8125 / 1.875 - 800
    )  # 1 1/8 in takes more room than 1 1/16
    assert Decimal(0) < rest.per_bf < rows[0].cost.per_mbf / 1000


def test_a_charge_that_is_out_has_no_load(chamber):
    charge = factory.make_charge(chamber)
    assert loading.of_charge(charge) is not None
    charge.cancelled_at = NOW
    assert loading.of_charge(charge) is None
