"""The plan of a quote's lots, of one lot alone, or of a charge: one page, and the same on paper."""

import datetime as dt
from dataclasses import replace

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse

from kilnshop.charges import money as charge_money
from kilnshop.charges.models import Charge
from kilnshop.documents import render as papers
from kilnshop.orders import quoting
from kilnshop.orders.models import Lot, Quote
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import rate_card_on, shop_today, tariff_on
from kilnshop.shop.roles import May
from kilnshop.web import costs, estimates, plans
from kilnshop.web.access import allowed
from kilnshop.web.templatetags.shopfloor import money, volume
from kilnshop.web.views.charge import charge_found
from kilnshop.web.views.compare import address, compared
from kilnshop.web.views.orders import chosen_chamber

FORMS = ("print", "pdf")
SHEETS = ("set-points", "set-points-pdf")
NO_CURVES = "This estimate was frozen without its curves, so there is no plan to draw."


def _answer(request, subject: plans.Subject | None, form: str, **context) -> HttpResponse:
    """The page, or the paper when a form of FORMS or, with a chamber to set, of SHEETS is asked for."""
    papers_here = (*FORMS, *SHEETS) if subject and subject.room else FORMS
    if form and (form not in papers_here or subject is None):
        raise Http404("There is no such paper.")
    if not form or subject is None:
        plan = plans.page(subject) if subject else None
        context["sheet"] = bool(subject and subject.room)
        sentence = plan["sentence"] if plan else context["problem"]
        return render(request, "plan/plan.html", {"plan": plan, "sentence": sentence, **context})
    today = shop_today()
    if form in SHEETS:
        name = "Set points"
        page = papers.html("set_points", plans.set_point_sheet(subject, request.shop, today))
    else:
        name = "Plan"
        page = papers.html("plan", plans.paper(subject, request.shop, today))
    if not form.endswith("pdf"):
        return HttpResponse(page)
    try:
        made = papers.pdf(page)
    except papers.PdfUnavailable as error:
        messages.error(request, str(error))
        return redirect(context["here"])
    name = papers.file_name(f"{name} {subject.number}", today)
    return HttpResponse(
        made,
        content_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@allowed(May.SEE_PRICES)
def plan_of_quote(request, pk, form=""):
    """As the quote froze it."""
    found = get_object_or_404(Quote.objects.select_related("order"), pk=pk)
    figures = found.figures
    prices = [{"label": "Quoted, with tax", "value": money(found.total)}]
    if request.user.may(May.SEE_MARGINS):
        prices.append({"label": "Our cost", "value": money(found.cost), "kind": "estimate"})
    subject = None
    if plans.complete(figures.get("estimate", {})):
        subject = plans.Subject(
            title="Plan of a quote",
            number=found.number,
            chamber=figures["chamber"],
            first_day=dt.date.fromisoformat(figures["first_day"]),
            estimate=plans.thawed(figures["estimate"]),
            woods={
                lot["name"]: f"{lot['thickness']} {lot['species']}, {volume(lot['volume_bf'], 1)}"
                for lot in figures["lots"]
            },
            targets={lot["name"]: lot["target"] for lot in figures["lots"]},
            money=prices,
        )
    here = reverse("plan_of_quote", args=[pk])
    links = [(f"Quote {found.number}", reverse("quote", args=[pk]))]
    if there := compared(found):
        links.insert(0, ("Compare", there))
    return _answer(
        request,
        subject,
        form,
        heading=f"Plan of quote {found.number}",
        problem=NO_CURVES,
        here=here,
        links=links,
    )


def plan_of_lot(request, pk, form=""):
    """Worked out anew: the lot alone in a chamber, from today."""
    lot = get_object_or_404(Lot.objects.select_related("order", "order__customer"), pk=pk)
    chamber, today = chosen_chamber(request), shop_today()
    subject, problem = None, ""
    if chamber is None:
        problem = "There is no active chamber to estimate in. Add one under Set-up, Chambers."
    else:
        try:
            made = quoting.draft_lots(
                order=lot.order, lots=[lot], chamber=chamber, today=today, first_day=today
            )
            subject = plans.Subject(
                title="Plan of a lot",
                number=str(lot),
                chamber=chamber.name,
                room=chamber,
                first_day=today,
                estimate=made.estimate,
                woods=plans.woods_of([lot]),
                targets={str(lot): lot.target_mc_pct},
                money=estimates.money_facts(made.price, request.user),
            )
        except (ValidationError, ValueError) as error:
            problem = " ".join(getattr(error, "messages", [str(error)]))
    links = [
        ("Compare", address([lot], chamber)),
        (f"Order {lot.order.number}", reverse("order", args=[lot.order_id])),
    ]
    return _answer(
        request,
        subject,
        form,
        heading=f"Plan of lot {lot}",
        problem=problem,
        here=reverse("plan_of_lot", args=[pk]),
        asked=f"?chamber={chamber.key}" if chamber else "",
        chamber=chamber,
        chambers=list(Chamber.objects.filter(active=True)),
        links=links,
    )


def _own_cost(request, charge: Charge, subject: plans.Subject) -> list[dict]:
    """What the planned charge costs the shop, at today's prices, for those who may see it."""
    if subject.first_day is None or not request.user.may(May.SEE_MARGINS):
        return []
    card, tariff = rate_card_on(shop_today()), tariff_on(shop_today())
    lots = [row.lot for row in charge.charge_lots.select_related("lot__order")]
    beside = charge_money.beside(subject.first_day, tariff, request.shop, charge)
    return costs.facts(
        charge_money.planned(subject.estimate, lots, subject.first_day, request.shop, card, tariff, beside)
    )


def plan_of_charge(request, pk, form=""):
    """As it was booked, or moved last."""
    charge = charge_found(pk)
    subject = plans.of_charge(charge, request.shop)
    if subject:
        subject = replace(subject, money=_own_cost(request, charge, subject))
    links = [(f"Charge {charge}", reverse("charge", args=[pk]))]
    if charge.state == "planned" and charge.booking.first_day >= shop_today():
        lots = [row.lot for row in charge.charge_lots.all()]
        there = address(lots, charge.chamber, charge.booking.first_day, charge.schedule_code)
        links.insert(0, ("Compare", there))
    here = reverse("plan_of_charge", args=[pk])
    return _answer(
        request, subject, form, heading=f"Plan of charge {charge}", problem=NO_CURVES, here=here, links=links
    )


urlpatterns = [
    path("quotes/<int:pk>/plan/", plan_of_quote, name="plan_of_quote"),
    path("quotes/<int:pk>/plan/<str:form>/", plan_of_quote, name="plan_of_quote_paper"),
    path("lots/<int:pk>/plan/", plan_of_lot, name="plan_of_lot"),
    path("lots/<int:pk>/plan/<str:form>/", plan_of_lot, name="plan_of_lot_paper"),
    path("charges/<int:pk>/plan/", plan_of_charge, name="plan_of_charge"),
    path("charges/<int:pk>/plan/<str:form>/", plan_of_charge, name="plan_of_charge_paper"),
]
