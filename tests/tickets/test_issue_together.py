"""The same lot handed over at the same moment by several people, on SQLite and on PostgreSQL: one ticket."""

import threading

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from kilnshop.tickets import actions
from kilnshop.tickets.models import Ticket
from tests import factory
from tests.tickets import delivery

pytestmark = pytest.mark.django_db(transaction=True)


def test_one_lot_gets_one_ticket_and_the_numbers_have_no_gap():
    factory.make_shop()
    owner = factory.make_person("owner")
    order = factory.make_order(by=owner)
    charge = delivery.unloaded_charge([factory.make_lot(order, letter) for letter in "AB"], by=owner)
    rows = list(charge.charge_lots.order_by("lot__letter"))
    gate, results = threading.Barrier(4), []

    def issue(row):
        gate.wait()
        try:
            results.append(
                actions.issue_ticket(
                    order=order,
                    charge_lots=[row],
                    delivered_on=delivery.HANDED_OVER,
                    by=owner,
                    now=delivery.NOW,
                )
            )
        except Exception as error:
            results.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=issue, args=(row,)) for row in rows * 2]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    issued = [result for result in results if isinstance(result, Ticket)]
    refused = [result for result in results if isinstance(result, ValidationError)]
    assert (len(issued), len(refused)) == (2, 2), results
    assert sorted(ticket.number for ticket in issued) == ["T-2026-0001", "T-2026-0002"]
    assert all("Handed over on ticket" in str(error) for error in refused)
