"""The checklists of a charge, signed on the page or printed for a clipboard; starting, finishing and unloading it."""

from functools import partial

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone

from kilnshop.charges import checklists, following, running
from kilnshop.charges.models import Charge, Checklist
from kilnshop.documents import render as papers
from kilnshop.shop.papers import shop_block
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import charge_words, sheets
from kilnshop.web.access import allowed
from kilnshop.web.forms import running as forms
from kilnshop.web.templatetags.shopfloor import mc
from kilnshop.web.views.charge import charge_found

SIGN_WORDS = {
    "loading": "Sign: loaded",
    "start": "Sign and start charge",
    "daily": "Sign the round",
    "step": "Sign, then confirm the step",
    "heat": "Sign: ready for heat",
    "finish": "Sign: the charge is dry",
    "unload": "Sign and unload",
}


def _about_list(charge: Charge, form, kind: str) -> dict:
    wanted = checklists.SIGNED_WHEN[kind]
    refused = f"Charge {charge} is {charge.state}; this list is signed when it is {wanted}."
    notes = []
    if kind == "start" and not charge.probes.exists():
        notes.append(
            {"severity": "note", "text": "No probes are set up yet. Set them up before the door is shut."}
        )
    governing = following.outlook(charge, timezone.now()).governing if kind == "finish" else None
    if governing:
        notes.append(
            {
                "severity": "note" if governing.measured else "caution",
                "text": f"Moisture that governs: {charge_words.moisture_of(governing)} ({governing.how}); the driest "
                f"target is {mc(following.target_mc_pct(charge))}.",
            }
        )
    return {
        "charge": charge,
        "form": form,
        "kind": kind,
        "title": Checklist.Kind(kind).label,
        "submit": SIGN_WORDS[kind],
        "defer": checklists.DEFER,
        "refused": "" if charge.state == wanted else refused,
        "warnings": notes,
    }


def _signed(request, pk, kind: str, act, done_word: str, to: str = "charge"):
    """Show a checklist, or sign it and do what it is for; then on to the page `to` of the charge."""
    found = charge_found(pk)
    form = forms.ChecklistForm(request.POST or None, kind=kind, initial={"initials": request.user.initials})
    if request.method == "POST" and form.is_valid():
        try:
            act(
                charge=found,
                lines=form.answers(),
                initials=form.cleaned_data["initials"],
                by=request.user,
                now=timezone.now(),
            )
            messages.success(request, f"Charge {found} {done_word}.")
            return redirect(to, found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/checklist.html",
        _about_list(found, form, kind),
    )


@allowed(May.RECORD_READINGS)
def charge_list(request, pk, kind):
    """A list signed by itself."""
    if kind not in checklists.ALONE:
        raise Http404(f"There is no list “{kind}”.")
    signed = partial(running.sign_list, kind=kind)
    to = "charge_step" if kind == "step" and request.user.may(May.RUN_CHARGES) else "charge"
    return _signed(request, pk, kind, signed, f"has its list “{Checklist.Kind(kind).label}” signed", to)


@allowed(May.RECORD_READINGS)
def charge_list_paper(request, pk, kind, form):
    found = charge_found(pk)
    page = _list_paper(kind, form, request.shop, found)
    name = f"{Checklist.Kind(kind).label} {found}" if form == "pdf" else ""
    else_to = reverse("charge_list_paper", args=[pk, kind, "print"])
    return sheets.answer(request, page, pdf_name=name, else_to=else_to)


@allowed(May.RECORD_READINGS)
def shop_list_paper(request, kind, form):
    """The list without a charge, to keep a stack of them."""
    page = _list_paper(kind, form, request.shop)
    name = Checklist.Kind(kind).label if form == "pdf" else ""
    return sheets.answer(
        request, page, pdf_name=name, else_to=reverse("shop_list_paper", args=[kind, "print"])
    )


def _list_paper(kind: str, form: str, shop, charge: Charge | None = None) -> str:
    if kind not in checklists.LISTS or form not in ("print", "pdf"):
        raise Http404(f"There is no list “{kind}” to {form}.")
    return papers.html(
        "checklist",
        {
            "shop": shop_block(shop),
            "number": charge.number if charge else "",
            "issued_on": shop_today(),
            "paper": shop.paper,
            "title": Checklist.Kind(kind).label,
            "chamber": charge.chamber.name if charge else "",
            "days": range(checklists.ROUND_DAYS) if kind == "daily" else (),
            "lines": charge_words.in_own_units(checklists.lines_of(kind)),
            "defer": checklists.DEFER,
        },
    )


@allowed(May.RUN_CHARGES)
def start(request, pk):
    return _signed(request, pk, "start", running.start_charge, "is started")


@allowed(May.RUN_CHARGES)
def finish(request, pk):
    return _signed(request, pk, "finish", running.finish_charge, "is dry; let it cool")


@allowed(May.RUN_CHARGES)
def unload(request, pk):
    found = charge_found(pk)
    lots = following.lots_of(found)
    form = forms.UnloadForm(request.POST or None, lots=lots, initial={"initials": request.user.initials})
    if request.method == "POST" and form.is_valid():
        try:
            running.unload_charge(
                charge=found,
                lines=form.answers(),
                initials=form.cleaned_data["initials"],
                counts=form.counts(),
                by=request.user,
                now=timezone.now(),
            )
            messages.success(request, f"Charge {found} is unloaded; {found.chamber} is free.")
            return redirect("charge", found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/unload.html",
        _about_list(found, form, "unload"),
    )


urlpatterns = [
    path("charges/<int:pk>/start/", start, name="charge_start"),
    path("charges/<int:pk>/finish/", finish, name="charge_finish"),
    path("charges/<int:pk>/unload/", unload, name="charge_unload"),
    path("charges/<int:pk>/lists/<str:kind>/", charge_list, name="charge_list"),
    path("charges/<int:pk>/lists/<str:kind>/<str:form>/", charge_list_paper, name="charge_list_paper"),
    path("set-up/lists/<str:kind>/<str:form>/", shop_list_paper, name="shop_list_paper"),
]
