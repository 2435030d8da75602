"""The page that suggests charges: nothing is booked until it is accepted, whole or by charge."""

import html
import json
import re
from decimal import Decimal

import pytest
import time_machine
from django.urls import reverse

from kilnshop.charges import packing
from kilnshop.charges.models import Charge
from tests import factory
from tests.charges.helpers import NOW, TODAY, waiting_lot

USUAL = {"weeks": 12, "seconds": 10, "at_a_cost": "on", "key": "k1"}


@pytest.fixture(autouse=True)
def on_the_second_of_march():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def chamber(shop):
    factory.make_rate_card()
    return factory.make_chamber()


@pytest.fixture
def web(client_for, operator):
    return client_for(operator)


@pytest.fixture
def two_lots(chamber):
    size = {"volume_bf": Decimal("900.00"), "quoted": Decimal("1500.00")}
    return [
        waiting_lot(**size),
        waiting_lot("O-2026-0002", species_key="yellow_poplar", start_mc_pct=85.0, **size),
    ]


def text(response):
    return html.unescape(re.sub(r"\s+", " ", response.content.decode()))


def drafts(response):
    return re.findall(r'name="draft" value="([^"]+)"', response.content.decode())


def test_a_proposal_is_shown_beside_today_and_nothing_is_booked(web, two_lots):
    answer = web.post(reverse("suggest"), USUAL, follow=True)
    page = text(answer)
    assert "The proposal loads 2 of 2 waiting lots in 2 charges" in page
    assert "Today's calendar" in page and "With the proposal" in page
    assert "Found by" in page
    assert "Late promises" in page
    assert "Quoted" not in page  # the operator sees no prices
    assert not Charge.objects.exists()


def test_the_owner_sees_what_it_brings(client_for, owner, two_lots):
    assert "Quoted per chamber-day" in text(client_for(owner).post(reverse("suggest"), USUAL, follow=True))


def test_without_the_solver_the_page_says_so(web, two_lots, monkeypatch):
    monkeypatch.setattr(packing, "has_highs", lambda: False)
    page = text(web.post(reverse("suggest"), USUAL, follow=True))
    assert "Found by the step-by-step planner" in page and "HiGHS solver is not installed" in page


def test_accept_by_charge_then_whole(web, two_lots):
    page = web.post(reverse("suggest"), USUAL, follow=True)
    token = page.context["token"]
    written = drafts(page)
    given = {"proposal": token, "draft": written, "note": ["Agreed"] * 2, "accept": "0"}
    page = web.post(reverse("suggest_accept"), given, follow=True)
    assert Charge.objects.count() == 1 and drafts(page) == written[1:]
    given = {"proposal": page.context["token"], "draft": written[1:], "note": ["Agreed"], "accept": "all"}
    web.post(reverse("suggest_accept"), given, follow=True)
    assert Charge.objects.count() == 2


def test_a_stale_proposal_is_refused_in_words(web, two_lots):
    page = web.post(reverse("suggest"), USUAL, follow=True)
    given = {
        "proposal": page.context["token"],
        "draft": drafts(page),
        "note": ["Agreed"] * 2,
        "accept": "all",
    }
    web.post(reverse("suggest_accept"), given)
    page = text(web.post(reverse("suggest_accept"), given, follow=True))
    assert "does not wait any more" in page
    assert Charge.objects.count() == 2


@pytest.mark.parametrize("draft", ["", "x|y|z", "1|2026-03-09|", "999|2026-03-09|1", "1|2026-03-09|99999"])
def test_a_draft_that_makes_no_sense_is_refused(web, two_lots, draft):
    page = web.post(reverse("suggest_accept"), {"draft": [draft], "note": [""], "accept": "0"}, follow=True)
    assert page.status_code == 200 and not Charge.objects.exists()
    assert page.context["messages"]


def test_a_spoilt_proposal_is_no_proposal(web, two_lots):
    assert web.get(reverse("suggest"), {"proposal": "spoilt"}).context["found"] is None


def test_progress_comes_line_by_line_and_ends_with_where_to_go(web, two_lots):
    answer = web.post(reverse("suggest"), USUAL, headers={"Accept": "application/x-ndjson"})
    lines = [json.loads(line) for line in b"".join(answer.streaming_content).splitlines()]
    shares = [line["share"] for line in lines[:-1]]
    assert shares == sorted(shares) and shares[0] > 0 and shares[-1] <= 1
    assert "proposal=" in lines[-1]["go"]


def test_the_search_can_be_stopped(web, two_lots):
    assert web.post(reverse("suggest_stop"), {"key": "k1"}).status_code == 204
    page = web.post(reverse("suggest"), USUAL, follow=True)
    assert page.context["found"].stopped
    assert "The search was stopped early." in page.content.decode()


def test_charges_put_together_by_hand_stand_beside(web, two_lots, chamber):
    one, two = two_lots
    asked = {"by_hand": 1, f"lot_{one.pk}": 1, f"lot_{two.pk}": 2, "chamber_1": chamber.pk, "chamber_2": chamber.pk}  # fmt: skip
    page = web.get(reverse("suggest"), asked)
    assert "Made by hand" in text(page)
    first, second = (row["row"] for row in page.context["hand"])
    assert first.plan.days.first_day == TODAY and not first.problems
    assert second.plan.days.first_day > first.plan.days.last_day and not second.problems


def test_lots_that_may_not_share_are_refused_by_hand_too(web, two_lots, chamber):
    asked = {"by_hand": 1, "chamber_1": chamber.pk} | {f"lot_{lot.pk}": 1 for lot in two_lots}
    assert "Refused" in text(web.get(reverse("suggest"), asked))


@pytest.mark.parametrize(
    ("role", "said"), [("owner", "Note that accepts the cost"), ("operator", "ask the owner")]
)
def test_only_the_owner_is_asked_to_accept_a_cost(client_for, chamber, role, said):
    lots = waiting_lot(species_key="white_ash", start_mc_pct=18), waiting_lot(letter="B", start_mc_pct=17)
    asked = {"by_hand": 1, "chamber_1": chamber.pk} | {f"lot_{lot.pk}": 1 for lot in lots}
    page = text(client_for(factory.make_person(role)).get(reverse("suggest"), asked))
    assert said in page and ("Accept this charge" in page) == (role == "owner")


def test_empty_states(client_for, operator, shop):
    web = client_for(operator)
    assert "No chamber in use" in text(web.get(reverse("suggest")))
    factory.make_chamber()
    assert "Nothing to load" in text(web.get(reverse("suggest")))


def test_bad_input_is_said_in_words(web, two_lots):
    assert "Select a valid choice" in text(web.post(reverse("suggest"), USUAL | {"weeks": 99}))


def test_the_page_takes_the_same_queries_for_more_lots(web, two_lots, django_assert_max_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    web.get(reverse("suggest"))
    with CaptureQueriesContext(connection) as few:
        web.get(reverse("suggest"))
    for number in range(3, 9):
        waiting_lot(f"O-2026-{number:04}")
    with CaptureQueriesContext(connection) as more:
        web.get(reverse("suggest"))
    assert len(more) <= len(few)
