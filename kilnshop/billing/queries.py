"""What the other pages ask about invoices and payments."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

from kilnshop.billing.models import Invoice, InvoiceLine, Payment
from kilnshop.charges import money
from kilnshop.charges.models import ChargeLot
from kilnshop.orders.models import Lot, Order
from kilnshop.science.workings import Working
from kilnshop.shop.models import ZERO, Shop
from kilnshop.shop.money import cents, to_decimal
from kilnshop.shop.queries import rate_card_on, shop_today
from kilnshop.tickets.models import Ticket, TicketLot

HALF_CENT = Decimal("0.005")  # SQLite adds money in floats: a paid invoice may come to 1E-14


def total_of(payments) -> Decimal:
    return cents(payments.aggregate(sum=Sum("amount"))["sum"] or ZERO)


def with_balance() -> QuerySet[Invoice]:
    """Invoices with `paid` and `balance`; a credited invoice and a credit note owe nothing."""
    return (
        Invoice.objects.select_related("order__customer", "credits", "credit_note")
        .annotate(paid=Coalesce(Sum("payments__amount"), Value(ZERO)))
        .annotate(balance=F("total") - F("paid"))
    )


def open_invoices() -> QuerySet[Invoice]:
    return with_balance().filter(credits=None, credit_note=None, balance__gte=HALF_CENT)


def overdue_invoices(day: dt.date) -> QuerySet[Invoice]:
    return open_invoices().filter(due_on__lt=day).order_by("due_on")


def invoices_in_state(state: str, day: dt.date) -> QuerySet[Invoice]:
    if state == "open":
        return open_invoices()
    if state == "overdue":
        return overdue_invoices(day)
    if state == "paid":
        return with_balance().filter(credits=None, credit_note=None, balance__lt=HALF_CENT)
    if state == "credited":
        return with_balance().filter(Q(credits__isnull=False) | Q(credit_note__isnull=False))
    return with_balance()


def state_of(invoice: Invoice, day: dt.date) -> str:
    """open, overdue, paid, credited or credit_note. Takes a row of with_balance()."""
    if invoice.credits_id:
        return "credit_note"
    if getattr(invoice, "credit_note", None) is not None:
        return "credited"
    if cents(invoice.balance) <= 0:
        return "paid"
    return "overdue" if invoice.due_on < day else "open"


def balance_of(invoice: Invoice) -> Decimal:
    if invoice.credits_id or getattr(invoice, "credit_note", None) is not None:
        return ZERO
    return invoice.total - total_of(invoice.payments)


def money_held(order: Order) -> Decimal:
    """Deposits, and payments of credited invoices, waiting for the order's next invoice."""
    return total_of(order.payments.filter(invoice=None))


def tickets_to_invoice(order: Order | None = None) -> QuerySet[Ticket]:
    """Live tickets with a lot that stands on no invoice; our own stock is not invoiced."""
    billed = InvoiceLine.objects.filter(
        lot=OuterRef("charge_lot__lot"),
        ticket__isnull=False,
        invoice__credits=None,
        invoice__credit_note=None,
    )
    waiting = TicketLot.objects.filter(~Exists(billed), ticket=OuterRef("pk"))
    tickets = Ticket.objects.filter(Exists(waiting), superseded_by=None, order__customer__is_house=False)
    if order is not None:
        tickets = tickets.filter(order=order)
    return tickets.select_related("order__customer").order_by("delivered_on", "id")


def payments_of(order: Order) -> QuerySet[Payment]:
    return order.payments.select_related("invoice", "entered_by")


def deposit_asked(order: Order) -> Decimal:
    """The deposit of the accepted quote, or of the newest one."""
    quote = order.quotes.filter(decision="accepted").first() or order.quotes.first()
    return quote.deposit if quote else ZERO


def listed(state: str, day: dt.date) -> list[Invoice]:
    """Invoices of a state, newest first, each with its `state` in words and what is left to pay."""
    rows = list(invoices_in_state(state, day).order_by("-issued_on", "-id"))
    for row in rows:
        row.state = state_of(row, day).replace("_", " ")
        if row.state in ("credited", "credit note"):
            row.balance = ZERO
    return rows


def sums(day: dt.date) -> dict[str, Decimal | int]:
    """What is owed and what of it is overdue."""
    due, late = open_invoices(), overdue_invoices(day)
    return {
        "open": cents(due.aggregate(sum=Sum("balance"))["sum"] or ZERO),
        "open_count": due.count(),
        "overdue": cents(late.aggregate(sum=Sum("balance"))["sum"] or ZERO),
        "overdue_count": late.count(),
    }


@dataclass(frozen=True)
class JobMargin:
    """What an order brought and what its lots cost us by the meter."""

    billed: Decimal
    electricity: Decimal
    chamber_days: Decimal
    stacking: Decimal
    shares: tuple[tuple[str, str], ...]  # how each lot's part was taken
    shared: bool  # a charge held other orders too, so the part is an estimate

    @property
    def cost(self) -> Decimal:
        return self.electricity + self.chamber_days + self.stacking

    @property
    def margin(self) -> Decimal:
        return self.billed - self.cost

    @property
    def working(self) -> Working:
        inputs = (
            ("Billed before tax", f"{self.billed}"),
            *self.shares,
            ("Electricity", f"{self.electricity}"),
            ("Chamber-days", f"{self.chamber_days}"),
            ("Stacking", f"{self.stacking}"),
        )
        return Working(
            "margin", "Margin", "billed before tax - electricity - chamber-days - stacking", inputs,
            "invoices that stand, meter readings of the charges, the rate card of the day they started",
            "a lot's part of the electricity is taken from the estimate of its charge",
            "readings of the meter at the start and end of every charge",
        )  # fmt: skip


def job_margin(order: Order, shop: Shop) -> JobMargin | None:
    """None until the order is invoiced and the charge of every lot has been metered to its end and priced."""
    billed = order.invoices.filter(credits=None, credit_note=None)
    rows = list(
        ChargeLot.objects.filter(lot__order=order, open=True, charge__dried_at__isnull=False)
        .select_related("lot", "charge")
        .order_by("lot__letter")
    )
    if not rows or len(rows) < order.lots.count() or not billed:
        return None
    metered = {row.charge_id: money.metered(row.charge, shop) for row in rows}
    electricity = chamber_days = stacking = ZERO
    own = {str(row.lot) for row in rows}
    shares, shared = [], False
    for row in rows:
        cost, planned = metered[row.charge_id], row.charge.plan.get("lots") or []
        part = next((lot for lot in planned if lot["key"] == str(row.lot) and "share_kwh" in lot), None)
        kwh = sum(lot.get("share_kwh", 0) for lot in planned)
        if cost is None or cost.electricity is None or cost.chamber_days is None or not part or not kwh:
            return None
        power, room = to_decimal(part["share_kwh"] / kwh), to_decimal(part["share"])
        shared = shared or any(lot["key"] not in own for lot in planned)
        electricity += cents(cost.electricity.total * power)
        chamber_days += cents(cost.chamber_days * room)
        shares.append(
            (
                f"Lot {row.lot.letter} in {row.charge}",
                f"{room:.1%} of the room, {power:.1%} of the electricity",
            )
        )
        card = rate_card_on(shop_today(row.charge.started_at))
        if card and row.lot.stacks == Lot.Stacks.SHOP:
            stacking += cents(row.lot.volume_bf * card.stacking_cost_per_bf)
    total = cents(billed.aggregate(sum=Sum("subtotal"))["sum"])
    return JobMargin(total, electricity, chamber_days, stacking, tuple(shares), shared)


def notice(invoice: Invoice) -> str:
    """What a reprint must say that the issued paper could not know."""
    note = getattr(invoice, "credit_note", None)
    return f"Cancelled by credit note {note.number} of {note.issued_on:%d %b %Y}." if note else ""


def printed_sums(invoice: Invoice) -> list[tuple[str, Decimal]]:
    """The sums under the lines, as printed."""
    return [
        ("Subtotal", invoice.subtotal),
        (invoice.figures["tax_name"], invoice.tax),
        ("Total", invoice.total),
    ]
