"""Lot labels by the sheet."""

from io import BytesIO

import pytest
import time_machine
from django.urls import reverse
from pypdf import PdfReader

from tests import factory

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


@pytest.mark.parametrize(("sheet", "count"), PER_SHEET.items())
def test_labels_fill_their_sheets(client_for, owner, lots, sheet, count):
    pages = sheets(client_for(owner), reverse("labels"), sheet=sheet, lot=[lot.pk for lot in lots])
    assert len(pages) == -(-len(lots) // count)
    printed = [sum(str(lot) in page.extract_text() for lot in lots) for page in pages]
    assert sum(printed) == len(lots) and printed[0] == count
