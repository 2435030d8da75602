"""What the figures cost while a lot is typed, in single runs of the engine, and that they agree with the full run."""

from decimal import Decimal
from itertools import count

import pytest
from django.urls import reverse
from django.utils import timezone

from kilnshop.orders.estimating import estimate_lots
from kilnshop.science.chamber import Machine
from kilnshop.science.course import run
from tests import factory
from tests.benchmarks.test_engine import AUTUMN, NORTH, best, load, stages

TYPED = {
    "species_key": "yellow_poplar", "thickness": "4/4", "start_how": "weighed", "target_mc_pct": "8",
    "tolerance_pct": "1", "stacks": "shop",
}  # fmt: skip
GREEN, AIR_DRIED = (80.0, 65.0, 90.0), (22.0, 20.0, 18.0)


def two_lots(order, starts):
    for letter, wood, bf, start in zip(
        "AB", ("northern_red_oak", "sugar_maple"), (700, 400), starts, strict=False
    ):
        factory.make_lot(
            order, letter, species_key=wood, volume_bf=Decimal(bf), start_mc_pct=start, start_how="weighed"
        )


@pytest.mark.django_db
@pytest.mark.parametrize(("starts", "most"), [(GREEN, 3.0), (AIR_DRIED, 2.5)], ids=["green", "air-dried"])
def test_live_figures_of_three_lots_cost_a_few_single_runs(benchmark, client_for, owner, shop, starts, most):
    """Each request types other board feet, so nothing is remembered from the one before."""
    factory.make_tariff()
    factory.make_rate_card()
    factory.make_chamber()
    order = factory.make_order(by=owner, received_on=timezone.localdate())
    two_lots(order, starts)
    client, url, feet = client_for(owner), reverse("order_estimate", args=[order.pk]), count(600)

    def typing():
        answer = client.post(url, TYPED | {"volume_bf": str(next(feet)), "start_mc_pct": str(starts[2])})
        assert b"Days in the kiln" in answer.content

    benchmark(typing)
    machine, plan, single = Machine(NORTH, AUTUMN), stages(), load()
    live, plain = best(typing, 5), best(lambda: run(single, machine, plan), 5)
    print(f"live figures: {live / plain:.1f} single runs of a green charge, {1000 * live:.0f} ms")
    assert live < most * plain


@pytest.mark.django_db
@pytest.mark.parametrize("starts", [GREEN, AIR_DRIED], ids=["green", "air-dried"])
def test_live_figures_are_the_full_ones_within_their_rounding(shop, starts):
    """The page shows half days and tens of kWh; the saved quote is worked out in full."""
    chamber = factory.make_chamber()
    two_lots(order := factory.make_order(), starts)
    lots = list(order.lots.select_related("order"))
    live, full = (estimate_lots(lots, chamber, shop, factory.DAY, quick=quick) for quick in (True, False))
    for name in ("low", "expected", "high"):
        assert getattr(live.days, name) == pytest.approx(getattr(full.days, name), abs=0.25)
    assert live.kwh.total.expected == pytest.approx(full.kwh.total.expected, rel=0.02)
    assert [w.code for w in live.warnings] == [w.code for w in full.warnings]
