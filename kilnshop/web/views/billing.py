"""Invoices, credit notes and payments."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django_tables2 import RequestConfig

from kilnshop.billing import actions, queries
from kilnshop.billing.lines import draft_invoice
from kilnshop.billing.models import Invoice
from kilnshop.documents import render as papers
from kilnshop.orders.models import Order
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.billing import CreditForm, ExtraFormSet, InvoiceForm, PaymentForm, extra_lines
from kilnshop.web.tables.billing import InvoiceTable
from kilnshop.web.templatetags.shopfloor import day, money

STATES = [("", "All"), ("open", "Open"), ("overdue", "Overdue"), ("paid", "Paid"), ("credited", "Cancelled")]


@allowed(May.SEE_PRICES)
def invoices(request):
    today = shop_today()
    state = request.GET.get("state", "")
    table = InvoiceTable(queries.listed(state, today))
    RequestConfig(request).configure(table)
    return render(
        request,
        "billing/invoices.html",
        {
            "table": table,
            "sums": queries.sums(today),
            "waiting": queries.tickets_to_invoice(),
            "any": Invoice.objects.exists(),
            "states": [{"key": key, "word": word, "here": key == state} for key, word in STATES],
        },
    )


@allowed(May.ISSUE_PAPERS)
def invoice_new(request, order_pk):
    order = get_object_or_404(Order.objects.select_related("customer"), pk=order_pk)
    today, draft = shop_today(), None
    waiting = queries.tickets_to_invoice(order)
    if request.method == "POST":
        form, extras = InvoiceForm(request.POST, order=order), ExtraFormSet(request.POST, prefix="extra")
        if all([form.is_valid(), extras.is_valid()]):
            chosen = {
                "order": order,
                "tickets": list(form.cleaned_data["tickets"]),
                "issued_on": form.cleaned_data["issued_on"],
                "extra_lines": extra_lines(extras),
            }
            try:
                if request.POST.get("do") == "issue":
                    invoice = actions.issue_invoice(**chosen, by=request.user, now=timezone.now())
                    messages.success(request, f"Invoice {invoice.number} is issued.")
                    return redirect("invoice", invoice.pk)
                draft = draft_invoice(**chosen)
            except ValidationError as error:
                form.refuse(error)
    else:
        form = InvoiceForm(order=order, initial={"issued_on": today, "tickets": waiting})
        extras = ExtraFormSet(prefix="extra")
        if waiting:
            try:
                draft = draft_invoice(order=order, tickets=list(waiting), issued_on=today)
            except ValidationError as error:
                messages.error(request, " ".join(error.messages))
    return render(
        request,
        "billing/invoice_new.html",
        {"order": order, "form": form, "extras": extras, "draft": draft, "waiting": waiting},
    )


@allowed(May.SEE_PRICES)
def invoice(request, pk):
    found = get_object_or_404(queries.with_balance(), pk=pk)
    today, balance = shop_today(), queries.balance_of(found)
    return render(
        request,
        "billing/invoice.html",
        {
            "invoice": found,
            "state": queries.state_of(found, today).replace("_", " "),
            "balance": balance,
            "facts": [
                {"label": "Total", "value": money(found.total)},
                {"label": "To pay", "value": money(balance)},
                {"label": "Issued", "value": day(found.issued_on)},
                {"label": "Due", "value": day(found.due_on)},
            ],
            "lines": found.lines.select_related("ticket"),
            "sums": queries.printed_sums(found),
            "payments": found.payments.select_related("entered_by"),
            "credit_note": getattr(found, "credit_note", None),
            "held": queries.money_held(found.order),
        },
    )


@allowed(May.SEE_PRICES)
def invoice_print(request, pk):
    found = get_object_or_404(queries.with_balance(), pk=pk)
    return HttpResponse(papers.html("invoice", found.figures, notice=queries.notice(found)))


@allowed(May.SEE_PRICES)
def invoice_pdf(request, pk):
    found = get_object_or_404(queries.with_balance(), pk=pk)
    try:
        made = papers.pdf(papers.html("invoice", found.figures, notice=queries.notice(found)))
    except papers.PdfUnavailable as error:
        messages.error(request, str(error))
        return redirect("invoice", pk)
    response = HttpResponse(made, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{found.number}.pdf"'
    return response


@allowed(May.ISSUE_PAPERS)
def credit_note(request, pk):
    found = get_object_or_404(queries.with_balance(), pk=pk)
    form = CreditForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            note = actions.issue_credit_note(
                invoice=found, by=request.user, now=timezone.now(), why=form.cleaned_data["why"]
            )
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Invoice {found.number} is cancelled by credit note {note.number}.")
            return redirect("invoice", note.pk)
    return render(request, "billing/credit_note.html", {"invoice": found, "form": form})


@allowed(May.ISSUE_PAPERS)
def payment_new(request, order_pk):
    order = get_object_or_404(Order.objects.select_related("customer"), pk=order_pk)
    symbol = the_shop().currency_symbol
    if request.method == "POST":
        form = PaymentForm(request.POST, order=order, symbol=symbol)
        if form.is_valid():
            try:
                payment = actions.record_payment(order=order, by=request.user, **form.cleaned_data)
            except ValidationError as error:
                form.refuse(error)
            else:
                about = payment.invoice or f"order {order.number}, as a deposit"
                messages.success(request, f"{symbol}{payment.amount:,.2f} is recorded for {about}.")
                if payment.invoice_id:
                    return redirect("invoice", payment.invoice_id)
                return redirect(reverse("payment_new", args=[order.pk]))
    else:
        asked = request.GET.get("invoice", "")
        due = queries.open_invoices().filter(order=order)
        due = due.filter(pk=asked).first() if asked.isdecimal() else due.first()
        form = PaymentForm(
            order=order,
            symbol=symbol,
            initial={
                "paid_on": shop_today(),
                "invoice": due,
                "amount": queries.balance_of(due) if due else None,
            },
        )
    return render(
        request,
        "billing/payment_new.html",
        {
            "order": order,
            "form": form,
            "payments": queries.payments_of(order),
            "held": queries.money_held(order),
            "received": queries.total_of(order.payments),
            "deposit": queries.deposit_asked(order),
        },
    )


urlpatterns = [
    path("invoices/", invoices, name="invoices"),
    path("orders/<int:order_pk>/invoices/new/", invoice_new, name="invoice_new"),
    path("orders/<int:order_pk>/payments/new/", payment_new, name="payment_new"),
    path("invoices/<int:pk>/", invoice, name="invoice"),
    path("invoices/<int:pk>/pdf/", invoice_pdf, name="invoice_pdf"),
    path("invoices/<int:pk>/print/", invoice_print, name="invoice_print"),
    path("invoices/<int:pk>/credit/", credit_note, name="credit_note"),
]
