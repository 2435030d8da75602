"""What was learned, from what, and how estimates fared."""

import django_tables2 as tables

from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable
from kilnshop.web.templatetags.shopfloor import number, range_of, sized

CHARGE = ("charge", {"pk": tables.A("pk")})
WHOLE = {"td": {"class": "whole-line"}}


class FigureTable(ShopTable):
    wood = tables.Column(verbose_name="Wood", attrs=WHOLE)
    chamber = tables.Column(verbose_name="Chamber")
    published = tables.Column(verbose_name="Published", orderable=False, attrs=WHOLE)
    evidence = NumberColumn(verbose_name="Evidence")
    result = tables.Column(verbose_name="Yours", orderable=False, attrs=WHOLE)

    def before_render(self, request):
        if not any(row.record["wood"] for row in self.rows):
            self.columns.hide("wood")

    def render_wood(self, value):
        return sized(value)


class CountedTable(ShopTable):
    charge = tables.Column(linkify=CHARGE)
    about = tables.Column(verbose_name="About", orderable=False, attrs=WHOLE)
    said = NumberColumn(verbose_name="Of published", orderable=False)
    note = tables.Column(verbose_name="From", orderable=False, attrs=WHOLE)


class AsideTable(ShopTable):
    charge = tables.Column(linkify=CHARGE)
    about = tables.Column(verbose_name="About", orderable=False, attrs=WHOLE)
    why = tables.Column(verbose_name="Why it does not count", orderable=False, attrs=WHOLE)


def _error(compared) -> str:
    return f"{'+' if compared.off_pct > 0 else ''}{number(compared.off_pct)} %" + (
        "" if compared.inside else ", outside"
    )


class FinishedTable(ShopTable):
    charge = tables.Column(accessor="number", linkify=CHARGE)
    chamber = tables.Column()
    dried_at = DayColumn(verbose_name="Dry on")
    days = NumberColumn(verbose_name="Days estimated", orderable=False)
    actual_days = NumberColumn(
        verbose_name="Days taken", accessor="days__actual", through=lambda v: number(v, 1)
    )
    days_off = NumberColumn(verbose_name="Estimate off by", accessor="days", orderable=False)
    kwh = NumberColumn(verbose_name="kWh estimated", orderable=False)
    actual_kwh = NumberColumn(verbose_name="kWh used", accessor="kwh__actual", through=number)
    kwh_off = NumberColumn(verbose_name="Estimate off by", accessor="kwh", orderable=False)

    def render_days(self, value):
        return range_of(value, 1)

    def render_kwh(self, value):
        return range_of(value)

    def render_days_off(self, value):
        return _error(value)

    render_kwh_off = render_days_off
