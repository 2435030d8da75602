"""Tickets: the list, one ticket and its paper, and handing over lots of an order."""

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET
from django_tables2 import RequestConfig

from kilnshop.documents import render as papers
from kilnshop.orders.models import Order
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May
from kilnshop.tickets import actions, queries
from kilnshop.tickets.figures import ticket_figures
from kilnshop.tickets.models import Ticket
from kilnshop.web.access import allowed
from kilnshop.web.forms.tickets import FindTickets, TicketForm
from kilnshop.web.tables.tickets import TicketTable


@require_GET
def tickets(request):
    form = FindTickets(request.GET)
    wanted = form.cleaned_data if form.is_valid() else {}
    rows = queries.tickets(wanted.get("show", ""), wanted.get("words", ""))
    table = RequestConfig(request, paginate={"per_page": 50}).configure(TicketTable(rows))
    context = {
        "table": table,
        "any": Ticket.objects.exists(),
        "waiting": queries.orders_to_deliver(),
        "form": form,
    }
    return render(request, "tickets/tickets.html", context)


@require_GET
def ticket(request, pk):
    found = get_object_or_404(queries.tickets(), pk=pk)
    newer = queries.successor(found)
    lots = papers.pictured(found.figures)
    context = {"ticket": found, "figures": found.figures, "lots": lots, "newer": newer}
    return render(request, "tickets/ticket.html", context)


def _paper(found: Ticket) -> str:
    return papers.html("ticket", found.figures, notice=queries.notice(found))


@require_GET
def ticket_print(request, pk):
    return HttpResponse(_paper(get_object_or_404(Ticket, pk=pk)))


@require_GET
def ticket_pdf(request, pk):
    found = get_object_or_404(Ticket, pk=pk)
    try:
        content = papers.pdf(_paper(found))
    except papers.PdfUnavailable as error:
        context = {"ticket": found, "problem": str(error)}
        return render(request, "tickets/no_pdf.html", context, status=503)
    name = papers.file_name(found.number, found.figures["issued_on"])
    return HttpResponse(
        content,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@allowed(May.ISSUE_PAPERS)
def ticket_new(request, order_pk):
    order = get_object_or_404(Order.objects.select_related("customer"), pk=order_pk)
    replaces = request.GET.get("replaces", "")
    replacing = get_object_or_404(Ticket, pk=replaces, order=order) if replaces.isdecimal() else None
    standings = queries.standings(order, replacing)
    today = shop_today()
    old = set(replacing.ticket_lots.values_list("charge_lot_id", flat=True)) if replacing else None
    ready = [row.charge_lot.pk for row in standings if row.deliverable]
    initial = {
        "charge_lots": [str(pk) for pk in ready if old is None or pk in old],
        "delivered_on": replacing.delivered_on if replacing else today,
    }
    form = TicketForm(
        request.POST or None, initial=initial, standings=standings, replacing=replacing is not None
    )
    preview = None
    if request.method == "POST" and form.is_valid():
        chosen = {
            "order": order,
            "charge_lots": form.cleaned_data["charge_lots"],
            "delivered_on": form.cleaned_data["delivered_on"],
            "supersedes": replacing,
            "why": form.cleaned_data.get("why", ""),
        }
        try:
            if "issue" in request.POST:
                issued = actions.issue_ticket(**chosen, by=request.user, now=timezone.now())
                return redirect("ticket", pk=issued.pk)
            rows = actions.check_delivery(**chosen, today=today)
            figures = ticket_figures(
                order=order,
                charge_lots=rows,
                shop=the_shop(),
                by=request.user,
                delivered_on=chosen["delivered_on"],
                issued_on=today,
            )
            preview = papers.pictured(figures)
        except ValidationError as error:
            form.refuse(error)
    context = {
        "order": order,
        "form": form,
        "preview": preview,
        "ready": ready,
        "standings": standings,
        "replacing": replacing,
    }
    return render(request, "tickets/ticket_new.html", context)


urlpatterns = [
    path("tickets/", tickets, name="tickets"),
    path("tickets/<int:pk>/", ticket, name="ticket"),
    path("tickets/<int:pk>/print/", ticket_print, name="ticket_print"),
    path("tickets/<int:pk>/pdf/", ticket_pdf, name="ticket_pdf"),
    path("orders/<int:order_pk>/ticket/", ticket_new, name="ticket_new"),
]
