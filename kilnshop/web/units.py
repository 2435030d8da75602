"""How the shop reads a quantity: stored in US customary units, shown and typed in the shop's own."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

from kilnshop.shop.models import Shop

NUMBER = r"-?\d[\d,]*(?:\.\d+)?"
WORDED = (  # quantities in sentences of the science, the longer unit before the shorter
    ("temp_f", re.compile(rf"(?P<by>\bby )?({NUMBER})(?:(/| to | and )({NUMBER}))? °F")),
    ("rate_lb_per_day", re.compile(rf"({NUMBER}) lb/day")),
    ("weight_lb", re.compile(rf"({NUMBER}) lb\b")),
    ("price_per_bf", re.compile(rf"({NUMBER}) per bf\b")),
    ("volume_bf", re.compile(rf"({NUMBER}) bf\b")),
    ("speed_fpm", re.compile(rf"({NUMBER}) ft/min")),
    ("length_in", re.compile(rf"({NUMBER}) in(?= deep| thick| x | /|,)")),
)
PHRASES = (  # words of the science that hold a US unit, and the same for a metric shop
    ("a US gallon weighs 8.34 lb", "a litre weighs 1 kg"),
    ("board feet x 144 in³ x", "volume x"),
    ("per 1,000 bf", "per m³"),
    ("÷ 1,000 bf", "÷ m³"),
    ("per board foot", "per m³"),
    ("board feet", "volume"),
    ("Board feet", "Volume"),
    ("Board foot", "Volume"),
)
_shop: ContextVar[Shop | None] = ContextVar("kilnshop_shop", default=None)


@dataclass(frozen=True)
class Unit:
    """A unit: shown = stored * factor + offset."""

    symbol: str
    factor: float = 1.0
    offset: float = 0.0
    places: int = 1


# quantity -> (US customary, metric)
UNITS: dict[str, tuple[Unit, Unit]] = {
    "temp_f": (Unit("°F", places=1), Unit("°C", 5 / 9, -160 / 9, places=1)),
    "length_in": (Unit("in", places=3), Unit("mm", 25.4, places=1)),
    "length_ft": (Unit("ft", places=2), Unit("m", 0.3048, places=3)),
    "elevation_ft": (Unit("ft", places=0), Unit("m", 0.3048, places=0)),
    "weight_lb": (Unit("lb", places=1), Unit("kg", 0.45359237, places=1)),
    "rate_lb_per_day": (Unit("lb/day", places=0), Unit("kg/day", 0.45359237, places=1)),
    "flow_kg_per_h": (Unit("lb/h of air", 1 / 0.45359237, places=1), Unit("kg/h of air", places=1)),
    "volume_bf": (Unit("bf", places=0), Unit("m³", 0.002359737216, places=3)),
    "per_mbf": (Unit("per 1,000 bf"), Unit("per m³", 1 / 2.359737216)),
    "speed_fpm": (Unit("ft/min", places=0), Unit("m/s", 0.00508, places=2)),
    "flow_cfm": (Unit("cfm", places=0), Unit("m³/h", 1.69901, places=0)),
    "load_psf": (Unit("lb/sq ft", places=0), Unit("kg/m²", 4.882428, places=0)),
    "r_value": (Unit("R (ft²·h·°F/Btu)", places=1), Unit("m²·K/W", 0.1761102, places=2)),
}


@contextmanager
def reading_as(shop: Shop) -> Iterator[None]:
    """Show and read quantities as this shop does."""
    token = _shop.set(shop)
    try:
        yield
    finally:
        _shop.reset(token)


def active_shop() -> Shop:
    return _shop.get() or Shop(pk=1)


def unit(quantity: str) -> Unit:
    us, metric = UNITS[quantity]
    return metric if active_shop().units == Shop.Units.METRIC else us


def shown(quantity: str, stored: float) -> float:
    """The stored value in the shop's unit."""
    its = unit(quantity)
    return float(stored) * its.factor + its.offset


def stored(quantity: str, value: float) -> float:
    """A value in the shop's unit, as it is stored."""
    its = unit(quantity)
    return (value - its.offset) / its.factor


def plain(value: float, places: int) -> str:
    """A number for reading: thousands apart, no needless zeros, a real minus sign."""
    text = f"{value:,.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "−")


def reworded(text: str) -> str:
    """A sentence from the science, which writes US customary units, in the shop's own."""
    if active_shop().units != Shop.Units.METRIC:
        return text
    for words, own in PHRASES:
        text = text.replace(words, own)
    for quantity, pattern in WORDED:
        its = unit("volume_bf" if quantity == "price_per_bf" else quantity)

        def metric(found: re.Match[str], quantity: str = quantity, its: Unit = its) -> str:
            if quantity == "price_per_bf":
                return f"{_number(found[1]) / its.factor:,.2f} per {its.symbol}"
            if quantity != "temp_f":
                return in_words(quantity, _number(found[1]))
            if found["by"]:  # a difference
                return f"by {plain(_number(found[2]) * its.factor, its.places)} {its.symbol}"
            ends = [plain(shown(quantity, _number(end)), its.places) for end in (found[2], found[4]) if end]
            return f"{(found[3] or '').join(ends)} {its.symbol}"

        text = pattern.sub(metric, text)
    return text


def _number(text: str) -> float:
    return float(text.replace(",", ""))


def in_words(quantity: str, stored_value: float, places: int | None = None) -> str:
    """Such as "120 °F"."""
    its = unit(quantity)
    return f"{plain(shown(quantity, stored_value), its.places if places is None else places)} {its.symbol}"
