"""Charges filled in Chromium: by hand, by suggestion, and each of them with the keyboard alone."""

from decimal import Decimal

import pytest
from django.urls import reverse

from kilnshop.charges.models import Charge
from tests import factory
from tests.browser.conftest import WIDTHS, fits
from tests.charges.helpers import waiting_lot

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SIZE = {"volume_bf": Decimal("700.00"), "quoted": Decimal("1500.00")}


@pytest.fixture
def lots(transactional_db):
    """Two lots that may share the one chamber, and one that may not go with them."""
    factory.make_shop()
    factory.make_rate_card()
    factory.make_chamber()
    return [
        waiting_lot(**SIZE),
        waiting_lot("O-2026-0002", customer="Hollow Oak Stairs", **SIZE),
        waiting_lot("O-2026-0003", customer="Tern Boats", species_key="yellow_poplar", start_mc_pct=85.0, **SIZE),
    ]  # fmt: skip


@pytest.fixture(params=WIDTHS, ids=lambda width: f"{width}px")
def kiln(request, sign_in, lots):
    page = sign_in(factory.make_person("operator"))
    page.set_viewport_size(WIDTHS[request.param])
    return page


class Mouse:
    def __init__(self, page):
        self.page = page

    def press(self, found):
        found.click()


class Keyboard(Mouse):
    """Whoever has no mouse: forward with Tab to what is wanted, then the key that works it."""

    def press(self, found):
        for _ in range(120):
            if found.evaluate("element => element === document.activeElement"):
                break
            self.page.keyboard.press("Tab")
        else:
            raise AssertionError(f"Tab never reaches {found}")
        outline = found.evaluate("element => getComputedStyle(element).outlineStyle")
        assert outline != "none", f"nothing shows that {found} has the focus"
        tag = found.evaluate("element => element.type")
        self.page.keyboard.press("Space" if tag == "checkbox" else "Enter")


def loaded():
    return [sorted(str(row.lot) for row in charge.charge_lots.all()) for charge in Charge.objects.all()]


@pytest.mark.parametrize("hand", [Mouse, Keyboard])
def test_a_charge_is_filled_by_hand(kiln, live_server, console, lots, hand):
    press = hand(kiln).press
    kiln.goto(live_server.url + reverse("charge_plan"))
    for lot in lots:
        press(kiln.locator(f"[name=lots][value='{lot.pk}']"))
    kiln.get_by_text("This charge cannot be booked").wait_for()
    hand is Mouse and fits(kiln)
    kiln.evaluate("document.activeElement.blur()")
    press(kiln.locator(f"[name=lots][value='{lots[2].pk}']"))
    kiln.get_by_text("This charge can be booked").wait_for()
    press(kiln.get_by_role("button", name="Book the charge"))
    kiln.get_by_text("is booked in North chamber").wait_for()
    assert loaded() == [["O-2026-0001-A", "O-2026-0002-A"]]
    assert console == []


@pytest.mark.parametrize("hand", [Mouse, Keyboard])
def test_one_suggested_charge_is_accepted_and_the_rest_wait(kiln, live_server, console, hand):
    press = hand(kiln).press
    kiln.goto(live_server.url + reverse("suggest"))
    press(kiln.get_by_role("button", name="Suggest charges"))
    kiln.get_by_text("The proposal loads 3 of 3 waiting lots in 2 charges").wait_for()
    hand is Mouse and fits(kiln)
    assert loaded() == []
    press(kiln.get_by_role("button", name="Accept this charge").first)
    kiln.get_by_text("Booked:").wait_for()
    kiln.get_by_text("in 1 charge").wait_for()
    first = loaded()
    assert first in ([["O-2026-0001-A", "O-2026-0002-A"]], [["O-2026-0003-A"]])
    press(kiln.get_by_role("button", name="Accept the charge"))
    kiln.wait_for_url("**" + reverse("calendar"))
    assert sorted(loaded()) == [["O-2026-0001-A", "O-2026-0002-A"], ["O-2026-0003-A"]]
    assert console == []
