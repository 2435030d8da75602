"""Invoices in a list."""

import django_tables2 as tables

from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable, StateColumn
from kilnshop.web.templatetags.shopfloor import money


class InvoiceTable(ShopTable):
    number = tables.Column(verbose_name="Invoice", linkify=("invoice", {"pk": tables.A("pk")}))
    customer = tables.Column(accessor="order__customer__name", verbose_name="Customer")
    order = tables.Column(accessor="order__number", verbose_name="Order")
    issued_on = DayColumn(verbose_name="Issued")
    due_on = DayColumn(verbose_name="Due")
    total = NumberColumn(through=money)
    balance = NumberColumn(through=money, verbose_name="To pay")
    state = StateColumn(verbose_name="State", accessor="state")

    class Meta(ShopTable.Meta):
        empty_text = "No invoice in this state."
