"""Tables of the set-up pages."""

import django_tables2 as tables

from kilnshop.web.tables.base import DayColumn, NumberColumn, ShopTable
from kilnshop.web.templatetags import shopfloor

PROSE = {"td": {"class": "prose"}}


class CustomerTable(ShopTable):
    name = tables.Column(linkify=("customer", {"pk": tables.A("pk")}))
    contact = tables.Column(empty_values=(), orderable=False)
    phone = tables.Column(empty_values=(), orderable=False)
    orders = NumberColumn(accessor="order_count")

    def _first(self, record):
        return next(iter(record.contacts.all()), None)

    def render_contact(self, record):
        first = self._first(record)
        return first.name if first else ""

    def render_phone(self, record):
        first = self._first(record)
        return first.phone if first else ""


class ChamberTable(ShopTable):
    name = tables.Column(linkify=("chamber", {"pk": tables.A("pk")}))
    capacity_bf = NumberColumn(verbose_name="Capacity in 4/4", through=shopfloor.volume)
    removal_lb_per_day = NumberColumn(
        verbose_name="Rated removal", through=lambda value: shopfloor.quantity(value, "rate_lb_per_day")
    )
    lockout_dry_bulb_f = NumberColumn(verbose_name="Compressor locks out above", through=shopfloor.temp)
    active = tables.BooleanColumn(verbose_name="In use", yesno="yes,no")

    def render_active(self, value):
        return "Yes" if value else "No"


class TariffTable(ShopTable):
    name = tables.Column(linkify=("tariff", {"pk": tables.A("pk")}))
    valid_from = DayColumn(verbose_name="Holds from")
    energy_per_kwh = NumberColumn(
        verbose_name="Energy per kWh", through=lambda value: shopfloor.money(value, 4)
    )
    demand_per_kw = NumberColumn(verbose_name="Demand per kW", through=shopfloor.money)
    fixed_per_month = NumberColumn(verbose_name="Fixed a month", through=shopfloor.money)
    periods = NumberColumn(verbose_name="Periods", accessor="period_count")


class RateCardTable(ShopTable):
    name = tables.Column(linkify=("rate_card", {"pk": tables.A("pk")}))
    valid_from = DayColumn(verbose_name="Holds from")
    rates = NumberColumn(accessor="rate_count")
    minimum_charge = NumberColumn(through=shopfloor.money)


class PersonTable(ShopTable):
    username = tables.Column(verbose_name="Person", linkify=("person", {"pk": tables.A("pk")}))
    role = tables.Column(accessor="get_role_display", order_by="role")
    initials = tables.Column()
    is_active = tables.Column(verbose_name="May sign in")

    def render_username(self, record):
        return f"{record} ({record.username})"

    def render_is_active(self, value):
        return "Yes" if value else "No"


class ChangeTable(ShopTable):
    timestamp = tables.Column(verbose_name="When")
    actor = tables.Column(verbose_name="Who", empty_values=(), orderable=False)
    what = tables.Column(empty_values=(), orderable=False)
    changed = tables.TemplateColumn(
        attrs=PROSE, template_name="shop/changed.html", verbose_name="Before and after", orderable=False
    )

    def render_timestamp(self, value):
        return shopfloor.when(value)

    def render_actor(self, record):
        return str(record.actor or "the system")

    def render_what(self, record):
        done = ("made", "changed", "removed", "read")[record.action]
        return f"{record.content_type.name} {record.object_repr} {done}"


def _percent(value):
    return shopfloor.number(value, 1)


class SpeciesTable(ShopTable):
    common_name = tables.Column(linkify=("reference_species", {"key": tables.A("key")}))
    group = tables.Column()
    specific_gravity_green = NumberColumn(verbose_name="Specific gravity", through=lambda v: f"{v:.2f}")
    green_mc_pct = NumberColumn(verbose_name="Green MC, %", through=_percent)
    shrinkage_tangential_pct = NumberColumn(verbose_name="Shrinkage tangential, %", through=_percent)
    shrinkage_radial_pct = NumberColumn(verbose_name="Shrinkage radial, %", through=_percent)
    schedule = tables.Column(verbose_name="4/4 schedule", orderable=False)
    provenance = tables.TemplateColumn(
        template_code='{% include "pieces/source.html" with source=record.source_short provenance=record.provenance only %}',
        verbose_name="Source",
        orderable=False,
    )

    class Meta(ShopTable.Meta):
        order_by = "common_name"
        per_page = 100


class ScheduleTable(ShopTable):
    code = tables.Column(
        verbose_name="Schedule", linkify=("reference_schedule", {"code": tables.A("code")}), orderable=False
    )
    steps = NumberColumn(orderable=False)
    hottest = NumberColumn(verbose_name="Hottest dry bulb", through=shopfloor.temp)
    woods = tables.Column(verbose_name="Published for", orderable=False, attrs=PROSE)
    source = tables.TemplateColumn(
        attrs=PROSE,
        template_code='{% include "pieces/source.html" with source=record.source provenance=record.provenance only %}',
        orderable=False,
    )

    class Meta(ShopTable.Meta):
        per_page = 100

    def render_code(self, record):
        return record["own"].name if record["own"] else record["code"]


class TreatmentTable(ShopTable):
    name = tables.Column(orderable=False)
    criterion = tables.Column(orderable=False)
    needs = tables.Column(verbose_name="Also needs", orderable=False)
    note = tables.Column(orderable=False, attrs=PROSE)
    source = tables.TemplateColumn(
        attrs=PROSE,
        template_code='{% include "pieces/source.html" with source=record.source provenance=record.provenance only %}',
        orderable=False,
    )

    class Meta(ShopTable.Meta):
        per_page = 100
