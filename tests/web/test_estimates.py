"""How the figures of an estimate are worded."""

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
