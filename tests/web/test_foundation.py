"""The frame every page stands in: look, policy, units, forms and the plain pages for errors."""

import builtins
import datetime as dt
import re
import sys
from decimal import Decimal
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.staticfiles import finders
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from kilnshop.shop.models import Person, Shop
from kilnshop.web import charts, units
from kilnshop.web.apps import pdf_libraries
from kilnshop.web.forms.base import QuantityField, read_number
from kilnshop.web.templatetags import shopfloor
from kilnshop.web.views import errors

METRIC = Shop(pk=1, units=Shop.Units.METRIC)


@pytest.mark.django_db
def test_an_empty_shop_leads_to_its_first_owner(client):
    assert client.get(reverse("sign_in")).url == reverse("first_owner")
    answer = client.post(
        reverse("first_owner"),
        {
            "shop_name": "Alder Row Kiln",
            "first_name": "Nell",
            "last_name": "",
            "initials": "NE",
            "username": "nell",
            "password": "larch-and-lathe",
        },
    )
    assert answer.url == reverse("shop_profile")
    owner = Person.objects.get()
    assert owner.role == "owner" and owner.check_password("larch-and-lathe")
    assert Shop.objects.get().name == "Alder Row Kiln"
    assert client.get(reverse("first_owner")).status_code == 404


@pytest.mark.django_db
def test_every_page_carries_the_policy_and_no_inline_code(client_for, owner):
    answer = client_for(owner).get(reverse("today"))
    assert answer["Content-Security-Policy"].startswith("default-src 'none'; script-src 'self'")
    page = answer.content.decode()
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\bsrc=)", page)


@pytest.mark.django_db
def test_sign_in_is_asked_for_and_works(client, owner):
    owner.set_password("larch-and-lathe")
    owner.save()
    asked = client.get(reverse("today"))
    assert asked.url.startswith(reverse("sign_in"))
    answer = client.post(asked.url, {"username": "owner", "password": "larch-and-lathe", "next": "/"})
    assert answer.url == "/"


@pytest.mark.django_db
def test_eight_wrong_passwords_lock_with_a_page_that_says_for_how_long(client, owner, settings):
    settings.AXES_ENABLED = True
    for _ in range(8):
        answer = client.post(reverse("sign_in"), {"username": "owner", "password": "wrong"})
    assert answer.status_code == 429
    assert "Wait 15 minutes" in answer.content.decode()


@pytest.mark.django_db
def test_a_missing_page_is_said_in_plain_words(client_for, owner, settings):
    settings.DEBUG = False
    answer = client_for(owner).get("/no/such/page/")
    assert answer.status_code == 404
    assert "There is no page at this address" in answer.content.decode()


@pytest.mark.django_db
def test_uploaded_files_need_a_sign_in_and_stay_inside_their_folder(client, client_for, owner, settings):
    settings.MEDIA_ROOT.mkdir(parents=True)
    (settings.MEDIA_ROOT / "board.png").write_bytes(b"picture")
    (settings.MEDIA_ROOT / "page.html").write_text("<b>x</b>")
    (settings.MEDIA_ROOT.parent / "secret.png").write_bytes(b"secret")
    assert client.get(reverse("media", args=["board.png"])).status_code == 302
    signed_in = client_for(owner)
    assert signed_in.get(reverse("media", args=["board.png"]))["Content-Type"] == "image/png"
    assert "attachment" in signed_in.get(reverse("media", args=["page.html"]))["Content-Disposition"]
    assert signed_in.get("/files/../secret.png").status_code == 404
    assert signed_in.get("/files/%2e%2e/secret.png").status_code == 404


def test_packaged_files_are_found():
    for name in ("packaged/vega.js", "packaged/SourceSansPro-Regular.ttf", "kilnshop/kilnshop.css"):
        assert finders.find(name), name
    assert "window.vegaEmbed" in Path(finders.find("packaged/vega.js")).read_text("utf-8")


@pytest.mark.parametrize(
    ("quantity", "typed", "stored"),
    [
        ("temp_f", "50", 122.0),
        ("temp_f", "56", 132.8),
        ("length_in", "25.4", 1.0),
        ("length_ft", "3.048", 10.0),
        ("weight_lb", "1", 2.2046226),
        ("volume_bf", "1", 423.776),  # 1 m3 = 423.776 bf (a board foot is 144 in3)
    ],
)
def test_metric_entries_are_stored_in_us_units(quantity, typed, stored):
    with units.reading_as(METRIC):
        assert QuantityField(quantity=quantity).clean(typed) == pytest.approx(stored, rel=1e-5)


@pytest.mark.parametrize(
    ("typed", "value"), [("1 1/8", 1.125), ("7/8", 0.875), ("1,234.5", 1234.5), (" 12 ", 12.0), ("−4", -4.0)]
)
def test_numbers_are_read_as_people_type_them(typed, value):
    assert read_number(typed, fractions=True) == value


@pytest.mark.parametrize("typed", ["1,5", "abc", "nan", "inf", "1/0", "1e999"])
def test_what_is_no_number_is_refused_in_words(typed):
    with pytest.raises(ValueError, match="is not a number"):
        read_number(typed, fractions=True)


def test_a_quantity_out_of_range_is_refused_in_the_shops_unit():
    field = QuantityField(quantity="temp_f", low=-40, high=250)
    with units.reading_as(METRIC), pytest.raises(ValidationError, match=r"130 °C .* −40 °C to 121\.1 °C"):
        field.clean("130")
    assert field.clean("250") == 250


def test_a_quantity_shown_and_saved_again_has_not_changed():
    field = QuantityField(quantity="length_ft")
    for shop in (Shop(pk=1), METRIC):
        with units.reading_as(shop):
            assert not field.has_changed(14.25, field.prepare_value(14.25))


def test_decimals_are_kept_to_their_places():
    field = QuantityField(quantity="length_in", decimal_places=3)
    assert field.clean("5 1/2") == Decimal("5.500")


def test_figures_are_written_for_people():
    with units.reading_as(Shop(pk=1)):
        assert shopfloor.money(Decimal("-1234.5")) == "−$1,234.50"
        assert shopfloor.temp(132.8) == "132.8 °F"
        assert shopfloor.mc(7.26) == "7.3 %"
        assert shopfloor.volume(Decimal("1000")) == "1,000 bf"
        assert shopfloor.length(1.125) == "1.125 in"
        assert shopfloor.length([1, 2, 3]) == 3
        assert shopfloor.length(16, "ft") == "16 ft"
        assert shopfloor.kwh(1234) == "1,230 kWh"
        assert shopfloor.range_days({"low": 17.8, "expected": 20, "high": 24.3}) == "18–24.5 days"
        assert shopfloor.money(None) == "–"
    with units.reading_as(METRIC):
        assert shopfloor.temp(132.8) == "56 °C"
        assert shopfloor.volume(1000) == "2.36 m³"


def test_a_day_names_its_year_only_when_it_is_another_one():
    assert shopfloor.day(dt.date(2019, 12, 10)) == "Tue 10 Dec 2019"
    assert shopfloor.day("2019-12-10") == "Tue 10 Dec 2019"


def test_a_chart_is_drawn_without_a_browser_and_the_same_each_time():
    spec = {
        "data": {"values": [{"day": 0, "mc": 60}, {"day": 9, "mc": 7}]},
        "mark": charts.ESTIMATE_LINE,
        "encoding": {
            "x": {"field": "day", "type": "quantitative"},
            "y": {"field": "mc", "type": "quantitative"},
        },
    }
    drawn = charts.svg(spec)
    assert drawn.startswith("<svg") and 'stroke-dasharray="6,4"' in drawn
    charts._drawn.cache_clear()
    assert charts.svg(spec) == drawn


def test_a_broken_page_says_so_without_the_database(rf):
    answer = errors.server_error(rf.get("/"))
    assert answer.status_code == 500
    assert "nothing of this step was saved" in answer.content.decode()


@pytest.mark.django_db
def test_a_form_that_cannot_be_trusted_is_explained(owner):
    client = Client(enforce_csrf_checks=True)
    client.force_login(owner, backend="django.contrib.auth.backends.ModelBackend")
    answer = client.post(reverse("sign_out"))
    assert answer.status_code == 403 and "send the form once more" in answer.content.decode()


def test_the_check_names_what_to_install_for_pdf_files(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    monkeypatch.setattr(builtins, "__import__", _without_pango(builtins.__import__))
    (found,) = pdf_libraries(None)
    assert found.id == "kilnshop.W001"
    assert found.hint == "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0"


def _without_pango(plain):
    def imported(name, *args, **kwargs):
        if name == "weasyprint":
            raise OSError("cannot load library 'libpangoft2-1.0-0'")
        return plain(name, *args, **kwargs)

    return imported


@pytest.mark.django_db
def test_certificates_are_for_those_who_see_prices(client_for, operator, office, settings):
    folder = settings.MEDIA_ROOT / "exemptions"
    folder.mkdir(parents=True)
    (folder / "paper.pdf").write_bytes(b"%PDF-")
    address = reverse("media", args=["exemptions/paper.pdf"])
    assert client_for(operator).get(address).status_code == 403
    assert client_for(office).get(address).status_code == 200
    assert client_for(operator).get("/files/./exemptions/paper.pdf").status_code in (403, 404)
    assert client_for(operator).get("/files/lots/../exemptions/paper.pdf").status_code in (403, 404)


def test_warnings_of_one_kind_are_told_once_and_name_the_lots_of_the_others():
    harsh = [
        {"severity": "note", "code": "safe_rate", "text": f"Lot {lot}: step 2 is too harsh."} for lot in "ABC"
    ]
    hot = {"severity": "caution", "code": "too_warm", "text": "Step 1 drifts."}
    assert shopfloor.gathered([hot, harsh[0], "bare", harsh[1], harsh[2], "bare"]) == [
        (hot, [], ""),
        (harsh[0], harsh[1:], "B, C"),
        ("bare", [], ""),
        ("bare", [], ""),
    ]


def test_every_static_file_a_page_names_is_there():
    pages = list((settings.BASE_DIR / "templates").rglob("*.html"))
    named = {name for page in pages for name in re.findall(r"{% static ['\"]([^'\"]+)", page.read_text())}
    assert len(named) > 5
    assert not [name for name in named if not finders.find(name)]
    assert finders.find("nothing-of-this-name.js") is None  # a 404 for the browser, no fault of ours
