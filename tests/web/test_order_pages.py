"""Order, lot, quote and yard pages: who sees what, what is refused, and nothing typed breaks them."""

import datetime as dt
import io
import re
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from kilnshop.orders import actions
from kilnshop.orders.models import Lot, Order, Quote
from tests import factory

LOT = {
    "species_key": "yellow_poplar",
    "thickness": "4/4",
    "volume_bf": "600",
    "start_how": "weighed",
    "start_mc_pct": "25",
    "target_mc_pct": "8",
    "tolerance_pct": "1",
    "stacks": "shop",
}


@pytest.fixture
def chamber(shop):
    factory.make_tariff()
    factory.make_rate_card()
    return factory.make_chamber()


def today():
    return timezone.localdate()


@pytest.fixture
def order(owner, chamber):
    made = factory.make_order(by=owner, received_on=today())
    factory.make_lot(made, species_key="yellow_poplar", volume_bf=Decimal("600"), thickness_in=Decimal("1"))
    return made


@pytest.fixture
def quote(order, owner, chamber):
    return actions.save_quote(order=order, by=owner, now=timezone.now(), chamber=chamber)


def text(response) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.content.decode()))


def png(name="board.png", size=(40, 30)) -> SimpleUploadedFile:
    file = io.BytesIO()
    Image.new("RGB", size, "tan").save(file, "PNG")
    return SimpleUploadedFile(name, file.getvalue(), "image/png")


def test_an_empty_shop_says_what_to_do_first(client_for, owner):
    client = client_for(owner)
    assert "Take in the first order" in text(client.get(reverse("orders")))
    assert "Add the customer first" in text(client.get(reverse("order_new")))
    assert "The yard is empty" in text(client.get(reverse("yard")))


def test_from_call_to_firm_order(client_for, owner, chamber):
    client, customer = client_for(owner), factory.make_customer()
    client.post(reverse("order_new"), {"customer": customer.pk, "received_on": str(today())})
    order = Order.objects.get()
    lot = {
        **LOT,
        "volume_bf": "",
        "tally_text": "Width\tLength\tPieces\n6\t8\t40\n8 1/2\t10\t12",
        "photos": [png()],
    }
    response = client.post(reverse("lot_new", args=[order.pk]), lot)
    assert response.status_code == 302, response.context["form"].errors
    saved = order.lots.get()
    assert saved.volume_bf == Decimal("245.00")  # 40x6x8/12 + 12x8.5x10/12 = 160 + 85
    assert saved.photos.count() == 1
    assert "Make a quote" in text(client.get(reverse("order", args=[order.pk])))
    asked = {"chamber": chamber.pk, "first_day": str(today()), "tally_basis": "green", "price_by": "bf"}
    shown = client.post(reverse("quote_draft", args=[order.pk]), {**asked, "do": "show"})
    assert "Save quote" in text(shown) and not Quote.objects.exists()
    client.post(reverse("quote_draft", args=[order.pk]), {**asked, "do": "save"})
    quote = Quote.objects.get()
    assert "its figures no longer change" in text(client.get(reverse("quote", args=[quote.pk])))
    printed = client.get(reverse("quote_print", args=[quote.pk]))
    assert quote.number in text(printed)
    assert client.get(reverse("quote_pdf", args=[quote.pk])).content.startswith(b"%PDF")
    client.post(reverse("quote_decide", args=[quote.pk]), {"decision": "accepted", "on": str(today())})
    page = text(client.get(reverse("yard")))
    assert "1 lot is still to come: 245 bf in all" in page
    prefix = saved.pk
    arrival = {f"{prefix}-arrived_on": str(today()), f"{prefix}-place": "Row 3"}
    client.post(reverse("lot_arrived", args=[saved.pk]), arrival)
    assert "Row 3" in text(client.get(reverse("yard")))


def test_live_estimate_shows_figures_with_their_working(client_for, owner, order):
    page = text(client_for(owner).post(reverse("order_estimate", args=[order.pk]), LOT))
    for words in (
        "Lot B: 600 bf", "Oven-dry weight", "Water to remove", "US gallons", "Days in the kiln", "most likely",
        "compressor", "fans", "heater", "Electricity cost", "Chamber-day cost", "Price with tax", "Margin",
        "Working of Days", "Working of Margin", "Working of Total", "published schedule", "This load fills",
    ):  # fmt: skip
        assert words in page, words
    assert order.lots.count() == 1


def test_the_wet_bulb_that_cures_a_harsh_step_is_found_on_demand(client_for, owner, order):
    harsh = {**LOT, "species_key": "white_oak", "thickness": "8/4", "start_mc_pct": "70", "volume_bf": "900"}
    url, client = reverse("order_estimate", args=[order.pk]), client_for(owner)
    quick, full = text(client.post(url, harsh)), text(client.post(url, {**harsh, "cure": "yes"}))
    assert "is too harsh" in quick and "Which wet bulb would be safe?" in quick
    assert "wet bulb of about" not in quick
    assert "wet bulb of about" in full and "Which wet bulb" not in full


def test_live_estimate_says_what_is_missing_without_alarm(client_for, owner, order):
    response = client_for(owner).post(reverse("order_estimate", args=[order.pk]), {**LOT, "volume_bf": ""})
    assert response.status_code == 200 and "Enter the board feet" in text(response)
    response = client_for(owner).post(reverse("order_estimate", args=[order.pk]), {})
    assert response.status_code == 200 and "Species:" in text(response)


def test_pin_reading_above_fibre_saturation_is_warned_of(client_for, owner, order):
    typed = {**LOT, "start_how": "pin", "start_mc_pct": "45"}
    page = text(client_for(owner).post(reverse("order_estimate", args=[order.pk]), typed))
    assert "a pin meter read 45 %" in page


def test_assumed_green_uses_the_published_moisture(client_for, owner, order):
    typed = {**LOT, "species_key": "northern_red_oak", "start_how": "assumed_green", "start_mc_pct": ""}
    page = text(client_for(owner).post(reverse("order_estimate", args=[order.pk]), typed))
    assert "from 83.1 %" in page  # USDA Forest Inventory REF_SPECIES, northern red oak average green MC


def test_prices_are_hidden_from_the_operator_and_margins_from_the_office(
    client_for, owner, operator, office, order, quote
):
    pages = [
        reverse("orders"),
        reverse("order", args=[order.pk]),
        reverse("lot", args=[order.lots.get().pk]),
        reverse("yard"),
    ]
    for url in pages:
        response = client_for(operator).get(url)
        assert response.status_code == 200 and "$" not in response.content.decode(), url
    live = client_for(operator).post(reverse("order_estimate", args=[order.pk]), LOT)
    assert "$" not in live.content.decode()
    for name in ("quote", "quote_pdf", "quote_print"):
        assert client_for(operator).get(reverse(name, args=[quote.pk])).status_code == 403
    assert client_for(operator).get(reverse("quote_draft", args=[order.pk])).status_code == 403
    page = text(client_for(office).get(reverse("order", args=[order.pk])))
    assert "Price with tax" in page and "Margin" not in page and "Chamber-day cost" not in page
    assert "Our cost" not in text(client_for(office).get(reverse("quote", args=[quote.pk])))
    assert "Our cost" in text(client_for(owner).get(reverse("quote", args=[quote.pk])))


def test_a_stranger_sees_nothing(client, order, quote):
    for name, pk in (("order", order.pk), ("quote", quote.pk), ("quote_pdf", quote.pk)):
        assert client.get(reverse(name, args=[pk])).status_code == 302


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"tally_text": "40,6,8\n4,wide,8"}, "tally_text", "Row 2, width: “wide”"),
        ({"thickness": "fat"}, "thickness", "not a size"),
        ({"thickness": "2x5.7"}, "thickness", "not a dressed size"),
        ({"species_key": "plastic"}, "species_key", "valid choice"),
        ({"volume_bf": "-3"}, "volume_bf", "outside"),
        ({"start_mc_pct": "nan"}, "start_mc_pct", "number"),
        ({"start_mc_pct": "1e999"}, "start_mc_pct", "number"),
        ({"start_mc_pct": ""}, "start_mc_pct", "measured"),
        ({"target_mc_pct": "25"}, "target_mc_pct", "not below"),
        ({"schedule_code": "T99-Z9"}, "schedule_code", "not a hardwood schedule"),
        ({"measured_in": "0"}, "measured_in", "outside"),
        ({"arrived_on": "soon"}, "arrived_on", "valid date"),
        ({"declared_value": "-1"}, "declared_value", "greater"),
        ({"treatments": ["prayer"]}, "treatments", "valid choice"),
    ],
)
def test_nonsense_is_refused_at_its_field(client_for, owner, order, change, field, words):
    response = client_for(owner).post(reverse("lot_new", args=[order.pk]), {**LOT, **change})
    assert response.status_code == 200
    assert words in " ".join(response.context["form"].errors[field])
    assert order.lots.count() == 1


@pytest.mark.parametrize(
    "typed",
    [
        {name: "\x00\ud800".encode("utf-8", "replace").decode() for name in LOT},
        dict.fromkeys(LOT, "9" * 400),
        dict.fromkeys(LOT, "<script>"),
        {**LOT, "thickness": "24", "volume_bf": "999999", "start_mc_pct": "250"},
        {**LOT, "thickness": "1/4", "measured_in": "16"},
        {**LOT, "chamber": "nowhere", "lot": "99999999999999999999999"},
        {**LOT, "width_in": "0.5", "thickness": "12"},
        {**LOT, "target_mc_pct": "4", "schedule_code": "T1-A1"},
        {**LOT, "another_treatment": "fungi_212f"},
        {**LOT, "volume_bf": "1e30"},
        {**LOT, "width_in": "1e308"},
    ],
)
def test_nothing_typed_breaks_the_live_estimate_or_the_form(client_for, owner, order, typed):
    client = client_for(owner)
    assert client.post(reverse("order_estimate", args=[order.pk]), typed).status_code == 200
    assert client.post(reverse("lot_new", args=[order.pk]), typed).status_code in (200, 302)
    assert client.get(reverse("order", args=[order.pk])).status_code == 200


@pytest.mark.parametrize(
    ("upload", "words"),
    [
        (SimpleUploadedFile("board.png", b"<svg onload=alert(1)>", "image/png"), "valid image"),
        (SimpleUploadedFile("board.html", png().read(), "image/png"), "extension"),
        (SimpleUploadedFile("big.png", b"x" * (15 * 1024 * 1024 + 1), "image/png"), "up to 15 MB"),
    ],
)
def test_a_photo_is_checked_by_its_content_and_size(client_for, owner, order, upload, words):
    response = client_for(owner).post(reverse("lot_new", args=[order.pk]), {**LOT, "photos": [upload]})
    assert words in " ".join(response.context["form"].errors["photos"])
    assert order.lots.count() == 1


def test_a_workbook_is_no_tally(client_for, owner, order):
    book = SimpleUploadedFile("tally.csv", b"PK\x03\x04", "text/csv")
    response = client_for(owner).post(reverse("lot_new", args=[order.pk]), {**LOT, "tally_file": book})
    assert "save the sheet as CSV" in " ".join(response.context["form"].errors["tally_file"])


def test_editing_a_lot_shows_what_was_stored_and_keeps_it(client_for, owner, order):
    lot = actions.add_lot(
        order=order,
        by=owner,
        data={
            **LOT,
            "start_mc_pct": 25.0,
            "target_mc_pct": 8.0,
            "tolerance_pct": 1.0,
            "measured_in": "1 1/8",
        },
        tally=[{"pieces": 40, "width_in": Decimal("6.5"), "length_ft": Decimal("8")}],
    )
    client = client_for(owner)
    form = client.get(reverse("lot", args=[lot.pk])).context["form"]
    typed = {name: value for name in form.fields if (value := form[name].value()) not in (None, "")}
    assert typed["tally_text"] == "40, 6.5, 8"
    response = client.post(reverse("lot", args=[lot.pk]), typed)
    assert response.status_code == 302, response.context["form"].errors
    again = Lot.objects.get(pk=lot.pk)
    names = ("thickness_label", "thickness_in", "volume_bf", "start_mc_pct", "treatments")
    assert [getattr(again, name) for name in names] == [getattr(lot, name) for name in names]


def test_old_and_lapsed_quotes_are_refused_in_words(client_for, owner, order, chamber):
    past = timezone.now() - dt.timedelta(days=60)
    old = actions.save_quote(order=order, by=owner, now=past, chamber=chamber)
    client = client_for(owner)
    accept = {"decision": "accepted", "on": str(today())}
    page = client.post(reverse("quote_decide", args=[old.pk]), accept, follow=True)
    assert "lapsed" in text(page)
    new = actions.save_quote(order=order, by=owner, now=timezone.now(), chamber=chamber)
    early = {"decision": "accepted", "on": str(old.valid_until)}
    page = client.post(reverse("quote_decide", args=[old.pk]), early, follow=True)
    assert f"replaced by {new.number}" in text(page)
    assert "Replaced by quote" in text(client.get(reverse("quote_print", args=[old.pk])))
    page = client.post(
        reverse("quote_decide", args=[new.pk]), {"decision": "perhaps", "on": "x"}, follow=True
    )
    assert "Not saved" in text(page)
    assert not Quote.objects.exclude(decision="").exists()


def test_small_forms_of_the_order_page(client_for, owner, order):
    client = client_for(owner)
    promise = {"promise-ready_on": str(today() + dt.timedelta(days=20)), "promise-why": "by hand"}
    client.post(reverse("order_promise", args=[order.pk]), promise)
    assert "by hand" in text(client.get(reverse("order", args=[order.pk])))
    page = client.post(reverse("order_promise", args=[order.pk]), {"promise-ready_on": "soon"}, follow=True)
    assert "Not saved" in text(page)
    client.post(reverse("lot_remove", args=[order.lots.get().pk]))
    assert not order.lots.exists()
    client.post(reverse("order_cancel", args=[order.pk]), {"cancel-why": "sold the logs"})
    assert "sold the logs" in text(client.get(reverse("order", args=[order.pk])))


@pytest.mark.parametrize("name", ["order", "lot", "quote", "quote_pdf", "quote_draft", "lot_new"])
@pytest.mark.parametrize("pk", [404, 10**30])
def test_what_does_not_exist_is_not_found(client_for, owner, name, pk):
    assert client_for(owner).get(reverse(name, args=[pk])).status_code == 404


@pytest.mark.parametrize(
    "query",
    ["show=never", "words=%00", "sort=nothing", "page=99", "page=x", "words=" + "y" * 500, "sort=-customer"],
)
def test_any_search_answers(client_for, owner, order, query):
    assert client_for(owner).get(f"{reverse('orders')}?{query}").status_code == 200


def test_a_page_without_a_chamber_or_prices_says_so(client_for, owner):
    order = factory.make_order(by=owner)
    factory.make_lot(order)
    client = client_for(owner)
    assert "no active chamber" in text(client.get(reverse("order", args=[order.pk])))
    assert client.get(reverse("quote_draft", args=[order.pk])).status_code == 302
    factory.make_chamber()
    assert "no rate card" in text(client.get(reverse("order", args=[order.pk])))
    assert "no rate card" in text(client.get(reverse("quote_draft", args=[order.pk])))


def test_the_list_takes_the_same_queries_for_any_number_of_orders(
    client_for, owner, order, quote, chamber, django_assert_max_num_queries
):
    customer = order.customer
    for number in range(2, 20):
        one = factory.make_order(customer, owner, f"O-2026-{number:04d}")
        lot = factory.make_lot(one)
        if number % 2:
            made = actions.save_quote(order=one, by=owner, now=timezone.now(), chamber=chamber)
            actions.decide_quote(quote=made, decision="accepted", on=today(), by=owner)
            actions.set_promise(order=one, ready_on=today(), by=owner, now=timezone.now(), why="calendar")
            lot.refresh_from_db()
    factory.make_charge(chamber=chamber, lots=[lot], by=owner)
    client = client_for(owner)
    with django_assert_max_num_queries(20):
        page = client.get(reverse("orders"))
    assert text(page).count("O-2026-") == 19
    with django_assert_max_num_queries(14):
        client.get(reverse("yard"))


def test_a_metric_shop_types_millimetres_metres_and_cubic_metres(client_for, owner, shop, order):
    shop.units = "metric"
    shop.save()
    client = client_for(owner)
    assert "width (mm), length (m)" in text(client.get(reverse("lot_new", args=[order.pk])))
    lot = {**LOT, "thickness": "27 mm", "volume_bf": "", "tally_text": "10, 152.4, 2.4384"}
    response = client.post(reverse("lot_new", args=[order.pk]), lot)
    assert response.status_code == 302, response.context["form"].errors
    saved = order.lots.last()
    line = saved.tally.get()
    assert (line.width_in, line.length_ft) == (Decimal("6.000"), Decimal("8.000"))  # 152.4 mm, 2.4384 m
    assert saved.thickness_in == Decimal("1.0630")  # 27 / 25.4
    client.post(reverse("lot_new", args=[order.pk]), {**LOT, "volume_bf": "2.3597"})
    assert order.lots.last().volume_bf == pytest.approx(
        Decimal("1000"), abs=Decimal("0.1")
    )  # 2.3597 m³ a 1000 bf
    page = text(client.get(reverse("order", args=[order.pk])))
    assert "kg" in page and "m³" in page and " lb" not in page.split("Working")[0]


def test_details_of_an_order_can_be_put_right(client_for, owner, order):
    url = reverse("order_edit", args=[order.pk])
    client = client_for(owner)
    early = client.post(url, {"needed_by": "2020-01-01"})
    assert "before the order came in" in " ".join(early.context["form"].errors["needed_by"])
    client.post(url, {"customer_reference": "PO 88", "notes": "Call before loading"})
    page = text(client.get(reverse("order", args=[order.pk])))
    assert "PO 88" in page and "Call before loading" in page


def test_a_quote_pays_for_demand_only_where_it_raises_the_peak(client_for, owner, shop):
    """60 kW in the other chamber on other days of both months: the quote's few kilowatts raise no peak."""
    chamber, other = factory.make_chamber(), factory.make_chamber("south", name="South chamber")
    factory.make_tariff(demand_per_kw=Decimal("8.000"))
    factory.make_rate_card()
    order = factory.make_order()
    factory.make_lot(order)
    month = (timezone.localdate().replace(day=1) + dt.timedelta(days=32)).replace(day=1)
    typed = {"chamber": chamber.pk, "tally_basis": "green", "price_by": "bf", "do": "show"}
    typed["first_day"] = month.replace(day=15).isoformat()

    def working():
        page = client_for(owner).post(reverse("quote_draft", args=[order.pk]), typed)
        return dict(page.context["draft"].price.working("electricity").inputs)

    assert any(label.startswith("Added to the peak") for label in working())
    later = (month + dt.timedelta(days=32)).replace(day=26)
    for number, first_day in enumerate((month.replace(day=5), later), 1):
        charge = factory.make_charge(other, [], number=f"K-{number}", first_day=first_day, days=5)
        charge.plan |= {"hours": [24.0], "power_compressor_kw": [0.0], "power_fans_kw": [0.0]}
        charge.plan["power_heater_kw"] = [60.0]
        charge.save()
    assert working()["Demand"] == "0: the peak of the month stands without this charge"


def test_a_lot_is_quoted_with_its_finish(client_for, owner, order, chamber):
    chamber.has_humidifier = True
    chamber.save()
    client, lot = client_for(owner), order.lots.get()
    green = LOT | {"start_mc_pct": "60", "schedule_code": ""}
    live = reverse("order_estimate", args=[order.pk])
    days = {
        finish: text(client.post(live, {**green, "lot": lot.pk, "finish": finish}))
        for finish in ("", "equalize", "condition")
    }
    likely = {finish: float(re.search(r"most likely ([\d.]+)", page)[1]) for finish, page in days.items()}
    assert likely[""] < likely["condition"] and likely["equalize"] <= likely["condition"]
    client.post(reverse("lot", args=[lot.pk]), {**green, "finish": "condition"})
    lot.refresh_from_db()
    assert lot.schedule_code == "+condition"
    page = client.get(reverse("lot", args=[lot.pk])).content.decode()
    assert '<option value="condition" selected>' in page
    made = actions.save_quote(order=order, by=owner, now=timezone.now(), chamber=chamber)
    assert made.figures["lots"][0]["treatments"] == ["Equalize and condition"]
    assert "equalize and condition" in text(client.get(reverse("order", args=[order.pk])))
