"""Many invoices at the same moment, on SQLite and on PostgreSQL: no gap, no double, no ticket billed twice."""

import threading
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from kilnshop.billing.actions import issue_invoice
from kilnshop.billing.models import Invoice
from tests import factory
from tests.billing.conftest import NOW, TODAY, accept_quote, deliver

pytestmark = pytest.mark.django_db(transaction=True)


def together(jobs):
    """Run the jobs at once; what each returned or refused with."""
    gate, results = threading.Barrier(len(jobs)), [None] * len(jobs)

    def run(index, job):
        try:
            gate.wait()
            results[index] = job()
        except Exception as error:
            results[index] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return results


def prepare(count):
    factory.make_shop()
    factory.make_rate_card(minimum_charge=Decimal("0.00"))
    owner, customer = factory.make_person("owner"), factory.make_customer()
    cases = []
    for index in range(1, count + 1):
        order = factory.make_order(customer=customer, number=f"O-2026-{index:04d}")
        lot = factory.make_lot(order)
        accept_quote(order, lines=[(lot, "drying", "Drying", "800", "bf", "0.65")])
        cases.append((order, deliver(order, [lot], number=f"T-2026-000{index}")))
    return owner, cases


def test_simultaneous_invoices_have_gapless_numbers():
    owner, cases = prepare(6)
    results = together(
        [
            lambda order=order, ticket=ticket: issue_invoice(
                order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY
            )
            for order, ticket in cases
        ]
    )
    assert all(isinstance(result, Invoice) for result in results), results
    assert sorted(Invoice.objects.values_list("number", flat=True)) == [
        f"INV-2026-{n:04d}" for n in range(1, 7)
    ]


def test_one_ticket_invoiced_at_the_same_moment_is_billed_once():
    owner, [(order, ticket)] = prepare(1)
    job = lambda: issue_invoice(order=order, tickets=[ticket], by=owner, now=NOW, issued_on=TODAY)  # noqa: E731
    results = together([job, job, job])
    assert sum(isinstance(result, Invoice) for result in results) == 1
    assert sum(isinstance(result, ValidationError) for result in results) == 2
    assert list(Invoice.objects.values_list("number", flat=True)) == ["INV-2026-0001"]
