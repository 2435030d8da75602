"""Pages of the tickets room and the confirmation page without sign-in."""

import io

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from kilnshop.documents import render
from kilnshop.tickets import actions
from kilnshop.tickets.models import Ticket
from kilnshop.web.views import public
from tests import factory
from tests.tickets import delivery


@pytest.fixture
def charge_lot(owner):
    order = factory.make_order(by=owner)
    charge = delivery.unloaded_charge([factory.make_lot(order, treatments=[delivery.HEAT])], by=owner)
    row = charge.charge_lots.get()
    delivery.board_tests(row, owner)
    return row


@pytest.fixture
def ticket(charge_lot, owner):
    return actions.issue_ticket(
        order=charge_lot.lot.order,
        charge_lots=[charge_lot],
        delivered_on=delivery.HANDED_OVER,
        by=owner,
        now=delivery.NOW,
    )


def issue_again(ticket, charge_lot, owner):
    return actions.issue_ticket(
        order=ticket.order,
        charge_lots=[charge_lot],
        delivered_on=delivery.HANDED_OVER,
        by=owner,
        now=delivery.NOW,
        supersedes=ticket,
        why="wrong day",
    )


def said(response) -> str:
    return " ".join(response.content.decode().split())


def test_the_list_without_tickets_says_what_to_do_first(client_for, owner):
    page = said(client_for(owner).get(reverse("tickets")))
    assert "No ticket yet" in page
    assert "Dry a charge, unload it and count its lots out" in page


def test_the_list_names_orders_that_wait(client_for, owner, charge_lot):
    page = said(client_for(owner).get(reverse("tickets")))
    assert "1 order has dry lots waiting to be handed over" in page
    assert reverse("ticket_new", args=[charge_lot.lot.order_id]) in page


def test_the_list_finds_by_number_and_name(client_for, owner, ticket):
    client = client_for(owner)
    assert ticket.number in said(client.get(reverse("tickets"), {"words": "ida marsh"}))
    assert "No ticket like that" in said(client.get(reverse("tickets"), {"words": "nobody"}))
    assert "No ticket like that" in said(client.get(reverse("tickets"), {"show": "replaced"}))
    assert client.get(reverse("tickets"), {"show": "<x>", "page": "abc"}).status_code == 200


def test_the_list_takes_the_same_queries_for_one_and_for_many(
    client_for, owner, ticket, charge_lot, django_assert_max_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client = client_for(owner)
    client.get(reverse("tickets"))
    with CaptureQueriesContext(
        connection,
    ) as one:
        client.get(reverse("tickets"))
    for _ in range(4):
        ticket = issue_again(ticket, charge_lot, owner)
    with django_assert_max_num_queries(len(one)):
        page = said(client.get(reverse("tickets")))
    assert page.count("T-2026-000") >= 5


def test_a_ticket_is_previewed_then_issued(client_for, office, charge_lot):
    client = client_for(office)
    url = reverse("ticket_new", args=[charge_lot.lot.order_id])
    assert "1 of 1 lot" in said(client.get(url))
    data = {"charge_lots": [charge_lot.pk], "delivered_on": "2026-03-16"}
    page = said(client.post(url, data))
    assert "What the ticket will say" in page
    assert "3 of 4" in page
    assert not Ticket.objects.exists()
    response = client.post(url, data | {"issue": "1"})
    made = Ticket.objects.get()
    assert response.url == reverse("ticket", args=[made.pk])
    page = said(client.get(response.url))
    assert "3 of 4 boards tested within their target" in page
    assert "Not recorded" in page


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({"delivered_on": "2026-03-16"}, "Choose at least one lot"),
        ({"delivered_on": "2026-03-01", "lot": True}, "left the kiln on Sun 15 Mar 2026"),
        ({"delivered_on": "2099-01-01", "lot": True}, "lies in the future"),
        ({"delivered_on": "yesterday", "lot": True}, "Enter a valid date"),
        ({"delivered_on": "2026-03-16", "charge_lots": ["9999"]}, "not one of the available choices"),
        ({}, "This field is required"),
    ],
)
def test_a_wrong_entry_is_told_and_nothing_is_issued(client_for, owner, charge_lot, data, told):
    data = dict(data)
    if data.pop("lot", None):
        data["charge_lots"] = [charge_lot.pk]
    url = reverse("ticket_new", args=[charge_lot.lot.order_id])
    response = client_for(owner).post(url, data | {"issue": "1"})
    assert response.status_code == 200
    assert told in said(response)
    assert not Ticket.objects.exists()


def test_an_order_with_nothing_dry_says_what_to_do_for_each_lot(client_for, owner):
    order = factory.make_order(by=owner)
    lots = [factory.make_lot(order, letter) for letter in "AB"]
    charge = factory.make_charge(lots=lots[:1], by=owner)
    page = said(client_for(owner).get(reverse("ticket_new", args=[order.pk])))
    assert "No lot of this order can be handed over yet" in page
    assert f"Charge {charge} in North chamber is planned: start it." in page
    assert "It waits in the yard: plan a charge for it." in page
    assert "Preview ticket" not in page


def test_a_ticket_is_replaced_with_a_reason(client_for, owner, ticket, charge_lot):
    client = client_for(owner)
    url = reverse("ticket_new", args=[ticket.order_id]) + f"?replaces={ticket.pk}"
    data = {"charge_lots": [charge_lot.pk], "delivered_on": "2026-03-15", "issue": "1"}
    assert "Say what was wrong with ticket T-2026-0001" in said(client.post(url, data))
    client.post(url, data | {"why": "handed over a day earlier"})
    newer = Ticket.objects.get(supersedes=ticket)
    old_page = said(client.get(reverse("ticket", args=[ticket.pk])))
    assert f"{newer.number}</a> replaced this one: handed over a day earlier" in old_page
    assert "Replace this ticket" not in old_page
    assert f"Replaced by ticket {newer.number}" in said(client.get(reverse("ticket_print", args=[ticket.pk])))
    assert f'It replaces ticket <a href="{reverse("ticket", args=[ticket.pk])}"' in said(
        client.get(reverse("ticket", args=[newer.pk]))
    )


def test_an_operator_sees_a_ticket_but_issues_none(client_for, operator, ticket):
    client = client_for(operator)
    assert "Replace this ticket" not in said(client.get(reverse("ticket", args=[ticket.pk])))
    assert client.get(reverse("ticket_new", args=[ticket.order_id])).status_code == 403


@pytest.mark.parametrize("name", ["ticket", "ticket_print", "ticket_pdf", "ticket_new"])
def test_a_ticket_that_is_not_there_is_not_found(client_for, owner, name):
    assert client_for(owner).get(reverse(name, args=[987654])).status_code == 404


@pytest.mark.parametrize("name", ["tickets", "ticket", "ticket_print", "ticket_pdf", "ticket_new"])
def test_ticket_pages_need_sign_in(db, name):
    args = [] if name == "tickets" else [1]
    response = Client().get(reverse(name, args=args))
    assert response.status_code == 302
    assert reverse("sign_in") in response.url


def test_the_pdf_is_the_ticket(client_for, owner, ticket):
    response = client_for(owner).get(reverse("ticket_pdf", args=[ticket.pk]))
    assert response["Content-Type"] == "application/pdf"
    assert f"{ticket.number} 2026-03-16.pdf" in response["Content-Disposition"]
    text = PdfReader(io.BytesIO(response.content)).pages[0].extract_text()
    assert ticket.number in text


def test_without_pdf_libraries_the_page_says_what_to_install(client_for, owner, ticket, monkeypatch):
    def missing(page):
        raise render.PdfUnavailable(f"Install them with: {render.INSTALL}")

    monkeypatch.setattr(render, "pdf", missing)
    response = client_for(owner).get(reverse("ticket_pdf", args=[ticket.pk]))
    assert response.status_code == 503
    assert "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0" in said(response)
    assert reverse("ticket_print", args=[ticket.pk]) in said(response)


@pytest.fixture
def fresh_cache():
    cache.clear()
    yield
    cache.clear()


@pytest.mark.usefixtures("fresh_cache")
class TestConfirmation:
    def test_anybody_with_the_code_sees_the_results(self, ticket):
        response = Client().get(reverse("confirm", args=[ticket.code]))
        page = said(response)
        assert response.status_code == 200
        for piece in (ticket.number, "northern red oak", "3 of 4", "Not recorded", "not an official mark"):
            assert piece in page

    def test_it_tells_nothing_about_people_or_other_papers(self, ticket, charge_lot, owner):
        newer = issue_again(ticket, charge_lot, owner)
        page = said(Client().get(reverse("confirm", args=[ticket.code])))
        order = ticket.order
        for secret in (
            order.customer.name,
            "Ida Marsh",
            "Quarry Road",
            "marsh.example",
            order.number,
            charge_lot.charge.number,
            newer.number,
            newer.code,
            str(owner),
        ):
            assert secret not in page

    def test_a_replaced_ticket_says_so(self, ticket, charge_lot, owner):
        newer = issue_again(ticket, charge_lot, owner)
        assert "issued a newer ticket in place of this one" in said(
            Client().get(reverse("confirm", args=[ticket.code]))
        )
        assert "newer ticket" not in said(Client().get(reverse("confirm", args=[newer.code])))

    def test_a_code_in_small_letters_without_dashes_is_taken(self, ticket):
        typed = ticket.code.lower().replace("-", "")
        assert Client().get(reverse("confirm", args=[typed])).status_code == 200

    @pytest.mark.parametrize("code", ["AAAA-BBBB-CCCC-DDDD", "x", "'; drop", "é" * 40, "-"])
    def test_a_wrong_code_is_a_plain_not_found(self, db, code):
        response = Client().get(reverse("confirm", args=[code]))
        assert response.status_code == 404
        assert "No ticket has this code" in said(response)

    def test_trying_many_codes_has_to_wait(self, ticket, monkeypatch):
        monkeypatch.setattr(public, "WRONG_CODES", 3)
        client = Client()
        for _ in range(3):
            assert client.get(reverse("confirm", args=["WRONG"])).status_code == 404
        assert client.get(reverse("confirm", args=["WRONG"])).status_code == 429

    def test_only_reading_is_allowed(self, ticket):
        assert Client().post(reverse("confirm", args=[ticket.code])).status_code == 405
