"""The main job in Chromium, as the shop does it: from a customer's call to a paid ticket, at both widths."""

import datetime as dt
import re
from io import BytesIO

import pytest
from django.utils import timezone
from pypdf import PdfReader

from kilnshop.charges.models import Charge
from kilnshop.imports.demo import build
from kilnshop.orders.models import Order
from tests.browser.conftest import WIDTHS, fits

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PASSWORD = "maple-and-oak"


class Shopkeeper:
    """A person in front of the browser."""

    def __init__(self, page, address):
        self.page, self.address = page, address

    def go(self, path):
        self.page.goto(self.address + path)

    def sign_in(self, name):
        self.go("/sign-in/")
        self.fill(username=name, password=PASSWORD)
        self.press("Sign in")

    def fill(self, **values):
        for name, value in values.items():
            field = self.page.locator(f"main [name='{name}']").first
            if field.evaluate("field => field.tagName") == "SELECT":
                field.select_option(**value if isinstance(value, dict) else {"value": value})
            else:
                field.fill(value)

    def press(self, name):
        self.page.get_by_role("button", name=name).first.click()

    def follow(self, name):
        self.page.locator("main").get_by_role("link", name=name).first.click()

    def sees(self, text):
        self.page.locator("main").get_by_text(text).first.wait_for()

    def fits(self):
        fits(self.page)

    def pdf(self, path) -> str:
        answer = self.page.request.get(self.address + path)
        assert answer.status == 200 and answer.headers["content-type"] == "application/pdf"
        return "\n".join(sheet.extract_text() for sheet in PdfReader(BytesIO(answer.body())).pages)

    @property
    def path(self):
        return self.page.url.removeprefix(self.address).split("?")[0]

    def number(self) -> int:
        return int(re.findall(r"\d+", self.path)[-1])


@pytest.fixture
def demo_shop(transactional_db, settings):
    """The demo shop, built through its own imports."""
    build(folder=settings.BASE_DIR / "demo_data", now=timezone.now())


@pytest.fixture(params=WIDTHS, ids=lambda width: f"{width}px")
def width(request, page):
    page.set_viewport_size(WIDTHS[request.param])
    return request.param


def heat_log(start: dt.datetime) -> bytes:
    """An hour of a recorder with its own headings and a preamble; the core stands at 56.4 °C for 45 minutes."""
    lines = ["Recorder 7;kiln side", "", "Date;Clock;Air (C);Core A"]
    for minute in range(60):
        moment = timezone.localtime(start + dt.timedelta(minutes=minute))
        core = "56,4" if 8 <= minute < 54 else "52,0"
        lines.append(f"{moment:%d.%m.%Y};{moment:%H:%M};66,5;{core}")
    return "\r\n".join(lines).encode("cp1252")


def tick_all(hand: Shopkeeper):
    for box in hand.page.locator("form.checklist input[type=checkbox]").all():
        box.check()
    hand.fill(initials="OW")


def test_from_the_call_to_the_paid_invoice(demo_shop, live_server, page, console, snap, width):
    hand = Shopkeeper(page, live_server.url)
    page.set_default_timeout(15_000)
    page.on("dialog", lambda dialog: dialog.accept())
    hand.sign_in("owner")
    hand.fits()
    snap(f"today-{width}")
    hand.go("/calendar/")
    snap(f"calendar-{width}")
    hand.go(f"/charges/{Charge.objects.get(started_at__isnull=False, dried_at=None).pk}/")
    page.locator("main svg, main canvas").first.wait_for()
    snap(f"charge-{width}")

    # Intake: the estimate shows while typing
    hand.go("/orders/new/")
    hand.fill(customer={"label": "Larkmeadow Joinery"})
    hand.press("Take in order")
    hand.fill(species_key="northern_red_oak", thickness="4/4", measured_in="1.125", volume_bf="900")
    hand.fill(start_how="pin", start_mc_pct="24", target_mc_pct="7", stacks="shop")
    page.get_by_label(re.compile("ISPM 15 conventional heat treatment")).first.check()
    page.locator("#estimate").get_by_text(re.compile("kWh")).first.wait_for()
    hand.fits()
    snap(f"lot-{width}")
    hand.press("Save lot")
    hand.fits()
    order = hand.number()
    hand.follow("Make a quote")
    hand.press("Save quote")
    hand.fits()
    snap(f"quote-{width}")
    quote = hand.number()
    printed = hand.pdf(f"/quotes/{quote}/pdf/")
    assert "Larkmeadow Joinery" in printed and "northern red oak" in printed.lower()
    hand.fill(decision="accepted")
    hand.press("Save the answer")
    hand.sees("Accepted")
    hand.go("/yard/")
    hand.sees("Larkmeadow Joinery")
    hand.fits()

    # Charge and calendar
    hand.go("/charges/new/")
    hand.fill(chamber={"label": page.locator("select[name=chamber] option", has_text="South").inner_text()})
    page.get_by_label(re.compile(re.escape(Order.objects.get(pk=order).number))).check()
    page.locator("#plan-result").get_by_text("This charge can be booked").wait_for()
    hand.fits()
    snap(f"plan-{width}")
    hand.press("Book the charge")
    page.wait_for_url("**/calendar/?from=*")
    charge = Charge.objects.latest("pk")
    hand.go("/calendar/")
    page.locator(f"main a[href='/charges/{charge.pk}/']:visible").first.wait_for()
    hand.fits()
    hand.go(f"/orders/{order}/")
    hand.sees(re.compile("promised for"))

    # Start, probes, reading at the door, recorder log
    hand.go(f"/charges/{charge.pk}/start/")
    hand.press("Sign and start charge")
    page.locator("[data-error-summary]").wait_for()
    tick_all(hand)
    hand.fits()
    hand.press("Sign and start charge")
    ten_days = dt.timedelta(days=10)
    Charge.objects.filter(pk=charge.pk).update(started_at=timezone.now() - ten_days)  # ten days pass
    hand.go(f"/charges/{charge.pk}/probes/")
    hand.fill(**{"ch1-kind": "core", "ch1-board": "bottom 3", "ch2-kind": "mc", "ch2-board": "top 1"})
    hand.press("Save probes")
    hand.go(f"/charges/{charge.pk}/readings/new/")
    hand.fill(dry_bulb_f="115", wet_bulb_f="131")
    hand.press("Save reading")
    page.locator("[data-error-summary]").wait_for()
    hand.fill(dry_bulb_f="115", wet_bulb_f="96", ch2="14.5", meter_kwh="41250")
    hand.fits()
    snap(f"reading-{width}")
    hand.press("Save reading")
    hand.sees(re.compile("Last reading"))
    hand.go(f"/charges/{charge.pk}/log/")
    content = heat_log(timezone.now() - dt.timedelta(days=2))
    page.locator("input[type=file]").set_input_files(
        {"name": "heat.csv", "mimeType": "text/csv", "buffer": content}
    )
    hand.press("Look at the file")
    hand.fill(
        time="Date",
        clock="Clock",
        order="dmy",
        unit="C",
        decimal=",",
        col_dry_bulb_f="Air (C)",
        col_ch1="Core A",
    )
    hand.press("Look before importing")
    hand.sees("Rows taken")
    hand.press(re.compile("^Import 60 rows"))
    page.wait_for_url("**/log/?done=*")
    hand.go(f"/charges/{charge.pk}/")
    page.locator("main svg, main canvas").first.wait_for()
    hand.fits()

    # Finish, unload, test boards
    hand.go(f"/charges/{charge.pk}/finish/")
    tick_all(hand)
    hand.press("Sign: the charge is dry")
    hand.go(f"/charges/{charge.pk}/unload/")
    tick_all(hand)
    page.locator("input[name^=pieces_]").fill("120")
    page.locator("input[name^=feet_]").fill("880")
    hand.press("Sign and unload")
    hand.go(f"/charges/{charge.pk}/boards/")
    for i, value in enumerate(("7.2", "6.8", "7.5", "8.6")):
        hand.fill(
            **{f"board-{i}-board": f"B{i + 1}", f"board-{i}-raw_pct": value, f"board-{i}-wood_temp_f": "75"}
        )
    hand.press("Record boards")
    hand.sees(re.compile("4 boards"))
    hand.fits()

    # Ticket
    hand.go(f"/orders/{order}/ticket/")
    page.locator("input[name=charge_lots]").first.check()
    hand.press("Preview ticket")
    hand.press("Issue ticket")
    hand.sees("met")
    hand.fits()
    snap(f"ticket-{width}")
    ticket = hand.number()
    printed = hand.pdf(f"/tickets/{ticket}/pdf/")
    assert "not an official mark" in " ".join(printed.split())
    confirm = page.locator("main a[href^='/t/']").first.get_attribute("href")

    # Invoice and payment
    hand.go(f"/orders/{order}/invoices/new/")
    hand.press("Issue invoice")
    hand.fits()
    snap(f"invoice-{width}")
    invoice = hand.number()
    assert "Larkmeadow Joinery" in hand.pdf(f"/invoices/{invoice}/pdf/")
    hand.go(f"/orders/{order}/payments/new/")
    page.locator("select[name=invoice]").select_option(index=1)
    label = page.locator("select[name=invoice] option").nth(1).inner_text()
    hand.fill(amount=re.search(r"\$([\d,.]+) due", label)[1].replace(",", ""), method="Check")
    hand.press("Record payment")
    hand.go("/invoices/")
    hand.sees(re.compile("[Pp]aid"))
    hand.fits()
    hand.go("/")
    hand.fits()

    # A stranger holding the ticket
    page.context.clear_cookies()
    hand.go(confirm.removeprefix(live_server.url))
    hand.sees(re.compile("northern red oak", re.IGNORECASE))
    assert "Larkmeadow" not in page.content()
    hand.fits()
    hand.go("/orders/")
    assert "/sign-in/" in page.url
    assert [said for said in console if "422" not in said] == []  # the reading that was refused on purpose
