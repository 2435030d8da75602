"""How the figures of an estimate are worded."""

import re

import pytest

from kilnshop.orders.estimating import estimate_lots
from kilnshop.web.estimates import facts_of
from tests import factory


@pytest.mark.django_db
@pytest.mark.parametrize(("target", "finishes"), [(7.0, True), (4.0, False)])
def test_a_charge_that_never_gets_dry_shows_no_days(shop, target, finishes):
    """The driest step of the low-temperature ladder holds wood near 4.5 % EMC, so 4 % is never reached."""
    lot = factory.make_lot(target_mc_pct=target)
    estimate = estimate_lots([lot], factory.make_chamber(), shop, factory.DAY)
    days = facts_of(estimate, "North chamber")[0]
    assert estimate.reaches_target is finishes
    assert (days["value"] == "does not finish") is not finishes


@pytest.mark.django_db
def test_the_fill_says_what_a_full_chamber_would_take(shop):
    """Fans run as long however little is in it: a third of a load takes well over twice the days per foot."""
    lot = factory.make_lot(volume_bf=600)
    estimate = estimate_lots([lot], factory.make_chamber(), shop, factory.DAY)
    note = next(fact["note"] for fact in facts_of(estimate, "North chamber") if "Fill" in fact["label"])
    times = [float(found) for found in re.findall(r"([\d.]+) times", note)]
    by_hand = estimate.days.expected / 600 / (estimate.full.days / (600 / estimate.fill))
    assert times[0] == pytest.approx(by_hand, abs=0.05) and times[0] > 2
    assert 1 < times[1] < times[0]
