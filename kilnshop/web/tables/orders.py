"""Orders, quotes and the yard in lists."""

import django_tables2 as tables

from kilnshop.orders import queries
from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable, StateColumn
from kilnshop.web.templatetags.shopfloor import money, volume


class OrderTable(ShopTable):
    number = tables.Column(verbose_name="Order", linkify=("order", {"pk": tables.A("pk")}))
    customer = tables.Column(accessor="customer__name", verbose_name="Customer")
    lot_count = NumberColumn(verbose_name="Lots")
    total_bf = NumberColumn(verbose_name="Volume", through=volume)
    received_on = DayColumn(verbose_name="Taken in")
    promise = DayColumn(verbose_name="Promised", empty_values=(None,), orderable=False)
    total = NumberColumn(verbose_name="Quoted", through=money, orderable=False, accessor="pk")
    stage = StateColumn(verbose_name="State", accessor="pk")

    class Meta(ShopTable.Meta):
        order_by = "-received_on"
        empty_text = "No order matches. Show all orders, or search for less."

    def __init__(self, *args, today, prices: bool, **kwargs):
        self.today = today
        super().__init__(*args, exclude=() if prices else ("total",), **kwargs)

    def render_stage(self, record, column, bound_column, **kwargs):
        return column.render(
            record=record,
            table=self,
            value=queries.order_stage(record, self.today),
            bound_column=bound_column,
        )

    def render_total(self, record):
        newest = queries.newest_quote(record)
        return money(newest.total) if newest else "–"
