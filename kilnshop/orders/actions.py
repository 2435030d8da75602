"""What the shop does with orders: take in, quote, decide, promise. Each is one transaction."""

import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import File
from django.db import transaction

from kilnshop.orders import quoting
from kilnshop.orders.estimating import holds, species_for
from kilnshop.orders.models import Lot, LotPhoto, Order, Promise, Quote, QuoteLine, TallyLine
from kilnshop.science import schedules, volume
from kilnshop.science.electricity import Draw
from kilnshop.science.section import TIMBER_FROM_IN
from kilnshop.shop.models import Chamber, Customer, Person
from kilnshop.shop.numbers import next_number
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May, require

LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
PRICED = (
    "species_key",
    "thickness_label",
    "thickness_in",
    "nominal_thickness_in",
    "basis",
    "volume_bf",
    "target_mc_pct",
    "tolerance_pct",
    "treatments",
    "stacks",
)
PLAIN = (
    "species_key",
    "start_mc_pct",
    "start_how",
    "target_mc_pct",
    "tolerance_pct",
    "treatments",
    "schedule_code",
    "declared_value",
    "stacks",
    "condition",
    "notes",
    "arrived_on",
    "yard_place",
    "width_in",
)


@transaction.atomic
def create_order(
    *,
    customer: Customer,
    received_on: dt.date,
    by: Person,
    now: dt.datetime,
    needed_by: dt.date | None = None,
    customer_reference: str = "",
    notes: str = "",
) -> Order:
    require(by, May.EDIT_ORDERS)
    if received_on > shop_today(now) + dt.timedelta(days=366):
        raise ValidationError({"received_on": f"{received_on} is more than a year ahead."})
    _needed_after(needed_by, received_on)
    order = Order(
        number=next_number(kind="order", year=received_on.year, prefix=the_shop().order_prefix),
        customer=customer,
        received_on=received_on,
        needed_by=needed_by,
        customer_reference=customer_reference,
        notes=notes,
        created_by=by,
    )
    order.full_clean()
    order.save()
    return order


def _needed_after(needed_by: dt.date | None, received_on: dt.date) -> None:
    if needed_by and needed_by < received_on:
        raise ValidationError({"needed_by": f"{needed_by} is before the order came in, {received_on}."})


@transaction.atomic
def change_order(
    *, order: Order, by: Person, needed_by: dt.date | None, customer_reference: str, notes: str
) -> Order:
    require(by, May.EDIT_ORDERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    _open(order)
    _needed_after(needed_by, order.received_on)
    order.needed_by, order.customer_reference, order.notes = needed_by, customer_reference, notes
    order.full_clean()
    order.save(update_fields=["needed_by", "customer_reference", "notes"])
    return order


def _open(order: Order) -> None:
    if order.cancelled_at:
        raise ValidationError(f"Order {order.number} was cancelled; take the work in as a new order.")


def next_letter(order: Order) -> str:
    taken = set(order.lots.values_list("letter", flat=True))
    free = (
        letter for letter in [*LETTERS, *(a + b for a in LETTERS for b in LETTERS)] if letter not in taken
    )
    return next(free)


def shape_lot(
    lot: Lot, data: Mapping[str, Any], tally: Sequence[Mapping[str, Any]] | None
) -> list[TallyLine]:
    """Fill an unsaved or saved lot from what was typed, and give its tally lines. Saves nothing.

    `data["thickness"]` is as a mill writes it (4/4, 1 1/16, 2x6); `data["measured_in"]`, when given, is what
    the board really measures. A tally decides the board feet. ValidationError by field.
    """
    try:
        size = volume.parse_thickness(str(data["thickness"]))
        measured = data.get("measured_in")
        actual = float(volume.parse_inches(str(measured))) if measured else size.actual_in
    except ValueError as error:
        raise ValidationError({"thickness": f"{error}."}) from None
    lot.thickness_label = size_text = size.label
    lot.thickness_in = Decimal(str(round(actual, 4)))
    lot.thickness_measured = bool(measured)
    lot.nominal_thickness_in = Decimal(str(round(size.counted_in, 4)))
    lot.basis = Lot.Basis.DRESSED if size.basis == "dressed" else Lot.Basis.ROUGH
    for name in PLAIN:
        if name in data:
            setattr(lot, name, data[name])
    if size.actual_width_in and lot.thickness_in >= TIMBER_FROM_IN and not lot.width_in:
        lot.width_in = Decimal(str(size.actual_width_in))
    lines = [TallyLine(lot=lot, **row) for row in tally or ()]
    if lines:
        lot.volume_bf = _tally_volume(lot.nominal_thickness_in, lines)
    elif data.get("volume_bf") in (None, ""):
        raise ValidationError({"volume_bf": f"Enter the board feet of {size_text}, or a piece tally."})
    else:
        try:
            lot.volume_bf = volume.round_bf(Decimal(str(data["volume_bf"])))
        except InvalidOperation:
            raise ValidationError({"volume_bf": f"{data['volume_bf']!r} is not a number."}) from None
    return lines


def _tally_volume(counted_in: Decimal, lines: Iterable[TallyLine]) -> Decimal:
    try:
        return volume.board_feet(
            max(counted_in, Decimal(1)),
            [
                volume.TallyLine(line.pieces, Decimal(line.width_in), Decimal(line.length_ft))
                for line in lines
            ],
        )
    except (ValueError, InvalidOperation) as error:
        raise ValidationError({"tally": f"{error}."}) from None


def _save_lot(lot: Lot, lines: list[TallyLine]) -> None:
    try:
        species_for(lot.species_key)
    except ValueError as error:
        raise ValidationError({"species_key": f"{error}."}) from None
    unknown = [key for key in lot.treatments if key not in holds()]
    if unknown:
        raise ValidationError({"treatments": f"{unknown[0]!r} is not a treatment held here."})
    try:
        schedules.parted(lot.schedule_code)
    except ValueError as error:
        raise ValidationError({"schedule_code": f"{error}."}) from None
    lot.full_clean()
    lot.save()
    lot.tally.all().delete()
    for line in lines:
        line.lot = lot
        line.full_clean()
    TallyLine.objects.bulk_create(lines)


@transaction.atomic
def add_lot(
    *, order: Order, by: Person, data: Mapping[str, Any], tally: Sequence[Mapping[str, Any]] | None = None
) -> Lot:
    require(by, May.EDIT_ORDERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    _open(order)
    _not_firm(order)
    lot = Lot(order=order, letter=next_letter(order))
    lines = shape_lot(lot, data, tally)
    _save_lot(lot, lines)
    return lot


def _not_firm(order: Order) -> None:
    accepted = order.quotes.filter(decision=Quote.Decision.ACCEPTED).first()
    if accepted:
        raise ValidationError(
            f"Quote {accepted.number} was accepted, so order {order.number} is firm. "
            "Take more work in as a new order."
        )


@transaction.atomic
def change_lot(
    *, lot: Lot, by: Person, data: Mapping[str, Any], tally: Sequence[Mapping[str, Any]] | None = None
) -> Lot:
    """Change a lot. Once a quote is accepted, what the price rests on stays as quoted."""
    require(by, May.EDIT_ORDERS)
    lot = Lot.objects.select_for_update(of=("self",)).select_related("order").get(pk=lot.pk)
    _open(lot.order)
    before = _priced_facts(lot)
    lines = shape_lot(lot, data, tally)
    if _priced_facts(lot) != before:
        _not_firm(lot.order)
    _save_lot(lot, lines)
    return lot


def _priced_facts(lot: Lot) -> list:
    return [sorted(value) if isinstance(value := getattr(lot, name), list) else value for name in PRICED]


@transaction.atomic
def remove_lot(*, lot: Lot, by: Person) -> None:
    require(by, May.EDIT_ORDERS)
    _open(lot.order)
    if lot.quote_lines.exists():
        raise ValidationError(
            f"Lot {lot} stands on a saved quote, so it stays on record. Cancel the order if nothing is to be done."
        )
    lot.delete()


@transaction.atomic
def add_photo(*, lot: Lot, image: File, by: Person, now: dt.datetime, caption: str = "") -> LotPhoto:
    require(by, May.EDIT_ORDERS)
    photo = LotPhoto(lot=lot, image=image, caption=caption, taken_at=now, by=by)
    photo.full_clean()
    photo.save()
    return photo


@transaction.atomic
def mark_arrived(*, lot: Lot, arrived_on: dt.date, place: str, by: Person, now: dt.datetime) -> Lot:
    """The lot is in the yard, at a place that somebody can find again."""
    require(by, May.EDIT_ORDERS)
    _open(lot.order)
    if arrived_on > shop_today(now):
        raise ValidationError({"arrived_on": f"{arrived_on} is in the future; enter the day it came."})
    lot.arrived_on, lot.yard_place = arrived_on, place
    lot.full_clean()
    lot.save(update_fields=["arrived_on", "yard_place"])
    return lot


def _said(quote: Quote) -> dict:
    """What a quote tells the customer, but for its own name; as it is read back from the database."""
    told = json.loads(json.dumps(quote.figures))
    return {key: value for key, value in told.items() if key not in ("number", "revision")}


@transaction.atomic
def save_quote(
    *,
    order: Order,
    by: Person,
    now: dt.datetime,
    chamber: Chamber,
    tally_basis: str = "green",
    first_day: dt.date | None = None,
    by_chamber_day: bool = False,
    beside: Sequence[Draw] = (),
) -> Quote:
    """Freeze a quote: the next revision of the order's quote. A saved quote is never changed.

    Where nothing would differ from the newest one, which still waits for an answer, that one is given back.
    """
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    _open(order)
    _not_firm(order)
    today = shop_today(now)
    start = first_day or today
    if not today <= start <= today + dt.timedelta(days=730):
        raise ValidationError({"first_day": f"{start} must be from today on, within two years."})
    draft = quoting.draft(
        order=order,
        chamber=chamber,
        today=today,
        first_day=start,
        by_chamber_day=by_chamber_day,
        beside=beside,
    )
    shop = draft.shop
    latest = order.quotes.order_by("revision").last()
    revision = latest.revision + 1 if latest else 1
    first = order.quotes.order_by("revision").first()
    number = (
        f"{first.number}-R{revision}"
        if first
        else next_number(kind="quote", year=today.year, prefix=shop.quote_prefix)
    )
    ready_low, ready_high = quoting.ready_window(draft)
    price = draft.price
    quote = Quote(
        order=order,
        revision=revision,
        number=number,
        issued_at=now,
        issued_by=by,
        valid_until=today + dt.timedelta(days=shop.quote_valid_days),
        tally_basis=tally_basis,
        ready_low=ready_low,
        ready_high=ready_high,
        subtotal=price.subtotal,
        tax=price.tax,
        total=price.total,
        deposit=price.deposit,
        cost=price.cost.total,
    )
    quote.figures = quoting.figures(draft, quote)
    if latest and not latest.decision and (latest.cost, _said(latest)) == (quote.cost, _said(quote)):
        return latest
    quote.full_clean()
    quote.save()
    lines = [
        QuoteLine(
            quote=quote,
            position=position,
            lot=line.lot,
            kind=line.kind,
            description=line.description,
            quantity=line.quantity,
            unit=line.unit,
            unit_price=line.unit_price,
            amount=line.amount,
            tax_rate_pct=line.tax_rate_pct,
            tax=line.tax,
        )
        for position, line in enumerate(price.lines, 1)
    ]
    for line in lines:
        line.full_clean(exclude=["quote"])
    QuoteLine.objects.bulk_create(lines)
    return quote


@transaction.atomic
def decide_quote(*, quote: Quote, decision: str, on: dt.date, by: Person, note: str = "") -> Quote:
    """Write down the customer's decision. Accepting makes the order firm."""
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update().get(pk=quote.order_id)
    quote = Quote.objects.select_for_update().get(pk=quote.pk)
    _open(order)
    if decision not in Quote.Decision.values:
        raise ValidationError({"decision": f"{decision!r} is not accepted or declined."})
    issued = shop_today(quote.issued_at)
    if on < issued:
        raise ValidationError({"on": f"{on} is before the quote was made, {issued}."})
    if quote.decision:
        raise ValidationError(
            f"Quote {quote.number} was already {quote.decision} on {quote.decided_on}. Save a new quote to go on."
        )
    if decision == Quote.Decision.ACCEPTED:
        newer = order.quotes.filter(revision__gt=quote.revision).order_by("revision").last()
        if newer:
            raise ValidationError(
                f"Quote {quote.number} was replaced by {newer.number}; the customer can accept only the newest."
            )
        if on > quote.valid_until:
            raise ValidationError(
                f"Quote {quote.number} lapsed on {quote.valid_until}. Save a new quote and send that."
            )
        _not_firm(order)
    quote.decision, quote.decided_on, quote.decided_by, quote.decision_note = decision, on, by, note
    quote.full_clean(exclude=["figures"])
    quote.save(update_fields=["decision", "decided_on", "decided_by", "decision_note"])
    return quote


@transaction.atomic
def set_promise(*, order: Order, ready_on: dt.date, by: Person | None, now: dt.datetime, why: str) -> Promise:
    """Promise a ready date. The earlier ones stay, so that a slip shows."""
    _open(order)
    newest = order.promises.first()
    if newest and newest.ready_on == ready_on:
        return newest
    promise = Promise(order=order, ready_on=ready_on, made_at=now, made_by=by, why=why)
    promise.full_clean()
    promise.save()
    return promise


@transaction.atomic
def cancel_order(*, order: Order, by: Person, now: dt.datetime, why: str) -> Order:
    require(by, May.EDIT_ORDERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    _open(order)
    if not why.strip():
        raise ValidationError({"why": "Say why the order is cancelled."})
    loaded = order.lots.filter(charge_lots__open=True).first()
    if loaded:
        raise ValidationError(f"Lot {loaded} is in a charge. Cancel or finish the charge first.")
    order.cancelled_at, order.cancelled_why = now, why.strip()
    order.full_clean()
    order.save(update_fields=["cancelled_at", "cancelled_why"])
    return order
