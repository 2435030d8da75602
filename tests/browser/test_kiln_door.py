"""The pages of a running charge in Chromium: no connection, and WCAG 2.2 AA by axe at both widths."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from kilnshop.charges.models import Reading
from tests import factory
from tests.browser.conftest import WIDTHS
from tests.charges.running_helpers import HOUR, read, running_charge

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


@pytest.fixture
def operator(transactional_db):
    factory.make_shop()
    return factory.make_person("operator")


@pytest.fixture
def charge(operator):
    return running_charge(operator, now=timezone.now() - 48 * HOUR)


@pytest.fixture
def door(page, live_server, operator):
    """The browser, signed in as the operator."""
    client = Client()
    client.force_login(operator, backend="django.contrib.auth.backends.ModelBackend")
    cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}]
    )
    return page


def test_a_reading_typed_without_connection_is_sent_once_when_it_is_back(door, charge, live_server, console):
    door.set_viewport_size(WIDTHS[390])
    door.goto(live_server.url + reverse("reading_new", args=[charge.pk]))
    door.fill("[name=dry_bulb_f]", "112.5")
    door.fill("[name=ch1]", "17.5")
    door.context.set_offline(True)
    door.get_by_role("button", name="Save reading").click()
    door.get_by_text("No connection").wait_for()
    assert not Reading.objects.exists()
    door.context.set_offline(False)
    door.get_by_text("Saved: the reading of").wait_for()
    reading = Reading.objects.get()
    assert (reading.dry_bulb_f, reading.ch1) == (112.5, 17.5)
    assert door.input_value("[name=dry_bulb_f]") == ""
    door.reload()
    assert door.input_value("[name=dry_bulb_f]") == ""
    assert Reading.objects.count() == 1
    assert console == []


def test_what_was_typed_is_there_again_after_leaving_the_page(door, charge, live_server):
    address = live_server.url + reverse("reading_new", args=[charge.pk])
    door.goto(address)
    door.fill("[name=note]", "Drip at the door")
    door.goto(live_server.url + reverse("charge", args=[charge.pk]))
    door.goto(address)
    assert door.input_value("[name=note]") == "Drip at the door"


@pytest.mark.parametrize("width", WIDTHS)
def test_the_pages_fit_and_are_accessible(door, charge, operator, live_server, console, width):
    reading = read(
        charge, operator, dry_bulb_f=112, wet_bulb_f=98, ch1=18.0, ch2=30.0, ch3=104.0, meter_kwh=10
    )
    door.set_viewport_size(WIDTHS[width])
    names = ["charge", "charge_finish", "charge_step", "reading_new", "probes", "board_tests", "log_import"]
    addresses = [reverse(name, args=[charge.pk]) for name in names] + [reverse("reading", args=[reading.pk])]
    for address in addresses:
        door.goto(live_server.url + address)
        door.wait_for_load_state("networkidle")
        wide = door.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"{address} sticks out by {wide} px"
        found = Axe().run(door, options=RULES).response["violations"]
        assert not found, (address, [(rule["id"], rule["nodes"][0]["html"]) for rule in found])
    assert console == []
