"""The page that sets a charge beside others like it."""

from decimal import Decimal

import pytest
import time_machine
from django.urls import reverse

from kilnshop.shop.models import Chamber
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def lot(shop):
    factory.make_chamber()
    factory.make_tariff()
    factory.make_rate_card()
    return waiting_lot(volume_bf=Decimal("600.00"), start_mc_pct=60.0, start_how="weighed")


def text(response) -> str:
    return response.content.decode()


def test_a_page_just_opened_asks_what_a_shop_asks_first(client_for, owner, lot):
    page = client_for(owner).get(reverse("compare"), {"lot": lot.pk})
    fill, dried, season = (form.data for form in page.context["changes"])
    assert fill["b-fill_pct"] == "100" and dried["c-start_mc_pct"] == "20" and season["d-month"] == 9
    shown = text(client_for(owner).get(reverse("compare_result"), {"lot": lot.pk}))
    for head in ("As planned", "Full chamber", "Air-dried to 20 % first", "Loaded in September"):
        assert f'<th scope="col">{head}</th>' in shown
    assert "shorter" in shown and "per 1,000 bf less" in shown and "Cost per 1,000 bf" in shown


def test_what_is_typed_is_compared_also_without_scripts(client_for, owner, lot):
    asked = {"lot": lot.pk, "b-fill_pct": "50", "b-month": "7", "c-target_mc_pct": "12", "do": "compare"}
    page = text(client_for(owner).get(reverse("compare"), asked))
    assert "Half full; loaded in July" in page and "Target 12 %" in page and "Loaded in September" not in page


def test_costs_are_for_those_who_may_see_them(client_for, office, lot):
    page = text(client_for(office).get(reverse("compare_result"), {"lot": lot.pk}))
    assert "Days in the kiln" in page and "kWh" in page
    assert "$" not in page and "Cost" not in page


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"lot": "4711"}, "not held any more"),
        ({"lot": "x"}, "not held any more"),
        ({}, "No lot is chosen"),
        ({"first_day": "2026-01-01"}, "is past"),
        ({"b-fill_pct": "300"}, "Fill: "),
        ({"b-fill_pct": "", "schedule_code": "T99-Z1"}, "T99-Z1"),
        ({"chamber": "99"}, "not in use"),
    ],
)
def test_bad_input_is_said_in_words(client_for, owner, lot, asked, said):
    lots = {} if asked == {} else {"lot": lot.pk}
    answer = client_for(owner).get(reverse("compare_result"), lots | asked)
    assert answer.status_code == 200 and said in text(answer)
    assert client_for(owner).get(reverse("compare"), lots | asked).status_code == 200


def test_quote_lot_and_plan_lead_there(client_for, owner, lot):
    order = factory.make_order(factory.make_customer("Hollow Oak"), number="O-2026-0044")
    factory.make_lot(order)
    web = client_for(owner)
    there = reverse("compare")
    assert there in text(web.get(reverse("quote_draft", args=[order.pk])))
    assert there in text(web.get(reverse("lot", args=[lot.pk])))
    assert there in text(web.get(reverse("plan_of_lot", args=[lot.pk])))
    typed = {"chamber": Chamber.objects.get().pk, "first_day": TODAY.isoformat(), "lots": [lot.pk]}
    assert there in text(web.post(reverse("charge_plan_result"), typed))
