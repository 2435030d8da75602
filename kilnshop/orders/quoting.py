"""A quote before it is saved: the estimate, the price, and the figures that the paper will hold for good."""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from django.core.exceptions import ValidationError

from kilnshop.orders import estimating, pricing
from kilnshop.orders.models import Lot, Order, Quote
from kilnshop.orders.pricing import Price
from kilnshop.science.electricity import Draw, draw_of
from kilnshop.science.estimate import Estimate, Hold
from kilnshop.science.species import Species
from kilnshop.shop import electricity
from kilnshop.shop.models import Chamber, RateCard, Shop
from kilnshop.shop.papers import customer_block, shop_block, tax_label
from kilnshop.shop.queries import rate_card_on, shop_today, tariff_on, the_shop

START_WORDS = {
    Lot.StartHow.OVEN_DRY: "oven-dry section",
    Lot.StartHow.WEIGHED: "weighed sample board",
    Lot.StartHow.PIN: "pin meter",
    Lot.StartHow.ASSUMED_GREEN: "assumed green, not measured",
    Lot.StartHow.ASSUMED_AIR_DRIED: "assumed air-dried, not measured",
}


@dataclass(frozen=True)
class Draft:
    """Everything a quote would say if it were saved now."""

    shop: Shop
    order: Order
    chamber: Chamber
    lots: Sequence[Lot]
    species: dict[str, Species]
    holds: dict[str, Hold]
    estimate: Estimate
    card: RateCard | None
    price: Price | None
    price_problem: str
    first_day: dt.date


def draft_lots(
    *,
    order: Order,
    lots: Sequence[Lot],
    chamber: Chamber,
    today: dt.date,
    first_day: dt.date,
    by_chamber_day: bool = False,
    beside: Sequence[Draw] = (),
    quick: bool = False,
) -> Draft:
    """Estimate and price lots, saved or not. ValidationError in words when the wood itself makes no sense;
    a missing price leaves the estimate standing and says what is missing. `beside` is what other charges draw;
    `quick` is for figures while typing."""
    shop = the_shop()
    if not lots:
        raise ValidationError(f"Order {order.number} has no lots yet; add one first.")
    try:
        species = {key: estimating.species_for(key) for key in {lot.species_key for lot in lots}}
        estimate = estimating.estimate_lots(lots, chamber, shop, first_day, species=species, quick=quick)
    except ValueError as error:
        raise ValidationError(f"{str(error)[:1].upper()}{str(error)[1:]}") from None
    card, tariff = rate_card_on(today), tariff_on(today)
    holds = estimating.holds()
    price, problem = None, ""
    if card is None:
        problem = "There is no rate card in force, so there is no price. Enter one under Rate cards."
    else:
        power = None
        if tariff is not None:
            kwh = estimate.kwh.total
            draw = draw_of(estimate, electricity.planned_start(first_day, shop))
            power = electricity.cost(draw, tariff, shop, beside, (kwh.low, kwh.high))
        try:
            price = pricing.price_lots(
                lots=lots,
                species=species,
                estimate=estimate,
                card=card,
                electricity=power,
                tax_rate_pct=pricing.tax_rate(shop, order.customer, today),
                treatment_kinds={key: hold.kind for key, hold in holds.items()},
                by_chamber_day=by_chamber_day,
            )
        except ValueError as error:
            problem = str(error)
    return Draft(shop, order, chamber, lots, species, holds, estimate, card, price, problem, first_day)


def draft(
    *,
    order: Order,
    chamber: Chamber,
    today: dt.date,
    first_day: dt.date,
    by_chamber_day: bool = False,
    beside: Sequence[Draw] = (),
) -> Draft:
    """The draft of a whole order. Unlike `draft_lots` it insists on a price."""
    lots = list(order.lots.select_related("order"))
    made = draft_lots(
        order=order,
        lots=lots,
        chamber=chamber,
        today=today,
        first_day=first_day,
        by_chamber_day=by_chamber_day,
        beside=beside,
    )
    if made.price is None:
        raise ValidationError(made.price_problem)
    return made


def ready_window(made: Draft) -> tuple[dt.date, dt.date]:
    """Earliest and latest ready day; the latest carries the shop's margin and is what can be promised."""
    days, margin = made.estimate.days, made.shop.promise_margin_days
    return (
        made.first_day + dt.timedelta(days=math.ceil(days.low)),
        made.first_day + dt.timedelta(days=math.ceil(days.high) + margin),
    )


@dataclass(frozen=True)
class PartLoad:
    """A load that leaves room in the chamber, against the same wood filling it."""

    fill_pct: float
    kwh_per_bf: float
    full_bf: float
    full_kwh_per_bf: float
    full_days: float


def part_load(made: Draft) -> PartLoad | None:
    """None when the chamber is as good as full."""
    fill, full = made.estimate.fill, made.estimate.full
    if full is None:
        return None
    bf = float(sum(lot.volume_bf for lot in made.lots))
    return PartLoad(
        100 * fill, made.estimate.kwh.total.expected / bf, bf / fill, full.kwh * fill / bf, full.days
    )


def could_move(made: Draft) -> list[str]:
    """What could move the ready date, in the customer's words."""
    reasons = [
        "The days run from loading, which waits for a complete load and a free chamber: a charge ahead that "
        "dries longer moves it."
    ]
    assumed = [
        lot.letter for lot in made.lots if lot.start_how.startswith("assumed") or lot.start_how == "pin"
    ]
    if assumed:
        reasons.append(
            f"The starting moisture of lot {', '.join(assumed)} is not weighed; wetter wood takes longer."
        )
    reasons.append("Thicker boards than stated, cold weather and power failures add days.")
    reasons += [
        f"What would narrow the dates most: {row.narrows}."
        for row in made.estimate.workings
        if row.key == "days"
    ]
    return reasons


def agreed(card: RateCard) -> dict:
    """What is billed later by the quote but stands on none of its lines."""
    return {
        "storage_per_bf_week": str(card.storage_per_bf_week),
        "storage_grace_days": card.storage_grace_days,
        "minimum_charge": str(card.minimum_charge),
    }


def figures(made: Draft, quote: Quote) -> dict:
    """What the paper prints, and the estimate behind it, as JSON that never changes."""
    shop, price, names = made.shop, made.price, made.holds
    assert price is not None and made.card is not None
    days = made.estimate.days
    return {
        "shop": shop_block(shop),
        "customer": customer_block(made.order.customer),
        "number": quote.number,
        "revision": quote.revision,
        "issued_on": shop_today(quote.issued_at).isoformat(),
        "valid_until": quote.valid_until.isoformat(),
        "order_number": made.order.number,
        "customer_reference": made.order.customer_reference,
        "lots": [
            {
                "name": str(lot),
                "species": made.species[lot.species_key].common_name,
                "thickness": lot.thickness_label,
                "volume_bf": str(lot.volume_bf),
                "start_mc": lot.start_mc_pct,
                "start_how": START_WORDS.get(lot.start_how, lot.get_start_how_display()),
                "target": lot.target_mc_pct,
                "tolerance": lot.tolerance_pct,
                "treatments": [
                    *([lot.finish] if lot.finish else []),
                    *(names[key].label for key in lot.treatments),
                ],
            }
            for lot in made.lots
        ],
        "lines": [
            {
                "description": line.description,
                "quantity": str(line.quantity),
                "unit": line.unit,
                "unit_price": str(line.unit_price),
                "amount": str(line.amount),
                "tax": str(line.tax),
                "tax_rate_pct": str(line.tax_rate_pct),
                "kind": str(line.kind),
                "lot": line.lot.letter if line.lot else "",
            }
            for line in price.lines
        ],
        "agreed": agreed(made.card),
        "subtotal": str(price.subtotal),
        "tax": str(price.tax),
        "tax_name": tax_label(shop, made.order.customer.exempt_on(shop_today(quote.issued_at))),
        "total": str(price.total),
        "deposit": str(price.deposit),
        "ready_low": quote.ready_low.isoformat(),
        "ready_high": quote.ready_high.isoformat(),
        "could_move": could_move(made),
        "days": {"low": days.low, "expected": days.expected, "high": days.high},
        "terms": shop.quote_terms,
        "paper": shop.paper,
        "units": shop.units,
        "basis": quote.get_tally_basis_display(),
        "currency_symbol": shop.currency_symbol,
        "chamber": made.chamber.name,
        "first_day": made.first_day.isoformat(),
        "estimate": made.estimate.to_dict(),
    }
