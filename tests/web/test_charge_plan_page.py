"""Planning a charge in the browser, and the list of charges."""

import datetime as dt
import html
import re
from decimal import Decimal

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from kilnshop.charges import actions
from kilnshop.charges.models import Charge
from kilnshop.shop.models import TariffPeriod
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


@pytest.fixture
def web(client_for, operator):
    return client_for(operator)


def typed(chamber, *lots, **over):
    return {
        "chamber": chamber.pk,
        "first_day": TODAY.isoformat(),
        "lots": [lot.pk for lot in lots],
        "schedule_code": "",
        "override_note": "",
        "notes": "",
    } | over


def text(response) -> str:
    return response.content.decode()


def test_the_page_lists_waiting_lots_of_all_customers(web, chamber):
    waiting_lot()
    waiting_lot("O-2026-0002", customer="Hollow Oak Stairs", species_key="white_oak")
    page = text(web.get(reverse("charge_plan")))
    assert "2 lots from 2 customers wait" in page
    assert "1,600 bf in all" in page
    assert "Hollow Oak Stairs" in page and "4/4 white oak" in page


def test_without_lots_the_page_says_what_to_do_first(web, chamber):
    page = text(web.get(reverse("charge_plan")))
    assert "Nothing to load" in page and reverse("orders") in page


def test_without_a_chamber_the_page_says_what_to_do_first(web, shop):
    waiting_lot()
    assert "Describe a chamber first" in text(web.get(reverse("charge_plan")))


def test_a_gap_on_the_calendar_opens_the_page_with_chamber_and_day(web, chamber):
    waiting_lot()
    other = factory.make_chamber("south", name="South chamber")
    page = text(web.get(reverse("charge_plan"), {"chamber": other.pk, "first_day": "2026-04-06"}))
    assert f'<option value="{other.pk}" selected>' in page
    assert 'value="2026-04-06"' in page


@pytest.mark.parametrize(
    "query", [{"chamber": "x", "first_day": "yesterday"}, {"chamber": "999", "lot": "zz"}]
)
def test_odd_addresses_still_open_the_page(web, chamber, query):
    waiting_lot()
    assert web.get(reverse("charge_plan"), query).status_code == 200


def test_the_live_result_says_fill_days_schedule_and_shares(web, chamber):
    lots = [
        waiting_lot(volume_bf=Decimal("600.00")),
        waiting_lot("O-2026-0002", customer="Hollow Oak Stairs", volume_bf=Decimal("200.00")),
    ]
    page = text(web.post(reverse("charge_plan_result"), typed(chamber, *lots)))
    assert "This charge can be booked" in page
    assert "No two of these lots harm each other" in page
    assert "75 %" in page and "25 %" in page
    assert "against the same of 4/4" in page, "the formula of the fill is said"
    assert "T4-D2" in page or "T3-D2" in page
    assert "at the latest" in page
    assert Charge.objects.count() == 0


def test_the_live_result_refuses_with_reason_and_source(web, chamber):
    lots = waiting_lot(start_mc_pct=80), waiting_lot(letter="B", start_mc_pct=15)
    page = text(web.post(reverse("charge_plan_result"), typed(chamber, *lots)))
    assert "This charge cannot be booked" in page
    assert "green with air-dried" in page
    assert "takes up the vapour" in page
    assert "woodweb.com" in page and "read at the source" in page


def test_only_the_owner_may_book_a_charge_at_a_cost(web, client_for, owner, chamber):
    lots = waiting_lot(species_key="white_ash", start_mc_pct=18), waiting_lot(letter="B", start_mc_pct=17)
    asked = typed(chamber, *lots, override_note="agreed", do="book")
    page = text(web.post(reverse("charge_plan"), asked))
    assert "Ask the owner to book this charge" in page and "Note that accepts" not in page
    assert not Charge.objects.exists()
    client_for(owner).post(reverse("charge_plan"), asked)
    assert Charge.objects.count() == 1


def test_the_live_result_shows_days_that_are_taken(web, chamber):
    factory.make_charge(chamber, [factory.make_lot(factory.make_order(number="O-2026-0009"))])
    lot = waiting_lot()
    page = text(web.post(reverse("charge_plan_result"), typed(chamber, lot)))
    assert "taken by charge K-2026-0001" in page and "It is free for" in page
    there = html.unescape(re.search(r'href="([^"]+)">Take those days', page)[1])
    page = text(web.get(there))
    assert 'value="2026-03-16"' in page and f'value="{lot.pk}" checked' in page
    assert "can be booked" in text(
        web.post(reverse("charge_plan_result"), typed(chamber, lot, first_day="2026-03-16"))
    )


def test_the_live_result_shows_a_promise_that_slips(web, chamber, operator):
    lot = waiting_lot()
    lot.order.promises.create(ready_on=TODAY + 3 * DAY, made_at=NOW, made_by=operator, why="quote")
    page = text(web.post(reverse("charge_plan_result"), typed(chamber, lot)))
    assert "Slips" in page and "days late" in page


def test_the_live_result_asks_for_lots_first(web, chamber):
    assert "Tick the lots" in text(web.post(reverse("charge_plan_result"), typed(chamber)))


def test_half_full_and_full_are_compared(client_for, owner, operator, chamber):
    tariff = factory.make_tariff()
    factory.make_rate_card()
    lot = waiting_lot()
    page = text(client_for(owner).post(reverse("charge_plan_fill"), typed(chamber, lot)))
    assert "As planned" in page and "Half full" in page and "Full" in page
    assert "50 %" in page and "100 %" in page
    assert "Cost per 1,000 bf" in page and "Per 1 % MC taken out" in page
    assert "Heat-up" in page and "can wait for cheaper" not in page
    TariffPeriod.objects.create(
        tariff=tariff, name="Day", days="every", from_hour=6, to_hour=22, energy_per_kwh=1
    )
    page = text(client_for(owner).post(reverse("charge_plan_fill"), typed(chamber, lot)))
    assert "can wait for cheaper ones" in page
    assert "Leave fans and dehumidifier running through dear hours while the wood is wet" in page
    assert "Cost per 1,000 bf" not in text(
        client_for(operator).post(reverse("charge_plan_fill"), typed(chamber, lot))
    )


def test_booking_leads_to_the_calendar_and_promises(web, chamber, shop):
    lot = waiting_lot()
    response = web.post(reverse("charge_plan"), typed(chamber, lot, do="book"), follow=True)
    charge = Charge.objects.get()
    assert response.redirect_chain[-1][0].startswith(reverse("calendar"))
    assert f"Charge {charge} is booked in North chamber" in text(response)
    assert lot.order.promises.get().ready_on == charge.booking.last_day + shop.promise_margin_days * DAY


def test_a_refused_booking_keeps_what_was_ticked_and_says_why(web, chamber):
    factory.make_charge(chamber, [factory.make_lot(factory.make_order(number="O-2026-0009"))])
    lot = waiting_lot()
    page = text(web.post(reverse("charge_plan"), typed(chamber, lot, do="book", notes="mind the bolsters")))
    assert "taken by charge K-2026-0001" in page and "a charge with O-2026-0001-A" in page
    assert f'value="{lot.pk}" checked' in page
    assert "mind the bolsters" in page
    assert Charge.objects.count() == 1


def test_a_plan_booked_twice_names_the_lot_that_is_taken(web, chamber):
    lot = waiting_lot()
    form = typed(chamber, lot, do="book")
    web.post(reverse("charge_plan"), form)
    page = text(web.post(reverse("charge_plan"), form))
    assert f"Lot {lot} does not wait any more" in page
    assert Charge.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"first_day": "2026-03-01"}, "is past"),
        ({"first_day": "2031-03-01"}, "more than two years ahead"),
        ({"first_day": "soon"}, "Enter a valid date"),
        ({"chamber": "77"}, "Choose another one"),
        ({"lots": ["4711"]}, "does not wait any more"),
        ({"lots": ["abc"]}, "not a valid value"),
        ({"schedule_code": "T99-Z1"}, "T99-Z1"),
        ({"lots": []}, "Tick at least one"),
    ],
)
def test_bad_input_is_said_in_words(web, chamber, change, said):
    page = web.post(reverse("charge_plan"), typed(chamber, waiting_lot(), do="book") | change)
    assert page.status_code == 200
    assert said in text(page)
    assert not Charge.objects.exists()
    assert (
        web.post(reverse("charge_plan_result"), typed(chamber, waiting_lot(letter="B")) | change).status_code
        == 200
    )


def test_office_may_look_at_charges_but_not_plan(client_for, office, chamber):
    signed_in = client_for(office)
    assert signed_in.get(reverse("charges")).status_code == 200
    assert signed_in.get(reverse("charge_plan")).status_code == 403
    assert "Plan a charge" not in text(signed_in.get(reverse("charges")))


def test_nobody_gets_in_without_signing_in(client, chamber):
    for name in ("charges", "charge_plan", "calendar", "outage_new"):
        assert reverse("sign_in") in client.get(reverse(name)).headers["Location"]


def test_the_list_shows_states_and_slips(web, chamber, operator):
    lot = waiting_lot()
    charge = factory.make_charge(chamber, [lot])
    for late in (0, 4):
        lot.order.promises.create(
            ready_on=TODAY + (20 + late) * DAY, made_at=NOW + late * DAY, made_by=operator, why="calendar"
        )
    page = text(web.get(reverse("charges")))
    assert charge.number in page and "Planned" in page and "slipped 4 days" in page
    assert charge.number not in text(web.get(reverse("charges"), {"state": "running"}))
    assert web.get(reverse("charges"), {"state": "odd"}).status_code == 200
    for column in ("number", "-chamber", "first_day", "-likely", "last_day", "odd", "slipped"):
        assert charge.number in text(web.get(reverse("charges"), {"sort": column}))


def test_an_empty_list_says_what_to_do_first(web, chamber):
    assert "Take in an order" in text(web.get(reverse("charges")))
    waiting_lot()
    assert "tick the lots that dry together" in text(web.get(reverse("charges")))


def test_the_list_takes_the_same_queries_for_more_charges(web, chamber, django_assert_max_num_queries):
    for number in range(8):
        factory.make_charge(
            chamber,
            [waiting_lot(f"O-2026-{number:04d}", customer=f"Customer {number}")],
            number=f"K-2026-{number:04d}",
            first_day=TODAY + number * 20 * DAY,
        )
    with django_assert_max_num_queries(13):
        web.get(reverse("charges"))


def test_the_plan_page_takes_the_same_queries_for_more_lots(web, chamber, django_assert_max_num_queries):
    for number in range(12):
        waiting_lot(f"O-2026-{number:04d}", customer=f"Customer {number}")
    with django_assert_max_num_queries(13):
        web.get(reverse("charge_plan"))


def test_a_cancelled_charge_stays_on_the_list(web, chamber, operator):
    charge = actions.plan_charge(chamber=chamber, lots=[waiting_lot()], first_day=TODAY, by=operator, now=NOW)
    actions.cancel_charge(charge=charge, by=operator, now=NOW, why="customer waits")
    for state in ("", "cancelled"):
        page = text(web.get(reverse("charges"), {"state": state}))
        assert charge.number in page and "Cancelled" in page


@pytest.mark.parametrize("name", ["charge_plan", "outage_new"])
def test_an_address_with_an_odd_chamber_opens_with_the_first_one(client_for, operator, chamber, name):
    page = client_for(operator).get(reverse(name), {"chamber": "²", "lot": "²"})
    assert page.status_code == 200
    assert page.context["form"].initial["chamber"] == chamber


def test_the_plan_draws_the_load_and_says_what_goes_in_first(web, chamber):
    one, two = waiting_lot(volume_bf=Decimal("300")), waiting_lot("O-2026-0002", volume_bf=Decimal("200"))
    page = text(web.post(reverse("charge_plan_result"), typed(chamber, one, two)))
    assert "Load plan" in page and page.count("<svg") == 3
    assert "goes in last and comes out first" in page
    assert "not entered" in page and "250 ft/min" in page  # the shop's fans, and what the estimate takes


def test_the_owner_is_told_the_price_at_which_one_more_lot_pays(client_for, owner, web, chamber):
    factory.make_tariff()
    factory.make_rate_card()
    lot = waiting_lot()
    page = text(client_for(owner).post(reverse("charge_plan_fill"), typed(chamber, lot)))
    assert "One more lot" in page and "still pays" in page and "off the card" in page
    assert "One more lot" not in text(web.post(reverse("charge_plan_fill"), typed(chamber, lot)))


def test_the_charge_page_draws_its_load_and_links_the_load_sheet(web, chamber):
    charge = factory.make_charge(chamber, lots=[waiting_lot()])
    page = text(web.get(reverse("charge_load", args=[charge.pk])))
    assert "Load plan" in page and reverse("load_sheet_pdf", args=[charge.pk]) in page
    sheet = web.get(reverse("load_sheet", args=[charge.pk]))
    assert sheet.status_code == 200 and "Order of loading" in text(sheet)
    pdf = web.get(reverse("load_sheet_pdf", args=[charge.pk]))
    assert pdf["Content-Type"] == "application/pdf" and pdf.content.startswith(b"%PDF")


def test_a_charge_that_is_out_has_no_load_sheet(web, chamber):
    charge = factory.make_charge(chamber, lots=[waiting_lot()], cancelled_at=NOW)
    assert web.get(reverse("load_sheet", args=[charge.pk])).status_code == 404


def test_the_load_sheet_takes_the_same_queries_for_more_lots(web, chamber):
    def asked(lots, number):
        day = TODAY if number == 1 else TODAY + 60 * DAY
        made = factory.make_charge(chamber=chamber, lots=lots, number=f"K-2026-000{number}", first_day=day)
        return lambda: web.get(reverse("load_sheet", args=[made.pk]))

    def counted(count, number):
        lots = [
            waiting_lot(f"O-2026-{number}{n:03}", customer=f"{number} {n}", volume_bf=Decimal("100"))
            for n in range(count)
        ]
        ask = asked(lots, number)
        ask()
        with CaptureQueriesContext(connection) as queries:
            assert ask().status_code == 200
        return len(queries)

    assert counted(2, 1) == counted(6, 2)


def test_equalizing_and_conditioning_are_offered_where_a_chamber_can_and_kept_with_the_charge(web, shop):
    factory.make_rate_card()
    damp = factory.make_chamber(has_humidifier=True)
    dry = factory.make_chamber("south", name="South chamber")
    lot = waiting_lot(start_mc_pct=60)
    asked = typed(damp, lot, finish="condition")
    assert "Equalize and condition" in text(web.get(reverse("charge_plan")))
    live = text(web.post(reverse("charge_plan_result"), asked))
    assert "T4-D2-LT+condition" in live and "then equalize and condition" in live
    refused = text(web.post(reverse("charge_plan_result"), asked | {"chamber": dry.pk}))
    assert "South chamber has no humidifier, so it cannot condition wood" in refused
    web.post(reverse("charge_plan"), asked | {"do": "book"})
    charge = Charge.objects.get()
    assert charge.schedule_code == "T4-D2-LT+condition"
    assert [step["kind"] for step in charge.plan["steps"][-2:]] == ["equalize", "condition"]
    sheet = text(web.get(reverse("plan_of_charge_paper", args=[charge.pk, "set-points"])))
    assert "Equalize" in sheet and "Condition" in sheet
    damp.has_humidifier = False
    damp.save()
    waiting_lot("O-2026-0002")
    page = text(web.get(reverse("charge_plan")))
    assert "no chamber has a humidifier" in page and "Equalize and condition" not in page
