"""What a job brought against what its lots cost by the meter, worked out by hand."""

import datetime as dt
from decimal import Decimal

import pytest
from django.urls import reverse

from kilnshop.billing import queries
from kilnshop.billing.actions import issue_credit_note, issue_invoice
from kilnshop.charges.models import Reading
from tests import factory
from tests.billing.conftest import NOW, TODAY, UNLOADED

START = UNLOADED - dt.timedelta(days=15)


@pytest.fixture
def metered(order, lot, ticket, owner):
    """15 days in the chamber, 400 kWh by the meter; half of the room and a quarter of the electricity."""
    factory.make_tariff()
    lot.stacks = "shop"
    lot.save()
    charge = lot.charge_lots.get().charge
    charge.plan["lots"] = [
        {"key": str(lot), "share": 0.5, "share_kwh": 100.0},
        {"key": "O-2026-0099-A", "share": 0.5, "share_kwh": 300.0},
    ]
    charge.started_at = START
    charge.save()
    for days, kwh in ((0, 1000.0), (14, 1400.0)):
        at = START + dt.timedelta(days=days)
        Reading.objects.create(charge=charge, taken_at=at, by=owner, meter_kwh=kwh)
    return charge


@pytest.fixture
def invoice(order, ticket, owner):
    return issue_invoice(order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY)


def test_the_margin_by_hand(shop, order, metered, invoice):
    # billed 803 x (0.65 + 0.08 + 0.10) = 521.95 + 64.24 + 80.30 = 666.49
    # electricity 400 x 0.14 = 56.00, a quarter 14.00; 15 days x 22.00 = 330.00, half 165.00; stacking
    # 803 x 0.06 = 48.18; margin 666.49 - 227.18 = 439.31
    job = queries.job_margin(order, shop)
    assert job.billed == Decimal("666.49")
    assert (job.electricity, job.chamber_days, job.stacking) == (
        Decimal("14.00"),
        Decimal("165.00"),
        Decimal("48.18"),
    )
    assert job.margin == Decimal("439.31")
    assert job.shared  # with O-2026-0099, so its part is an estimate


def test_no_margin_is_made_up(shop, order, metered, ticket, owner):
    assert queries.job_margin(order, shop) is None  # not invoiced
    invoice = issue_invoice(order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY)
    Reading.objects.filter(meter_kwh=1400.0).delete()
    assert queries.job_margin(order, shop) is None  # not metered
    Reading.objects.create(charge=metered, taken_at=START + dt.timedelta(days=14), by=owner, meter_kwh=1400.0)
    assert queries.job_margin(order, shop) is not None
    issue_credit_note(invoice=invoice, by=owner, now=NOW, why="wrong tally")
    assert queries.job_margin(order, shop) is None  # credited


def test_only_who_may_see_margins_sees_it(client_for, owner, office, order, metered, invoice):
    page = reverse("order", args=[order.pk])
    assert "$439.31" in client_for(owner).get(page).content.decode()
    assert "Did it pay?" not in client_for(office).get(page).content.decode()
