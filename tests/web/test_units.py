"""Sentences of the science in a metric shop. Factors: NIST SP 811 (2008) appendix B; board foot 144 in³."""

import re

import pytest
from django.urls import reverse

from kilnshop.orders.estimating import estimate_lots
from kilnshop.web import units
from tests import factory

US_UNITS = re.compile(r"\d (?:°F|lb|bf|ft/min)\b|\d/[\d.]+ °F|\d in (?:deep|thick)")


@pytest.mark.parametrize(
    ("said", "metric"),
    [
        ("Step 2 (110 °F dry bulb, 82 °F wet bulb)", "Step 2 (43.3 °C dry bulb, 27.8 °C wet bulb)"),
        ("90/86 °F, 80 % RH", "32.2/30 °C, 80 % RH"),
        ("-4 °F outside", "−20 °C outside"),
        ("A wet-bulb reading off by 1 °F moves the EMC", "A wet-bulb reading off by 0.6 °C moves the EMC"),
        ("180 lb/day at 120 °F", "81.6 kg/day at 48.9 °C"),
        ("1,000 lb x (80 - 7) %", "453.6 kg x (80 - 7) %"),
        ("Take out 500 bf or use two charges", "Take out 1.18 m³ or use two charges"),
        ("Price 0.65 per bf, minimum 150", "Price 275.45 per m³, minimum 150"),  # 0.65 / 0.00235974
        ("T4-D2 at low temperature, up to 125 °F", "T4-D2 at low temperature, up to 51.7 °C"),
        ("a probe 0.5 in deep", "a probe 12.7 mm deep"),
        ("800 bf x 1.125 in / 1 in, ash", "1.888 m³ x 28.6 mm / 25.4 mm, ash"),
        ("expect about 101 °F in step 1", "expect about 38.3 °C in step 1"),
        ("131 °C needs nothing", "131 °C needs nothing"),
    ],
)
@pytest.mark.django_db
def test_sentences_in_the_shops_units(said, metric):
    with units.reading_as(factory.make_shop(units="metric")):
        assert units.reworded(said) == metric
        assert units.reworded(metric) == metric  # twice is once
    with units.reading_as(factory.make_shop(units="us")):
        assert units.reworded(said) == said


@pytest.mark.django_db
def test_every_warning_and_working_of_troubled_charges_is_metric():
    shop = factory.make_shop(units="metric")
    weak = factory.make_chamber(
        removal_lb_per_day=40.0, heater_kw=0.5, lockout_dry_bulb_f=115.0, max_dry_bulb_f=130.0
    )
    order = factory.make_order()
    lots = [
        factory.make_lot(order, "A", volume_bf=1500, start_mc_pct=80.0, treatments=["ispm15_ht"]),
        factory.make_lot(order, "B", species_key="sugar_maple", volume_bf=1500, start_mc_pct=45.0),
    ]
    made = estimate_lots(lots, weak, shop, factory.DAY, "T4-D2")
    codes = {warning.code for warning in made.warnings}
    assert {"load_too_large", "compressor_lockout", "overloaded"} <= codes
    with units.reading_as(shop):
        texts = [w.text for w in made.warnings]
        texts += [t for w in made.workings for t in (w.uncertainty, *(v for _, v in w.inputs))]
        for text in map(units.reworded, texts):
            assert not US_UNITS.search(text), text


US_ON_PAGES = re.compile(
    r"\d (?:°F|lb|bf|ft|in|sq ft|cfm|ft/min|lb/day)\b(?! \()|per bf\b|1,000 bf|[Bb]oard f(?:oot|eet)|gallon"
)


@pytest.mark.django_db
def test_the_pages_of_a_job_hold_no_us_unit_in_a_metric_shop(client_for):
    factory.make_shop(units="metric")
    owner, chamber = factory.make_person("owner"), factory.make_chamber()
    factory.make_tariff(), factory.make_rate_card()
    order = factory.make_order(by=owner)
    lots = [
        factory.make_lot(order),
        factory.make_lot(order, "B", species_key="sugar_maple", start_mc_pct=30.0),
    ]
    made = estimate_lots(lots, chamber, factory.make_shop(units="metric"), factory.DAY)
    charge = factory.make_charge(chamber=chamber, lots=lots, plan=made.to_dict())
    waiting = factory.make_lot(factory.make_order(by=owner, number="O-2026-0002"))
    addresses = [
        reverse(name, args=[pk, "loading"] if name == "charge_list" else [pk])
        for name, pk in (
            ("order", order.pk),
            ("quote_draft", waiting.order_id),
            ("plan_of_lot", lots[0].pk),
            ("plan_of_charge", charge.pk),
            ("charge", charge.pk),
            ("charge_steps", charge.pk),
            ("charge_lots", charge.pk),
            ("charge_load", charge.pk),
            ("load_sheet", charge.pk),
            ("charge_start", charge.pk),
            ("charge_report", charge.pk),
            ("charge_list", charge.pk),
            ("rate_card", 1),
        )
    ]
    web = client_for(owner)
    load = {"chamber": chamber.pk, "first_day": "2026-12-01", "lots": [waiting.pk], "schedule_code": ""}
    answers = [web.get(address) for address in addresses]
    answers += [web.post(reverse(name), load) for name in ("charge_plan_result", "charge_plan_fill")]
    for answer in answers:
        address = answer.request["PATH_INFO"]
        assert answer.status_code == 200, address
        page = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", answer.content.decode(), flags=re.S)
        found = US_ON_PAGES.search(" ".join(re.sub(r"<[^>]+>", " ", page).replace("\xa0", " ").split()))
        assert not found, f"{address}: {found.string[max(0, found.start() - 90) : found.end() + 30]}"
