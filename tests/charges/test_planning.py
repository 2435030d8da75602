"""A charge before it is booked: fill, shares, what holds it up, and what half a chamber costs."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from kilnshop.charges import actions, planning
from kilnshop.orders.models import TallyLine
from kilnshop.science.estimate import Range
from kilnshop.shop.models import OwnSchedule
from kilnshop.shop.queries import rate_card_on, tariff_on
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot


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


def own(steps):
    OwnSchedule.objects.create(key="own-steps", name="Our steps", steps=steps)
    return "own-steps"


@pytest.mark.parametrize(
    ("steps", "month", "said"),
    [
        ([[300, 110, 100], [25, 170, 120]], 3, "170 °F is hotter than the 160 °F limit"),
        ([[300, 85, 80], [25, 120, 85]], 7, "the fans alone bring"),
        ([[300, 110, 106], [25, 120, 112]], 3, "so it never reaches the target of 7 %"),
    ],
)
def test_steps_the_chamber_cannot_run_are_refused_whatever_the_note(
    chamber, shop, operator, steps, month, said
):
    """Issue 3, section 2: a step the chamber cannot reach is refused with the figure that stops it."""
    shop.outside_temp_f = [30, 35, 40, 50, 60, 75, 88, 75, 60, 50, 40, 30]
    shop.save()
    day, code = TODAY.replace(month=month), own(steps)
    lot = waiting_lot(start_mc_pct=Decimal("80"))
    plan = planning.plan(chamber=chamber, lots=[lot], first_day=day, shop=shop, schedule_code=code)
    assert plan.verdict == "refused" and any(said in text for text in plan.refusals)
    assert not any(said in text for text in plan.costs)
    with pytest.raises(ValidationError, match=said):
        actions.plan_charge(
            chamber=chamber, lots=[lot], first_day=day, by=operator, now=NOW, schedule_code=code,
            override_note="we know better",
        )  # fmt: skip


def test_in_a_hot_month_the_suggested_steps_start_no_cooler_than_the_chamber_gets(chamber, shop):
    """Fans heat the air above the 88 °F outside, and nothing cools it (issue 3, section 2)."""
    shop.outside_temp_f = [30, 35, 40, 50, 60, 75, 88, 75, 60, 50, 40, 30]
    lot = waiting_lot(start_mc_pct=Decimal("80"))
    winter, summer = (
        planning.plan(chamber=chamber, lots=[lot], first_day=TODAY.replace(month=month), shop=shop)
        for month in (1, 7)
    )
    assert winter.estimate.steps[0].dry_bulb_f == 90
    first = summer.estimate.steps[0]
    assert first.dry_bulb_f > 90 and not summer.refusals
    assert f"from {first.dry_bulb_f:g} °F because the chamber gets no cooler" in summer.estimate.reason
    assert first.emc_pct == pytest.approx(
        winter.estimate.steps[0].emc_pct, abs=0.5
    )  # the published air stays


def test_what_finds_no_place_by_its_sizes_needs_a_note(chamber, shop):
    """8 ft boards leave 4 ft of a 12 ft stack bare: two thirds of 1,900 bf is all that stands."""
    lot = waiting_lot(volume_bf=Decimal("1900"))
    TallyLine.objects.create(lot=lot, pieces=475, width_in=6, length_ft=8)
    plan = made(chamber, shop, lot)
    assert plan.verdict == "cost"
    assert any("does not all fit" in text for text in plan.costs)


def test_a_quick_lot_waits_for_the_slow_one_and_the_slow_one_for_nobody(chamber, shop):
    """Dry Kiln Operator's Manual ch. 5: the slowest member ends the charge. Thick maple is the slow one here."""
    thin = waiting_lot(species_key="sugar_maple", start_mc_pct=18.0, volume_bf=Decimal("60.00"))
    thick = waiting_lot(
        letter="B",
        species_key="sugar_maple",
        start_mc_pct=18.0,
        thickness_label="8/4",
        thickness_in=Decimal("2.25"),
        nominal_thickness_in=Decimal("2"),
        volume_bf=Decimal("60.00"),
    )
    plan = made(chamber, shop, thin, thick)
    quick, slow = planning.waits(plan, shop)
    assert (quick.lot, slow.lot) == (thin, thick)
    assert quick.days == pytest.approx(plan.estimate.days.expected - quick.alone.expected)
    assert quick.days > 4 and slow.days < quick.days / 3  # it waits only for the water of the other
    assert planning.waits(made(chamber, shop, thin), shop) == []
