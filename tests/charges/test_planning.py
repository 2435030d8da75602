"""A charge before it is booked: fill, shares, what holds it up, and what half a chamber costs."""

from decimal import Decimal

import pytest

from kilnshop.charges import planning
from kilnshop.science.estimate import Range
from kilnshop.shop.queries import rate_card_on, tariff_on
from tests import factory
from tests.charges.helpers import TODAY, waiting_lot


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


def made(chamber, shop, *lots):
    return planning.plan(chamber=chamber, lots=lots, first_day=TODAY, shop=shop)


def test_fill_counts_the_room_of_thickness_and_sticker_by_hand(chamber, shop):
    """2,000 bf of 4/4 is 2,000 sq ft of courses, each 1 1/16 in of wood and 3/4 in of sticker high. 400 bf of
    8/4 is 200 sq ft of courses 2 1/4 + 3/4 in high: 200 x 3.0 / 1.8125 = 331 bf of 4/4 room of 2,000."""
    lot = waiting_lot(
        species_key="black_walnut",
        thickness_label="8/4",
        thickness_in=Decimal("2.25"),
        nominal_thickness_in=Decimal("2"),
        volume_bf=Decimal("400.00"),
    )
    assert made(chamber, shop, lot).fill_pct == pytest.approx(16.55, abs=0.01)


def test_shares_add_up_to_the_whole_charge(chamber, shop):
    plan = made(
        chamber,
        shop,
        waiting_lot(volume_bf=Decimal("700.00")),
        waiting_lot(letter="B", species_key="white_oak", volume_bf=Decimal("250.00")),
        waiting_lot("O-2026-0002", customer="Hollow Oak Stairs", volume_bf=Decimal("50.00")),
    )
    assert [share.share_pct for share in plan.shares] == pytest.approx([70, 25, 5])
    assert sum(share.chamber_days for share in plan.shares) == pytest.approx(plan.estimate.days.expected)
    assert sum(share.kwh for share in plan.shares) == pytest.approx(
        plan.estimate.kwh.total.expected, rel=1e-3
    )
    assert sum(share.water_lb for share in plan.shares) == pytest.approx(plan.estimate.water_lb)


def share(name, pct, days):
    return planning.LotShare(name, 100.0, Range(days, days, days), pct, days * pct / 100, 50.0)


def test_a_small_slow_lot_is_said_to_hold_the_chamber():
    (said,) = planning.held_up([share("O-1-A", 90, 10.0), share("O-2-A", 10, 16.0)])
    assert "O-2-A is 10 % of the charge" in said and "6 days longer" in said


@pytest.mark.parametrize(
    "shares",
    [
        [share("O-1-A", 90, 10.0), share("O-2-A", 10, 12.0)],  # hardly slower
        [share("O-1-A", 60, 10.0), share("O-2-A", 40, 16.0)],  # not small
        [share("O-1-A", 100, 10.0)],
    ],
)
def test_other_lots_hold_nothing_up(shares):
    assert planning.held_up(shares) == []


def test_half_full_costs_more_per_foot_than_full(chamber, shop):
    """energy_model.md of the sources puts half full at about a third more electricity per foot and nearly
    twice the chamber-days per foot; here only the direction and the arithmetic are held."""
    factory.make_tariff()
    factory.make_rate_card()
    plan = made(chamber, shop, waiting_lot(volume_bf=Decimal("600.00")))
    planned, half, full = planning.fill_costs(plan, shop, "", rate_card_on(TODAY), tariff_on(TODAY))
    assert (half.fill_pct, full.fill_pct) == (50, 100)
    assert full.volume_bf == pytest.approx(2 * half.volume_bf)
    assert planned.volume_bf == pytest.approx(600)
    assert half.kwh_per_mbf > full.kwh_per_mbf
    assert half.days_per_mbf > 1.5 * full.days_per_mbf
    assert half.cost.per_mbf > full.cost.per_mbf
    by_hand = half.days * 22.00 + half.kwh * 0.14  # the rate card's chamber-day cost, the tariff
    assert float(half.cost.total) == pytest.approx(by_hand, abs=0.011)


def test_without_tariff_or_rate_card_no_cost_is_made_up(chamber, shop):
    plan = made(chamber, shop, waiting_lot())
    assert {row.cost.total for row in planning.fill_costs(plan, shop, "", None, None)} == {None}


def test_no_lots_is_said_in_words(chamber, shop):
    with pytest.raises(ValueError, match="Tick at least one"):
        made(chamber, shop)
