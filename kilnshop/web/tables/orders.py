"""Orders, quotes and the yard in lists."""

import django_tables2 as tables
from django.template.loader import render_to_string

from kilnshop.orders import queries
from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable
from kilnshop.web.templatetags.shopfloor import day, money, volume


class OrderTable(ShopTable):
    number = tables.Column(verbose_name="Order", linkify=("order", {"pk": tables.A("pk")}))
    customer = tables.Column(accessor="customer__name", verbose_name="Customer")
    lot_count = NumberColumn(verbose_name="Lots")
    total_bf = NumberColumn(verbose_name="Volume", through=volume)
    received_on = DayColumn(verbose_name="Taken in")
    promise = tables.Column(verbose_name="Promised", accessor="pk", orderable=False)
    total = NumberColumn(verbose_name="Quoted", through=money, orderable=False, accessor="pk")
    stage = tables.Column(verbose_name="State", accessor="pk", orderable=False)

    class Meta(ShopTable.Meta):
        order_by = "-received_on"
        empty_text = "No order matches. Show all orders, or search for less."

    def __init__(self, *args, today, prices: bool, **kwargs):
        self.today = today
        super().__init__(*args, exclude=() if prices else ("total",), **kwargs)

    def render_stage(self, record):
        return render_to_string("pieces/state.html", {"state": queries.order_stage(record, self.today)})

    def render_promise(self, record):
        newest = next(iter(record.promises.all()), None)
        return day(newest.ready_on) if newest else "–"

    def render_total(self, record):
        newest = queries.newest_quote(record)
        return money(newest.total) if newest else "–"
