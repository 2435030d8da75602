"""A charge from start to unloading: its page, its checklists, readings, probes and board tests."""

import datetime as dt
from functools import partial

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import include, path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from kilnshop.charges import checklists, following, loading, money, running, sources, watching
from kilnshop.charges.models import CHANNELS, Alert, Charge, Checklist, Reading
from kilnshop.documents import render as papers
from kilnshop.shop.papers import shop_block
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import (
    charge_report,
    charge_words,
    charts,
    charts_charge,
    costs,
    kept,
    sheets,
    stacks,
    units,
)
from kilnshop.web.access import allowed
from kilnshop.web.forms import running as forms
from kilnshop.web.templatetags.shopfloor import day, mc, number, range_days, temp, weight, when

PAGE = 8
SIGN_WORDS = {
    "loading": "Sign: loaded",
    "start": "Sign and start charge",
    "daily": "Sign the round",
    "step": "Sign, then confirm the step",
    "heat": "Sign: ready for heat",
    "finish": "Sign: the charge is dry",
    "unload": "Sign and unload",
}
VERDICTS = {"over": "over range", "below": "below range", "open": "no contact"}


def _charge(pk: int) -> Charge:
    return get_object_or_404(Charge.objects.select_related("chamber", "booking"), pk=pk)


def _start_of_plan(charge: Charge):
    """Where the plan is laid in time: the real start, or noon of the first planned day."""
    if charge.started_at or not hasattr(charge, "booking"):
        return charge.started_at or timezone.now()
    first = charge.booking.first_day
    return timezone.make_aware(dt.datetime(first.year, first.month, first.day, 12))


def _facts(charge: Charge, now, outlook: following.Outlook, elevation_ft: float) -> list[dict]:
    facts = []
    governing, done = outlook.governing, outlook.done
    if governing:
        facts.append(
            {
                "label": "Moisture that governs",
                "value": charge_words.moisture_of(governing),
                "kind": "measured" if governing.measured else "estimate",
                "note": f"{governing.how}, {when(governing.at)}" if governing.measured else governing.how,
            }
        )
    target = following.target_mc_pct(charge)
    if target is not None:
        facts.append({"label": "Driest target", "value": mc(target), "kind": "target"})
    latest = following.latest_reading(charge)
    if latest and latest.dry_bulb_f is not None:
        air = following.air_of(latest, elevation_ft)
        facts.append(
            {
                "label": "Dry bulb / wet bulb",
                "value": f"{temp(latest.dry_bulb_f)} / {temp(latest.wet_bulb_f)}",
                "kind": "measured",
                "note": f"RH {number(air[0])} %, EMC {mc(air[1])}, {when(latest.taken_at)}"
                if air
                else when(latest.taken_at),
            }
        )
    if done:
        facts.append(
            {
                "label": "Drying done",
                "value": f"{day(done[0])} – {day(done[2])}",
                "kind": "estimate",
                "note": _pace(outlook),
            }
        )
    elif charge.state == "planned" and charge.plan.get("days"):
        facts.append({"label": "Drying", "value": range_days(charge.plan["days"]), "kind": "estimate"})
    used = following.kwh_used(charge)
    if used is not None:
        facts.append(
            {"label": "Electricity so far", "value": number(used), "unit": "kWh", "kind": "measured"}
        )
    water = following.water_due_at(charge)
    if water:
        facts.append(
            {
                "label": "Wet-bulb water due by",
                "value": day(water),
                "note": "overdue" if water < now else f"topped up {when(charge.water_topped_up_at)}",
            }
        )
    return facts


def _pace(outlook: following.Outlook) -> str:
    """What the finish rests on."""
    drying = outlook.drying
    if drying is None:
        return "80 % band of the plan; a moisture reading narrows it"
    if abs(drying.slower - 1) < 0.03:
        pace = "drying as planned"
    else:
        pace = f"drying takes {number(drying.slower * 100)} % of the planned time"
    return f"80 % band; {pace}, with {number(drying.share_seen * 100)} % of the plan seen"


def _alert(alert: Alert) -> dict:
    return {"alert": alert, "meaning": watching.MEANINGS[alert.kind]}


def _plain_temp(value: float | None) -> str:
    return "" if value is None else units.plain(units.shown("temp_f", value), 1)


def _moisture_cell(raw: float, correction) -> dict:
    if correction is None:
        return {"text": "not corrected", "raw": f"raw {number(raw, 1)}"}
    hand = " by hand" if correction.method == "by hand" else ""
    text = VERDICTS.get(correction.verdict) or number(correction.value, 1)
    return {"text": f"{text}{hand}", "raw": f"raw {number(raw, 1)}"}


def _reading_rows(page, known: dict) -> tuple[list[str], list[dict]]:
    """Column heads and rows of the readings table; a column without any value on this page is left out."""
    fixed = following.corrections(page.object_list)
    degrees = units.unit("temp_f").symbol
    heads = [f"Dry bulb {degrees}", f"Wet bulb {degrees}"]
    heads += [
        f"{channel}: {probe.board or 'board'}, {degrees if probe.kind == 'core' else '%'}"
        for channel, probe in known.items()
    ]
    heads += [f"Condensate {units.unit('weight_lb').symbol}", "Meter kWh"]
    rows = []
    for reading in page.object_list:
        cells = [{"text": _plain_temp(reading.dry_bulb_f)}, {"text": _plain_temp(reading.wet_bulb_f)}]
        for channel, probe in known.items():
            raw = reading.channel(channel)
            if raw is None or probe.kind == "core":
                cells.append({"text": _plain_temp(raw)})
            else:
                cells.append(_moisture_cell(raw, fixed.get((reading.pk, channel))))
        water, kwh = reading.condensate_lb, reading.meter_kwh
        cells.append({"text": "" if water is None else units.plain(units.shown("weight_lb", water), 1)})
        cells.append({"text": "" if kwh is None else number(kwh, 1)})
        rows.append({"reading": reading, "cells": cells})
    kept = [i for i in range(len(heads)) if any(row["cells"][i]["text"] for row in rows)]
    for row in rows:
        row["cells"] = [row["cells"][i] | {"label": heads[i]} for i in kept]
    return [heads[i] for i in kept], rows


def _troubles(charge: Charge, known: dict, evidence: following.Evidence) -> list[dict]:
    """Channels not to be believed and a drain that leaves the plan, in words."""
    if charge.state not in ("running", "dry"):
        return []
    found = [
        f"Channel {channel}, {following.channel_label(known[channel])}, {text}. It is left out until it is right."
        for channel, text in evidence.troubles.items()
    ]
    if evidence.water and evidence.water.trouble:
        found.append(evidence.water.trouble)
    return [{"severity": "caution", "text": text} for text in found]


def _ways(charge: Charge, outlook: following.Outlook) -> list[dict]:
    """Each way of knowing the moisture beside the others; none is averaged with another."""
    if charge.state not in ("running", "dry"):
        return []
    evidence = outlook.evidence
    leads = outlook.governing.source if outlook.governing else ""
    rows = [
        {
            "name": charge_words.SOURCES[row.source],
            "value": charge_words.moisture_of(row),
            "kind": "measured",
            "how": row.how,
            "at": row.at,
            "leads": row.source == leads,
        }
        for row in (evidence.boards, evidence.probes)
        if row
    ]
    for pack in evidence.samples:
        if pack.latest and pack.latest.band:
            band = pack.latest.band
            rows.append(
                {
                    "name": f"{pack.sample}, weighed",
                    "value": f"{number(band.low, 1)} – {mc(band.high)}",
                    "kind": "estimate",
                    "how": "average of the whole pack, 80 % band from its start moisture",
                    "at": pack.latest.at,
                }
            )
    water = evidence.water
    if water:
        rows.append(
            {
                "name": "Water drained",
                "value": mc(water.mc_pct) if water.mc_pct is not None else "",
                "kind": "estimate",
                "how": f"{weight(water.drained_lb)} drained, {weight(water.predicted_lb)} lost by the plan; the wood is "
                "drier than this by what vents and leaks took",
                "at": water.at,
            }
        )
    if evidence.planned is not None and charge.state == "running":
        rows.append(
            {
                "name": "The plan",
                "value": mc(evidence.planned),
                "kind": "estimate",
                "how": "wettest lot by now",
                "leads": leads == sources.PLAN,
            }
        )
    return rows


PARTS = {
    "charge": "Overview",
    "charge_steps": "Steps",
    "charge_readings": "Readings",
    "charge_lots": "Lots",
    "charge_load": "Load",
    "charge_record": "Record",
}


def _part(request, found: Charge, name: str, sentence: str, **shown):
    """One of the pages of a charge, below the same head and the way to the others."""
    tabs = [
        {"url": reverse(part, args=[found.pk]), "word": word, "here": part == name}
        for part, word in PARTS.items()
    ]
    shown |= {"charge": found, "state": found.state, "sentence": sentence, "tabs": tabs, "part": PARTS[name]}
    file = "overview" if name == "charge" else name.removeprefix("charge_")
    return render(request, f"charges/{file}.html", shown)


def charge(request, pk):
    found = _charge(pk)
    now = timezone.now()
    outlook = following.outlook(found, now)
    known = following.probes(found)
    drawn = charts_charge.moisture(following.figures(found, _start_of_plan(found), outlook.evidence))
    return _part(
        request,
        found,
        "charge",
        charge_words.opening(found, now, outlook),
        facts=_facts(found, now, outlook, request.shop.elevation_ft),
        change=outlook.change,
        alerts=[_alert(row) for row in watching.open_alerts([found])],
        heat=watching.heat_clock(found),
        late=watching.late_promises([(found, outlook)], request.shop.promise_margin_days),
        charts={"moisture": charts.dressed(drawn)} if drawn else {},
        believed=charge_words.believed(outlook.governing),
        ways=_ways(found, outlook),
        troubles=_troubles(found, known, outlook.evidence),
        probes=known,
        steps=following.steps(found),
        lists=[
            (kind, Checklist.Kind(kind).label)
            for kind in checklists.ALONE
            if checklists.SIGNED_WHEN[kind] == found.state
        ],
    )


def charge_steps(request, pk):
    found = _charge(pk)
    steps = following.steps(found)
    change = following.outlook(found, timezone.now()).change
    count = f"{len(steps)} step{'s' * (len(steps) != 1)}" if steps else "No steps planned"
    return _part(
        request,
        found,
        "charge_steps",
        f"{count}, schedule {found.schedule_code}. {charge_words.next_words(change)}",
        steps=steps,
        change=change,
        warnings=found.plan.get("warnings") or [],
    )


def charge_readings(request, pk):
    found = _charge(pk)
    known = following.probes(found)
    readings = found.readings.select_related("by", "logged").order_by("-taken_at")
    page = Paginator(readings, PAGE).get_page(request.GET.get("page"))
    columns, rows = _reading_rows(page, known)
    drawn = charts_charge.air(following.figures(found, _start_of_plan(found)))
    latest = following.latest_reading(found)
    count = page.paginator.count
    return _part(
        request,
        found,
        "charge_readings",
        f"{count:,} reading{'s' * (count != 1)}, the last {when(latest.taken_at)}."
        if latest
        else "No readings.",
        charts={"air": charts.dressed(drawn)} if drawn else {},
        page=page,
        columns=columns,
        rows=rows,
        probes=known,
    )


def charge_lots(request, pk):
    found = _charge(pk)
    lots = charge_report.tested_lots(found)
    tested = sum(lot["sample"] is not None for lot in lots)
    return _part(
        request,
        found,
        "charge_lots",
        f"{len(lots)} lot{'s' * (len(lots) != 1)} in {found.chamber}, boards tested of {tested or 'none'}.",
        lots=lots,
    )


def charge_load(request, pk):
    found = _charge(pk)
    return _part(
        request,
        found,
        "charge_load",
        f"How the lots stand in {found.chamber}.",
        stack=stacks.shown(loading.of_charge(found)),
    )


def charge_record(request, pk):
    found = _charge(pk)
    spent = money.metered(found, request.shop) if request.user.may(May.SEE_MARGINS) else None
    return _part(
        request,
        found,
        "charge_record",
        "What was done, found and signed, the newest first.",
        answered=watching.answered(found),
        events=found.events.select_related("by")[:50],
        checklists=found.checklists.select_related("signed_by").order_by("-signed_at")[:50],
        spent=costs.facts(spent, "measured") if spent else None,
    )


def _load_sheet(pk: int, shop) -> str:
    """The load sheet as a page."""
    found = _charge(pk)
    plan = loading.of_charge(found)
    if plan is None:
        raise Http404(f"Charge {found} has no load to print: it is {found.state}, or a piece does not go in.")
    sheet = loading.sheet(found, plan, shop, shop_today())
    asked = {name: charge_words.in_own_units(sheet[name]) for name in ("cautions", "lines")}
    return papers.html("load_sheet", sheet | asked)


def load_sheet(request, pk):
    return HttpResponse(_load_sheet(pk, request.shop))


def load_sheet_pdf(request, pk):
    page = _load_sheet(pk, request.shop)
    return sheets.answer(request, page, pdf_name=f"load sheet {pk}", else_to=reverse("load_sheet", args=[pk]))


def chart(request, pk, name):
    """The chart as a drawing, for a browser without scripts."""
    found = _charge(pk)
    draw = {"moisture": charts_charge.moisture, "air": charts_charge.air}.get(name)
    spec = draw(following.figures(found, _start_of_plan(found))) if draw else None
    if spec is None:
        raise Http404("There is no such chart.")
    return HttpResponse(charts.svg(spec), content_type="image/svg+xml")


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
    found = _charge(pk)
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
    found = _charge(pk)
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
    found = _charge(pk)
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


@allowed(May.RECORD_READINGS)
def reading_new(request, charge_pk):
    """The reading page. A phone that kept the reading sends it asking for JSON, and hears what was wrong."""
    found = _charge(charge_pk)
    form = forms.ReadingForm(request.POST or None, request.FILES or None, charge=found)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            running.record_reading(
                charge=found,
                by=request.user,
                now=timezone.now(),
                taken_at=data["taken_at"],
                entry=data["entry"],
                values=form.values(),
                note=data["note"],
                photo=data["photo"],
                wood_temp_f=data.get("wood_temp_f"),
            )
            return kept.saved(
                request, f"Saved: the reading of {when(data['taken_at'])}.", "reading_new", found.pk
            )
        except ValidationError as error:
            form.refuse(error)
    if told := kept.refused(request, form):
        return told
    outlook = following.outlook(found, timezone.now())
    return render(
        request,
        "charges/reading.html",
        {
            "charge": found,
            "form": form,
            "step": following.current_step(found),
            "next_words": charge_words.next_words(outlook.change),
            "latest": following.latest_reading(found),
            "open": found.state in ("running", "dry"),
            "limit_mb": settings.UPLOAD_LIMIT_MB,
        },
    )


@allowed(May.RECORD_READINGS)
def reading(request, pk):
    found = get_object_or_404(Reading.objects.select_related("charge__chamber", "by", "logged"), pk=pk)
    known = following.probes(found.charge)
    form = forms.CorrectionForm(request.POST or None, reading=found, probes=known)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            running.correct_by_hand(
                reading=found,
                channel=data["channel"],
                value=data["value"],
                why=data["why"],
                by=request.user,
                now=timezone.now(),
            )
            messages.success(request, "The corrected figure is kept beside the raw one.")
            return redirect("reading", found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/reading_detail.html",
        {
            "reading": found,
            "charge": found.charge,
            "form": form if form.fields["channel"].choices else None,
            "channels": [(known[n], found.channel(n)) for n in known if found.channel(n) is not None],
            "corrections": found.corrections.select_related("by"),
            "air": following.air_of(found, request.shop.elevation_ft),
        },
    )


@allowed(May.RUN_CHARGES)
def step(request, pk):
    found = _charge(pk)
    form = forms.StepForm(request.POST or None, charge=found, may_override=request.user.may(May.SET_UP))
    now = timezone.now()
    if request.method == "POST" and form.is_valid():
        try:
            running.change_step(charge=found, by=request.user, now=now, **form.cleaned_data)
            messages.success(request, f"Step {form.cleaned_data['to_index'] + 1} is confirmed.")
            return redirect("charge", found.pk)
        except ValidationError as error:
            form.refuse(error)
    outlook = following.outlook(found, now)
    governing = outlook.governing
    return render(
        request,
        "charges/step.html",
        {
            "charge": found,
            "form": form,
            "next_words": charge_words.next_words(outlook.change),
            "moisture": charge_words.moisture_of(governing) if governing else "",
            "governing": governing,
        },
    )


@require_POST
@allowed(May.RECORD_READINGS)
def water(request, pk):
    found = _charge(pk)
    try:
        running.top_up_water(charge=found, by=request.user, now=timezone.now())
        messages.success(request, "Wet-bulb water topped up.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("reading_new" if request.POST.get("from") == "reading" else "charge", found.pk)


@require_POST
@allowed(May.RECORD_READINGS)
def note(request, pk):
    found = _charge(pk)
    form = forms.NoteForm(request.POST)
    if form.is_valid():
        running.add_note(charge=found, text=form.cleaned_data["text"], by=request.user, now=timezone.now())
        messages.success(request, "The note is kept.")
    else:
        messages.error(request, f"The note was not kept: {' '.join(form.errors['text'])}")
    return redirect("charge_record", found.pk)


@require_POST
@allowed(May.RECORD_READINGS)
def finding(request, pk):
    found = get_object_or_404(Alert, pk=pk)
    try:
        watching.record_finding(
            alert=found, finding=request.POST.get("finding", ""), by=request.user, now=timezone.now()
        )
        messages.success(request, "What was found is kept; the alert is closed.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("charge", found.charge_id)


@allowed(May.RECORD_READINGS)
def probes(request, charge_pk):
    found = _charge(charge_pk)
    known = following.probes(found)
    channels = []
    for channel in CHANNELS:
        probe = known.get(channel)
        initial = {}
        if probe:
            initial = {name: getattr(probe, name) for name in running.PROBE_FIELDS}
            initial["charge_lot"] = probe.charge_lot_id
            if probe.scale_species == probe.charge_lot.lot.species_key:
                initial["scale_species"] = forms.OWN_SPECIES
        channels.append(forms.ProbeForm(request.POST or None, charge=found, channel=channel, initial=initial))
    drain = forms.DrainForm(request.POST or None, initial={"drain_counts": found.drain_counts})
    problems = []
    if request.method == "POST" and all([form.is_valid() for form in [*channels, drain]]):
        rows = [
            form.cleaned_data | {"channel": form.channel} for form in channels if form.cleaned_data["kind"]
        ]
        try:
            with transaction.atomic():
                running.set_probes(charge=found, rows=rows, by=request.user)
                running.set_drain(charge=found, counts=drain.cleaned_data["drain_counts"], by=request.user)
            messages.success(request, f"{len(rows)} channel{'s' * (len(rows) != 1)} set up.")
            return redirect("charge_readings", found.pk)
        except ValidationError as error:
            problems = error.messages
    problems += [text for form in [*channels, drain] for texts in form.errors.values() for text in texts]
    return render(
        request,
        "charges/probes.html",
        {"charge": found, "channels": channels, "drain": drain, "problems": problems},
    )


@allowed(May.RECORD_READINGS)
def board_tests(request, charge_pk):
    found = _charge(charge_pk)
    form = forms.BoardTestsForm(request.POST or None, charge=found)
    boards = forms.BoardFormSet(request.POST or None, prefix="board")
    if request.method == "POST" and all([form.is_valid(), boards.is_valid()]):
        shared = {name: form.cleaned_data[name] for name in ("method", "meter", "depth_in", "measured_on")}
        rows = [
            row.cleaned_data | shared for row in boards if (row.cleaned_data or {}).get("raw_pct") is not None
        ]
        try:
            saved = running.record_board_tests(
                charge_lot=form.cleaned_data["charge_lot"], rows=rows, by=request.user, now=timezone.now()
            )
            messages.success(request, f"{len(saved)} board{'s' * (len(saved) != 1)} recorded.")
            return redirect("board_tests", found.pk)
        except ValidationError as error:
            form.refuse(error)
    return render(
        request,
        "charges/board_tests.html",
        {
            "charge": found,
            "form": form,
            "boards": boards,
            "lots": charge_report.tested_lots(found),
            "open": found.state in ("running", "dry", "unloaded"),
            "state": found.state,
        },
    )


urlpatterns = [
    path("charges/<int:pk>/", charge, name="charge"),
    path("charges/<int:pk>/steps/", charge_steps, name="charge_steps"),
    path("charges/<int:pk>/readings/", charge_readings, name="charge_readings"),
    path("charges/<int:pk>/lots/", charge_lots, name="charge_lots"),
    path("charges/<int:pk>/load/", charge_load, name="charge_load"),
    path("charges/<int:pk>/record/", charge_record, name="charge_record"),
    path("charges/<int:pk>/chart/<str:name>.svg", chart, name="charge_chart"),
    path("charges/<int:pk>/load-sheet/", load_sheet, name="load_sheet"),
    path("charges/<int:pk>/load-sheet/pdf/", load_sheet_pdf, name="load_sheet_pdf"),
    path("charges/<int:pk>/start/", start, name="charge_start"),
    path("charges/<int:pk>/finish/", finish, name="charge_finish"),
    path("charges/<int:pk>/unload/", unload, name="charge_unload"),
    path("charges/<int:pk>/lists/<str:kind>/", charge_list, name="charge_list"),
    path("charges/<int:pk>/lists/<str:kind>/<str:form>/", charge_list_paper, name="charge_list_paper"),
    path("set-up/lists/<str:kind>/<str:form>/", shop_list_paper, name="shop_list_paper"),
    path("charges/<int:pk>/step/", step, name="charge_step"),
    path("charges/<int:pk>/water/", water, name="charge_water"),
    path("charges/<int:pk>/note/", note, name="charge_note"),
    path("charges/<int:charge_pk>/readings/new/", reading_new, name="reading_new"),
    path("charges/<int:charge_pk>/probes/", probes, name="probes"),
    path("charges/<int:charge_pk>/boards/", board_tests, name="board_tests"),
    path("alerts/<int:pk>/finding/", finding, name="alert_finding"),
    path("readings/<int:pk>/", reading, name="reading"),
    path("", include("kilnshop.web.views.logs")),
    path("", include("kilnshop.web.views.proof")),
    path("", include("kilnshop.web.views.weighing")),
]
