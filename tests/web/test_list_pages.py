"""The pages and papers of the checklists."""

import io

import pytest
from django.urls import reverse
from pypdf import PdfReader

from kilnshop.charges import checklists
from kilnshop.charges.models import ListLine
from tests import factory
from tests.charges.running_helpers import running_charge
from tests.web.test_running_pages import text_of, ticked


@pytest.fixture
def door(operator, client_for):
    return client_for(operator)


@pytest.mark.parametrize("kind", ["daily", "step", "heat"])
def test_a_list_is_signed_beside_a_running_charge(kind, operator, door):
    charge = running_charge(operator)
    charge.plan["steps"].append(charge.plan["steps"][-1] | {"kind": "heat"})
    charge.save()
    address = reverse("charge_list", args=[charge.pk, kind])
    assert address in text_of(door.get(reverse("charge", args=[charge.pk])))
    shown = text_of(door.get(address))
    assert shown.count("For people:") == sum(line.caution for line in checklists.lines_of(kind))
    assert "does not replace local codes" in shown
    last = checklists.lines_of(kind)[-1]
    data = ticked(kind)
    del data[f"done_{last.key}"]
    assert "is neither done nor skipped" in text_of(door.post(address, data))
    response = door.post(address, data | {f"skip_{last.key}": "No time"})
    assert response["Location"] == reverse("charge_step" if kind == "step" else "charge", args=[charge.pk])
    page = text_of(door.get(reverse("charge_record", args=[charge.pk])))
    assert "No time" in page and "signed OP" in page


def test_a_list_that_does_not_fit_the_state_says_so(operator, door):
    charge = running_charge(operator)
    assert "is signed when it is planned" in text_of(
        door.get(reverse("charge_list", args=[charge.pk, "loading"]))
    )
    for kind in ("start", "nonsense"):
        assert door.get(reverse("charge_list", args=[charge.pk, kind])).status_code == 404


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("kind", checklists.LISTS)
def test_every_list_prints_on_one_page_with_every_line_and_its_reason(kind, paper, operator, door):
    factory.make_shop(paper=paper)
    charge = factory.make_charge()
    made = PdfReader(
        io.BytesIO(door.get(reverse("charge_list_paper", args=[charge.pk, kind, "pdf"])).content)
    )
    assert len(made.pages) == 1
    # ISO 216 A4 is 297 mm high, US Letter 11 in
    assert float(made.pages[0].mediabox.height) == pytest.approx(
        {"letter": 792, "a4": 297 / 25.4 * 72}[paper], abs=1
    )
    text = " ".join(made.pages[0].extract_text().split())
    assert charge.number in text and "licensed practice" in text
    missing = [line.text for line in checklists.lines_of(kind) if line.text.split()[-1] not in text]
    assert missing == []
    blank = door.get(reverse("shop_list_paper", args=[kind, "print"]))
    assert blank.status_code == 200
    assert door.get(reverse("shop_list_paper", args=[kind, "fax"])).status_code == 404


def test_the_shop_makes_a_list_its_own(operator, owner, door, client_for):
    address = reverse("shop_list", args=["daily"])
    door.post(address, {"do": "add", "text": "Look at the sump", "why": "It froze once"})
    own = ListLine.objects.get()
    page = text_of(door.get(address))
    assert "Look at the sump" in page and "Your own line." in page
    assert "This field is required" in text_of(door.post(address, {"do": "add", "text": "Look up"}))
    door.post(address, {"do": "up", "key": own.key})
    assert checklists.lines_of("daily")[-2].key == own.key
    assert "Say why" in text_of(door.post(address, {"do": "hide", "key": own.key, "why": ""}))
    door.post(address, {"do": "hide", "key": own.key, "why": "Sump is gone"})
    assert "hidden: Sump is gone" in text_of(door.get(address))
    refused = door.post(address, {"do": "hide", "key": "stay_out", "why": "Slow"})
    assert "only the owner may hide it" in text_of(refused)
    assert "Hide it for everybody?" not in page
    assert "Hide it for everybody?" in text_of(client_for(owner).get(address))
    for nonsense in (
        {"do": "hide", "key": "x"},
        {"do": "x"},
        {},
        {"do": "add", "text": "x" * 999, "why": "y"},
    ):
        assert door.post(address, nonsense).status_code < 500
    assert door.get(reverse("shop_list", args=["nonsense"])).status_code == 404
