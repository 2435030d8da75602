"""The owner's pages on what charges taught and how good estimates were."""

import datetime as dt

import pytest
from django.urls import reverse

from kilnshop.charges.models import Reading
from kilnshop.reports.learning import Compared, finished, score
from kilnshop.shop.models import Learned, Shop
from tests import factory
from tests.charges.test_learning import dried

pytestmark = pytest.mark.django_db
PAGES = ("learning", "estimates_compared")
DAY = dt.timedelta(days=1)


def ended(days, number=1, meter=None, chamber=None, kwh=None):
    """A finished charge whose plan said 9 to 15.5 days, 12 expected."""
    start = factory.NOW + 40 * number * DAY
    charge = factory.make_charge(
        number=f"K-2026-{number:04}", chamber=chamber, lots=[], first_day=start.date(), started_at=start,
        dried_at=start + days * DAY, unloaded_at=start + (days + 3) * DAY,
    )  # fmt: skip
    if kwh:
        charge.plan["kwh"] = {"total": {"low": 0.8 * kwh, "expected": kwh, "high": 1.2 * kwh}}
        charge.save()
    for share, value in meter or ():
        Reading.objects.create(charge=charge, taken_at=start + share * days * DAY, meter_kwh=value)
    return charge


@pytest.mark.parametrize("name", PAGES)
def test_only_the_owner_looks_in(client_for, operator, office, owner, name):
    for person, status in ((operator, 403), (office, 403), (owner, 200)):
        assert client_for(person).get(reverse(name)).status_code == status


@pytest.mark.parametrize(("name", "says"), [("learning", "Nothing learned yet"), ("estimates_compared", "Nothing to compare yet")])  # fmt: skip
def test_an_empty_shop_is_told_what_to_do(client_for, owner, name, says):
    assert says in client_for(owner).get(reverse(name)).text


def test_each_figure_shows_prior_evidence_and_result(client_for, owner, operator):
    dried(operator, days=22)
    page = client_for(owner).get(reverse("learning")).text
    for words in (
        "× 1.00 (0.55 to 1.83)",
        "northern red oak, to 1 1/2 in, air-dried".capitalize(),
        "counts half",
        "K-2026-0001",
    ):
        assert words in page, words  # air-dried: 1.28 x (0.25² + 0.4²)^0.5 is 0.604 on ln: 0.547 to 1.829
    assert "Condensate was not measured" in page and "The kWh meter was not read twice" in page


def test_switching_off_keeps_the_evidence_and_is_the_owners(client_for, owner, operator):
    dried(operator)
    assert client_for(operator).post(reverse("learning_switch"), {"learns": "no"}).status_code == 403
    client = client_for(owner)
    assert client.post(reverse("learning_switch"), {"learns": "no"}).status_code == 302
    assert not Shop.objects.get().learns and Learned.objects.get(kind="speed").evidence
    assert "Learning is off" in client.get(reverse("learning")).text
    client.post(reverse("learning_switch"), {"learns": "yes"})
    assert Shop.objects.get().learns


def test_working_out_again_says_how_many(client_for, owner, operator):
    dried(operator)
    assert (
        "1 finished charge read again" in client_for(owner).post(reverse("learning_again"), follow=True).text
    )


def test_days_are_the_plans_against_the_end_of_drying_not_the_door(client_for, owner):
    ended(10)
    (row,) = finished()
    assert row.days == Compared(9.0, 12.0, 15.5, 10.0)
    assert row.days.off_pct == pytest.approx(20.0) and row.days.inside
    assert (
        "Half of 1 finished charge took within 20 %"
        in client_for(owner).get(reverse("estimates_compared")).text
    )


def test_median_and_inside_are_counted(owner):
    chamber = factory.make_chamber()
    for number, days in enumerate((10.0, 12.0, 16.0), 1):
        ended(days, number, chamber=chamber)
    found = score([row.days for row in finished()])
    assert (found.count, found.inside) == (3, 2)
    assert found.median_off_pct == pytest.approx(20.0)  # 20, 0 and 25 %


def test_electricity_counts_only_where_the_meter_covers_the_charge(owner):
    chamber = factory.make_chamber()
    ended(10, 1, [(0.0, 100), (0.95, 480), (1.2, 600)], chamber, kwh=500)
    ended(10, 2, [(0.0, 100), (0.5, 300)], chamber, kwh=500)
    kwh = {row.number: row.kwh for row in finished()}
    assert kwh["K-2026-0001"].actual == pytest.approx(
        400
    )  # 380 over 95 %, the reading after the end left out
    assert kwh["K-2026-0002"] is None


@pytest.mark.parametrize("name", PAGES)
def test_a_page_takes_the_same_queries_however_many_charges(
    client_for, owner, name, django_assert_max_num_queries
):
    chamber = factory.make_chamber()
    for number in range(1, 31):
        ended(9 + number % 5, number, [(0, 100), (1, 500)], chamber, kwh=450)
    told = {"pk": 1, "charge": "K-2026-0001", "chamber": "north", "lot": "O-1-A", "thickness_in": 1.1}
    effects = [["wood white_oak", 0.17], ["class white_oak to 1 1/2 in", 0.1], ["chamber north", 0.15]]
    rows = [told | {"species": "white_oak", "effects": effects, "ln_ratio": 0.1, "noise_ln": 0.1, "weight": 1, "note": "x"},
            told | {"species": "white_oak", "why": "its thickness was not measured"}] * 30  # fmt: skip
    from kilnshop.science.learning import fit

    Learned.objects.create(kind="speed", result=fit([]).to_dict(), evidence=rows, worked_out_at=factory.NOW)
    client = client_for(owner)
    with django_assert_max_num_queries(10):
        assert client.get(reverse(name)).status_code == 200
