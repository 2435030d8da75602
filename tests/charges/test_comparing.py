"""What a charge costs and what another fill, moisture, season or tariff would change."""

import datetime as dt
from decimal import Decimal

import pytest

from kilnshop.charges import comparing, money, planning
from kilnshop.charges.comparing import Change
from kilnshop.charges.models import Reading
from kilnshop.shop.models import TariffPeriod
from kilnshop.shop.queries import rate_card_on, tariff_on
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot


@pytest.fixture
def chamber(shop):
    factory.make_tariff()
    factory.make_rate_card()
    return factory.make_chamber()


@pytest.fixture
def green(chamber):
    return waiting_lot(volume_bf=Decimal("600.00"), start_mc_pct=60.0, start_how="weighed")


def columns(chamber, shop, lot, *changes):
    return comparing.compare(chamber=chamber, lots=[lot], first_day=TODAY, shop=shop, changes=changes)


def test_the_first_column_is_the_plan_itself(chamber, shop, green):
    (column,) = columns(chamber, shop, green)
    plan = planning.plan(chamber=chamber, lots=[green], first_day=TODAY, shop=shop)
    assert column.estimate.days == plan.estimate.days and column.days == plan.days
    assert column.changed == () and column.ready_on == plan.days.last_day + dt.timedelta(
        days=shop.promise_margin_days
    )


def test_each_change_moves_what_physics_says(chamber, shop, green):
    """A fuller chamber takes less electricity and cost a board foot, wood air-dried first and a wetter target
    take fewer days, July air loses less heat than March's (energy_model.md sections 5 and 6: walls, leaks)."""
    planned, full, dried, wetter, july = columns(
        chamber,
        shop,
        green,
        Change(fill_pct=100.0),
        Change(start_mc_pct=20.0),
        Change(target_mc_pct=12.0),
        Change(month=7),
    )
    assert full.estimate.fill == pytest.approx(1.0, rel=1e-3)
    assert full.kwh_per_mbf < planned.kwh_per_mbf and full.cost.per_mbf < planned.cost.per_mbf
    assert dried.estimate.days.expected < planned.estimate.days.expected
    assert wetter.estimate.days.expected < planned.estimate.days.expected
    assert july.estimate.kwh.total.expected < planned.estimate.kwh.total.expected
    assert july.days.first_day == dt.date(2026, 7, 2)
    assert [column.changed for column in (full, dried, wetter, july)] == [
        ("full chamber",),
        ("air-dried to 20 % first",),
        ("target 12 %",),
        ("loaded in July",),
    ]
    assert (
        green.volume_bf == Decimal("600.00") and green.start_mc_pct == 60.0
    )  # nothing is written to the lot


def test_a_month_that_is_past_is_next_years(chamber, shop, green):
    (_, january) = columns(chamber, shop, green, Change(month=1))
    assert january.days.first_day == dt.date(2027, 1, 2)


def test_another_tariff_and_schedule(chamber, shop, green):
    dear = factory.make_tariff(name="Dear", energy_per_kwh=Decimal("0.28000"), valid_from=dt.date(2030, 1, 1))
    planned, other, gentle = columns(
        chamber, shop, green, Change(tariff=dear), Change(schedule_code="T3-D1-LT")
    )
    assert float(other.cost.electricity.total) == pytest.approx(
        2 * float(planned.cost.electricity.total), abs=0.011
    )
    assert other.estimate.days == planned.estimate.days
    assert gentle.estimate.schedule_code.startswith("T3-D1")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (Change(target_mc_pct=39.0, start_mc_pct=30.0), "not above its target of 39 %"),
        (Change(schedule_code="T99-Z1"), "T99-Z1"),
    ],
)
def test_a_change_that_makes_no_sense_says_so_in_its_column(chamber, shop, green, change, said):
    planned, column = columns(chamber, shop, green, change)
    assert planned.estimate is not None
    assert column.estimate is None and said in column.problem


def test_costs_by_hand(chamber, shop):
    # 12.5 days x 22.00 = 275.00; without tariff no total is made up
    card = rate_card_on(TODAY)
    cost = money.cost(12.5, None, card, Decimal("500"), 18.0)
    assert (cost.chamber_days, cost.total, cost.per_mbf) == (Decimal("275.00"), None, None)
    # 2 lots, 300 bf losing 20 % and 100 bf losing 8 %: (300 x 20 + 100 x 8) / 400 = 17 %
    lots = [
        waiting_lot("O-2026-0007", volume_bf=Decimal("300"), start_mc_pct=27.0, target_mc_pct=7.0),
        waiting_lot("O-2026-0007", "B", volume_bf=Decimal("100"), start_mc_pct=15.0, target_mc_pct=7.0),
    ]
    assert money.points_removed(lots) == pytest.approx(17.0)


def test_a_measured_charge_is_priced_at_the_hours_of_its_readings(chamber, shop, operator):
    """Mon 2 March 10:00 to 14:00 (New York) 8 kWh, to 20:00 18 kWh, to Tue 3 March 8:00 12 kWh: weekdays
    14-20 at 0.30 hold the 18 kWh = 5.40; the other 20 kWh at 0.14 = 2.80; together 8.20. Held from 10:00 to
    8:00 the next day, 22 h = 0.9167 days x 22.00 = 20.17; 28.37 in all; 800 bf from 25 to 7 %: 35.46 per
    1,000 bf, 1.58 per 1 %."""
    tariff = tariff_on(TODAY)
    TariffPeriod.objects.create(
        tariff=tariff, name="Peak", from_hour=14, to_hour=20, energy_per_kwh=Decimal("0.30000")
    )
    charge = factory.make_charge(chamber, started_at=NOW)
    for hours, kwh in ((0, 100.0), (4, 108.0), (10, 126.0), (22, 138.0)):
        at = NOW + dt.timedelta(hours=hours)
        Reading.objects.create(charge=charge, taken_at=at, by=operator, meter_kwh=kwh)
    cost = money.metered(charge, shop)
    assert cost.electricity.total == Decimal("8.20")
    assert (cost.chamber_days, cost.total) == (Decimal("20.17"), Decimal("28.37"))
    assert (cost.per_mbf, cost.per_point) == (Decimal("35.46"), Decimal("1.58"))


def test_one_reading_measures_nothing(chamber, shop, operator):
    charge = factory.make_charge(chamber, started_at=NOW)
    Reading.objects.create(charge=charge, taken_at=NOW, by=operator, meter_kwh=100.0)
    assert money.metered(charge, shop) is None


def booked(chamber, first_day, kw, number="K-2026-0001"):
    charge = factory.make_charge(chamber, [], number=number, first_day=first_day)
    charge.plan |= {"hours": [48.0], "power_compressor_kw": [0.0], "power_fans_kw": [0.0]}
    charge.plan["power_heater_kw"] = [kw]
    charge.save()
    return charge


def test_other_charges_on_the_meter_are_seen_only_where_demand_has_a_price(
    chamber, shop, django_assert_num_queries
):
    other = factory.make_chamber("south", name="South chamber")
    booked(other, TODAY + dt.timedelta(days=10), 9.0)
    tariff = tariff_on(TODAY)
    with django_assert_num_queries(0):
        assert money.beside(TODAY, tariff, shop) == ()
    tariff.demand_per_kw = Decimal("10.000")
    (draw,) = money.beside(TODAY, tariff, shop)
    assert draw.start == dt.datetime(2026, 3, 12, 16, tzinfo=dt.UTC)  # noon, EDT since 8 March
    tariff.ratchet_pct, tariff.ratchet_months = 80, 11
    booked(other, dt.date(2025, 8, 4), 12.0, "K-2025-0001")
    assert len(money.beside(TODAY, tariff, shop)) == 2


def test_only_stages_without_wet_stock_are_offered_for_other_hours(chamber, shop, green):
    tariff = tariff_on(TODAY)
    plan = planning.plan(chamber=chamber, lots=[green], first_day=TODAY, shop=shop)
    assert money.shiftable(plan.estimate, TODAY, tariff, shop) == ()
    TariffPeriod.objects.create(
        tariff=tariff, name="Day", days="every", from_hour=6, to_hour=22, energy_per_kwh=Decimal("0.30000")
    )
    (shift,) = money.shiftable(plan.estimate, TODAY, tariff_on(TODAY), shop)
    assert shift.stage == "Heat-up" and shift.extra > 0
