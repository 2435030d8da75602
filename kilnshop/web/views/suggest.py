"""Charges suggested from the waiting lots, beside today's calendar and charges put together by hand."""

import datetime as dt
import json
import secrets
from dataclasses import asdict
from urllib.parse import urlencode

from django.contrib import messages
from django.core import signing
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges import actions, packing, queries, suggesting
from kilnshop.charges.calendar import DAY
from kilnshop.charges.suggesting import Draft, Suggestion
from kilnshop.orders.estimating import species_names
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web.access import allowed
from kilnshop.web.forms.charges import ByHandForm, PlanForm, SuggestForm
from kilnshop.web.templatetags.shopfloor import money, number
from kilnshop.web.views.logs import STREAM

SALT = "suggested charges"
USUAL = {"weeks": 12, "seconds": 30, "at_a_cost": True}
STOP_KEPT_S = 900


def _packed(found: Suggestion) -> str:
    plain = asdict(found)
    plain["drafts"] = [_written(draft) for draft in found.drafts]
    return signing.dumps(plain, salt=SALT, compress=True)


def _unpacked(token: str) -> Suggestion | None:
    try:
        plain = signing.loads(token, salt=SALT)
        plain["drafts"] = tuple(map(_read, plain["drafts"]))
        plain["left"] = tuple((pk, why) for pk, why in plain["left"])
        return Suggestion(**plain)
    except (signing.BadSignature, TypeError, KeyError, ValueError):
        return None


def _written(draft: Draft) -> str:
    return f"{draft.chamber}|{draft.first_day.isoformat()}|{','.join(map(str, draft.lots))}"


def _read(text: str) -> Draft:
    chamber, day, lots = text.split("|")
    return Draft(int(chamber), tuple(int(lot) for lot in lots.split(",")), dt.date.fromisoformat(day))


def _stop_key(key: str) -> str:
    return f"stop-suggesting-{key[:40]}"


@allowed(May.RUN_CHARGES)
def suggest(request):
    form = SuggestForm(request.POST or None, initial=USUAL)
    if request.method == "POST" and form.is_valid():
        key = _stop_key(request.POST.get("key", ""))
        steps = suggesting.suggest(
            shop=request.shop,
            today=shop_today(),
            stopped=lambda: bool(cache.get(key)),
            **form.cleaned_data,
        )
        if STREAM in request.headers.get("Accept", ""):
            return StreamingHttpResponse(_told(steps), content_type=STREAM)
        return redirect(_where(_finished(steps)))
    return _page(request, form)


def _where(found: Suggestion | None, **more) -> str:
    asked = ({"proposal": _packed(found)} if found else {}) | more
    return f"{reverse('suggest')}?{urlencode(asked)}" if asked else reverse("suggest")


def _finished(steps: suggesting.Search) -> Suggestion:
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


def _told(steps: suggesting.Search):
    """How far the search is, line by line, then where to go."""
    try:
        while True:
            yield json.dumps(asdict(next(steps))) + "\n"
    except StopIteration as end:
        yield json.dumps({"go": _where(end.value)}) + "\n"
    except ValueError as problem:
        yield json.dumps({"problem": str(problem)}) + "\n"


@allowed(May.RUN_CHARGES)
@require_POST
def suggest_stop(request):
    cache.set(_stop_key(request.POST.get("key", "")), True, STOP_KEPT_S)
    return HttpResponse(status=204)


def _by_hand(request, found: Suggestion | None, lots: list, today: dt.date):
    """The hand-made form, filled from the proposal until somebody changes it, and its drafts."""
    if "by_hand" in request.GET:
        form = ByHandForm(request.GET, lots=lots)
        if not form.is_valid():
            return form, []
        drafts, settled = [], []
        for chamber, chosen, day in form.charges():
            draft = Draft(chamber.pk, chosen, day or today)
            try:
                made = None if day else suggesting.settle(draft, request.shop, today, settled)
            except ValueError:
                made = None  # said where it is weighed
            if made:
                settled.append(made)
            drafts.append(made[0] if made else draft)
        return form, drafts
    initial = {}
    for n, draft in zip(ByHandForm.CHARGES, found.drafts if found else (), strict=False):
        initial |= {f"lot_{pk}": str(n) for pk in draft.lots}
        initial |= {f"chamber_{n}": draft.chamber, f"day_{n}": draft.first_day}
    return ByHandForm(lots=lots, initial=initial), []


def _page(request, form: SuggestForm):
    today = shop_today()
    found = _unpacked(request.GET.get("proposal", ""))
    lots = suggesting.queue()
    hand_form, hand_drafts = _by_hand(request, found, lots, today)
    proposed = suggesting.weigh(found.drafts, request.shop, today) if found else []
    hand = suggesting.weigh(hand_drafts, request.shop, today)
    last_day = today + (found.weeks if found else USUAL["weeks"]) * 7 * DAY
    scenes = [("Today's calendar", suggesting.scene([], request.shop, today, last_day))]
    if found:
        scenes.append(("With the proposal", suggesting.scene(proposed, request.shop, today, last_day)))
    if hand:
        scenes.append(("Made by hand", suggesting.scene(hand, request.shop, today, last_day)))
    names = species_names({lot.species_key for lot in lots})
    by_pk = {lot.pk: lot for lot in lots}
    return render(
        request,
        "charges/suggest.html",
        {
            "form": form,
            "key": secrets.token_urlsafe(12),
            "found": found,
            "token": request.GET.get("proposal", "") if found else "",
            "how": _how(found) if found else "",
            "loaded": sum(len(draft.lots) for draft in found.drafts) if found else 0,
            "proposed": [_shown(row, names) for row in proposed],
            "hand": [_shown(row, names) for row in hand],
            "hand_form": hand_form,
            "hand_rows": [(lot, names[lot.species_key], field) for lot, field in hand_form.lot_rows],
            "left": [(by_pk[pk], why) for pk, why in found.left if pk in by_pk] if found else [],
            "heads": [head for head, _ in scenes],
            "rows": _rows(scenes, request.user.may(May.SEE_PRICES)),
            "late_rows": [(head, scene.late) for head, scene in scenes if scene.late],
            "late": scenes[1][1].late if found else (),
            "last_day": last_day,
            "lots": lots,
            "waiting": queries.waiting_sums(),
            "any_chamber": Chamber.objects.filter(active=True).exists(),
            "has_highs": packing.has_highs(),
        },
    )


def _shown(row: suggesting.Weighed, names: dict[str, str]) -> dict:
    lots = row.plan.lots if row.plan else ()
    return {
        "row": row,
        "draft": _written(row.draft),
        "lots": [(lot, names[lot.species_key]) for lot in lots],
    }


def _rows(scenes: list, priced: bool) -> list[dict]:
    """What the calendars come to, side by side."""
    said = [
        ("Charges", lambda s: number(s.charges)),
        ("Quoted for their lots", lambda s: money(s.brings)),
        ("Quoted per chamber-day", lambda s: money(s.per_day)),
        ("Chamber-days held", lambda s: number(s.days_held)),
        ("Chamber-days idle", lambda s: number(s.days_idle)),
        ("Fill, on average", lambda s: f"{number(s.fill_pct)} %" if s.charges else "–"),
        ("Late promises", lambda s: number(len(s.late))),
    ]
    return [
        {"label": label, "cells": [(head, write(scene)) for head, scene in scenes]}
        for label, write in said
        if priced or not label.startswith("Quoted")
    ]


def _how(found: Suggestion) -> str:
    """Which solver it was, and how far from the best it may be."""
    solver = (
        "the HiGHS solver"
        if found.solver == "HiGHS"
        else "the step-by-step planner, which takes what earns most per chamber-day and then tries exchanges"
    )
    among = f"{'all' if found.complete else 'the'} {found.looked_at:,} {'possible' if found.complete else 'most promising'} charges"
    if found.breaks_open:
        far = "It is not proven that no further promise could be kept."
    elif not found.gap_pct:
        far = "It is proven that no other choice of them is worth more."
    else:
        far = f"The best choice of them is worth at most {number(found.gap_pct, 1)} % of its quoted prices more."
    early = " The search was stopped early." if found.stopped else ""
    return f"Found by {solver} among {among}. {far}{early}"


@allowed(May.RUN_CHARGES)
@require_POST
def suggest_accept(request):
    """Book the charges accepted, as made by hand; nothing where one of them is refused."""
    written, notes = request.POST.getlist("draft"), request.POST.getlist("note")
    asked = request.POST.get("accept", "")
    chosen = range(len(written)) if asked == "all" else [int(asked)] if asked.isdecimal() else []
    found = _unpacked(request.POST.get("proposal", ""))
    problems, charges, drafts = [], [], []
    for i in chosen:
        try:
            drafts.append(_read(written[i]))
            note = notes[i]
        except (ValueError, IndexError):
            problems.append("A charge could not be read. Load the page again.")
            continue
        form = PlanForm(
            {
                "chamber": drafts[-1].chamber,
                "first_day": drafts[-1].first_day,
                "lots": drafts[-1].lots,
                "override_note": note,
            }
        )
        if form.is_valid():
            charges.append(form.cleaned_data | {"lots": list(form.cleaned_data["lots"])})
        else:
            problems += [error for errors in form.errors.values() for error in errors]
    if not problems:
        try:
            booked = actions.plan_charges(charges=charges, by=request.user, now=timezone.now())
        except ValidationError as error:
            problems = error.messages
    if problems:
        for problem in problems:
            messages.error(request, problem)
        return redirect(_where(found))
    said = ", ".join(f"{charge} in {charge.chamber}" for charge in booked)
    messages.success(request, f"Booked: {said}." if booked else "No charge was chosen.")
    rest = found and tuple(draft for draft in found.drafts if draft not in drafts)
    if not rest:
        return redirect("calendar")
    return redirect(_where(Suggestion(**{**vars(found), "drafts": rest})))


urlpatterns = [
    path("charges/suggest/", suggest, name="suggest"),
    path("charges/suggest/stop/", suggest_stop, name="suggest_stop"),
    path("charges/suggest/accept/", suggest_accept, name="suggest_accept"),
]
