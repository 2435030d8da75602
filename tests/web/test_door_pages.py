"""The kiln door: a chamber's stable address, its label, and what a phone that kept a reading is told."""

import io
import uuid

import pytest
import time_machine
from django.urls import reverse
from pypdf import PdfReader

from kilnshop.charges import readings
from kilnshop.charges.models import Charge, Reading
from kilnshop.shop.models import Chamber
from tests import factory
from tests.charges.running_helpers import HOUR, NOW, read, running_charge
from tests.papers import codes, pages_of


@pytest.fixture
def charge(operator):
    return running_charge(operator)


@pytest.fixture
def door(operator, client_for):
    return client_for(operator)


@pytest.fixture(autouse=True)
def two_days_on():
    with time_machine.travel(NOW + 48 * HOUR, tick=False):
        yield


def text_of(response):
    return " ".join(response.content.decode().split())


def send(door, charge, **values):
    data = {
        "taken_at": "2026-03-03T10:00",
        "entry": str(uuid.uuid4()),
        "note": "",
        "typed_in": "°F",
        **values,
    }
    return door.post(reverse("reading_new", args=[charge.pk]), data, headers={"Accept": "application/json"})


def test_the_label_opens_the_charge_in_the_chamber_and_says_when_there_is_none(charge, door):
    address = reverse("door", args=[charge.chamber.key])
    assert f'action="{reverse("reading_new", args=[charge.pk])}"' in text_of(door.get(address))
    Charge.objects.update(dried_at=NOW + HOUR)
    assert "is dry and cooling" in text_of(door.get(address))
    Charge.objects.update(unloaded_at=NOW + HOUR)
    assert "No charge is in North chamber now" in text_of(door.get(address))
    assert door.get(reverse("door", args=["nowhere"])).status_code == 404


def test_the_label_asks_to_sign_in_first_and_comes_back(charge, client):
    address = reverse("door", args=[charge.chamber.key])
    response = client.get(address)
    assert response.status_code == 302
    assert response["Location"].endswith(f"?next={address}")


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_labels_print_a_code_for_every_chamber_in_use(paper, charge, door, settings):
    settings.SITE_URL = "https://kiln.example"
    factory.make_shop(paper=paper)
    page = text_of(door.get(reverse("door_labels")))
    chambers = Chamber.objects.filter(active=True)
    assert page.count('alt="QR code of https://kiln.example/door/') == len(chambers)
    assert "off and locked" in page and "Local codes" in page
    assert "cannot open" not in page
    sheet = door.get(reverse("door_labels_pdf")).content
    read = [code for one in pages_of(sheet) for code in codes(one)]  # by ZXing, an independent reader
    doors = [reverse("door", args=[chamber.key]) for chamber in chambers]
    assert sorted(read) == sorted(f"https://kiln.example{address}" for address in doors)
    made = PdfReader(io.BytesIO(sheet))
    # ISO 216 A4 is 210 x 297 mm, US Letter 8.5 x 11 in
    wide = {"letter": 8.5 * 72, "a4": 210 / 25.4 * 72}[paper]
    assert float(made.pages[0].mediabox.width) == pytest.approx(wide, abs=1)


def test_labels_with_an_address_only_this_computer_knows_say_so(charge, door):
    assert "A phone cannot open these addresses yet" in text_of(door.get(reverse("door_labels")))


def test_a_phone_is_told_saved_or_what_was_wrong_by_field(charge, door):
    assert send(door, charge, dry_bulb_f="112").json() == {"saved": "Saved: the reading of Tue 3 Mar 10:00."}
    refused = send(door, charge, dry_bulb_f="108", wet_bulb_f="131")
    assert refused.status_code == 422
    (problem,) = refused.json()["problems"]
    assert (problem["name"], problem["label"]) == ("wet_bulb_f", "Wet bulb")
    assert "131 °F is above dry bulb 108 °F" in problem["text"]
    assert Reading.objects.count() == 1


def test_a_reading_of_a_probe_taken_away_since_is_refused_not_shortened(charge, operator, door):
    readings.set_probes(charge=charge, rows=[], by=operator)
    told = send(door, charge, dry_bulb_f="112", ch3="104").json()["problems"]
    assert "Channel 3 was read 104, but no probe is set up there now." in told[0]["text"]
    assert not Reading.objects.exists()


def test_a_reading_typed_in_other_units_is_refused(charge, door):
    factory.make_shop(units="metric")
    assert "changed its units" in send(door, charge, dry_bulb_f="112").json()["problems"][0]["text"]
    assert not Reading.objects.exists()


def test_a_reading_the_server_has_is_saved_also_when_the_charge_ended_since(charge, operator, door):
    entry = uuid.uuid4()
    read(charge, operator, entry=entry, dry_bulb_f=112)
    Charge.objects.update(dried_at=NOW + HOUR, unloaded_at=NOW + HOUR)
    assert "saved" in send(door, charge, entry=str(entry), dry_bulb_f="112").json()
    assert "is unloaded" in send(door, charge, dry_bulb_f="112").json()["problems"][0]["text"]
    assert Reading.objects.count() == 1


def test_probes_are_asked_from_the_top_of_the_stack_down(charge, door):
    charge.probes.filter(channel=1).update(position="low, door side")
    charge.probes.filter(channel=2).update(position="Top")
    charge.probes.filter(channel=3).update(position="")
    page = text_of(door.get(reverse("reading_new", args=[charge.pk])))
    assert page.index('name="ch2"') < page.index('name="ch1"') < page.index('name="ch3"')


def test_the_phone_asks_who_is_signed_in(door, operator, office, client_for, client):
    told = door.get(reverse("reading_check")).json()
    assert (told["person"], told["name"]) == (str(operator.pk), str(operator))
    assert client_for(office).get(reverse("reading_check")).status_code == 403
    assert client.get(reverse("reading_check")).status_code == 302


def test_the_worker_is_served_at_the_root_under_the_same_content_policy(shop, client, settings):
    response = client.get(reverse("worker"))
    assert (response.status_code, response["Content-Type"]) == (200, "text/javascript")
    assert reverse("worker").count("/") == 1
    assert response["Content-Security-Policy"] == settings.SECURE_CSP
