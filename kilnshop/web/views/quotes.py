"""Quotes: try one, save it, print it, write down the answer."""

import datetime as dt

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges import money as charge_money
from kilnshop.charges.queries import free_from
from kilnshop.documents import render as papers
from kilnshop.orders import actions, queries, quoting
from kilnshop.orders.models import Order, Quote
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import shop_today, tariff_on
from kilnshop.shop.roles import May
from kilnshop.web import estimates
from kilnshop.web.access import allowed
from kilnshop.web.forms.orders import DecisionForm, QuoteForm
from kilnshop.web.templatetags.shopfloor import day, money, range_days
from kilnshop.web.views.compare import address, compared


@allowed(May.ISSUE_PAPERS, May.SEE_PRICES)
def quote_draft(request, order_pk):
    order = get_object_or_404(Order.objects.select_related("customer"), pk=order_pk)
    today = shop_today()
    chambers = list(Chamber.objects.filter(active=True))
    if not chambers:
        messages.error(request, "There is no active chamber to dry in. Add one under Set-up, Chambers.")
        return redirect("order", order.pk)
    asked = request.GET.get("chamber", "")
    chamber = next((one for one in chambers if one.key == asked), chambers[0])
    data = request.POST
    if request.method != "POST":
        first_day = _free_day(order, chamber, today)
        data = {"chamber": chamber.pk, "first_day": first_day, "tally_basis": "green", "price_by": "bf"}
    form = QuoteForm(data)
    draft = None
    if form.is_valid():
        chosen = {
            "order": order,
            "chamber": form.cleaned_data["chamber"],
            "first_day": form.cleaned_data["first_day"],
            "by_chamber_day": form.cleaned_data["price_by"] == "day",
            "beside": charge_money.beside(form.cleaned_data["first_day"], tariff_on(today), request.shop),
        }
        now = timezone.now()
        try:
            if request.POST.get("do") == "save":
                quote = actions.save_quote(
                    **chosen,
                    tally_basis=form.cleaned_data["tally_basis"],
                    by=request.user,
                    now=now,
                )
                said = "is saved" if quote.issued_at == now else "says the same already, so none was added"
                messages.success(request, f"Quote {quote.number} {said}. Print it or send its PDF.")
                return redirect("quote", quote.pk)
            draft = quoting.draft(**chosen, today=today)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "orders/quote_draft.html",
        {
            "order": order,
            "form": form,
            "draft": draft,
            "window": quoting.ready_window(draft) if draft else None,
            "could_move": quoting.could_move(draft) if draft else (),
            "panel": estimates.panel(draft, request.user) if draft else None,
            "compare": address(draft.lots, draft.chamber, draft.first_day) if draft else "",
            "newest": queries.newest_quote(order),
        },
    )


def _free_day(order: Order, chamber: Chamber, today: dt.date) -> dt.date:
    """The first day from which the calendar has room for the whole high end of the estimate."""
    try:
        draft = quoting.draft(order=order, chamber=chamber, today=today, first_day=today)
    except ValidationError:
        return today
    _, ready = quoting.ready_window(draft)
    return free_from(chamber, today, (ready - today).days + 1) or today


@allowed(May.SEE_PRICES)
def quote(request, pk):
    found = get_object_or_404(
        Quote.objects.select_related("order", "order__customer", "issued_by", "decided_by"), pk=pk
    )
    today = shop_today()
    newest = queries.newest_quote(found.order)
    state = queries.quote_state(found, today, newest.revision)
    days = found.figures["days"]
    facts = [
        {"label": "Total with tax", "value": money(found.total)},
        {"label": "Days in the kiln", "value": range_days(days), "kind": "estimate"},
        {"label": "Ready", "value": f"{day(found.ready_low)} to {day(found.ready_high)}", "kind": "estimate"},
        {"label": "Price holds until", "value": day(found.valid_until)},
    ]
    if request.user.may(May.SEE_MARGINS):
        facts.append({"label": "Our cost", "value": money(found.cost), "kind": "estimate"})
    return render(
        request,
        "orders/quote.html",
        {
            "quote": found,
            "state": state,
            "newest": newest,
            "facts": facts,
            "frozen": estimates.frozen(found.figures),
            "lines": found.lines.all(),
            "compare": compared(found),
            "form": DecisionForm(initial={"on": today}),
            "can_decide": state in (queries.WAITING, queries.LAPSED) and not found.order.cancelled_at,
        },
    )


@require_POST
@allowed(May.ISSUE_PAPERS)
def quote_decide(request, pk):
    found = get_object_or_404(Quote, pk=pk)
    form = DecisionForm(request.POST)
    if form.is_valid():
        try:
            decided = actions.decide_quote(quote=found, by=request.user, **form.cleaned_data)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
        else:
            if decided.decision == Quote.Decision.ACCEPTED:
                messages.success(
                    request,
                    f"Quote {decided.number} is accepted. The order is firm; its lots wait in the yard.",
                )
                return redirect("order", decided.order_id)
            messages.success(request, f"Quote {decided.number} is declined.")
    else:
        wrong = [f"{form[name].label}: {' '.join(errors)}" for name, errors in form.errors.items()]
        messages.error(request, "Not saved. " + " ".join(wrong))
    return redirect("quote", pk)


@allowed(May.SEE_PRICES)
def quote_print(request, pk):
    found = get_object_or_404(Quote.objects.select_related("order"), pk=pk)
    return HttpResponse(papers.html("quote", found.figures, notice=_notice(found)))


@allowed(May.SEE_PRICES)
def quote_pdf(request, pk):
    found = get_object_or_404(Quote.objects.select_related("order"), pk=pk)
    try:
        made = papers.pdf(papers.html("quote", found.figures, notice=_notice(found)))
    except papers.PdfUnavailable as error:
        messages.error(request, str(error))
        return redirect("quote", pk)
    name = papers.file_name(found.number, found.figures["issued_on"])
    return HttpResponse(
        made,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


def _notice(quote: Quote) -> str:
    newest = queries.newest_quote(quote.order)
    return f"Replaced by quote {newest.number}" if newest and newest.revision > quote.revision else ""


urlpatterns = [
    path("orders/<int:order_pk>/quote/", quote_draft, name="quote_draft"),
    path("quotes/<int:pk>/", quote, name="quote"),
    path("quotes/<int:pk>/pdf/", quote_pdf, name="quote_pdf"),
    path("quotes/<int:pk>/print/", quote_print, name="quote_print"),
    path("quotes/<int:pk>/decide/", quote_decide, name="quote_decide"),
]
