"""Orders, their lots, and the yard."""

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import ProtectedError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import include, path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST
from django_tables2 import RequestConfig

from kilnshop.billing.queries import job_margin, tickets_to_invoice
from kilnshop.charges import money
from kilnshop.documents import render as papers
from kilnshop.orders import actions, queries, quoting
from kilnshop.orders.models import Lot, Order
from kilnshop.shop.models import Chamber, Customer
from kilnshop.shop.papers import shop_block
from kilnshop.shop.queries import shop_today, tariff_on
from kilnshop.shop.roles import May
from kilnshop.web import costs, estimates
from kilnshop.web.access import allowed
from kilnshop.web.forms.orders import (
    ArrivalForm,
    CancelForm,
    FilterForm,
    LabelsForm,
    LotForm,
    OrderDetailsForm,
    OrderForm,
    PromiseForm,
)
from kilnshop.web.tables.orders import OrderTable
from kilnshop.web.templatetags.shopfloor import volume
from kilnshop.web.views.errors import bad_request


def orders(request):
    today = shop_today()
    form = FilterForm(request.GET)
    chosen = form.cleaned_data if form.is_valid() else {"show": "", "words": ""}
    table = OrderTable(
        queries.listed(chosen.get("show", ""), chosen.get("words", "")),
        today=today,
        prices=request.user.may(May.SEE_PRICES),
    )
    RequestConfig(request).configure(table)
    counts = queries.counts()
    return render(request, "orders/orders.html", {"table": table, "form": form, "counts": counts})


@allowed(May.EDIT_ORDERS)
def order_new(request):
    customer = request.GET.get("customer", "")
    first = {"received_on": shop_today(), "customer": customer if customer.isdecimal() else None}
    form = OrderForm(request.POST or None, initial=first)
    if request.method == "POST" and form.is_valid():
        try:
            made = actions.create_order(**form.cleaned_data, by=request.user, now=timezone.now())
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Order {made.number} is taken in. Now describe its first lot.")
            return redirect("lot_new", made.pk)
    return render(request, "orders/order_new.html", {"form": form, "any": Customer.objects.exists()})


@allowed(May.EDIT_ORDERS)
def order_edit(request, pk):
    found = get_object_or_404(Order.objects.select_related("customer"), pk=pk)
    names = ("needed_by", "customer_reference", "notes")
    form = OrderDetailsForm(request.POST or None, initial={name: getattr(found, name) for name in names})
    if request.method == "POST" and form.is_valid():
        try:
            actions.change_order(order=found, by=request.user, **form.cleaned_data)
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Order {found.number} is saved.")
            return redirect("order", found.pk)
    return render(request, "orders/order_edit.html", {"order": found, "form": form})


def chosen_chamber(request) -> Chamber | None:
    active = list(Chamber.objects.filter(active=True))
    key = request.POST.get("chamber") or request.GET.get("chamber", "")
    return next((chamber for chamber in active if chamber.key == key), active[0] if active else None)


def estimate_panel(
    request, order: Order, lots: list[Lot], chamber: Chamber | None, quick: bool = False
) -> dict:
    """The panel's context; what is missing stands in `problem`."""
    if not lots:
        return {"problem": "Describe a lot and the estimate shows here."}
    if chamber is None:
        return {"problem": "There is no active chamber to estimate in. Add one under Set-up, Chambers."}
    today = shop_today()
    try:
        draft = quoting.draft_lots(
            order=order,
            lots=lots,
            chamber=chamber,
            today=today,
            first_day=today,
            beside=money.beside(today, tariff_on(today), request.shop),
            quick=quick,
        )
        return estimates.panel(draft, request.user, quick)
    except (ValidationError, ValueError) as error:
        return {"problem": " ".join(getattr(error, "messages", [str(error)]))}


def order(request, pk):
    found = get_object_or_404(queries.orders(), pk=pk)
    today = shop_today()
    lots = list(found.lots.all())
    for lot in lots:
        lot.order = found
    newest, accepted = queries.newest_quote(found), queries.accepted_quote(found)
    chamber = chosen_chamber(request)
    names = queries.species_names(lots)
    job = job_margin(found, request.shop) if request.user.may(May.SEE_MARGINS) else None
    stage = queries.order_stage(found, today)
    return render(
        request,
        "orders/order.html",
        {
            "margin": costs.margin(job) if job else None,
            "order": found,
            "stage": stage,
            "to_invoice": stage == queries.DELIVERED and tickets_to_invoice(found).exists(),
            "lots": [
                {"lot": lot, "species": names[lot.species_key], "stage": queries.lot_stage(lot)}
                for lot in lots
            ],
            "quotes": [
                {
                    "quote": quote,
                    "state": queries.quote_state(quote, today, newest.revision if newest else None),
                }
                for quote in found.quotes.all()
            ],
            "newest": newest,
            "accepted": accepted,
            "promises": list(found.promises.all()),
            "chambers": Chamber.objects.filter(active=True),
            "chamber": chamber,
            "panel": estimate_panel(request, found, lots, chamber),
            "promise_form": PromiseForm(prefix="promise"),
            "cancel_form": CancelForm(prefix="cancel"),
            "charges": queries.charges_of(found),
        },
    )


def _order_action(request, pk, form, act, told: str):
    """Run one small form of the order page and come back to it, saying what happened."""
    if form.is_valid():
        try:
            act()
            messages.success(request, told)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
    else:
        wrong = [f"{form[name].label}: {' '.join(errors)}" for name, errors in form.errors.items()]
        messages.error(request, "Not saved. " + " ".join(wrong))
    return redirect("order", pk)


@require_POST
@allowed(May.EDIT_ORDERS)
def order_promise(request, pk):
    found, form = get_object_or_404(Order, pk=pk), PromiseForm(request.POST, prefix="promise")
    return _order_action(
        request,
        pk,
        form,
        lambda: actions.set_promise(order=found, by=request.user, now=timezone.now(), **form.cleaned_data),
        "The promise is written down.",
    )


@require_POST
@allowed(May.EDIT_ORDERS)
def order_cancel(request, pk):
    found, form = get_object_or_404(Order, pk=pk), CancelForm(request.POST, prefix="cancel")
    return _order_action(
        request,
        pk,
        form,
        lambda: actions.cancel_order(order=found, by=request.user, now=timezone.now(), **form.cleaned_data),
        f"Order {found.number} is cancelled.",
    )


def _save_photos(request, lot: Lot, photos) -> None:
    for photo in photos:
        actions.add_photo(lot=lot, image=photo, by=request.user, now=timezone.now())


@allowed(May.EDIT_ORDERS)
def lot_new(request, order_pk):
    found = get_object_or_404(Order.objects.select_related("customer"), pk=order_pk)
    form = LotForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                lot = actions.add_lot(
                    order=found, by=request.user, data=form.lot_data(), tally=form.cleaned_data["tally"]
                )
                _save_photos(request, lot, form.cleaned_data["photos"])
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Lot {lot} is saved.")
            if request.POST.get("do") == "another":
                return redirect("lot_new", found.pk)
            return redirect("order", found.pk)
    context = {"order": found, "form": form, "letter": actions.next_letter(found)}
    return render(request, "orders/lot.html", context)


@allowed(May.EDIT_ORDERS)
def lot(request, pk):
    found = get_object_or_404(Lot.objects.select_related("order", "order__customer"), pk=pk)
    form = LotForm(request.POST or None, request.FILES or None, lot=found)
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                actions.change_lot(
                    lot=found, by=request.user, data=form.lot_data(), tally=form.cleaned_data["tally"]
                )
                _save_photos(request, found, form.cleaned_data["photos"])
        except ValidationError as error:
            form.refuse(error)
        else:
            messages.success(request, f"Lot {found} is saved.")
            return redirect("order", found.order_id)
    return render(
        request,
        "orders/lot.html",
        {
            "order": found.order,
            "lot": found,
            "letter": found.letter,
            "form": form,
            "photos": found.photos.select_related("by"),
            "accepted": queries.accepted_quote(found.order),
        },
    )


@require_POST
@allowed(May.EDIT_ORDERS)
def lot_remove(request, pk):
    found = get_object_or_404(Lot.objects.select_related("order"), pk=pk)
    name = str(found)
    try:
        actions.remove_lot(lot=found, by=request.user)
        messages.success(request, f"Lot {name} is removed.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    except ProtectedError:
        messages.error(request, f"Lot {name} is in a charge, so it stays on record.")
    return redirect("order", found.order_id)


@require_POST
@allowed(May.EDIT_ORDERS)
def order_estimate(request, pk):
    """The estimate of the order with the lot that is being typed, as a fragment."""
    found = get_object_or_404(Order.objects.select_related("customer"), pk=pk)
    saved = list(found.lots.all())
    number = request.POST.get("lot", "")
    typed = next((lot for lot in saved if str(lot.pk) == number), None)
    others = [lot for lot in saved if lot is not typed]
    form = LotForm(request.POST, lot=typed)
    panel: dict = {}
    if form.is_valid():
        draft = typed or Lot(order=found, letter=actions.next_letter(found))
        try:
            lines = actions.shape_lot(draft, form.lot_data(), form.cleaned_data["tally"])
            draft.clean_fields(exclude=["order"])
            lots = sorted([*others, draft], key=lambda lot: (len(lot.letter), lot.letter))
            for lot in lots:
                lot.order = found
            quick = not request.POST.get("cure")
            panel = estimate_panel(request, found, lots, chosen_chamber(request), quick)
            panel["typed"] = {"lot": draft, "pieces": sum(line.pieces for line in lines)}
        except ValidationError as error:
            panel = {"problem": " ".join(error.messages)}
    else:
        panel = {
            "problem": "The estimate shows as soon as these are right:",
            "missing": [
                f"{form[name].label}: {'still to be given' if errors[0].code == 'required' else errors[0].messages[0]}"
                for name, errors in form.errors.as_data().items()
                if name in form.fields
            ],
        }
    return render(request, "orders/estimate.html", {"panel": panel, "order": found})


def yard(request):
    lots = list(queries.waiting_lots())
    today = shop_today()
    names = queries.species_names(lots)
    places = sorted({lot.yard_place for lot in lots if lot.yard_place})
    rows = [
        {
            "lot": lot,
            "species": names[lot.species_key],
            "days": (today - lot.arrived_on).days if lot.arrived_on else None,
            "waits": (today - lot.firm_on).days,
            "others": [place for place in places if place != lot.yard_place],
            "form": ArrivalForm(
                prefix=str(lot.pk), initial={"arrived_on": lot.arrived_on or today, "place": lot.yard_place}
            ),
        }
        for lot in lots
    ]
    here = [row for row in rows if row["lot"].arrived_on]
    coming = [row for row in rows if not row["lot"].arrived_on]
    return render(
        request,
        "orders/yard.html",
        {
            "here": here,
            "coming": coming,
            "total": queries.volume_of(lots),
            "longest": max((row["days"] for row in here), default=0),
            "sheets": LabelsForm.SHEETS,
        },
    )


def labels(request):
    """Labels of the lots that are here, or of those asked for, on a sheet or one a page."""
    form = LabelsForm(request.GET)
    if not form.is_valid():
        return bad_request(request)
    given = form.cleaned_data
    chosen = given["lot"] or [lot for lot in queries.waiting_lots() if lot.arrived_on]
    names = queries.species_names(chosen)
    made = [
        {
            "tag": lot.tag,
            "initials": lot.order.customer.initials,
            "lot": str(lot),
            "wood": f"{lot.thickness_label} {names[lot.species_key]}",
            "volume": volume(lot.volume_bf),
            "arrived_on": lot.arrived_on,
            "address": f"{settings.SITE_URL}{reverse('lot', args=[lot.pk])}",
        }
        for lot in chosen
    ]
    page = papers.html(
        "labels",
        {
            "shop": shop_block(request.shop),
            "sheet": given["sheet"],
            "pages": papers.label_pages(made, given["sheet"], given["start"]),
        },
    )
    try:
        return HttpResponse(papers.pdf(page), content_type="application/pdf")
    except papers.PdfUnavailable:
        return HttpResponse(page)


@require_POST
@allowed(May.EDIT_ORDERS)
def lot_arrived(request, pk):
    found = get_object_or_404(Lot.objects.select_related("order"), pk=pk)
    form = ArrivalForm(request.POST, prefix=str(found.pk))
    if form.is_valid():
        try:
            actions.mark_arrived(lot=found, by=request.user, now=timezone.now(), **form.cleaned_data)
            messages.success(request, f"Lot {found} is in the yard at {found.yard_place or 'its place'}.")
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
    else:
        wrong = [f"{form[name].label}: {' '.join(errors)}" for name, errors in form.errors.items()]
        messages.error(request, f"Lot {found} not saved. " + " ".join(wrong))
    return redirect("yard")


urlpatterns = [
    path("orders/", orders, name="orders"),
    path("orders/new/", order_new, name="order_new"),
    path("orders/<int:pk>/", order, name="order"),
    path("orders/<int:pk>/edit/", order_edit, name="order_edit"),
    path("orders/<int:pk>/estimate/", order_estimate, name="order_estimate"),
    path("orders/<int:pk>/promise/", order_promise, name="order_promise"),
    path("orders/<int:pk>/cancel/", order_cancel, name="order_cancel"),
    path("orders/<int:order_pk>/lots/new/", lot_new, name="lot_new"),
    path("lots/<int:pk>/", lot, name="lot"),
    path("lots/<int:pk>/remove/", lot_remove, name="lot_remove"),
    path("lots/<int:pk>/arrived/", lot_arrived, name="lot_arrived"),
    path("yard/", yard, name="yard"),
    path("yard/labels/", labels, name="labels"),
    path("", include("kilnshop.web.views.quotes")),
]
