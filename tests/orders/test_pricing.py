"""Prices by hand: every expected amount below is worked out in its comment, not by the code under test."""

import datetime as dt
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kilnshop.orders import pricing
from kilnshop.orders.models import Lot, Order, QuoteLine
from kilnshop.science.species import find
from kilnshop.shop.models import Customer, Rate, RateCard, Shop

Kind = QuoteLine.Kind
RED_OAK, POPLAR, PINE = find("northern red oak"), find("yellow poplar"), find("eastern white pine")
SPECIES = {wood.key: wood for wood in (RED_OAK, POPLAR, PINE)}
# 200 kWh at 0.14 a kWh are 28.00; how they are priced is tests/shop/test_electricity.py's
ELECTRICITY = SimpleNamespace(total=Decimal("28.00"), working=None)
KINDS = {"ispm15_ht": "heat", "pitch_180f": "pitch"}


def span(value):
    return SimpleNamespace(low=value * 0.8, expected=value, high=value * 1.2)


def estimate(days=10.0, kwh=200.0, fill=0.5):
    return SimpleNamespace(days=span(days), kwh=SimpleNamespace(total=span(kwh)), fill=fill)


class Card(RateCard):
    """A rate card with its rows at hand, so that no database is needed."""

    rates = None

    class Meta:
        proxy = True
        app_label = "shop"


def card(rows=None, **over):
    values = {"name": "Standard", "minimum_charge": Decimal("0.00")} | over
    made = Card(**values)
    rows = rows or [{"per_bf": Decimal("0.4500"), "up_to_thickness_in": Decimal("2.500")}]
    made.rates = SimpleNamespace(all=lambda: [Rate(**row) for row in rows])
    return made


def lot(letter="A", **over):
    values = {
        "order": Order(number="O-1"),
        "letter": letter,
        "species_key": RED_OAK.key,
        "thickness_label": "4/4",
        "thickness_in": Decimal("1.0625"),
        "nominal_thickness_in": Decimal("1"),
        "volume_bf": Decimal("100.00"),
        "start_mc_pct": 80.0,
        "target_mc_pct": 7.0,
        "stacks": Lot.Stacks.CUSTOMER,
    }
    return Lot(**(values | over))


def price(lots, rates=None, tax="6.250", **over):
    options = {
        "estimate": estimate(),
        "card": rates or card(),
        "electricity": ELECTRICITY,
        "tax_rate_pct": Decimal(tax),
    } | over
    return pricing.price_lots(lots=lots, species=SPECIES, treatment_kinds=KINDS, **options)


def test_drying_is_board_feet_times_rate():
    # 812.50 bf x 0.45 = 365.625, half a cent goes up: 365.63; tax 6.25 % = 22.851875 -> 22.85
    made = price([lot(volume_bf=Decimal("812.50"))])
    assert [(line.amount, line.tax) for line in made.lines] == [(Decimal("365.63"), Decimal("22.85"))]
    assert made.total == Decimal("388.48")


def test_half_a_cent_of_tax_goes_up():
    # 100 bf x 0.44 = 44.00; 6.125 % of 44.00 = 2.695 -> 2.70
    rates = card([{"per_bf": Decimal("0.4400"), "up_to_thickness_in": Decimal("1.5")}])
    assert price([lot()], rates, tax="6.125").tax == Decimal("2.70")
    # 100 bf x 0.12 = 12.00; 5.375 % = 0.645 -> 0.65, where half to even gives 0.64
    rates = card([{"per_bf": Decimal("0.1200"), "up_to_thickness_in": Decimal("1.5")}])
    assert price([lot()], rates, tax="5.375").tax == Decimal("0.65")


def test_tax_is_rounded_on_each_line_and_then_added():
    # three lines of 0.45: 6.25 % = 0.028125 -> 0.03 each, 0.09 in all; on the sum 1.35 it would be 0.08
    lots = [lot(letter, volume_bf=Decimal("1.00")) for letter in "ABC"]
    made = price(lots)
    assert (made.subtotal, made.tax, made.total) == (Decimal("1.35"), Decimal("0.09"), Decimal("1.44"))


def test_minimum_charge_is_a_line_of_its_own():
    # 100 bf x 0.45 = 45.00; minimum 150.00 asks 105.00 more; tax 2.81 (2.8125) + 6.56 (6.5625) = 9.37
    made = price([lot()], card(minimum_charge=Decimal("150.00")))
    assert [(line.kind, line.amount) for line in made.lines] == [
        (Kind.DRYING, Decimal("45.00")),
        (Kind.MINIMUM, Decimal("105.00")),
    ]
    assert (made.subtotal, made.tax) == (Decimal("150.00"), Decimal("9.37"))


def test_no_top_up_at_exactly_the_minimum():
    assert len(price([lot()], card(minimum_charge=Decimal("45.00"))).lines) == 1


def test_surcharges_and_stacking_are_by_board_foot():
    # 100 bf: heat 0.08 -> 8.00, pitch 0.06 -> 6.00, stacking 0.10 -> 10.00
    rates = card(
        heat_per_bf=Decimal("0.0800"), pitch_per_bf=Decimal("0.0600"), stacking_per_bf=Decimal("0.1000")
    )
    asked = lot(treatments=["ispm15_ht", "pitch_180f"], stacks=Lot.Stacks.SHOP)
    made = price([asked], rates)
    assert made.of_lot(asked) == Decimal("69.00")  # 45.00 + 8.00 + 6.00 + 10.00
    kinds = {line.kind: line.amount for line in made.lines}
    assert kinds == {
        Kind.DRYING: Decimal("45.00"),
        Kind.HEAT: Decimal("8.00"),
        Kind.PITCH: Decimal("6.00"),
        Kind.STACKING: Decimal("10.00"),
    }


def test_surcharge_is_not_asked_of_a_lot_that_does_not_want_it():
    rates = card(
        heat_per_bf=Decimal("0.0800"), pitch_per_bf=Decimal("0.0600"), stacking_per_bf=Decimal("0.1000")
    )
    assert [line.kind for line in price([lot()], rates).lines] == [Kind.DRYING]


def test_whole_chamber_is_charged_by_expected_days_up_to_the_half():
    # 10.2 days -> 10.5 x 60.00 = 630.00, instead of a price per board foot
    rates = card(chamber_day_rate=Decimal("60.00"))
    made = price([lot()], rates, estimate=estimate(days=10.2), by_chamber_day=True)
    assert [(line.kind, line.quantity, line.amount) for line in made.lines] == [
        (Kind.CHAMBER_DAYS, Decimal("10.500"), Decimal("630.00"))
    ]


def test_chamber_days_without_a_price_are_refused_in_words():
    with pytest.raises(ValueError, match="no price for a chamber-day"):
        price([lot()], by_chamber_day=True)


def test_costs_and_margin():
    # electricity 200 kWh x 0.14 = 28.00; 10 days x half the chamber x 22.00 = 110.00; stacking 100 x 0.06 = 6.00
    # price 100 x 2.00 = 200.00; margin 200 - 144 = 56.00 = 28.0 %
    rates = card(
        [{"per_bf": Decimal("2.0000"), "up_to_thickness_in": Decimal("1.5")}],
        chamber_day_cost=Decimal("22.00"),
        stacking_cost_per_bf=Decimal("0.0600"),
    )
    cost = price([lot(stacks=Lot.Stacks.SHOP)], rates).cost
    assert (cost.electricity, cost.chamber_days, cost.stacking) == (
        Decimal("28.00"),
        Decimal("110.00"),
        Decimal("6.00"),
    )
    assert (cost.margin, cost.margin_pct) == (Decimal("56.00"), Decimal("28.0"))


def test_deposit_is_a_share_of_the_total():
    # 45.00 + 2.81 = 47.81; 25 % = 11.9525 -> 11.95
    assert price([lot()], card(deposit_pct=Decimal("25.00"))).deposit == Decimal("11.95")


def test_exempt_customer_pays_no_tax_until_the_certificate_ends():
    shop = Shop(pk=1, tax_rate_pct=Decimal("6.250"))
    customer = Customer(
        name="School", tax_exempt=True, exemption_number="E-12", exemption_expires=dt.date(2026, 6, 30)
    )
    assert pricing.tax_rate(shop, customer, dt.date(2026, 6, 30)) == 0
    assert pricing.tax_rate(shop, customer, dt.date(2026, 7, 1)) == Decimal("6.250")
    assert pricing.tax_rate(shop, Customer(name="Ida"), dt.date(2026, 6, 30)) == Decimal("6.250")


ROWS = [
    {"per_bf": Decimal("0.40"), "up_to_thickness_in": Decimal("1.5")},
    {"per_bf": Decimal("0.60"), "up_to_thickness_in": Decimal("2.5")},
    {"per_bf": Decimal("0.55"), "up_to_thickness_in": Decimal("1.5"), "group": "slow_hardwood"},
    {"per_bf": Decimal("0.30"), "up_to_thickness_in": Decimal("1.5"), "condition": "air_dry"},
    {
        "per_bf": Decimal("0.45"),
        "up_to_thickness_in": Decimal("1.5"),
        "group": "slow_hardwood",
        "condition": "air_dry",
    },
]


@pytest.mark.parametrize(
    ("group", "thickness", "start", "expected"),
    [
        ("hardwood", "1", "green", "0.40"),
        ("hardwood", "1.5", "green", "0.40"),  # a class holds its own limit
        ("hardwood", "2", "green", "0.60"),
        ("slow_hardwood", "1", "green", "0.55"),
        ("slow_hardwood", "1", "air_dry", "0.45"),
        ("softwood", "1", "air_dry", "0.30"),
        ("slow_hardwood", "2", "air_dry", "0.60"),
    ],
)
def test_most_particular_rate_wins(group, thickness, start, expected):
    assert pricing.matching_rate(card(ROWS), group, Decimal(thickness), start).per_bf == Decimal(expected)


def test_a_case_without_a_rate_is_named():
    with pytest.raises(ValueError, match=r"no price for softwood, green .* 4 in thick"):
        pricing.matching_rate(card(ROWS), "softwood", Decimal("4"), "green")


@pytest.mark.parametrize(
    ("mc", "word"),
    [(30.1, "green"), (30.0, "part_dry"), (20.1, "part_dry"), (20.0, "air_dry"), (8.0, "air_dry")],
)
def test_start_condition_follows_the_rate_card_words(mc, word):
    assert pricing.condition(mc) == word


def test_species_groups():
    assert [pricing.species_group(wood) for wood in (RED_OAK, POPLAR, PINE)] == [
        "slow_hardwood",
        "hardwood",
        "softwood",
    ]


@settings(max_examples=60)
@given(
    volumes=st.lists(st.decimals("0.01", "50000", places=2), min_size=1, max_size=6),
    rate=st.decimals("0", "9.9999", places=4),
    tax=st.decimals("0", "25", places=3),
    minimum=st.decimals("0", "5000", places=2),
    stacking=st.decimals("0", "1", places=4),
)
def test_totals_are_the_sums_of_the_printed_lines(volumes, rate, tax, minimum, stacking):
    rates = card(
        [{"per_bf": rate, "up_to_thickness_in": Decimal("1.5")}],
        minimum_charge=minimum,
        stacking_per_bf=stacking,
    )
    lots = [lot("ABCDEF"[i], volume_bf=v, stacks=Lot.Stacks.SHOP) for i, v in enumerate(volumes)]
    made = price(lots, rates, tax=str(tax))
    assert made.subtotal == sum(line.amount for line in made.lines)
    assert made.tax == sum(line.tax for line in made.lines)
    assert made.total == made.subtotal + made.tax
    assert made.subtotal >= minimum
    for line in made.lines:
        assert line.amount == line.amount.quantize(Decimal("0.01"))
        assert abs(line.amount - line.quantity * line.unit_price) <= Decimal("0.005")
