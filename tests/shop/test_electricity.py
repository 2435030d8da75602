"""Electricity bills by hand: every expected amount is worked out in its comment, not by the code under test."""

import datetime as dt
import zoneinfo
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from kilnshop.science.electricity import Draw
from kilnshop.shop import actions, electricity
from kilnshop.shop.models import Tariff, TariffPeriod
from tests import factory

ZONE = zoneinfo.ZoneInfo("America/New_York")
JUNE = dt.datetime(2026, 6, 1, tzinfo=ZONE)  # a Monday


@pytest.fixture
def shop(db):
    return factory.make_shop()


def flat(start, hours, kw):
    return Draw(start, (hours,), (0.0,), (0.0,), (kw,))


def peak(tariff, **over):
    values = {
        "name": "On-peak", "first_month": 6, "last_month": 9, "days": "weekdays", "from_hour": 14,
        "to_hour": 20, "energy_per_kwh": Decimal("0.31000"),
    }  # fmt: skip
    return TariffPeriod(tariff=tariff, **(values | over))


def amounts(cost):
    return [(line.label, line.quantity, line.amount) for line in cost.lines]


def test_a_flat_price_is_kwh_times_price(shop):
    # 2.5 kW x 100 h = 250 kWh x 0.14 = 35.00
    cost = electricity.cost(flat(JUNE, 100.0, 2.5), factory.make_tariff(), shop)
    assert amounts(cost) == [("All hours", Decimal("250.00"), Decimal("35.00"))]
    assert (cost.total, cost.demand) == (Decimal("35.00"), Decimal("0.00"))


def test_time_of_use_by_hand(shop):
    # 3 kW from Mon 1 June 0:00 for 7 days: 504 kWh; weekdays 14-20 are 5 x 6 h x 3 kW = 90 kWh at 0.31 = 27.90,
    # the other 414 kWh at 0.14 = 57.96; together 85.86
    tariff = factory.make_tariff()
    peak(tariff).save()
    cost = electricity.cost(flat(JUNE, 168.0, 3.0), tariff, shop)
    assert amounts(cost) == [
        ("On-peak", Decimal("90.00"), Decimal("27.90")),
        ("All other hours", Decimal("414.00"), Decimal("57.96")),
    ]
    assert cost.total == Decimal("85.86")


def test_the_bill_of_a_published_example(shop):
    """Energy Management Handbook (Turner), section 18.5.1, as shown at
    https://www.civilengineeringhandbook.tk/energy-management/185-calculation-of-a-monthly-bill.html: Public
    Service Electric & Gas, a convenience store in June, 17,588 kWh and 30 kW: customer charge 3.74, energy
    1,661.01, adjustment -302.37, demand 262.34, total 1,624.72. The energy price less the adjustment is
    0.09444 - 0.017192 = 0.077248 a kWh; the demand price is 262.34 / 30 = 8.745 a kW to the mill."""
    tariff = factory.make_tariff(
        energy_per_kwh=Decimal("0.07725"), demand_per_kw=Decimal("8.745"), fixed_per_month=Decimal("3.74")
    )
    cost = electricity.cost(flat(JUNE, 17588 / 30, 30.0), tariff, shop)
    assert cost.energy == pytest.approx(Decimal("1661.01") - Decimal("302.37"), abs=Decimal("0.05"))
    assert cost.demand == pytest.approx(Decimal("262.34"), abs=Decimal("0.02"))
    assert cost.total + cost.fixed_per_month == pytest.approx(Decimal("1624.72"), abs=Decimal("0.06"))


def test_demand_counts_only_what_raises_the_peak_of_the_month(shop):
    tariff = factory.make_tariff(demand_per_kw=Decimal("12.500"))
    mine = flat(JUNE, 48.0, 4.0)
    alone = electricity.cost(mine, tariff, shop)
    assert alone.demand == Decimal("50.00")  # 4 kW x 12.50
    # the other chamber draws 5 kW a week later: 4 does not pass 5
    later = flat(JUNE + dt.timedelta(days=7), 48.0, 5.0)
    assert electricity.cost(mine, tariff, shop, [later]).demand == Decimal("0.00")
    # both at once make 9 kW where 5 stood: 4 kW more
    assert electricity.cost(mine, tariff, shop, [flat(JUNE, 48.0, 5.0)]).demand == Decimal("50.00")
    # 3 kW elsewhere in the month: 4 passes 3 by 1 kW
    low = flat(JUNE + dt.timedelta(days=7), 48.0, 3.0)
    assert electricity.cost(mine, tariff, shop, [low]).demand == Decimal("12.50")


def test_a_share_of_an_earlier_peak_is_a_floor(shop):
    # 10 kW in March; 80 % of it, 8 kW, is billed in June already: 4 kW adds nothing, 9 kW adds 1
    tariff = factory.make_tariff(demand_per_kw=Decimal("10.000"), ratchet_pct=80, ratchet_months=11)
    march = flat(dt.datetime(2026, 3, 10, tzinfo=ZONE), 24.0, 10.0)
    assert electricity.cost(flat(JUNE, 24.0, 4.0), tariff, shop, [march]).demand == Decimal("0.00")
    assert electricity.cost(flat(JUNE, 24.0, 9.0), tariff, shop, [march]).demand == Decimal("10.00")
    tariff.ratchet_months = 2  # March is further back than April and May
    assert electricity.cost(flat(JUNE, 24.0, 4.0), tariff, shop, [march]).demand == Decimal("40.00")


def test_what_a_ratchet_carries_into_later_months_is_told_apart(shop):
    # The rule of the published example (US DOE / PNNL, https://feds.pnnl.gov/faq/what-demand-ratchet): 80 % of a
    # peak for the 11 months after it. By hand: 9 kW in June bills 7.2 kW a month from July to May, at 10.00;
    # another charge of 8 kW in July bills 8 there and its own 6.4 kW from August, so June adds 0.8 kW in ten months.
    tariff = factory.make_tariff(demand_per_kw=Decimal("10.000"), ratchet_pct=80, ratchet_months=11)
    june = flat(JUNE, 24.0, 9.0)
    alone = electricity.cost(june, tariff, shop)
    assert (alone.demand, alone.later) == (Decimal("90.00"), 11 * Decimal("72.00"))
    assert alone.total == alone.energy + alone.demand
    assert any("at most 792.00: 80 % of this peak" in words for _, words in alone.working.inputs)
    july = flat(dt.datetime(2026, 7, 14, tzinfo=ZONE), 24.0, 8.0)
    assert electricity.cost(june, tariff, shop, [july]).later == 10 * Decimal("8.00")
    tariff.ratchet_pct = tariff.ratchet_months = 0
    assert electricity.cost(june, tariff, shop).later == 0


def test_a_holiday_is_priced_as_a_sunday(shop):
    # Thanksgiving, the fourth Thursday of November (5 U.S.C. 6103(a)): 26 November 2026. Mon 23 to Sun 29 at 1 kW:
    # five weekdays of 6 hours at 0.30, four when the Thursday counts as a Sunday; 168 h in all, the rest at 0.10.
    tariff = factory.make_tariff(energy_per_kwh=Decimal("0.10"))
    peak(
        tariff, first_month=1, last_month=12, from_hour=14, to_hour=20, energy_per_kwh=Decimal("0.30")
    ).save()
    week = flat(dt.datetime(2026, 11, 23, tzinfo=ZONE), 168.0, 1.0)
    assert electricity.cost(week, tariff, shop).energy == Decimal("9.00") + Decimal("13.80")
    tariff.holidays = "2026-11-26, 2026-12-25"
    assert electricity.cost(week, tariff, shop).energy == Decimal("7.20") + Decimal("14.40")


def test_a_holiday_that_is_no_day_is_refused_in_words(shop):
    with pytest.raises(ValidationError, match="“Christmas” is not a day"):
        save(new_tariff(holidays="2026-11-26, Christmas"))


def test_a_charge_over_two_months_adds_to_both(shop):
    # Sun 28 June 12:00 for 5 days: 2 kW in June and in July at 10.00
    tariff = factory.make_tariff(demand_per_kw=Decimal("10.000"))
    cost = electricity.cost(flat(dt.datetime(2026, 6, 28, 12, tzinfo=ZONE), 120.0, 2.0), tariff, shop)
    assert [line.amount for line in cost.lines if line.unit == "kW"] == [Decimal("20.00"), Decimal("20.00")]


def test_on_peak_demand_counts_in_its_own_hours(shop):
    # 6 kW on Monday 0:00-12:00, then 2 kW to Tuesday 12:00: the peak is 6 kW x 5.00, on-peak 14-20 2 kW x 8.00
    tariff = factory.make_tariff(demand_per_kw=Decimal("5.000"), on_peak_demand_per_kw=Decimal("8.000"))
    peak(tariff, on_peak=True).save()
    draw = Draw(JUNE, (12.0, 36.0), (6.0, 2.0), (0.0, 0.0), (0.0, 0.0))
    assert electricity.cost(draw, tariff, shop).demand == Decimal("30.00") + Decimal("16.00")


def test_the_fixed_charge_is_shown_but_in_no_cost(shop):
    cost = electricity.cost(
        flat(JUNE, 10.0, 1.0), factory.make_tariff(fixed_per_month=Decimal("24.00")), shop
    )
    assert cost.total == Decimal("1.40") and cost.fixed_per_month == Decimal("24.00")
    assert any("not in this cost" in label for label, _ in cost.working.inputs)


def save(tariff, *periods):
    return actions.save_tariff(tariff=tariff, periods=periods, removed=(), by=factory.make_person("owner"))


def new_tariff(**over):
    values = {"name": "Hours", "valid_from": dt.date(2026, 1, 1), "energy_per_kwh": Decimal("0.12")}
    return Tariff(**(values | over))


def test_periods_that_share_an_hour_are_refused_in_words(shop):
    tariff = new_tariff()
    with pytest.raises(ValidationError, match="Evening both hold on a Monday in June from 18:00"):
        save(tariff, peak(tariff), peak(tariff, name="Evening", from_hour=18, to_hour=23))
    assert not Tariff.objects.exists()


def test_on_peak_demand_without_a_period_is_refused_in_words(shop):
    tariff = new_tariff(on_peak_demand_per_kw=Decimal("4"))
    with pytest.raises(ValidationError, match="no period counts for it"):
        save(tariff, peak(tariff))


@pytest.mark.parametrize("half", [{"ratchet_pct": 80}, {"ratchet_months": 11}])
def test_half_a_ratchet_is_refused_in_words_and_by_the_database(shop, half):
    with pytest.raises(ValidationError, match="needs both"):
        save(new_tariff(**half))
    with pytest.raises(IntegrityError), transaction.atomic():
        factory.make_tariff(**half)
