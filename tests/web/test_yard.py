"""The yard: where each waiting lot is, how long, its tag and label; and the page of promises kept."""

import datetime as dt
import re

import pytest
import time_machine
from django.urls import reverse

from kilnshop.charges import actions
from kilnshop.orders.actions import set_promise
from kilnshop.shop.models import Person
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot
from tests.papers import codes, pages_of

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def web(client_for, owner):
    return client_for(owner)


def words(response) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def here(lot, place="Row 3", days=0):
    lot.arrived_on, lot.yard_place = TODAY - days * DAY, place
    lot.save()
    return lot


def test_each_lot_says_where_it_lies_and_how_long(web):
    lot = here(waiting_lot(), days=9)
    here(waiting_lot("O-2026-0002", customer="Hollow Oak Stairs"), "Shed 1", days=1)
    waiting_lot("O-2026-0003", customer="Reed & Rule")
    page = words(web.get(reverse("yard")))
    assert "2 lots wait in the yard for a kiln, 1 more is to come" in page
    assert "the longest here 9 days" in page
    assert "Row 3, here 9 days" in page and "Shed 1, here 1 day" in page and "not here yet" in page
    assert f"{lot.tag} IMJ" in page  # Ida Marsh Joinery


def test_a_lot_is_moved_to_a_known_place_with_one_button(web):
    lot = here(waiting_lot(), "Row 3")
    here(waiting_lot("O-2026-0002", customer="Hollow Oak Stairs"), "Shed 1")
    page = web.get(reverse("yard")).content.decode()
    assert f'name="{lot.pk}-to" value="Shed 1"' in page
    assert f'name="{lot.pk}-to" value="Row 3"' not in page  # it is there
    sent = {f"{lot.pk}-arrived_on": str(lot.arrived_on), f"{lot.pk}-place": "Row 3", f"{lot.pk}-to": "Shed 1"}
    assert "is in the yard at Shed 1" in words(
        web.post(reverse("lot_arrived", args=[lot.pk]), sent, follow=True)
    )
    lot.refresh_from_db()
    assert (lot.yard_place, lot.arrived_on) == ("Shed 1", TODAY)


def test_a_move_without_a_place_says_what_is_missing(web):
    lot = here(waiting_lot())
    sent = {f"{lot.pk}-arrived_on": str(TODAY), f"{lot.pk}-place": ""}
    page = words(web.post(reverse("lot_arrived", args=[lot.pk]), sent, follow=True))
    assert f"Lot {lot} not saved. Place:" in page
    lot.refresh_from_db()
    assert lot.yard_place == "Row 3"


@pytest.mark.parametrize("sheet", ["letter", "a4", "single"])
def test_the_code_on_a_label_opens_the_lot_after_sign_in(web, client, settings, sheet):
    """Read off the printed page by ZXing (PyPI zxing-cpp), an independent reader of ISO/IEC 18004 codes."""
    settings.SITE_URL = "https://kiln.example"
    lots = [here(waiting_lot()), here(waiting_lot("O-2026-0002", customer="Hollow Oak Stairs"))]
    made = web.get(reverse("labels"), {"sheet": sheet})
    read = [code for page in pages_of(made.content) for code in codes(page)]
    assert sorted(read) == sorted(f"https://kiln.example{reverse('lot', args=[lot.pk])}" for lot in lots)
    address = read[0].removeprefix("https://kiln.example")
    assert web.get(address).status_code == 200
    client.logout()
    assert client.get(address)["Location"].endswith(f"?next={address}")


def test_promises_are_counted_kept_moved_and_broken_with_who_and_why(web, owner):
    chamber, later = factory.make_chamber(), TODAY + 60 * DAY
    for number, move in ((1, None), (2, 70), (3, None), (4, None)):
        lot = waiting_lot(f"O-2026-000{number}")
        charge = actions.plan_charge(
            chamber=chamber, lots=[lot], first_day=TODAY + (40 * number - 40) * DAY, by=owner, now=NOW
        )
        promised = lot.order.promises.get().ready_on
        if move:
            set_promise(
                order=lot.order,
                ready_on=promised + move * DAY,
                by=owner,
                now=NOW + DAY,
                why="wetter than told",
            )
        out = {1: promised, 2: promised + 5 * DAY, 3: promised + 3 * DAY}.get(number)
        if out:
            charge.unloaded_at = dt.datetime.combine(out, dt.time(12), NOW.tzinfo)
            charge.save()
        later = max(later, promised)
    with time_machine.travel(NOW + 130 * DAY, tick=False):
        web.force_login(owner)
        page = words(web.get(reverse("promises")))
    assert (
        "Of 3 promises that came due in the last year, 1 was kept as first made, 1 moved in time and 1 broken."
        in page
    )
    assert "1 more is open" in page
    assert "3 days late" in page
    assert f"by {Person.objects.get(pk=owner.pk)}: wetter than told" in page


def test_no_promise_yet_says_how_one_is_made(web):
    assert "A ready date is promised when a charge is booked" in words(web.get(reverse("promises")))
