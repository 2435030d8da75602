"""From rows to the science: which wood, which schedule, which air, which treatments."""

import datetime as dt
from decimal import Decimal

import pytest

from kilnshop.orders import estimating, quoting
from kilnshop.orders.models import Lot
from kilnshop.science.species import find
from kilnshop.shop.models import OwnSchedule, OwnSpecies, OwnTreatment
from tests import factory

DAY = factory.DAY


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


def test_own_species_stands_beside_the_published_ones(shop):
    OwnSpecies.objects.create(
        key="yard_oak", common_name="Yard oak", group="hardwood", specific_gravity_green=0.58,
        green_mc_pct=75, like_species="northern_red_oak",
    )  # fmt: skip
    wood, like = estimating.species_for("yard_oak"), find("northern red oak")
    assert (wood.common_name, wood.specific_gravity_green, wood.source) == ("Yard oak", 0.58, "our shop")
    assert (wood.speed_factor, wood.drying_group) == (like.speed_factor, like.drying_group)
    assert estimating.species_choices()[0] == ("yard_oak", "Yard oak (own)")
    assert estimating.species_for("northern_red_oak") == like
    with pytest.raises(ValueError, match="not known"):
        estimating.species_for("cardboard")


def test_dressed_wood_is_its_actual_size(shop):
    # a 2x6 is 1.5 x 5.5 in (PS 20): 800 bf as counted hold 800 x 1.5 x 5.5 / (2 x 6) = 550 bf of wood
    lot = factory.make_lot(
        thickness_label="2x6", thickness_in=Decimal("1.5"), nominal_thickness_in=Decimal("2"), basis="dressed"
    )
    given = estimating.lot_input(lot)
    assert given.volume_bf * given.thickness_in / given.nominal_thickness_in == pytest.approx(550.0)


def test_air_outside_is_that_of_the_month_or_the_one_figure(shop):
    assert estimating.outside(shop, 1).temp_f == 24.0
    assert estimating.outside(shop, 7).temp_f == 73.0
    shop.outside_temp_f = [48]
    assert estimating.outside(shop, 7).temp_f == 48.0
    shop.outside_temp_f = []
    assert estimating.outside(shop, 7).temp_f == estimating.ASSUMED_OUTSIDE_F


@pytest.mark.parametrize(
    ("code", "found", "first_dry_bulb"),
    [("T4-D2", "T4-D2", 110.0), ("t4-d2-lt", "T4-D2-LT", 90.0), ("SOFTWOOD-A", "SOFTWOOD-A", 110.0)],
)
def test_schedule_of_a_code(chamber, shop, code, found, first_dry_bulb):
    lots = [estimating.lot_input(factory.make_lot())]
    schedule = estimating.schedule_for(code, lots, estimating.chamber_input(chamber, shop))
    assert (schedule.code, schedule.steps[0].dry_bulb_f) == (found, first_dry_bulb)


def test_own_schedule_and_own_treatment_are_used(chamber, shop):
    OwnSchedule.objects.create(
        key="slow-oak", name="Slow oak", steps=[[300, 88, 85], [40, 92, 86], [25, 105, 88]]
    )
    OwnTreatment.objects.create(
        key="shop_heat", name="Our beetle heat", measured_at="core", min_temperature_f=135, min_minutes=60
    )
    lot = factory.make_lot(schedule_code="slow-oak", treatments=["shop_heat"], target_mc_pct=12)
    made = estimating.estimate_lots([lot], chamber, shop, DAY)
    assert made.schedule_code == "slow-oak"
    assert [step.kind for step in made.steps][-1] == "heat"
    lot.treatments = ["gone"]
    with pytest.raises(ValueError, match="'gone' is not held"):
        estimating.estimate_lots([lot], chamber, shop, DAY)


def test_lots_that_wish_different_schedules_get_the_suggested_one(chamber, shop):
    order = factory.make_order()
    lots = [
        factory.make_lot(order, "A", schedule_code="T4-D2-LT"),
        factory.make_lot(order, "B", schedule_code="T3-C1-LT"),
    ]
    made = estimating.estimate_lots(lots, chamber, shop, DAY)
    assert "published schedule for 4/4 northern red oak" in made.reason


def test_a_charge_is_finished_as_the_most_demanding_lot_asks(shop):
    chamber = factory.make_chamber(has_humidifier=True)
    order = factory.make_order()
    lots = [
        factory.make_lot(order, "A", schedule_code="T4-D2-LT+equalize", start_mc_pct=60),
        factory.make_lot(order, "B", schedule_code="+condition", start_mc_pct=60),
    ]
    assert [lot.finish for lot in lots] == ["Equalize", "Equalize and condition"]
    made = estimating.estimate_lots(lots, chamber, shop, DAY)
    assert made.schedule_code == "T4-D2-LT+condition"
    assert [step.kind for step in made.steps[-2:]] == ["equalize", "condition"]
    asked = estimating.estimate_lots([factory.make_lot(order, "C")], chamber, shop, DAY, "+equalize")
    assert asked.schedule_code.endswith("-LT+equalize")


def test_conditioning_is_refused_in_words_without_a_humidifier(chamber, shop):
    with pytest.raises(ValueError, match="North chamber has no humidifier, so it cannot condition wood"):
        estimating.estimate_lots([factory.make_lot(schedule_code="+condition")], chamber, shop, DAY)


def test_water_of_a_lot_by_hand(chamber, shop):
    # 800 bf counted 1 in, measured 1.125 in: 800/12 x 1.125 x 0.56 x 62.4 = 2620.8 lb oven-dry;
    # 25 to 7 % is 18 % of it = 471.7 lb; 8.34 lb a gallon: 56.6 gallons
    made = estimating.estimate_lots([factory.make_lot()], chamber, shop, DAY)
    assert made.oven_dry_lb == pytest.approx(2620.8, rel=0.001)
    assert made.water_lb == pytest.approx(471.7, rel=0.001)
    assert made.water_gal == pytest.approx(56.6, rel=0.002)


def test_a_fuller_chamber_takes_less_electricity_a_board_foot(chamber, shop):
    lot = factory.make_lot(start_mc_pct=60.0)
    half = estimating.estimate_lots([lot], chamber, shop, DAY)
    lot.volume_bf = round(lot.volume_bf / Decimal(half.fill), 2)
    full = estimating.estimate_lots([lot], chamber, shop, DAY)
    assert full.fill == pytest.approx(1.0, rel=0.01)
    assert full.kwh.total.expected * half.fill < half.kwh.total.expected
    assert half.full.kwh == pytest.approx(full.kwh.total.expected, rel=1e-3)
    assert half.full.days == pytest.approx(full.days.expected, rel=1e-3)
    assert full.full is None


def test_ready_window_counts_whole_days_and_the_shops_margin(chamber, shop):
    factory.make_rate_card()
    lot = factory.make_lot()
    draft = quoting.draft_lots(order=lot.order, lots=[lot], chamber=chamber, today=DAY, first_day=DAY)
    first, last = quoting.ready_window(draft)
    days = draft.estimate.days
    assert days.low <= (first - DAY).days < days.low + 1
    assert days.high + 2 <= (last - DAY).days < days.high + 3
    assert draft.price is not None and draft.price.total > 0
    assert isinstance(first, dt.date) and Lot.objects.count() == 1
