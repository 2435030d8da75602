"""Charges moved on the calendar in Chromium: by mouse, by touch, and by the keyboard alone."""

import datetime as dt

import pytest
from django.urls import reverse

from kilnshop.charges import actions
from kilnshop.charges.models import Booking
from kilnshop.shop.queries import shop_today
from tests import factory
from tests.browser.conftest import WIDTHS, fits
from tests.charges.helpers import waiting_lot

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
DAY = dt.timedelta(days=1)


@pytest.fixture
def shop_with_charges(transactional_db):
    """Two planned charges in one chamber with three free days between, and an empty second chamber."""
    factory.make_shop()
    operator = factory.make_person("operator")
    north = factory.make_chamber()
    factory.make_chamber("south", name="South chamber")
    first, today = None, shop_today()
    for number in (1, 2):
        lot = waiting_lot(f"O-2026-000{number}", customer=f"Customer {number}")
        start = today + 2 * DAY if first is None else first.booking.last_day + 4 * DAY
        charge = actions.plan_charge(
            chamber=north, lots=[lot], first_day=start, by=operator, now=factory.now()
        )
        first = first or charge
    return operator


@pytest.fixture
def kiln(sign_in, shop_with_charges):
    return sign_in(shop_with_charges)


def bookings():
    return list(Booking.objects.order_by("charge__number"))


def open_calendar(page, live_server, width):
    page.set_viewport_size(WIDTHS[width])
    page.goto(live_server.url + reverse("calendar"))


def bar(page, booking):
    return page.locator(f"svg [data-bar='{booking.pk}']")


def day_px(page):
    return page.evaluate(
        "() => { const s = document.querySelector('[data-calendar]');"
        " return Number(s.dataset.dayWidth) * s.getBoundingClientRect().width / s.viewBox.baseVal.width }"
    )


def confirm(page, why):
    page.locator("#drop [name=why]").fill(why)
    page.locator("#drop").get_by_role("button", name="Move it there").click()
    page.get_by_text("now holds").wait_for()


def test_a_charge_is_dragged_put_back_and_dragged_again(kiln, live_server, console):
    first, second = bookings()
    open_calendar(kiln, live_server, 1280)
    box, step = bar(kiln, first).bounding_box(), day_px(kiln)
    for do in ("Put it back", "Move it there"):
        kiln.mouse.move(box["x"] + 40, box["y"] + 20)
        kiln.mouse.down()
        kiln.mouse.move(box["x"] + 40 + 5.2 * step, box["y"] + 22, steps=6)
        assert "North chamber, from" in kiln.locator("#calendar-said").inner_text()
        kiln.mouse.up()
        kiln.locator("#drop").get_by_text("Charges that make room").wait_for()
        kiln.locator("#drop").get_by_text("Slips").first.wait_for()
        assert bookings() == [first, second] and bookings()[0].first_day == first.first_day
        if do == "Put it back":
            fits(kiln)
            kiln.get_by_role("button", name=do).click()
            kiln.locator("#drop").wait_for(state="hidden")
            assert bar(kiln, first).bounding_box()["x"] == pytest.approx(box["x"], abs=1)
    confirm(kiln, "door gasket")
    moved, pushed = bookings()
    assert moved.first_day == first.first_day + 5 * DAY
    assert pushed.first_day == moved.last_day + DAY
    assert console == []


def test_the_end_is_dragged_at_its_edge(kiln, live_server, console):
    first, second = bookings()
    open_calendar(kiln, live_server, 1280)
    box, step = bar(kiln, first).locator("[data-handle]").bounding_box(), day_px(kiln)
    kiln.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    kiln.mouse.down()
    kiln.mouse.move(box["x"] + box["width"] / 2 + 2 * step, box["y"] + 20, steps=4)
    kiln.mouse.up()
    kiln.locator("#drop").get_by_text("It can move there").wait_for()
    confirm(kiln, "wetter than thought")
    longer, other = bookings()
    assert (longer.first_day, longer.last_day) == (first.first_day, first.last_day + 2 * DAY)
    assert other.first_day == second.first_day
    assert console == []


def test_a_charge_is_moved_by_touch_on_a_phone(kiln, live_server, console):
    first, _ = bookings()
    open_calendar(kiln, live_server, 390)
    step = day_px(kiln)
    bar(kiln, first).scroll_into_view_if_needed()
    box = bar(kiln, first).bounding_box()
    assert box["height"] >= 48
    finger = kiln.context.new_cdp_session(kiln)
    x, y = max(box["x"], 0) + 60, box["y"] + 24

    def touch(kind, *points):
        at = [{"x": px, "y": py} for px, py in points]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    touch("touchStart", (x, y))
    for part in range(1, 7):
        touch("touchMove", (x + 3 * step * part / 6, y))
    touch("touchEnd")
    kiln.locator("#drop").get_by_text("It can move there").wait_for()
    wide = kiln.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    confirm(kiln, "customer asked")
    assert bookings()[0].first_day == first.first_day + 3 * DAY
    assert console == []


@pytest.mark.parametrize("width", WIDTHS)
def test_a_charge_is_moved_with_the_keyboard_alone(kiln, live_server, console, width):
    first, _ = bookings()
    open_calendar(kiln, live_server, width)
    for _ in range(80):
        kiln.keyboard.press("Tab")
        if kiln.evaluate("document.activeElement.dataset.bar") == str(first.pk):
            break
    for key in ("ArrowRight", "ArrowRight", "Escape", "ArrowDown", "ArrowRight"):
        kiln.keyboard.press(key)
    assert "South chamber, from" in kiln.locator("#calendar-said").inner_text()
    kiln.keyboard.press("Enter")
    kiln.locator("#drop [name=why]").wait_for()
    kiln.keyboard.type("north is being cleaned")
    kiln.keyboard.press("Enter")
    kiln.get_by_text("now holds South chamber").wait_for()
    moved = bookings()[0]
    assert moved.chamber.name == "South chamber" and moved.first_day == first.first_day + DAY
    assert console == []


def test_a_closure_is_dragged_and_made_longer_with_the_keyboard(
    kiln, live_server, console, shop_with_charges
):
    first, _ = bookings()
    day = first.last_day + DAY
    closed = actions.add_outage(
        chamber=first.chamber, first_day=day, last_day=day, reason="new door", by=shop_with_charges
    )
    open_calendar(kiln, live_server, 1280)
    box, step = bar(kiln, closed).bounding_box(), day_px(kiln)
    kiln.mouse.move(box["x"] + 4, box["y"] + 20)
    kiln.mouse.down()
    kiln.mouse.move(box["x"] + 4 + step, box["y"] + 20, steps=4)
    kiln.mouse.up()
    kiln.locator("#drop").get_by_text("It can move there").wait_for()
    fits(kiln)
    kiln.locator("#drop").get_by_role("button", name="Move it there").click()
    kiln.get_by_text("Outage “new door” now holds North chamber").wait_for()
    bar(kiln, closed).focus()
    kiln.keyboard.press("Shift+ArrowRight")
    kiln.keyboard.press("Enter")
    kiln.locator("#drop").get_by_text("It can move there").wait_for()
    kiln.keyboard.press("Enter")
    kiln.get_by_text("now holds").wait_for()
    closed.refresh_from_db()
    assert (closed.first_day, closed.last_day) == (day + DAY, day + 2 * DAY)
    assert console == []


def test_the_second_editor_sees_what_changed_before_saving(kiln, live_server, shop_with_charges):
    first, second = bookings()
    open_calendar(kiln, live_server, 1280)
    end = second.last_day + 3 * DAY
    actions.set_days(
        charge=second.charge, likely_last_day=end, last_day=end, by=shop_with_charges,
        now=factory.now(), why="wetter",
    )  # fmt: skip
    bar(kiln, first).focus()
    kiln.keyboard.press("ArrowRight")
    kiln.keyboard.press("Enter")
    kiln.locator("#drop").get_by_text("Changed meanwhile").wait_for()
    kiln.locator("#drop").get_by_text("moved by Operator: wetter").wait_for()
