"""What hangs on the wall and on the wood: the week sheet on one page, and lot labels by the sheet."""

import datetime as dt
from io import BytesIO

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from kilnshop.charges import week
from kilnshop.charges.calendar import DAY
from kilnshop.charges.models import Charge
from kilnshop.charges.week import monday
from tests import factory

# Letter and A4 on their sides, in points: ANSI X3.151 and ISO 216 (from memory)
PAGES = {"letter": (792, 612), "a4": (841.89, 595.28)}
PER_SHEET = {"letter": 10, "a4": 8, "single": 1}


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(factory.NOW, tick=False):
        yield


@pytest.fixture
def lots(shop):
    customer = factory.make_customer("Larkmeadow Joinery and Stairs of Harrow Gap")
    return [
        factory.make_lot(factory.make_order(customer, number=f"O-2026-{n:04}"), yard_place="Shed")
        for n in range(1, 13)
    ]


def sheets(client, address, **asked):
    answer = client.get(address, asked)
    assert answer["Content-Type"] == "application/pdf"
    return PdfReader(BytesIO(answer.content)).pages


@pytest.mark.parametrize("paper", PAGES)
def test_a_full_week_of_four_chambers_is_one_page(client_for, owner, shop, lots, paper):
    shop.paper = paper
    shop.save()
    for n in range(4):
        factory.make_charge(
            factory.make_chamber(f"c{n}", name=f"Chamber number {n + 1}"),
            lots[3 * n : 3 * n + 3],
            number=f"K-2026-{n + 1:04}",
            first_day=monday(factory.DAY) + n * DAY,
            days=6,
        )
    (page,) = sheets(client_for(owner), reverse("week_sheet", args=["pdf"]))
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(PAGES[paper], abs=1)
    said = page.extract_text()
    for n in range(4):
        assert f"Chamber number {n + 1}" in " ".join(said.split())
    assert all(str(lot) in said.replace("\n", "") for lot in lots)


def test_a_dry_charge_is_unloaded_from_today_and_dried_before(client_for, owner, shop, lots):
    """Wednesday: it went in on Monday a week ago and was dry on Tuesday."""
    charge = factory.make_charge(
        factory.make_chamber(), lots[:1], first_day=monday(factory.DAY) - 7 * DAY, days=14
    )
    noon = timezone.make_aware(dt.datetime.combine(monday(factory.DAY) + DAY, dt.time(12)))
    Charge.objects.filter(pk=charge.pk).update(started_at=noon - 8 * DAY, dried_at=noon)
    made = week.sheet(monday(factory.DAY), shop, noon + DAY)
    assert [cell.what for cell in made["lines"][0].cells] == [
        f"{charge} dries", f"{charge} is dry", *[f"Unload {charge}"] * 5,
    ]  # fmt: skip
    assert [cell.notes for cell in made["lines"][0].cells][2:4] == [("Dry",), ("if it is still in",)]


@pytest.mark.parametrize(("sheet", "count"), PER_SHEET.items())
def test_labels_fill_their_sheets(client_for, owner, lots, sheet, count):
    pages = sheets(client_for(owner), reverse("labels"), sheet=sheet, lot=[lot.pk for lot in lots])
    assert len(pages) == -(-len(lots) // count)
    printed = [sum(str(lot) in page.extract_text() for lot in lots) for page in pages]
    assert sum(printed) == len(lots) and printed[0] == count
