"""What the other pages ask about invoices and payments."""

import datetime as dt
from decimal import Decimal

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

from kilnshop.billing.models import Invoice, InvoiceLine, Payment
from kilnshop.orders.models import Order
from kilnshop.shop.models import ZERO
from kilnshop.tickets.models import Ticket, TicketLot


def with_balance() -> QuerySet[Invoice]:
    """Invoices with `paid` and `balance`; a credited invoice and a credit note owe nothing."""
    return (
        Invoice.objects.select_related("order__customer", "credits", "credit_note")
        .annotate(paid=Coalesce(Sum("payments__amount"), Value(ZERO)))
        .annotate(balance=F("total") - F("paid"))
    )


def open_invoices() -> QuerySet[Invoice]:
    return with_balance().filter(credits=None, credit_note=None, balance__gt=0)


def overdue_invoices(day: dt.date) -> QuerySet[Invoice]:
    return open_invoices().filter(due_on__lt=day).order_by("due_on")


def invoices_in_state(state: str, day: dt.date) -> QuerySet[Invoice]:
    if state == "open":
        return open_invoices()
    if state == "overdue":
        return overdue_invoices(day)
    if state == "paid":
        return with_balance().filter(credits=None, credit_note=None, balance__lte=0)
    if state == "credited":
        return with_balance().filter(Q(credits__isnull=False) | Q(credit_note__isnull=False))
    return with_balance()


def state_of(invoice: Invoice, day: dt.date) -> str:
    """open, overdue, paid, credited or credit_note. Takes a row of with_balance()."""
    if invoice.credits_id:
        return "credit_note"
    if getattr(invoice, "credit_note", None) is not None:
        return "credited"
    if balance_of(invoice) <= 0:
        return "paid"
    return "overdue" if invoice.due_on < day else "open"


def balance_of(invoice: Invoice) -> Decimal:
    if invoice.credits_id or getattr(invoice, "credit_note", None) is not None:
        return ZERO
    return invoice.total - (invoice.payments.aggregate(sum=Sum("amount"))["sum"] or ZERO)


def money_held(order: Order) -> Decimal:
    """Deposits, and payments of credited invoices, waiting for the order's next invoice."""
    return order.payments.filter(invoice=None).aggregate(sum=Sum("amount"))["sum"] or ZERO


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
