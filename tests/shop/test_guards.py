"""Rows that must never change are refused by the database itself, also past every action."""

import pytest
from auditlog.models import LogEntry
from auditlog.registry import auditlog
from django.db import DatabaseError, transaction
from django.db.models import Model

from kilnshop.shop.models import NumberSeries, RateCard, Shop
from kilnshop.shop.numbers import next_number
from tests import factory

pytestmark = pytest.mark.django_db


def refused(change):
    with pytest.raises(DatabaseError, match="frozen"), transaction.atomic():
        change()


def test_who_changed_what_cannot_be_rewritten(shop):
    card = factory.make_rate_card()
    card.name = "Summer"
    card.save()
    entries = LogEntry.objects.get_for_model(RateCard)
    assert entries.exists()
    refused(lambda: entries.update(changes_text="nothing happened"))
    refused(lambda: entries._raw_delete(entries.db))


def test_numbers_have_no_gap_when_a_paper_fails(shop):
    with transaction.atomic():
        assert next_number(kind="invoice", year=2026, prefix="INV") == "INV-2026-0001"
    with pytest.raises(RuntimeError, match="paper jam"), transaction.atomic():
        next_number(kind="invoice", year=2026, prefix="INV")
        raise RuntimeError("paper jam")
    with transaction.atomic():
        assert next_number(kind="invoice", year=2026, prefix="INV") == "INV-2026-0002"
        assert next_number(kind="invoice", year=2027, prefix="INV") == "INV-2027-0001"
        assert next_number(kind="ticket", year=2026, prefix="") == "2026-0001"
    assert NumberSeries.objects.count() == 3


def test_there_is_one_shop(shop):
    with pytest.raises(DatabaseError), transaction.atomic():
        Shop.objects.create(pk=2, name="A second one")


@pytest.mark.django_db(transaction=True)
def test_a_number_needs_a_transaction(shop):
    with pytest.raises(RuntimeError, match="needs a transaction"):
        next_number(kind="invoice", year=2026, prefix="INV")


def test_every_table_of_the_trail_of_changes_names_its_rows():
    """Set-up, Changes shows a row by its own words, not as "ChargeLot object (13)"."""
    assert [model._meta.label for model in auditlog.get_models() if model.__str__ is Model.__str__] == []
