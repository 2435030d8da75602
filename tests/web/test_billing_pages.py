"""Invoices in the browser: who sees them, what they say, and what nonsense gets."""

import datetime as dt
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from kilnshop.billing.actions import issue_credit_note, issue_invoice, record_payment
from kilnshop.billing.models import Invoice, Payment
from tests import factory
from tests.billing.conftest import NOW, TODAY, accept_quote, deliver

pytestmark = pytest.mark.django_db


@pytest.fixture
def order(shop):
    factory.make_rate_card(minimum_charge=Decimal("0.00"))
    return factory.make_order()


@pytest.fixture
def ticket(order):
    lot = factory.make_lot(order)
    accept_quote(order, lines=[(lot, "drying", "Drying lot A", "800", "bf", "0.65")])
    return deliver(order, [lot])


@pytest.fixture
def invoice(order, ticket, owner):
    return issue_invoice(order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY)


EMPTY_LINES = {
    "extra-TOTAL_FORMS": "1",
    "extra-INITIAL_FORMS": "0",
    "extra-0-taxed": "on",
}


def pages(order, invoice):
    return [
        reverse("invoices"),
        reverse("invoice_new", args=[order.pk]),
        reverse("payment_new", args=[order.pk]),
        reverse("invoice", args=[invoice.pk]),
        reverse("invoice_pdf", args=[invoice.pk]),
        reverse("invoice_print", args=[invoice.pk]),
        reverse("credit_note", args=[invoice.pk]),
    ]


def test_only_owner_and_office_see_billing(client_for, client, order, invoice, owner, office, operator):
    for address in pages(order, invoice):
        assert client_for(owner).get(address).status_code == 200, address
        assert client_for(office).get(address).status_code == 200, address
        assert client_for(operator).get(address).status_code == 403, address
        assert client.get(address).status_code == 302, address


def test_empty_pages_say_what_to_do_first(client_for, order, office):
    page = client_for(office).get(reverse("invoices")).content.decode()
    assert "Nobody owes the shop anything" in page
    assert "An invoice is made from delivery tickets" in page
    page = client_for(office).get(reverse("invoice_new", args=[order.pk])).content.decode()
    assert "Nothing to invoice" in page
    assert "Issue invoice" not in page


def test_preview_then_issue_with_a_typed_line(client_for, order, ticket, office):
    client, address = client_for(office), reverse("invoice_new", args=[order.pk])
    page = client.get(address).content.decode()
    assert "$552.50" in page  # by hand: 800 × 0.65 = 520.00, and 6.25 % = 32.50
    typed = {
        "issued_on": TODAY.isoformat(),
        "tickets": [ticket.pk],
        **EMPTY_LINES,
        "extra-0-description": "Delivery",
        "extra-0-quantity": "18",
        "extra-0-unit": "mile",
        "extra-0-unit_price": "1.25",
    }
    page = client.post(address, typed | {"do": "preview"}).content.decode()
    assert "Delivery" in page
    assert "$576.41" in page  # by hand: 542.50 + 32.50 + 1.41
    assert not Invoice.objects.exists()
    answer = client.post(address, typed | {"do": "issue"})
    invoice = Invoice.objects.get()
    assert answer.url == reverse("invoice", args=[invoice.pk])
    assert invoice.total == Decimal("576.41")
    page = client.get(answer.url).content.decode()
    assert "$576.41" in page


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"issued_on": "soon"}, "Enter a valid date"),
        ({"issued_on": "2999-01-01"}, "still to come"),
        ({"issued_on": "2026-03-01"}, "after the invoice date"),
        ({"tickets": []}, "Choose at least one delivery ticket"),
        ({"tickets": ["999999"]}, "not one of the available choices"),
        ({"tickets": ["'; drop"]}, "not a valid value"),
        ({"extra-0-description": "Delivery"}, "This field is required"),
        ({"extra-0-unit_price": "NaN"}, "Enter a number"),
        ({"extra-0-unit_price": "1e400"}, "no more than"),
        ({"extra-TOTAL_FORMS": "banana"}, "ManagementForm"),
        (
            {
                "extra-0-description": "Huge",
                "extra-0-quantity": "999999",
                "extra-0-unit": "each",
                "extra-0-unit_price": "-99999",
            },
            "cannot be below zero",
        ),
    ],
)
def test_nonsense_is_refused_in_words(client_for, order, ticket, office, typed, words):
    data = {"issued_on": TODAY.isoformat(), "tickets": [ticket.pk], "do": "issue", **EMPTY_LINES} | typed
    answer = client_for(office).post(reverse("invoice_new", args=[order.pk]), data)
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert not Invoice.objects.exists()


def test_payment_and_overpayment(client_for, order, invoice, office):
    client, address = client_for(office), reverse("payment_new", args=[order.pk])
    page = client.get(address + f"?invoice={invoice.pk}").content.decode()
    assert 'value="552.50"' in page
    typed = {"invoice": invoice.pk, "paid_on": TODAY.isoformat(), "method": "Check"}
    page = client.post(address, typed | {"amount": "600"}).content.decode()
    assert "$47.50 more than the" in page
    assert not Payment.objects.exists()
    assert client.post(address, typed | {"amount": "552.50"}).url == reverse("invoice", args=[invoice.pk])
    assert "Paid in full" in client.get(reverse("invoice", args=[invoice.pk])).content.decode()


@pytest.mark.parametrize(
    "typed",
    [
        {"amount": "-1"},
        {"amount": "much"},
        {"paid_on": "2999-01-01"},
        {"method": "Gold"},
        {"invoice": "999999"},
    ],
)
def test_nonsense_payment_is_refused(client_for, order, invoice, office, typed):
    data = {"invoice": invoice.pk, "amount": "5", "paid_on": TODAY.isoformat(), "method": "Check"} | typed
    answer = client_for(office).post(reverse("payment_new", args=[order.pk]), data)
    assert answer.status_code == 200
    assert "Not saved" in answer.content.decode()
    assert not Payment.objects.exists()


def test_deposit_without_an_invoice(client_for, order, office):
    data = {"invoice": "", "amount": "100", "paid_on": TODAY.isoformat(), "method": "Cash"}
    answer = client_for(office).post(reverse("payment_new", args=[order.pk]), data, follow=True)
    assert "$100.00 is recorded" in answer.content.decode()
    assert Payment.objects.get().invoice is None


def test_credit_note_in_the_browser(client_for, order, invoice, office):
    client, address = client_for(office), reverse("credit_note", args=[invoice.pk])
    assert "This field is required" in client.post(address, {"why": ""}).content.decode()
    client.post(address, {"why": "Wrong tally"})
    note = Invoice.objects.get(credits=invoice)
    assert (
        "Cancelled by credit note CR-2026-0001"
        in client.get(reverse("invoice", args=[invoice.pk])).content.decode()
    )
    assert "Wrong tally" in client.get(reverse("invoice", args=[note.pk])).content.decode()
    printed = client.get(reverse("invoice_print", args=[invoice.pk])).content.decode()
    assert "Cancelled by credit note CR-2026-0001" in printed
    assert "Credit note" in client.get(reverse("invoice_print", args=[note.pk])).content.decode()


def test_printed_invoice_and_pdf_carry_number_customer_and_total(client_for, order, invoice, office):
    import io

    from pypdf import PdfReader

    client = client_for(office)
    page = client.get(reverse("invoice_print", args=[invoice.pk])).content.decode()
    answer = client.get(reverse("invoice_pdf", args=[invoice.pk]))
    assert answer["Content-Type"] == "application/pdf"
    text = " ".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(answer.content)).pages)
    for words in ("INV-2026-0001", "Ida Marsh Joinery", "552.50", "Drying lot A", "T-2026-0001"):
        assert words in page
        assert words in text


def test_list_shows_each_state_and_filters(client_for, order, invoice, office, owner):
    record_payment(
        order=order, invoice=invoice, amount=Decimal("52.50"), paid_on=TODAY, method="Cash", by=office
    )
    client = client_for(office)
    page = client.get(reverse("invoices")).content.decode()
    assert "1 invoice overdue, $500.00 in all" in page
    assert invoice.number in client.get(reverse("invoices") + "?state=overdue").content.decode()
    assert invoice.number not in client.get(reverse("invoices") + "?state=paid").content.decode()
    issue_credit_note(invoice=invoice, by=owner, now=NOW, why="Wrong tally")
    page = client.get(reverse("invoices") + "?state=credited").content.decode()
    assert "Credited" in page
    assert "Credit note" in page
    assert client.get(reverse("invoices") + "?state=%00&sort=nothing&page=x").status_code == 200


def test_list_needs_the_same_queries_for_many_invoices(client_for, order, invoice, office, owner):
    client = client_for(office)

    def count():
        with CaptureQueriesContext(
            connection,
        ) as caught:
            client.get(reverse("invoices"))
        return len(caught)

    count()
    one = count()
    for number in range(2, 8):
        other = factory.make_order(customer=order.customer, number=f"O-2026-{number:04d}")
        lot = factory.make_lot(other)
        accept_quote(other, lines=[(lot, "drying", "Drying", "800", "bf", "0.65")])
        ticket = deliver(other, [lot], number=f"T-2026-000{number}")
        issue_invoice(
            order=other, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY + dt.timedelta(days=0)
        )
    assert count() == one


def test_an_order_asks_for_an_invoice_until_all_of_it_is_invoiced(client_for, order, ticket, owner, office):
    address = reverse("order", args=[order.pk])
    assert 'primary" href="' + reverse("invoice_new", args=[order.pk]) in text(client_for(office), address)
    issue_invoice(order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY)
    page = text(client_for(office), address)
    assert "Delivered" in page and 'primary" href="' not in page.split("</header>")[-1].split("<h2")[0]


def text(client, address) -> str:
    return client.get(address).content.decode()
