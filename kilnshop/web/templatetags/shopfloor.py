"""How numbers, dates and states are written, in the shop's units. Loaded in every template."""

import datetime as dt
import re
from decimal import Decimal

from django import template
from django.template import defaultfilters
from django.urls import reverse
from django.utils import timezone

from kilnshop.documents import paper
from kilnshop.orders.estimating import species_names
from kilnshop.web import units

register = template.Library()
NOTHING = "–"
TONES = {
    "planned": "quiet", "waiting": "quiet", "draft": "quiet", "open": "quiet", "quoted": "quiet",
    "running": "active", "accepted": "active", "firm": "active", "in the kiln": "active", "due": "caution",
    "dry": "good", "unloaded": "good", "delivered": "good", "paid": "good", "met": "good", "done": "good",
    "overdue": "stop", "declined": "stop", "not met": "stop", "cancelled": "stop", "superseded": "quiet",
    "lapsed": "caution", "not recorded": "caution", "part paid": "caution", "unpaid": "caution",
}  # fmt: skip


def _is_number(value) -> bool:
    return isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)


def _write(quantity: str, value, places) -> str:
    if value is None or value == "":
        return NOTHING
    return units.in_words(quantity, float(value), None if places in (None, "") else int(places))


@register.filter
def money(value, places=2) -> str:
    """$1,234.50"""
    if value is None or value == "":
        return NOTHING
    amount = Decimal(value) if not isinstance(value, float) else Decimal(str(value))
    sign = "−" if amount < 0 else ""
    return f"{sign}{units.active_shop().currency_symbol}{abs(amount):,.{int(places)}f}"


@register.filter
def unit_price(value) -> str:
    """$61.14, or up to four decimals where the price has them: $0.0825"""
    if value is None or value == "":
        return NOTHING
    written = money(value, 4)
    return written[:-2] + written[-2:].rstrip("0")


@register.filter
def reworded(text) -> str:
    """A sentence of the science in the shop's own units."""
    return units.reworded(str(text))


@register.filter
def counted(line) -> str:
    """The quantity of a priced line. Prices are per board foot everywhere; a metric shop reads the volume beside."""
    text = f"{number(line.quantity, 3)} {line.unit}"
    metric = line.unit == "bf" and units.active_shop().units == "metric"
    return f"{text} ({volume(line.quantity)})" if metric else text


@register.filter
def per_volume(value):
    """A figure per 1,000 bf in the shop's volume; what per, `per_volume_words` says."""
    return None if value is None else units.shown("per_mbf", value)


@register.simple_tag
def per_volume_words() -> str:
    return units.unit("per_mbf").symbol


@register.filter
def gathered(warnings) -> list[tuple]:
    """Warnings of one kind together, where the first stands: (the first, the others, the others' lots)."""
    kinds: dict = {}
    for nth, warning in enumerate(warnings):
        told = warning if isinstance(warning, dict) else getattr(warning, "__dict__", {})
        kind = (told["code"], told["severity"]) if told.get("code") else nth
        kinds.setdefault(kind, []).append(warning)
    return [(alike[0], alike[1:], ", ".join(_lots_named(alike[1:]))) for alike in kinds.values()]


def _lots_named(warnings) -> list[str]:
    texts = [warning["text"] if isinstance(warning, dict) else warning.text for warning in warnings]
    return [found[1] for text in texts if (found := re.match(r"Lot (\S+): ", text))]


@register.filter
def temp(value, places=None) -> str:
    """120 °F"""
    return _write("temp_f", value, places)


@register.filter
def mc(value) -> str:
    """12.3 %"""
    return NOTHING if value is None or value == "" else f"{units.plain(float(value), 1)} %"


@register.filter
def volume(value, places=None) -> str:
    """800 bf; `places` are of board feet, a cubic metre always has its own."""
    return _write("volume_bf", value, None if units.active_shop().units == "metric" else places)


@register.filter
def weight(value, places=0) -> str:
    """2,450 lb"""
    return _write("weight_lb", value, places)


@register.filter
def length(value, of="in"):
    """1.125 in, or 16 ft with "ft". A list or text is counted, as everywhere in Django."""
    return _write(f"length_{of}", value, None) if _is_number(value) else defaultfilters.length(value)


@register.filter
def quantity(value, kind) -> str:
    """Any other quantity of units.UNITS."""
    return _write(kind, value, None)


@register.filter
def number(value, places=0) -> str:
    return NOTHING if value is None or value == "" else units.plain(float(value), int(places))


@register.filter
def kwh(value) -> str:
    """1,230 kWh, to the ten."""
    return NOTHING if value is None or value == "" else f"{units.plain(round(float(value), -1), 0)} kWh"


@register.filter
def day(value) -> str:
    """Thu 10 Dec; with the year when it is another one."""
    if not value:
        return NOTHING
    if isinstance(value, str):
        value = dt.datetime.fromisoformat(value) if "T" in value else dt.date.fromisoformat(value)
    if isinstance(value, dt.datetime):
        value = timezone.localtime(value).date() if timezone.is_aware(value) else value.date()
    year = "" if value.year == timezone.localdate().year else f" {value.year}"
    return f"{value:%a} {value.day} {value:%b}{year}"


@register.filter
def when(value) -> str:
    """Thu 10 Dec 14:30, on the shop's clock."""
    if not value:
        return NOTHING
    if isinstance(value, str):
        value = dt.datetime.fromisoformat(value)
    local = timezone.localtime(value) if timezone.is_aware(value) else value
    return f"{day(local.date())} {local:%H:%M}"


@register.filter
def moment(value) -> str:
    """A date as a day, a time as day and clock."""
    return when(value) if isinstance(value, dt.datetime) else day(value)


def ends(value) -> tuple[float, float]:
    """Low and high of a Range, a dict of one, or a pair."""
    if isinstance(value, dict):
        return value["low"], value["high"]
    if isinstance(value, (list, tuple)):
        return value[0], value[-1]
    return value.low, value.high


def halves(days: float) -> str:
    return units.plain(round(float(days) * 2) / 2, 1)


@register.filter
def range_days(value) -> str:
    """18–24 days, to the half."""
    if not value:
        return NOTHING
    low, high = map(halves, ends(value))
    return f"{high} day{'' if high == '1' else 's'}" if low == high else f"{low}–{high} days"


@register.filter
def range_of(value, places=0) -> str:
    """1,100–1,400"""
    if not value:
        return NOTHING
    low, high = (units.plain(float(end), int(places)) for end in ends(value))
    return high if low == high else f"{low}–{high}"


@register.filter
def tone(state) -> str:
    """Which shape and colour a state word takes."""
    return TONES.get(str(state).lower().replace("_", " "), "quiet")


@register.filter
def words(value) -> str:
    """not_met -> Not met"""
    text = str(value).replace("_", " ")
    return text[:1].upper() + text[1:]


@register.filter
def wood(key) -> str:
    """northern_red_oak -> northern red oak: the name under Reference, or the shop's own."""
    return species_names([key])[key]


@register.filter
def sized(text):
    """Sizes in a sentence or drawing of a load, in the shop's units."""
    return paper.sized(text, units.active_shop().units)


@register.simple_tag(takes_context=True)
def may(context, right: str) -> bool:
    """{% may "see_prices" as ok %}"""
    person = context.get("user") or getattr(context.get("request"), "user", None)
    return bool(person and person.is_authenticated and person.may(right))


@register.simple_tag
def address_of(name: str, *args) -> str:
    """The address of a page whose name is worked out: {% address_of row.place row.pk as url %}"""
    return reverse(name, args=args)
