"""The live estimate of an order as a page shows it: figures with their working, warnings, price, fill."""

import json
from types import SimpleNamespace

from kilnshop.orders import quoting
from kilnshop.orders.pricing import Price
from kilnshop.orders.quoting import Draft
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May
from kilnshop.web import units
from kilnshop.web.templatetags.shopfloor import (
    halves,
    kwh,
    money,
    number,
    range_days,
    range_of,
    volume,
    weight,
)


def facts_of(estimate, chamber: str) -> list[dict]:
    """The figures of an estimate, each with its working; a fresh estimate or one frozen in a quote."""
    working = {item.key: item for item in estimate.workings}
    users = estimate.kwh
    rows = (
        _days_row(estimate),
        (
            "Water to remove",
            weight(estimate.water_lb),
            gallons(estimate),
            "water_lb",
        ),
        ("Oven-dry weight", weight(estimate.oven_dry_lb), "", "oven_dry_lb"),
        (
            "Electricity",
            f"{range_of(_tens(users.total))} kWh",
            f"compressor {kwh(users.compressor.expected)}, fans {kwh(users.fans.expected)}, "
            f"heater {kwh(users.heater.expected)}",
            "kwh",
        ),
        (f"Fill of {chamber}", f"{estimate.fill * 100:.0f} %", _against_full(estimate), "fill"),
    )
    return [
        {"label": label, "value": value, "note": note, "kind": "estimate", "working": working.get(key)}
        for label, value, note, key in rows
    ]


def gallons(estimate) -> str:
    """The water to remove as a US shop pictures it."""
    return f"{number(estimate.water_gal)} US gallons" if units.unit("weight_lb").symbol == "lb" else ""


def _against_full(estimate) -> str:
    """The same wood filling the chamber, and what a board foot takes here against there."""
    full = getattr(estimate, "full", None)  # plans of old do not hold it
    if full is None or not getattr(estimate, "reaches_target", True):
        return ""
    days, kwh_used = estimate.days.expected / estimate.fill, estimate.kwh.total.expected / estimate.fill
    return (
        f"full: {halves(full.days)} days, {kwh(round(full.kwh, -1))}; for the same volume this load takes "
        f"{number(days / full.days, 1)} times the days and {number(kwh_used / full.kwh, 1)} times the electricity"
    )


def _days_row(estimate) -> tuple[str, str, str, str]:
    """A charge that never reaches its target has no finish to show."""
    if not getattr(estimate, "reaches_target", True):
        return ("Days in the kiln", "does not finish", "see the warning: target or load must change", "days")
    likely = f"most likely {halves(estimate.days.expected)}"
    return ("Days in the kiln", range_days(estimate.days), likely, "days")


def thawed(estimate: dict) -> SimpleNamespace:
    """An estimate frozen as plain figures, to be read like a fresh one."""
    return json.loads(json.dumps(estimate), object_hook=lambda row: SimpleNamespace(**row))


def frozen(figures: dict) -> dict:
    """The same figures as a quote froze them."""
    estimate = thawed(figures["estimate"])
    air = next((item for item in estimate.workings if item.key == "air"), None)
    return {
        "facts": facts_of(estimate, figures["chamber"]),
        "air_working": air,
        "warnings": estimate.warnings,
    }


def money_facts(price: Price | None, person: Person) -> list[dict]:
    """Price and own costs, as far as this person may see them."""
    facts: list[dict] = []
    if price and person.may(May.SEE_PRICES):
        facts.append(
            {"label": "Price with tax", "value": money(price.total), "working": price.working("total")}
        )
    if price and person.may(May.SEE_MARGINS):
        cost = price.cost
        share = f"{cost.margin_pct} % of the price before tax" if cost.margin_pct is not None else ""
        facts += [
            {
                "label": "Electricity cost",
                "value": money(cost.electricity),
                "kind": "estimate",
                "working": price.working("electricity"),
            },
            {
                "label": "Chamber-day cost",
                "value": money(cost.chamber_days),
                "kind": "estimate",
                "working": price.working("chamber_days"),
            },
            {
                "label": "Margin",
                "value": money(cost.margin),
                "note": share,
                "kind": "estimate",
                "working": price.working("margin"),
            },
        ]
    return facts


def panel(draft: Draft, person: Person, quick: bool = False) -> dict:
    """What pieces of `orders/estimate.html` need. Prices and margins only for those who may see them.

    A quick draft has not tried which wet bulb would cure a harsh step, so the page offers to.
    """
    estimate, price = draft.estimate, draft.price
    return {
        "draft": draft,
        "facts": facts_of(estimate, draft.chamber.name),
        "money_facts": money_facts(price, person),
        "show_prices": person.may(May.SEE_PRICES),
        "air_working": next((item for item in estimate.workings if item.key == "air"), None),
        "fuller": _fuller(draft),
        "stops": [warning for warning in estimate.warnings if warning.severity == "stop"],
        "others": [warning for warning in estimate.warnings if warning.severity != "stop"],
        "curable": quick and any(warning.code == "safe_rate" for warning in estimate.warnings),
        "lots": [
            {
                "lot": lot,
                "result": result,
                "days": range_days(result.days) if estimate.reaches_target else "does not finish",
                "amount": price.of_lot(lot) if price else None,
                "price": price.working(f"price {lot.letter}") if price else None,
            }
            for lot, result in zip(draft.lots, estimate.lots, strict=True)
        ],
    }


def _tens(span) -> tuple[float, float]:
    return round(span.low, -1), round(span.high, -1)


def _fuller(draft: Draft) -> str:
    """How a part load compares with a full chamber of the same wood."""
    load = quoting.part_load(draft)
    if load is None:
        return ""
    its = units.unit("volume_bf")

    def each(kwh_per_bf: float) -> str:
        return f"{number(kwh_per_bf / its.factor, 2 if its.factor == 1 else 0)} kWh per {its.symbol}"

    here, full = halves(draft.estimate.days.expected), halves(load.full_days)
    days = f"{full} days instead of {here}" if full != here else f"the same {here} days"
    return (
        f"This load fills {load.fill_pct:.0f} % of {draft.chamber.name}: about {each(load.kwh_per_bf)}. "
        f"The same wood filling it, {volume(load.full_bf)}, would take about {each(load.full_kwh_per_bf)} and "
        f"{days}."
    )
