"""What an invoice will say, worked out from the delivered lots and the accepted quote. Writes nothing."""

import datetime as dt
import zoneinfo
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.core.exceptions import ValidationError

from kilnshop.billing.models import InvoiceLine
from kilnshop.billing.queries import total_of
from kilnshop.charges.models import ChargeLot
from kilnshop.orders.estimating import species_names
from kilnshop.orders.models import Lot, Order, Quote, QuoteLine
from kilnshop.shop.models import ZERO, RateCard
from kilnshop.shop.money import cents, percent_of, to_decimal
from kilnshop.shop.papers import tax_label
from kilnshop.shop.queries import the_shop
from kilnshop.tickets.models import Ticket, TicketLot

BY_VOLUME = frozenset(
    {QuoteLine.Kind.DRYING, QuoteLine.Kind.HEAT, QuoteLine.Kind.PITCH, QuoteLine.Kind.STACKING}
)
WEEK = 7


@dataclass(frozen=True)
class Line:
    """One printed line. The amount is the printed quantity times the printed price, rounded once."""

    kind: str
    description: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    amount: Decimal
    tax_rate_pct: Decimal
    tax: Decimal
    ticket: Ticket | None = None
    lot: Lot | None = None


@dataclass(frozen=True)
class Extra:
    """A line typed by hand."""

    description: str
    quantity: Decimal
    unit: str
    unit_price: Decimal
    taxed: bool = True


@dataclass(frozen=True)
class Draft:
    """An invoice before it has a number."""

    order: Order
    quote: Quote
    tickets: tuple[Ticket, ...]
    lines: tuple[Line, ...]
    issued_on: dt.date
    due_on: dt.date
    exempt_note: str
    held: Decimal  # deposit money on the order not yet on an invoice

    @property
    def subtotal(self) -> Decimal:
        return sum((line.amount for line in self.lines), ZERO)

    @property
    def tax(self) -> Decimal:
        return sum((line.tax for line in self.lines), ZERO)

    @property
    def total(self) -> Decimal:
        return self.subtotal + self.tax

    @property
    def deposit_applied(self) -> Decimal:
        return min(self.held, self.total)

    @property
    def balance(self) -> Decimal:
        return self.total - self.deposit_applied

    @property
    def sums(self) -> list[tuple[str, Decimal]]:
        deposit = [("Deposit", -self.deposit_applied), ("To pay", self.balance)] if self.held else []
        return [
            ("Subtotal", self.subtotal),
            (tax_label(the_shop(), bool(self.exempt_note)), self.tax),
            ("Total", self.total),
            *deposit,
        ]


def make_line(
    *,
    kind: str,
    description: str,
    quantity: object,
    unit: str,
    unit_price: object,
    tax_rate_pct: Decimal,
    ticket: Ticket | None = None,
    lot: Lot | None = None,
) -> Line:
    quantity, unit_price = to_decimal(quantity, 3), to_decimal(unit_price, 4)
    amount = cents(quantity * unit_price)
    tax = percent_of(amount, tax_rate_pct)
    return Line(kind, description, quantity, unit, unit_price, amount, tax_rate_pct, tax, ticket, lot)


def storage_days(unloaded_on: dt.date, delivered_on: dt.date, grace_days: int) -> int:
    """Days in the yard after drying that are charged: those beyond the free ones."""
    return max(0, (delivered_on - unloaded_on).days - grace_days)


def billed_volume(charge_lot: ChargeLot, basis: str) -> Decimal:
    """Board feet the lot is charged for: what came in, or what went out, as agreed on the quote."""
    if basis == Quote.TallyBasis.GREEN:
        return charge_lot.lot.volume_bf
    if charge_lot.volume_out_bf is None:
        raise ValidationError(
            f"Lot {charge_lot.lot} is charged by its dried tally, and charge {charge_lot.charge.number} "
            "has none. Enter the board feet counted at unloading first."
        )
    return charge_lot.volume_out_bf


def to_bill(tickets: Iterable[Ticket]) -> list[TicketLot]:
    """Lots of these tickets that stand on no invoice yet; a credited invoice does not count."""
    standing = InvoiceLine.objects.filter(
        ticket__isnull=False,
        invoice__credits=None,
        invoice__credit_note=None,
        invoice__order_id__in={ticket.order_id for ticket in tickets},
    ).values("lot_id")
    return list(
        TicketLot.objects.filter(ticket__in=tickets)
        .exclude(charge_lot__lot__in=standing)
        .select_related("ticket", "charge_lot__charge", "charge_lot__lot__order")
        .order_by("charge_lot__lot__letter", "id")
    )


def accepted_quote(order: Order) -> Quote:
    quote = order.quotes.filter(decision=Quote.Decision.ACCEPTED).first()
    if quote is None:
        raise ValidationError(
            f"Order {order.number} has no accepted quote, so no price is agreed. "
            "Record the customer's decision on its quote first."
        )
    return quote


def _card(quote: Quote) -> RateCard:
    """Storage and minimum as the quote froze them: a later change of the rate card does not touch what was agreed."""
    agreed = quote.figures["agreed"]
    return RateCard(
        storage_per_bf_week=Decimal(agreed["storage_per_bf_week"]),
        storage_grace_days=agreed["storage_grace_days"],
        minimum_charge=Decimal(agreed["minimum_charge"]),
    )


def _zone() -> zoneinfo.ZoneInfo:
    return zoneinfo.ZoneInfo(the_shop().time_zone)


def draft_invoice(
    *, order: Order, tickets: Sequence[Ticket], issued_on: dt.date, extra_lines: Sequence[Extra] = ()
) -> Draft:
    """The lines, tax and totals an invoice for these tickets would carry. Raises ValidationError in words."""
    shop, quote = the_shop(), accepted_quote(order)
    _check_tickets(order, tickets, issued_on)
    ticket_lots = to_bill(tickets)
    if not ticket_lots:
        raise ValidationError(
            f"Everything delivered on order {order.number} is already invoiced. "
            "To invoice it again, issue a credit note for that invoice first."
        )
    exempt = order.customer.exempt_on(issued_on)
    rate = Decimal("0.000") if exempt else shop.tax_rate_pct
    quoted = list(quote.lines.select_related("lot"))
    lines: list[Line] = []
    for ticket_lot in ticket_lots:
        lines += _lot_lines(ticket_lot, quote, quoted, rate)
    lines += _order_lines(order, quote, quoted, rate, {row.charge_lot.lot_id for row in ticket_lots}, lines)
    lines += [_extra_line(extra, rate) for extra in extra_lines]
    draft = Draft(
        order=order,
        quote=quote,
        tickets=tuple(sorted({row.ticket for row in ticket_lots}, key=lambda ticket: ticket.number)),
        lines=tuple(lines),
        issued_on=issued_on,
        due_on=issued_on + dt.timedelta(days=shop.payment_days),
        exempt_note=f"Tax exempt, certificate {order.customer.exemption_number}" if exempt else "",
        held=total_of(order.payments.filter(invoice=None)),
    )
    if draft.total < 0:
        raise ValidationError(
            f"The invoice would come to {shop.currency_symbol}{draft.total}. "
            "Make the discount smaller: an invoice cannot be below zero."
        )
    return draft


def _check_tickets(order: Order, tickets: Sequence[Ticket], issued_on: dt.date) -> None:
    if not tickets:
        raise ValidationError("Choose at least one delivery ticket: an invoice is for what was delivered.")
    for ticket in tickets:
        if ticket.order_id != order.pk:
            raise ValidationError(f"Ticket {ticket.number} belongs to another order than {order.number}.")
        newer = Ticket.objects.filter(supersedes=ticket).first()
        if newer is not None:
            raise ValidationError(f"Ticket {ticket.number} was replaced by {newer.number}. Choose that one.")
        if ticket.delivered_on > issued_on:
            raise ValidationError(
                f"Ticket {ticket.number} was delivered on {ticket.delivered_on:%a %d %b %Y}, after the "
                f"invoice date {issued_on:%a %d %b %Y}. Use that day or a later one."
            )


def _lot_lines(ticket_lot: TicketLot, quote: Quote, quoted: list[QuoteLine], rate: Decimal) -> list[Line]:
    charge_lot, ticket = ticket_lot.charge_lot, ticket_lot.ticket
    lot = charge_lot.lot
    own = [line for line in quoted if line.lot_id == lot.pk]
    by_day = any(line.kind == QuoteLine.Kind.CHAMBER_DAYS for line in quoted)
    if not own and not by_day:
        raise ValidationError(
            f"Lot {lot} is not on the accepted quote {quote.number}. "
            "Save and accept a new revision with it first."
        )
    volume = billed_volume(charge_lot, quote.tally_basis)
    lines = [
        make_line(
            kind=line.kind,
            description=line.description,
            quantity=volume if line.kind in BY_VOLUME and line.unit == "bf" else line.quantity,
            unit=line.unit,
            unit_price=line.unit_price,
            tax_rate_pct=rate,
            ticket=ticket,
            lot=lot,
        )
        for line in own
    ]
    if by_day:
        name = species_names([lot.species_key])[lot.species_key]
        lines.insert(
            0,
            make_line(
                kind=QuoteLine.Kind.DRYING,
                description=f"Lot {lot.letter}: {lot.thickness_label} {name}, in the chamber-day price",
                quantity=volume,
                unit="bf",
                unit_price=0,
                tax_rate_pct=rate,
                ticket=ticket,
                lot=lot,
            ),
        )
    card, unloaded = _card(quote), charge_lot.charge.unloaded_at
    if unloaded is None or not card.storage_per_bf_week:
        return lines
    out = unloaded.astimezone(_zone()).date()
    days = storage_days(out, ticket.delivered_on, card.storage_grace_days)
    if days:
        lines.append(
            make_line(
                kind="storage",
                description=f"Storage of lot {lot.letter}: {days} days after {card.storage_grace_days} free "
                f"days from {out:%d %b %Y}",
                quantity=volume * days / WEEK,
                unit="bf-week",
                unit_price=card.storage_per_bf_week,
                tax_rate_pct=rate,
                ticket=ticket,
                lot=lot,
            )
        )
    return lines


def _order_lines(
    order: Order,
    quote: Quote,
    quoted: list[QuoteLine],
    rate: Decimal,
    now_billed: set[int],
    lines: list[Line],
) -> list[Line]:
    """Quoted lines of the whole order, once; and the minimum, when the order's last lot is invoiced."""
    standing = InvoiceLine.objects.filter(
        invoice__order=order, invoice__credits=None, invoice__credit_note=None
    ).exclude(kind__in=["storage", "extra"])
    earlier = list(standing)
    result = []
    if not earlier:
        result = [
            make_line(
                kind=line.kind,
                description=line.description,
                quantity=line.quantity,
                unit=line.unit,
                unit_price=line.unit_price,
                tax_rate_pct=rate,
            )
            for line in quoted
            if line.lot_id is None and line.kind != QuoteLine.Kind.MINIMUM
        ]
    all_lots = set(order.lots.values_list("pk", flat=True))
    if all_lots <= now_billed | {line.lot_id for line in earlier}:
        least = _minimum(quote, quoted)
        so_far = sum((line.amount for line in [*earlier, *lines, *result] if line.kind != "storage"), ZERO)
        if so_far < least:
            result.append(
                make_line(
                    kind=QuoteLine.Kind.MINIMUM,
                    description="Up to the minimum charge of the order",
                    quantity=1,
                    unit="order",
                    unit_price=least - so_far,
                    tax_rate_pct=rate,
                )
            )
    return result


def _minimum(quote: Quote, quoted: list[QuoteLine]) -> Decimal:
    """A quote topped up to the minimum came to exactly the minimum; any other is held to its rate card's."""
    if any(line.kind == QuoteLine.Kind.MINIMUM for line in quoted):
        return sum((line.amount for line in quoted), ZERO)
    return _card(quote).minimum_charge


def _extra_line(extra: Extra, rate: Decimal) -> Line:
    return make_line(
        kind="extra",
        description=extra.description,
        quantity=extra.quantity,
        unit=extra.unit,
        unit_price=extra.unit_price,
        tax_rate_pct=rate if extra.taxed else Decimal("0.000"),
    )
