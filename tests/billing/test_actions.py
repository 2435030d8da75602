"""Issuing, cancelling and being paid."""

import datetime as dt
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import DatabaseError, transaction

from kilnshop.billing import queries
from kilnshop.billing.actions import issue_credit_note, issue_invoice, record_payment
from kilnshop.billing.models import Invoice, InvoiceLine, Payment
from tests.billing.conftest import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture
def issue(order, ticket, owner):
    def run(**over):
        return issue_invoice(
            **{"order": order, "tickets": [ticket], "by": owner, "now": NOW, "issued_on": TODAY} | over
        )

    return run


@pytest.fixture
def pay(order, office):
    def run(amount, invoice=None, **over):
        return record_payment(
            order=order,
            invoice=invoice,
            amount=Decimal(amount),
            paid_on=TODAY,
            method="Check",
            by=office,
            **over,
        )

    return run


def test_invoice_freezes_everything_its_paper_prints(issue, shop, order):
    invoice = issue()
    shop.name, shop.tax_rate_pct = "Another name", Decimal("9.000")
    shop.save()
    order.customer.name = "Renamed"
    order.customer.save()
    figures = Invoice.objects.get(pk=invoice.pk).figures
    assert invoice.number == "INV-2026-0001"
    assert figures["shop"]["name"] == "Two Birches Kiln"
    assert figures["customer"] == {
        "name": "Ida Marsh Joinery",
        "address": "3 Quarry Road\nHarrow Gap",
        "contact": "Ida Marsh · 555 0101 · ida@marsh.example",
    }
    assert figures["total"] == "708.15"
    assert figures["tax_name"] == "Sales tax 6.25 %"
    assert figures["tickets"] == ["T-2026-0001"]
    assert figures["due_on"] == "2026-04-08"
    assert sum(Decimal(line["amount"]) for line in figures["lines"]) == Decimal(figures["subtotal"])


def test_invoice_and_its_lines_cannot_be_changed(issue):
    invoice = issue()
    for attempt in (
        lambda: Invoice.objects.filter(pk=invoice.pk).update(total=1, subtotal=1, tax=0),
        lambda: InvoiceLine.objects.filter(invoice=invoice).update(amount=1),
        lambda: InvoiceLine.objects.filter(invoice=invoice)._raw_delete("default"),
    ):
        with pytest.raises(DatabaseError, match="frozen"), transaction.atomic():
            attempt()


def test_same_ticket_is_not_invoiced_twice(issue):
    issue()
    with pytest.raises(ValidationError, match="already invoiced"):
        issue()
    assert Invoice.objects.count() == 1


def test_refused_invoice_leaves_no_gap(issue, order):
    with pytest.raises(ValidationError):
        issue(tickets=[])
    with pytest.raises(ValidationError, match="still to come"):
        issue(issued_on=TODAY + dt.timedelta(days=1))
    assert issue().number == "INV-2026-0001"


def test_deposit_is_taken_off_and_a_larger_one_is_split(issue, pay, order):
    pay("100.00")
    pay("700.00", note="cashier's check")
    invoice = issue()
    assert invoice.figures["deposit_paid"] == "708.15"
    assert invoice.figures["balance_at_issue"] == "0.00"
    assert queries.balance_of(invoice) == 0
    assert queries.money_held(order) == Decimal("91.85")  # 800.00 - 708.15
    assert sum(payment.amount for payment in Payment.objects.all()) == Decimal("800.00")


def test_credit_note_is_the_negative_and_frees_the_tickets_and_the_money(issue, pay, order, owner, ticket):
    invoice = issue()
    pay("200.00", invoice)
    note = issue_credit_note(invoice=invoice, by=owner, now=NOW, why="Wrong tally")
    assert note.number == "CR-2026-0001"
    assert note.total == -invoice.total
    assert [line.amount for line in note.lines.all()] == [-line.amount for line in invoice.lines.all()]
    assert note.figures["credits"] == "INV-2026-0001"
    assert note.figures["why"] == "Wrong tally"
    assert sum(Decimal(line["amount"]) for line in note.figures["lines"]) == note.subtotal
    assert queries.money_held(order) == Decimal("200.00")
    assert list(queries.tickets_to_invoice(order)) == [ticket]
    again = issue()
    assert again.number == "INV-2026-0002"
    assert queries.balance_of(again) == Decimal("508.15")


def test_credit_note_is_issued_once_with_a_reason(issue, owner):
    invoice = issue()
    with pytest.raises(ValidationError, match="Say why"):
        issue_credit_note(invoice=invoice, by=owner, now=NOW, why="  ")
    note = issue_credit_note(invoice=invoice, by=owner, now=NOW, why="Wrong tally")
    with pytest.raises(ValidationError, match="already cancelled by credit note CR-2026-0001"):
        issue_credit_note(invoice=invoice, by=owner, now=NOW, why="Again")
    with pytest.raises(ValidationError, match="itself a credit note"):
        issue_credit_note(invoice=note, by=owner, now=NOW, why="Again")


def test_payment_above_the_balance_is_refused_with_both_figures(issue, pay):
    invoice = issue()
    pay("700.00", invoice)
    with pytest.raises(ValidationError, match=r"\$10.00 is \$1.85 more than the \$8.15 due") as refusal:
        pay("10.00", invoice)
    assert "amount" in refusal.value.message_dict
    pay("8.15", invoice)
    with pytest.raises(ValidationError, match="Nothing is due"):
        pay("0.01", invoice)


def test_invoice_paid_in_awkward_parts_is_paid_to_the_cent(issue, pay):
    invoice = issue()
    for amount in ("0.10", "0.20", "0.70", "57.29", "649.86"):  # 708.15 by hand; binary fractions miss it
        pay(amount, invoice)
    row = queries.with_balance().get(pk=invoice.pk)
    assert queries.state_of(row, TODAY) == "paid"
    assert queries.balance_of(row) == 0
    assert not queries.open_invoices().exists()


@pytest.mark.parametrize("amount", ["0", "-5", "0.004", "99999999999"])
def test_nonsense_amounts_are_refused(pay, order, amount):
    with pytest.raises(ValidationError):
        pay(amount)


def test_states_follow_due_date_and_balance(issue, pay, owner):
    invoice = issue()
    due = invoice.due_on

    def state(day):
        return queries.state_of(queries.with_balance().get(pk=invoice.pk), day)

    assert (state(due), state(due + dt.timedelta(days=1))) == ("open", "overdue")
    assert list(queries.overdue_invoices(due)) == []
    assert list(queries.overdue_invoices(due + dt.timedelta(days=1))) == [invoice]
    pay("708.15", invoice)
    assert state(due + dt.timedelta(days=1)) == "paid"
    note = issue_credit_note(invoice=invoice, by=owner, now=NOW, why="Wrong tally")
    assert state(due) == "credited"
    assert queries.state_of(queries.with_balance().get(pk=note.pk), due) == "credit_note"
    assert set(queries.invoices_in_state("credited", due)) == {invoice, note}


def test_operator_may_not_issue_credit_or_take_money(issue, order, operator):
    with pytest.raises(PermissionDenied):
        issue(by=operator)
    invoice = issue()
    with pytest.raises(PermissionDenied):
        issue_credit_note(invoice=invoice, by=operator, now=NOW, why="x")
    with pytest.raises(PermissionDenied):
        record_payment(
            order=order, invoice=invoice, amount=Decimal("1"), paid_on=TODAY, method="Cash", by=operator
        )


def test_own_stock_and_cancelled_orders_are_not_invoiced(issue, order):
    order.customer.is_house = True
    order.customer.save()
    with pytest.raises(ValidationError, match="own stock"):
        issue()
    assert not queries.tickets_to_invoice().exists()
    order.customer.is_house = False
    order.customer.save()
    order.cancelled_at = NOW
    order.save()
    with pytest.raises(ValidationError, match="is cancelled"):
        issue()
