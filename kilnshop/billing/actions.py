"""Issue invoices and credit notes, take payments."""

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.billing import queries
from kilnshop.billing.lines import Draft, Extra, Line, draft_invoice
from kilnshop.billing.models import Invoice, InvoiceLine, Payment
from kilnshop.orders.models import Order, Quote
from kilnshop.shop.models import ZERO, Person
from kilnshop.shop.numbers import next_number
from kilnshop.shop.papers import customer_block, shop_block, tax_label
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May, require
from kilnshop.tickets.models import Ticket


@transaction.atomic
def issue_invoice(
    *,
    order: Order,
    tickets: Sequence[Ticket],
    by: Person,
    now: dt.datetime,
    issued_on: dt.date,
    extra_lines: Sequence[Extra] = (),
) -> Invoice:
    """Number and freeze an invoice for what these tickets delivered; the order's deposits go onto it."""
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    if order.cancelled_at:
        raise ValidationError(f"Order {order.number} is cancelled, so it cannot be invoiced.")
    if order.customer.is_house:
        raise ValidationError(f"Order {order.number} is our own stock, which is not invoiced.")
    if issued_on > shop_today(now):
        raise ValidationError(
            f"The invoice date {issued_on:%a %d %b %Y} is still to come. Use today's date or an earlier one."
        )
    draft = draft_invoice(order=order, tickets=tickets, issued_on=issued_on, extra_lines=extra_lines)
    number = next_number(kind="invoice", year=issued_on.year, prefix=the_shop().invoice_prefix)
    invoice = Invoice(
        order=order,
        number=number,
        issued_on=issued_on,
        issued_at=now,
        issued_by=by,
        due_on=draft.due_on,
        subtotal=draft.subtotal,
        tax=draft.tax,
        total=draft.total,
        figures=_invoice_figures(draft, number),
    )
    _save_with_lines(invoice, draft.lines)
    _apply_deposits(invoice, draft.deposit_applied)
    return invoice


@transaction.atomic
def issue_credit_note(*, invoice: Invoice, by: Person, now: dt.datetime, why: str) -> Invoice:
    """Cancel an invoice by its negative. Its payments wait on the order, its lots can be billed again."""
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update().get(pk=invoice.order_id)
    if invoice.credits_id:
        raise ValidationError(f"{invoice.number} is itself a credit note. Issue a new invoice instead.")
    earlier = Invoice.objects.filter(credits=invoice).first()
    if earlier is not None:
        raise ValidationError(
            f"Invoice {invoice.number} is already cancelled by credit note {earlier.number}."
        )
    if not why.strip():
        raise ValidationError({"why": "Say why the invoice is cancelled: it is printed on the credit note."})
    today = shop_today(now)
    number = next_number(kind="credit", year=today.year, prefix=the_shop().credit_prefix)
    note = Invoice(
        order=order,
        number=number,
        issued_on=today,
        issued_at=now,
        issued_by=by,
        due_on=today,
        credits=invoice,
        why=why.strip(),
        subtotal=-invoice.subtotal,
        tax=-invoice.tax,
        total=-invoice.total,
        figures=_credit_figures(invoice, number, today, why.strip()),
    )
    lines = [
        Line(
            kind=line.kind,
            description=line.description,
            quantity=-line.quantity,
            unit=line.unit,
            unit_price=line.unit_price,
            amount=-line.amount,
            tax_rate_pct=line.tax_rate_pct,
            tax=-line.tax,
            ticket=line.ticket,
            lot=line.lot,
        )
        for line in invoice.lines.select_related("ticket", "lot")
    ]
    _save_with_lines(note, lines)
    for payment in invoice.payments.all():
        payment.invoice = None
        payment.save(update_fields=["invoice"])
    return note


@transaction.atomic
def record_payment(
    *,
    order: Order,
    invoice: Invoice | None,
    amount: Decimal,
    paid_on: dt.date,
    method: str,
    by: Person,
    note: str = "",
) -> Payment:
    """Money received: against an invoice, or with none as a deposit for the order's next invoice."""
    require(by, May.ISSUE_PAPERS)
    order = Order.objects.select_for_update().get(pk=order.pk)
    if invoice is not None:
        _check_payment(order, invoice, amount)
    elif order.cancelled_at:
        raise ValidationError(f"Order {order.number} is cancelled, so it takes no deposit.")
    payment = Payment(
        order=order, invoice=invoice, amount=amount, paid_on=paid_on, method=method, note=note, entered_by=by
    )
    payment.full_clean()
    payment.save()
    return payment


def _check_payment(order: Order, invoice: Invoice, amount: Decimal) -> None:
    if invoice.order_id != order.pk:
        raise ValidationError(f"Invoice {invoice.number} belongs to another order than {order.number}.")
    if invoice.credits_id:
        raise ValidationError(f"{invoice.number} is a credit note: nothing is due on it.")
    balance = queries.balance_of(Invoice.objects.get(pk=invoice.pk))
    if amount > balance:
        symbol = the_shop().currency_symbol
        if balance <= 0:
            raise ValidationError({"invoice": f"Nothing is due on invoice {invoice.number}."})
        raise ValidationError(
            {
                "amount": f"{symbol}{amount:,.2f} is {symbol}{amount - balance:,.2f} more than the "
                f"{symbol}{balance:,.2f} due on {invoice.number}. Enter {symbol}{balance:,.2f} here, "
                "and the rest as a deposit on the order if the customer leaves it with you."
            }
        )


def _save_with_lines(invoice: Invoice, lines: Sequence[Line]) -> None:
    invoice.full_clean()
    invoice.save()
    for position, line in enumerate(lines, start=1):
        row = InvoiceLine(invoice=invoice, position=position, **vars(line))
        row.full_clean()
        row.save()


def _apply_deposits(invoice: Invoice, amount: Decimal) -> None:
    """Attach deposits up to `amount`; one that is larger is split and its rest stays a deposit."""
    for payment in invoice.order.payments.filter(invoice=None).order_by("paid_on", "id"):
        if amount <= 0:
            return
        rest = payment.amount - amount
        if rest > 0:
            Payment.objects.create(
                order=payment.order,
                amount=rest,
                paid_on=payment.paid_on,
                method=payment.method,
                note=payment.note,
                entered_by=payment.entered_by,
            )
            payment.amount = amount
        payment.invoice = invoice
        payment.save(update_fields=["amount", "invoice"])
        amount -= payment.amount


def _invoice_figures(draft: Draft, number: str) -> dict:
    shop, order = the_shop(), draft.order
    return {
        "shop": shop_block(shop),
        "customer": customer_block(order.customer),
        "number": number,
        "order_number": order.number,
        "customer_reference": order.customer_reference,
        "quote_number": draft.quote.number,
        "tickets": [ticket.number for ticket in draft.tickets],
        "delivered_on": [ticket.delivered_on.isoformat() for ticket in draft.tickets],
        "basis": Quote.TallyBasis(draft.quote.tally_basis).label,
        "issued_on": draft.issued_on.isoformat(),
        "due_on": draft.due_on.isoformat(),
        "lines": [_printed(line) for line in draft.lines],
        "subtotal": str(draft.subtotal),
        "tax": str(draft.tax),
        "tax_name": tax_label(shop, bool(draft.exempt_note)),
        "total": str(draft.total),
        "exempt_note": draft.exempt_note,
        "credits": "",
        "why": "",
        "deposit_paid": str(draft.deposit_applied),
        "balance_at_issue": str(draft.balance),
        "terms": shop.invoice_terms,
        "paper": shop.paper,
        "units": shop.units,
        "currency_symbol": shop.currency_symbol,
    }


def _credit_figures(invoice: Invoice, number: str, today: dt.date, why: str) -> dict:
    figures = {
        **invoice.figures,
        "shop": shop_block(the_shop()),
        "number": number,
        "issued_on": today.isoformat(),
        "due_on": "",
        "terms": "",
        "credits": invoice.number,
        "why": why,
        "deposit_paid": str(ZERO),
        "balance_at_issue": str(ZERO),
    }
    for name in ("subtotal", "tax", "total"):
        figures[name] = str(-Decimal(figures[name]))
    figures["lines"] = [
        {**line, **{name: str(-Decimal(line[name])) for name in ("quantity", "amount", "tax")}}
        for line in figures["lines"]
    ]
    return figures


def _printed(line: Line) -> dict:
    return {
        "description": line.description,
        "quantity": str(line.quantity),
        "unit": line.unit,
        "unit_price": str(line.unit_price),
        "amount": str(line.amount),
        "tax_rate_pct": str(line.tax_rate_pct),
        "tax": str(line.tax),
    }
