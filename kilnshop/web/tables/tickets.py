"""Tickets in a list."""

import django_tables2 as tables

from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable, StateColumn


class TicketTable(ShopTable):
    number = tables.Column(verbose_name="Ticket", linkify=("ticket", {"pk": tables.A("pk")}))
    customer = tables.Column(accessor="order__customer__name", verbose_name="Customer")
    order = tables.Column(accessor="order__number", verbose_name="Order")
    delivered_on = DayColumn(verbose_name="Handed over")
    lots = NumberColumn(empty_values=(), orderable=False)
    state = StateColumn(accessor="standing", verbose_name="State")

    class Meta(ShopTable.Meta):
        empty_text = "No ticket like that."

    def render_lots(self, record):
        return len(record.ticket_lots.all())
