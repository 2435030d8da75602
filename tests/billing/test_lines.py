"""What an invoice charges, against figures worked out by hand."""

import datetime as dt
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.billing.actions import issue_invoice
from kilnshop.billing.lines import Draft, Extra, draft_invoice, make_line, storage_days
from kilnshop.shop.models import RateCard
from tests import factory
from tests.billing.conftest import DELIVERED, NOW, TODAY, accept_quote, deliver

pytestmark = pytest.mark.django_db


def amounts(draft):
    return [line.amount for line in draft.lines]


def test_green_tally_charges_what_came_in(order, ticket):
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)
    # by hand: 803 × 0.65 = 521.95, × 0.08 = 64.24, × 0.10 = 80.30
    assert amounts(draft) == [Decimal("521.95"), Decimal("64.24"), Decimal("80.30")]
    # by hand, 6.25 % a line: 32.621875 -> 32.62, 4.015 -> 4.02 (half up), 5.01875 -> 5.02
    assert [line.tax for line in draft.lines] == [Decimal("32.62"), Decimal("4.02"), Decimal("5.02")]
    assert (draft.subtotal, draft.tax, draft.total) == (
        Decimal("666.49"),
        Decimal("41.66"),
        Decimal("708.15"),
    )


def test_dried_tally_charges_what_went_out(order, lot):
    accept_quote(order, basis="dried", lines=[(lot, "drying", "Drying lot A", "803", "bf", "0.65")])
    ticket = deliver(order, [lot], bf_out={"A": Decimal("741.50")})
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)
    assert amounts(draft) == [Decimal("481.98")]  # by hand: 741.5 × 0.65 = 481.975, half up


def test_dried_tally_that_was_never_counted_is_refused(order, lot):
    accept_quote(order, basis="dried", lines=[(lot, "drying", "Drying lot A", "803", "bf", "0.65")])
    ticket = deliver(order, [lot])
    with pytest.raises(ValidationError, match="has none"):
        draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)


@pytest.mark.parametrize(
    ("delivered", "days"),
    [
        (dt.date(2026, 3, 20), 0),
        (dt.date(2026, 4, 3), 0),
        (dt.date(2026, 4, 4), 1),
        (dt.date(2026, 4, 24), 21),
    ],
)
def test_storage_counts_the_days_after_the_free_ones(delivered, days):
    assert storage_days(dt.date(2026, 3, 20), delivered, 14) == days


def test_storage_is_charged_by_the_board_foot_week(order, lot, quoted):
    ticket = deliver(order, [lot], on=dt.date(2026, 4, 13))  # 24 days after unloading, 14 free
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=dt.date(2026, 4, 13))
    storage = draft.lines[-1]
    assert storage.kind == "storage"
    assert storage.quantity == Decimal("1147.143")  # by hand: 803 × 10 / 7
    assert storage.amount == Decimal("22.94")  # by hand: 1147.143 × 0.02 = 22.94286
    RateCard.objects.update(storage_per_bf_week=Decimal("0.9"), storage_grace_days=0, minimum_charge=9000)
    again = draft_invoice(order=order, tickets=[ticket], issued_on=dt.date(2026, 4, 13))
    assert again.lines == draft.lines  # what was agreed does not follow a later change of the card


def test_delivery_within_the_free_days_has_no_storage(order, ticket):
    assert "storage" not in [
        line.kind for line in draft_invoice(order=order, tickets=[ticket], issued_on=TODAY).lines
    ]


def test_unloading_counts_on_the_shops_own_day(order, lot, quoted):
    late = dt.datetime(2026, 3, 21, 2, 0, tzinfo=dt.UTC)  # still 20 March in New York
    ticket = deliver(order, [lot], unloaded=late, on=dt.date(2026, 4, 4))
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=dt.date(2026, 4, 4))
    assert draft.lines[-1].description.startswith("Storage of lot A: 1 days")


def test_minimum_comes_with_the_last_lot(shop):
    factory.make_rate_card(minimum_charge=Decimal("150.00"))
    order = factory.make_order()
    first, second = factory.make_lot(order), factory.make_lot(order, letter="B")
    accept_quote(
        order,
        lines=[
            (first, "drying", "Drying lot A", "100", "bf", "0.45"),
            (second, "drying", "Drying lot B", "100", "bf", "0.45"),
            (None, "minimum", "Up to the minimum", "1", "order", "60"),
        ],
        basis="dried",
    )
    early = deliver(order, [first], number="T-2026-0001", bf_out={"A": Decimal("100")})
    both = draft_invoice(order=order, tickets=[early], issued_on=TODAY)
    assert amounts(both) == [Decimal("45.00")]
    late = deliver(order, [second], number="T-2026-0002", bf_out={"B": Decimal("80")})
    both = draft_invoice(order=order, tickets=[early, late], issued_on=TODAY)
    # by hand: 45 + 36 = 81; the order was quoted up to 45 + 45 + 60 = 150
    assert amounts(both) == [Decimal("45.00"), Decimal("36.00"), Decimal("69.00")]


def test_whole_chamber_is_charged_by_its_days_once(order, owner):
    first, second = factory.make_lot(order), factory.make_lot(order, letter="B")
    accept_quote(order, lines=[(None, "chamber_days", "Whole chamber", "12.5", "day", "95")])
    early = deliver(order, [first], number="T-2026-0001")
    draft = draft_invoice(order=order, tickets=[early], issued_on=TODAY)
    assert amounts(draft) == [Decimal("0.00"), Decimal("1187.50")]  # by hand: 12.5 × 95
    assert draft.lines[0].description == "Lot A: 4/4 northern red oak, in the chamber-day price"
    issue_invoice(order=order, tickets=[early], by=owner, now=NOW, issued_on=TODAY)
    with pytest.raises(ValidationError, match="already invoiced"):
        draft_invoice(order=order, tickets=[early], issued_on=TODAY)
    late = deliver(order, [second], number="T-2026-0002")
    assert amounts(draft_invoice(order=order, tickets=[late], issued_on=TODAY)) == [Decimal("0.00")]


def test_exempt_customer_pays_no_tax_until_the_certificate_expires(order, ticket):
    customer = order.customer
    customer.tax_exempt, customer.exemption_number = True, "RS-4471"
    customer.exemption_expires = TODAY
    customer.save()
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)
    assert draft.tax == 0
    assert draft.exempt_note == "Tax exempt, certificate RS-4471"
    assert draft.sums[1] == ("Sales tax, exempt", Decimal("0.00"))
    later = draft_invoice(order=order, tickets=[ticket], issued_on=TODAY + dt.timedelta(days=1))
    assert later.tax == Decimal("41.66")
    assert later.exempt_note == ""


def test_line_typed_by_hand_may_be_free_of_tax(order, ticket):
    extras = [
        Extra("Delivery to the bench shop", Decimal("18"), "mile", Decimal("1.25"), taxed=False),
        Extra("Goodwill for two split boards", Decimal("1"), "each", Decimal("-12")),
    ]
    draft = draft_invoice(order=order, tickets=[ticket], issued_on=TODAY, extra_lines=extras)
    assert [(line.amount, line.tax) for line in draft.lines[-2:]] == [
        (Decimal("22.50"), Decimal("0.00")),
        (Decimal("-12.00"), Decimal("-0.75")),
    ]


def test_discount_below_zero_is_refused(order, ticket):
    with pytest.raises(ValidationError, match="cannot be below zero"):
        draft_invoice(
            order=order,
            tickets=[ticket],
            issued_on=TODAY,
            extra_lines=[Extra("Discount", Decimal("1"), "each", Decimal("-9000"))],
        )


def test_order_without_an_accepted_quote_is_refused(order, lot):
    ticket = deliver(order, [lot])
    with pytest.raises(ValidationError, match="no accepted quote"):
        draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)


def test_lot_that_was_not_quoted_is_refused(order, lot, quoted):
    extra = factory.make_lot(order, letter="B")
    ticket = deliver(order, [lot, extra])
    with pytest.raises(ValidationError, match="is not on the accepted quote"):
        draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)


def test_superseded_ticket_is_refused_and_names_the_new_one(order, lot, ticket):
    deliver(order, [lot], number="T-2026-0002", supersedes=ticket)
    with pytest.raises(ValidationError, match="was replaced by T-2026-0002"):
        draft_invoice(order=order, tickets=[ticket], issued_on=TODAY)


def test_invoice_before_the_delivery_is_refused(order, ticket):
    with pytest.raises(ValidationError, match="after the invoice date"):
        draft_invoice(order=order, tickets=[ticket], issued_on=DELIVERED - dt.timedelta(days=1))


def test_ticket_of_another_order_and_no_ticket_are_refused(order, ticket):
    other = factory.make_order(customer=order.customer, number="O-2026-0002")
    accept_quote(other, lines=[])
    with pytest.raises(ValidationError, match="belongs to another order"):
        draft_invoice(order=other, tickets=[ticket], issued_on=TODAY)
    with pytest.raises(ValidationError, match="at least one delivery ticket"):
        draft_invoice(order=order, tickets=[], issued_on=TODAY)


@given(
    rows=st.lists(
        st.tuples(
            st.decimals("0.001", "99999", places=3),
            st.decimals("-50", "50", places=4),
            st.sampled_from(["0", "6.250", "8.875"]),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_totals_are_the_sum_of_the_printed_lines(rows):
    lines = tuple(
        make_line(kind="extra", description="x", quantity=q, unit="bf", unit_price=p, tax_rate_pct=Decimal(r))
        for q, p, r in rows
    )
    draft = Draft(None, None, (), lines, TODAY, TODAY, "", Decimal("0.00"))
    for line in lines:
        assert abs(line.amount - line.quantity * line.unit_price) <= Decimal("0.005")
        assert line.amount == line.amount.quantize(Decimal("0.01"))
        assert abs(line.tax - line.amount * line.tax_rate_pct / 100) <= Decimal("0.005")
    assert draft.subtotal == sum(line.amount for line in lines)
    assert draft.total == sum(line.amount + line.tax for line in lines)
