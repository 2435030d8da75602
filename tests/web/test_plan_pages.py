"""The plan of a quote, a lot and a charge: the same content on page and paper, in the shop's own units."""

import io
import json
import re

import pytest
from django.urls import reverse
from pypdf import PdfReader

from kilnshop.orders.actions import save_quote
from kilnshop.orders.estimating import estimate_lots
from tests import factory

pytestmark = pytest.mark.django_db


@pytest.fixture
def lots(shop):
    factory.make_tariff(), factory.make_rate_card()
    order = factory.make_order()
    return [
        factory.make_lot(order),
        factory.make_lot(order, "B", species_key="sugar_maple", start_mc_pct=22.0),
    ]


@pytest.fixture
def chamber(shop):
    return factory.make_chamber()


@pytest.fixture
def charge(lots, chamber, shop):
    made = estimate_lots(lots, chamber, shop, factory.DAY)
    return factory.make_charge(chamber=chamber, lots=lots, plan=made.to_dict())


@pytest.fixture
def quote(lots, chamber, owner):
    return save_quote(order=lots[0].order, by=owner, now=factory.NOW, chamber=chamber)


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def addresses(charge, quote, lots):
    return {
        "charge": reverse("plan_of_charge", args=[charge.pk]),
        "quote": reverse("plan_of_quote", args=[quote.pk]),
        "lot": reverse("plan_of_lot", args=[lots[0].pk]),
    }


@pytest.mark.parametrize("kind", ["charge", "quote", "lot"])
def test_a_plan_opens_with_its_days_and_shows_every_part(kind, charge, quote, lots, owner, client_for):
    response = client_for(owner).get(addresses(charge, quote, lots)[kind])
    page = text_of(response)
    assert re.search(r'class="sentence">\s*Dries in [\d.]+ to [\d.]+ days, most likely [\d.]+, takes', page)
    for part in (
        "Electricity",
        "Water to remove",
        "Air set and expected",
        "EMC of the air",
        "Power",
        "Steps",
    ):
        assert part in page
    assert page.count("Working") >= 6
    assert len(response.context["plan"]["charts"]) == (4 if kind == "lot" else 5)


def test_curves_keep_the_frozen_plan_whatever_becomes_of_the_chamber(charge, owner, client_for):
    before = client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])).context["plan"]["sentence"]
    type(charge.chamber).objects.update(heater_kw=1.0, removal_lb_per_day=20.0)
    after = client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])).context["plan"]["sentence"]
    assert before == after


def specs(page: str) -> list[dict]:
    found = re.findall(r'<script id="plan-[^"]+" type="application/json">(.*?)</script>', page, re.DOTALL)
    return [json.loads(text) for text in found]


def marks_of(spec) -> list:
    return [layer["mark"] for layer in spec["layer"]]


def test_estimate_and_target_never_look_alike(charge, owner, client_for):
    page = client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])).content.decode()
    moisture, _, air, emc, _ = specs(page)
    dashes = next(
        layer["encoding"]["strokeDash"]["scale"]["range"]
        for layer in moisture["layer"]
        if "strokeDash" in layer["encoding"]
    )
    assert len({tuple(dash) for dash in dashes}) == len(dashes) and [1, 0] not in dashes
    for spec in (air, emc):
        lines = [mark for mark in marks_of(spec) if mark["type"] == "line"]
        assert ["strokeDash" in mark for mark in lines] == [False, True]


def test_every_chart_can_be_read_as_a_table(charge, owner, client_for):
    response = client_for(owner).get(reverse("plan_of_charge", args=[charge.pk]))
    drawings = [chart for chart in response.context["plan"]["charts"] if chart["id"] != "plan-emc"]
    assert all(10 <= len(chart["table"]["rows"]) <= 40 for chart in drawings)
    assert text_of(response).count('role="img" aria-label="') == len(drawings) + 1


def test_a_metric_shop_reads_its_plan_in_metric(charge, owner, client_for):
    factory.make_shop(units="metric")
    page = text_of(client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])))
    assert "Dry bulb set, °C" in page and " m³" in page and " kg of water" in page
    assert any(layer["encoding"].get("y", {}).get("title") == "Air (°C)" for layer in specs(page)[2]["layer"])
    hottest = max(
        row["value"] for layer in specs(page)[2]["layer"] for row in layer["data"]["values"] if "line" in row
    )
    assert hottest < 75


def test_a_probe_in_the_plan_has_its_curve(charge, owner, client_for):
    charge.plan["lots"][0]["curve_probe"] = charge.plan["lots"][0]["curve_avg"]
    charge.plan["lots"][0]["probe_depth_in"] = 1.0
    charge.save()
    page = text_of(client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])))
    assert page.count("Probe 1 in deep") > 1


def test_a_plan_that_never_gets_dry_says_so_first(charge, owner, client_for):
    charge.plan["reaches_target"] = False
    charge.save()
    page = text_of(client_for(owner).get(reverse("plan_of_charge", args=[charge.pk])))
    assert "Does not finish in North chamber" in page and "most likely" not in page


def test_a_plan_without_curves_opens_and_has_no_paper(owner, client_for):
    bare = factory.make_charge()
    client = client_for(owner)
    assert "without its curves" in text_of(client.get(reverse("plan_of_charge", args=[bare.pk])))
    assert client.get(reverse("plan_of_charge_paper", args=[bare.pk, "pdf"])).status_code == 404


def test_a_lot_that_makes_no_sense_is_explained(lots, owner, client_for):
    page = text_of(client_for(owner).get(reverse("plan_of_lot", args=[lots[0].pk])))
    assert "There is no active chamber to estimate in" in page


def test_prices_stand_only_before_those_who_may_see_them(
    charge, quote, lots, owner, office, operator, client_for
):
    lot = addresses(charge, quote, lots)["lot"]
    assert "Price with tax" in text_of(client_for(owner).get(lot))
    seen = text_of(client_for(office).get(lot))
    assert "Price with tax" in seen and "Margin" not in seen
    for kind in ("lot", "charge"):
        assert not re.search(
            r"\$\s?\d", text_of(client_for(operator).get(addresses(charge, quote, lots)[kind]))
        )
    assert client_for(operator).get(addresses(charge, quote, lots)["quote"]).status_code == 403
    assert "Our cost" not in text_of(client_for(office).get(addresses(charge, quote, lots)["quote"]))


def test_the_owner_sees_what_a_planned_charge_costs_and_the_paper_never_does(
    charge, owner, office, client_for
):
    address = reverse("plan_of_charge", args=[charge.pk])
    assert "Chamber-days" in text_of(client_for(owner).get(address))
    assert "Chamber-days" not in text_of(client_for(office).get(address))
    printed = text_of(client_for(owner).get(reverse("plan_of_charge_paper", args=[charge.pk, "print"])))
    assert "Electricity" in printed and not re.search(r"\$\s?\d", printed)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_paper_says_what_the_page_says_on_two_pages(paper, charge, owner, client_for):
    factory.make_shop(paper=paper)
    client = client_for(owner)
    plan = client.get(reverse("plan_of_charge", args=[charge.pk])).context["plan"]
    response = client.get(reverse("plan_of_charge_paper", args=[charge.pk, "pdf"]))
    assert response["Content-Type"] == "application/pdf"
    pages = PdfReader(io.BytesIO(response.content)).pages
    words = " ".join(" ".join(page.extract_text() for page in pages).split()).replace("\u00a0", " ")
    assert len(pages) <= 2
    assert plan["sentence"] in words
    assert all(chart["title"] in words for chart in plan["charts"])
    assert all(row[0]["text"].replace("\u00a0", " ") in words for row in plan["steps"]["rows"])


def test_browser_and_paper_draw_from_one_spec(charge, owner, client_for, monkeypatch):
    from kilnshop.web import charts

    drawn = []
    monkeypatch.setattr(charts, "svg", lambda spec, width: drawn.append(spec) or "<svg/>")
    client = client_for(owner)
    page = client.get(reverse("plan_of_charge", args=[charge.pk])).content.decode()
    client.get(reverse("plan_of_charge_paper", args=[charge.pk, "print"]))
    assert [json.loads(json.dumps(spec["layer"])) for spec in drawn] == [
        spec["layer"] for spec in specs(page)
    ]


@pytest.mark.parametrize("kind", ["charge", "quote", "lot"])
def test_a_plan_asks_a_handful_of_questions(
    kind, charge, quote, lots, owner, client_for, django_assert_max_num_queries
):
    client = client_for(owner)
    with django_assert_max_num_queries(24):
        assert client.get(addresses(charge, quote, lots)[kind]).status_code == 200


def test_each_page_links_to_its_plan_and_back(charge, quote, lots, owner, client_for):
    client = client_for(owner)
    for page, plan in (
        (reverse("quote", args=[quote.pk]), reverse("plan_of_quote", args=[quote.pk])),
        (reverse("order", args=[lots[0].order_id]), reverse("plan_of_lot", args=[lots[0].pk])),
        (reverse("charge", args=[charge.pk]), reverse("plan_of_charge", args=[charge.pk])),
    ):
        assert f'href="{plan}' in text_of(client.get(page))
        assert f'href="{page}"' in text_of(client.get(plan))


def test_a_saved_quote_leads_to_the_comparison_of_its_lots(quote, lots, owner, client_for):
    asked = "&amp;".join(f"lot={lot.pk}" for lot in lots)
    for name in ("quote", "plan_of_quote"):
        page = text_of(client_for(owner).get(reverse(name, args=[quote.pk])))
        assert re.search(rf'href="{reverse("compare")}\?chamber=\d+&amp;{asked}"', page)


@pytest.mark.parametrize(
    ("paper", "units"), [("letter", "us"), ("a4", "metric"), ("a4", "us"), ("letter", "metric")]
)
def test_set_point_sheet_of_a_charge_is_one_page_in_the_shops_units(
    paper, units, shop, charge, operator, client_for
):
    shop.paper, shop.units = paper, units
    shop.save()
    response = client_for(operator).get(reverse("plan_of_charge_paper", args=[charge.pk, "set-points-pdf"]))
    assert response["Content-Type"] == "application/pdf"
    pages = PdfReader(io.BytesIO(response.content)).pages
    assert len(pages) == 1
    # ISO 216 A4 and US Letter, in points.
    assert round(float(pages[0].mediabox.width)) == {"letter": 612, "a4": 595}[paper]
    words = " ".join(pages[0].extract_text().replace("\u00a0", " ").split())
    assert charge.number in words and str(charge.chamber) in words and "Initials" in words
    first = charge.plan["steps"][0]
    shown = {"us": first["dry_bulb_f"], "metric": (first["dry_bulb_f"] - 32) / 1.8}[units]
    assert f"{shown:.1f}".removesuffix(".0") + (" °F" if units == "us" else " °C") in words
    assert ("°C" in words, "°F" in words) == ((True, False) if units == "metric" else (False, True))
    assert "Nobody goes in while it is hot" in words and "Compressor off" not in words


def test_set_point_sheet_with_a_heat_stage_switches_the_compressor_off_first(
    shop, lots, chamber, operator, client_for
):
    lots[0].treatments = ["us_lumber_ht"]
    lots[0].save()
    page = text_of(client_for(operator).get(reverse("plan_of_lot_paper", args=[lots[0].pk, "set-points"])))
    order = [
        page.index(part) for part in ("Compressor off", "Vents shut", "raise the dry bulb", "slowest core")
    ]
    assert order == sorted(order)
    assert "humidity floats" in page and "off first" in page


def test_set_point_sheet_is_linked_from_the_charge_and_its_plan(charge, quote, operator, owner, client_for):
    client = client_for(operator)
    sheet = reverse("plan_of_charge_paper", args=[charge.pk, "set-points-pdf"])
    assert sheet in text_of(client.get(reverse("charge_steps", args=[charge.pk])))
    assert "set-points/" in text_of(client.get(reverse("plan_of_charge", args=[charge.pk])))
    quoted = reverse("plan_of_quote_paper", args=[quote.pk, "set-points"])
    assert client_for(owner).get(quoted).status_code == 404


def test_charge_without_a_whole_plan_offers_no_set_point_sheet(lots, operator, client_for):
    bare = factory.make_charge(lots=lots, number="K-2026-0009")
    client = client_for(operator)
    assert "set-points" not in text_of(client.get(reverse("charge_steps", args=[bare.pk])))
    assert client.get(reverse("plan_of_charge_paper", args=[bare.pk, "set-points"])).status_code == 404


def test_a_metric_shop_reads_a_plan_in_its_own_units_on_page_and_paper(
    lots, charge, shop, operator, client_for
):
    shop.units = "metric"
    shop.save()
    client = client_for(operator)
    papers = (
        reverse("plan_of_charge", args=[charge.pk]),
        reverse("plan_of_charge_paper", args=[charge.pk, "print"]),
        reverse("plan_of_charge_paper", args=[charge.pk, "set-points"]),
    )
    for address in papers:
        page = text_of(client.get(address))
        shown = re.sub(r'<dd class="equation">.*?</dd>|<script.*?</script>|<dt>Source.*?</dd>', " ", page)
        shown = re.sub(r"<[^>]+>", " ", shown)
        assert "°C" in shown
        assert not re.search(r"\d[\s\u00a0](?:°F|lb|bf|gal|US gallons)\b", shown)
