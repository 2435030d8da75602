"""Rounding by hand examples: to the cent, half away from zero (common practice on invoices)."""

from decimal import Decimal

import pytest

from kilnshop.shop.money import cents, percent_of, to_decimal


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [
        ("2.345", "2.35"),
        ("2.344999", "2.34"),
        ("-2.345", "-2.35"),
        ("0.005", "0.01"),
        (10.005, "10.01"),
        (7, "7.00"),
    ],
)
def test_half_a_cent_goes_away_from_zero(amount, rounded):
    assert cents(amount) == Decimal(rounded)


def test_tax_of_a_line_by_hand():
    """6.25 % of $71.28 is $4.455, which prints as $4.46."""
    assert percent_of(Decimal("71.28"), Decimal("6.25")) == Decimal("4.46")


@pytest.mark.parametrize("value", ["nan", "Infinity", "a lot", None])
def test_what_is_no_amount_is_refused(value):
    with pytest.raises(ValueError, match="value="):
        to_decimal(value)
