"""How a figure reads on paper. Each filter takes the paper's own frozen units, never the shop's of today."""

import datetime as dt
import re
from decimal import Decimal
from fractions import Fraction

from django import template
from django.utils.dateparse import parse_date, parse_datetime

from kilnshop.science.psychro import c_from_f
from kilnshop.science.volume import cubic_metres
from kilnshop.shop.money import cents, to_decimal

register = template.Library()
MINUS = "\N{MINUS SIGN}"
SIZES = {  # US unit: metric unit, factor, places
    "in": ("mm", 25.4, 0), "ft": ("m", 0.3048, 2), "bf": ("m³", 0.002359737, 2), "lb": ("kg", 0.45359237, 0),
    "sq ft": ("m²", 0.09290304, 2), "cfm": ("m³/h", 1.69901, 0), "ft/min": ("m/s", 0.00508, 2),
}  # fmt: skip
INCHES = r"(?:\d+ )?\d+/\d+|[\d,.]*\d"
SIZE = re.compile(rf"(?:({INCHES}) (to|by|\+) )?({INCHES})( more)? (sq ft|ft/min|cfm|in|ft|bf|lb)\b(?!/)")
NBSP = "\N{NO-BREAK SPACE}"


def _trim(value, places: int) -> str:
    text = f"{to_decimal(value, places):,.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", MINUS)


@register.filter
def money(amount, symbol="$") -> str:
    value = cents(amount)
    return f"{MINUS if value < 0 else ''}{symbol}{abs(value):,.2f}"


@register.filter
def unit_price(amount, symbol="$") -> str:
    """Cents, or up to four decimals where the price has them."""
    value = to_decimal(amount, 4)
    if value == value.quantize(Decimal("0.01")):
        return money(value, symbol)
    return f"{MINUS if value < 0 else ''}{symbol}{_trim(abs(value), 4)}"


@register.filter
def number(value, places=3) -> str:
    return _trim(value, places)


@register.filter
def day(value) -> str:
    """Thu 10 Dec 2026, from a date or its ISO text."""
    if isinstance(value, str):
        moment = parse_datetime(value) if len(value) > 10 else None
        value = moment.date() if moment else parse_date(value)
    if isinstance(value, dt.datetime):
        value = value.date()
    return f"{value:%a} {value.day} {value:%b %Y}".replace(" ", NBSP)


@register.filter
def weekday(value: dt.date) -> str:
    """Thu 10 Dec, for a column of a week."""
    return f"{value:%a} {value.day} {value:%b}".replace(" ", NBSP)


@register.filter
def mc(value) -> str:
    return f"{to_decimal(value, 1):.1f}{NBSP}%"


@register.filter
def share(value) -> str:
    """A 0 to 1 share as a whole percent."""
    return f"{to_decimal(Decimal(str(value)) * 100, 0):.0f}{NBSP}%"


@register.filter
def temp(value_f, units) -> str:
    value, unit = (c_from_f(value_f), "°C") if units == "metric" else (value_f, "°F")
    return f"{to_decimal(value, 1):.1f}{NBSP}{unit}".replace("-", MINUS)


@register.filter
def degrees(value_f, units) -> str:
    """A temperature without its unit, as it is keyed: whole or half degrees stay as short as they are."""
    return _trim(c_from_f(value_f) if units == "metric" else value_f, 1)


@register.filter
def degrees_apart(difference_f, units) -> str:
    return _trim(difference_f * 5 / 9 if units == "metric" else difference_f, 1)


@register.filter
def volume(value_bf, units) -> str:
    if units == "metric":
        return f"{to_decimal(cubic_metres(float(value_bf)), 3):,.3f}{NBSP}m³"
    return f"{_trim(value_bf, 1)}{NBSP}bf"


@register.filter
def size(value_in, units) -> str:
    if units == "metric":
        return f"{to_decimal(float(value_in) * 25.4, 0):.0f}{NBSP}mm"
    return f"{_trim(value_in, 3)}{NBSP}in"


@register.filter
def weight(value_lb, units) -> str:
    value, unit = (value_lb * 0.45359237, "kg") if units == "metric" else (value_lb, "lb")
    return f"{_trim(value, 0)}{NBSP}{unit}"


@register.filter
def sized(text, units) -> str:
    """Sizes in a sentence or drawing of the science, in the paper's units."""
    if units != "metric":
        return text

    def put(found: re.Match) -> str:
        first, to, value, more, unit = found.groups()
        symbol, factor, places = SIZES[unit]
        own = [_trim(_inches(one) * factor, places) for one in (first, value) if one]
        return f"{f' {to} '.join(own)}{more or ''} {symbol}"

    return SIZE.sub(put, text)


def _inches(text: str) -> float:
    """1 1/2, 3/4 or 1,250.5"""
    return float(sum(Fraction(part) for part in text.replace(",", "").split()))


@register.filter
def minutes(value) -> str:
    """Minutes up to three hours, hours and minutes above."""
    whole = int(value)
    if whole < 180:
        return f"{_trim(value, 1)}{NBSP}min"
    hours, rest = divmod(whole, 60)
    return f"{hours}{NBSP}h" + (f"{NBSP}{rest:02d}{NBSP}min" if rest else "")


@register.filter
def half_days(value) -> str:
    return _trim(round(float(value) * 2) / 2, 1)


@register.filter
def is_some(amount) -> bool:
    return cents(amount) != 0


@register.filter
def negative(amount) -> Decimal:
    return -cents(amount)


@register.filter
def lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


@register.filter
def depths(values_in, units) -> str:
    """One depth, or the shallowest and deepest of several."""
    values = sorted(set(values_in))
    if len(values) == 1:
        return size(values[0], units)
    return f"{size(values[0], units)} to {size(values[-1], units)}"


@register.filter
def clock(value: str) -> str:
    """3 Mar 14:05, from an ISO time."""
    moment = parse_datetime(value)
    return f"{moment.day} {moment:%b %H:%M}".replace(" ", NBSP)
