"""Charges in a list."""

import django_tables2 as tables

from kilnshop.web.tables.base import DayColumn, ShopTable, StateColumn
from kilnshop.web.templatetags.shopfloor import NOTHING
from kilnshop.web.timeline import customers_of

WHOLE = {"td": {"class": "whole-line"}}


class ChargeTable(ShopTable):
    number = tables.Column(verbose_name="Charge", linkify=("charge", {"pk": tables.A("pk")}), attrs=WHOLE)
    state = StateColumn(verbose_name="State", accessor="state")
    chamber = tables.Column(accessor="chamber__name", verbose_name="Chamber")
    customers = tables.Column(verbose_name="For", empty_values=(), orderable=False)
    schedule_code = tables.Column(verbose_name="Schedule", orderable=False, attrs=WHOLE)
    first_day = DayColumn(accessor="booking__first_day", verbose_name="Loading", attrs=WHOLE)
    likely = DayColumn(accessor="booking__likely_last_day", verbose_name="Likely out", attrs=WHOLE)
    last_day = DayColumn(accessor="booking__last_day", verbose_name="Out by", attrs=WHOLE)
    slipped = tables.Column(verbose_name="Promise", empty_values=(), orderable=False)

    class Meta(ShopTable.Meta):
        empty_text = "No charge in this state."

    def __init__(self, *args, slipped=None, **kwargs):
        self.late = slipped or {}
        super().__init__(*args, **kwargs)

    def render_customers(self, record):
        return customers_of(record) or NOTHING

    def render_slipped(self, record):
        days = self.late.get(record.pk)
        return f"slipped {days} day{'' if days == 1 else 's'}" if days else NOTHING
