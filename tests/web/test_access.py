"""Who may open what: every page by role, prices hidden from the kiln operator, sign-in asked for everywhere."""

import datetime as dt
import re

import pytest
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from kilnshop.orders.actions import decide_quote, save_quote
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from tests import factory

pytestmark = pytest.mark.django_db
OPEN = {"sign_in", "first_owner", "confirm", "feed", "recorder_rows", "worker"}
# name, arguments, owner, office, operator
PAGES = [
    ("today", [], 200, 200, 200),
    ("own_password", [], 200, 200, 200),
    ("set_up", [], 200, 200, 200),
    ("shop_profile", [], 200, 403, 403),
    ("people", [], 200, 403, 403),
    ("person_new", [], 200, 403, 403),
    ("changes", [], 200, 403, 403),
    ("customers", [], 200, 200, 200),
    ("customer_new", [], 200, 200, 200),
    ("customer", ["customer"], 200, 200, 200),
    ("customer_change", ["customer"], 200, 200, 200),
    ("chambers", [], 200, 200, 200),
    ("chamber", ["chamber"], 200, 200, 200),
    ("chamber_new", [], 200, 403, 403),
    ("chamber_change", ["chamber"], 200, 403, 403),
    ("tariffs", [], 200, 403, 403),
    ("tariff", ["tariff"], 200, 403, 403),
    ("tariff_new", [], 200, 403, 403),
    ("rate_cards", [], 200, 200, 403),
    ("rate_card", ["card"], 200, 200, 403),
    ("rate_card_new", [], 200, 403, 403),
    ("rate_card_change", ["card"], 200, 403, 403),
    ("reference", [], 200, 200, 200),
    ("reference_schedules", [], 200, 200, 200),
    ("reference_treatments", [], 200, 200, 200),
    ("reference_meters", [], 200, 200, 200),
    ("orders", [], 200, 200, 200),
    ("order", ["order"], 200, 200, 200),
    ("order_new", [], 200, 200, 200),
    ("lot_new", ["order"], 200, 200, 200),
    ("lot", ["lot"], 200, 200, 200),
    ("quote", ["quote"], 200, 200, 403),
    ("quote_print", ["quote"], 200, 200, 403),
    ("quote_draft", ["order"], 200, 200, 403),
    ("yard", [], 200, 200, 200),
    ("charges", [], 200, 200, 200),
    ("charge", ["charge"], 200, 200, 200),
    ("charge_steps", ["charge"], 200, 200, 200),
    ("charge_readings", ["charge"], 200, 200, 200),
    ("charge_lots", ["charge"], 200, 200, 200),
    ("charge_load", ["charge"], 200, 200, 200),
    ("charge_record", ["charge"], 200, 200, 200),
    ("charge_report", ["charge"], 200, 200, 200),
    ("charge_file", ["charge"], 200, 200, 200),
    ("charge_plan", [], 200, 403, 200),
    ("suggest", [], 200, 403, 200),
    ("plan_of_quote", ["quote"], 200, 200, 403),
    ("plan_of_lot", ["lot"], 200, 200, 200),
    ("plan_of_charge", ["charge"], 200, 200, 200),
    ("compare", [], 200, 200, 200),
    ("compare_result", [], 200, 200, 200),
    ("calendar", [], 200, 200, 200),
    ("outage_new", [], 200, 403, 200),
    ("feeds", [], 200, 403, 200),
    ("promises", [], 200, 200, 200),
    ("messages", [], 200, 200, 200),
    ("charge_days", ["charge"], 200, 403, 200),
    ("charge_start", ["charge"], 200, 403, 200),
    ("reading_new", ["running"], 200, 403, 200),
    ("log_import", ["running"], 200, 403, 200),
    ("probes", ["running"], 200, 403, 200),
    ("reading_check", [], 200, 403, 200),
    ("door_labels", [], 200, 403, 200),
    ("shop_lists", [], 200, 403, 200),
    ("recorder_address", ["chamber"], 200, 403, 403),
    ("learning", [], 200, 403, 403),
    ("estimates_compared", [], 200, 403, 403),
    ("load_sheet", ["charge"], 200, 200, 200),
    ("samples", ["running"], 200, 403, 200),
    ("sample_cut", ["running"], 200, 403, 200),
    ("pack_new", ["running"], 200, 403, 200),
    ("tickets", [], 200, 200, 200),
    ("ticket_new", ["order"], 200, 200, 403),
    ("invoices", [], 200, 200, 403),
    ("invoice_new", ["order"], 200, 200, 403),
    ("payment_new", ["order"], 200, 200, 403),
]

# What is done on a page, or needs a row that is not made here: only the right it asks for is held.
DONE_WITH = {
    None: "sign_out reference_species reference_schedule charge_chart ticket ticket_print ticket_pdf media "
    "plan_of_lot_paper plan_of_charge_paper load_sheet_pdf week_sheet labels",
    May.SET_UP: "person own_new own_change learning_switch learning_again",
    May.EDIT_ORDERS: "order_edit order_estimate order_promise order_cancel lot_remove lot_arrived message_send",
    May.SEE_PRICES: "quote_pdf plan_of_quote_paper invoice invoice_pdf invoice_print",
    May.ISSUE_PAPERS: "quote_decide credit_note",
    May.RUN_CHARGES: "suggest_stop suggest_accept "
    "charge_plan_result charge_plan_fill charge_move charge_cancel outage charge_finish "
    "charge_unload charge_step log_undo door_labels_pdf shop_list feed_revoke",
    May.RECORD_READINGS: "charge_water charge_note board_tests reading alert_finding door charge_list "
    "charge_list_paper shop_list_paper sample",
}
RIGHTS = {name: right for right, names in DONE_WITH.items() for name in names.split()}
RIGHTS |= {"charge_report_pdf": None, "charge_archive": None, "degrade": May.RECORD_READINGS}
ANY = {"pk": 1, "charge_pk": 1, "order_pk": 1, "key": "white_oak", "code": "T4-D2", "kind": "species"}
ANY |= {"name": "air", "path": "none.png", "form": "print"}


@pytest.fixture
def rows(owner):
    """One of everything a page needs, with a firm order and a running charge."""
    now = timezone.now()
    customer, chamber = factory.make_customer(), factory.make_chamber()
    tariff, card = factory.make_tariff(), factory.make_rate_card()
    order = factory.make_order(customer=customer)
    lot = factory.make_lot(order)
    quote = save_quote(order=order, by=owner, now=now, chamber=chamber)
    decide_quote(quote=quote, decision="accepted", on=shop_today(now), by=owner)
    other = factory.make_lot(factory.make_order(customer=customer, number="O-2026-0002"))
    first = shop_today(now)
    charge = factory.make_charge(chamber=chamber, lots=[lot], first_day=first + dt.timedelta(days=40))
    running = factory.make_charge(
        chamber=chamber, lots=[other], first_day=first, number="K-2026-0002", started_at=now
    )
    return {
        "customer": customer.pk,
        "chamber": chamber.pk,
        "tariff": tariff.pk,
        "card": card.pk,
        "order": order.pk,
        "lot": lot.pk,
        "quote": quote.pk,
        "charge": charge.pk,
        "running": running.pk,
    }


def address(name, args, rows):
    return reverse(name, args=[rows[arg] for arg in args])


@pytest.mark.parametrize("column, role", enumerate(["owner", "office", "operator"]))
def test_each_role_opens_its_pages_and_no_others(client_for, rows, column, role):
    client = client_for(factory.make_person(role))
    wrong = [
        (name, answer.status_code, expected[column])
        for name, args, *expected in PAGES
        if (answer := client.get(address(name, args, rows))).status_code != expected[column]
    ]
    assert not wrong


def met(client, rows, *words):
    """Which of the words stand on which page. Treatments quote a standard's own safety margin."""
    found = []
    for name, args, *_ in PAGES:
        answer = client.get(address(name, args, rows))
        text = answer.content.decode() if answer.status_code == 200 and name != "reference_treatments" else ""
        found += [(name, word) for word in words if re.search(word, text)]
    return found


def test_the_kiln_operator_meets_no_price_anywhere(client_for, rows, operator):
    per_foot = "per board foot(?! this load takes)"  # days and electricity, not money
    assert not met(client_for(operator), rows, r"\$\s?\d", "Margin", "margin", per_foot)


def test_the_office_meets_no_cost_or_margin(client_for, rows, office):
    assert not met(client_for(office), rows, "costs us", "Margin", "margin")


def test_every_page_asks_for_a_sign_in_but_the_open_ones(client, rows):
    answers = {
        name: client.get(address(name, args, rows)).status_code
        for name, args, *_ in PAGES
        if name not in OPEN
    }
    assert set(answers.values()) == {302}


def named(patterns):
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            yield from named(pattern.url_patterns)
        elif isinstance(pattern, URLPattern):
            yield pattern


def test_no_view_is_open_without_saying_so(settings):
    for pattern in named(get_resolver().url_patterns):
        view = pattern.callback
        is_open = getattr(view, "login_required", True) is False
        assert is_open == (pattern.name in OPEN), pattern.name


def test_every_room_of_the_way_around_exists(client_for, rows, owner):
    page = client_for(owner).get(reverse("today"))
    words = [room["word"] for room in page.context["rooms"]]
    assert words == ["Today", "Orders", "Charges", "Calendar", "Yard", "Tickets", "Invoices", "Set-up"]
    for room in page.context["rooms"]:
        assert client_for(owner).get(room["url"]).status_code == 200


def test_every_address_is_held_by_one_of_the_tables():
    names = {pattern.name for pattern in named(get_resolver().url_patterns)}
    assert names == {name for name, *_ in PAGES} | RIGHTS.keys() | OPEN


@pytest.mark.parametrize("role", ["owner", "office", "operator"])
def test_what_is_done_asks_for_its_right_before_anything_else(client_for, shop, role):
    person = factory.make_person(role)
    client = client_for(person)
    wrong = []
    for pattern in named(get_resolver().url_patterns):
        if pattern.name not in RIGHTS:
            continue
        takes = {name: ANY[name] for name in pattern.pattern.converters}
        right = RIGHTS[pattern.name]
        refused = client.post(reverse(pattern.name, kwargs=takes)).status_code == 403
        if refused != (right is not None and not person.may(right)):
            wrong.append(pattern.name)
        if pattern.name == "sign_out":
            client = client_for(person)
    assert not wrong


def test_the_403_page_says_who_may_not_do_what(client_for, rows, operator):
    text = client_for(operator).get(reverse("invoices")).content.decode()
    assert "signed in as Kiln operator, who may not see prices" in text


def test_bad_input_is_never_a_server_error(client_for, rows, owner):
    client = client_for(owner)
    junk = {"name": "\x00", "pk": "x", "lots": "9999999999999999999", "first_day": "2026-99-99"}
    for name, args, *_ in PAGES:
        for answer in (
            client.get(address(name, args, rows), junk),
            client.post(address(name, args, rows), junk),
        ):
            assert answer.status_code < 500, name
    for path in ("/orders/99999999999999999999/", "/customers/?page=zz&sort=nonsense", "/?%00"):
        assert client.get(path).status_code < 500, path
