"""The page of a charge in its parts, its charts and its load sheet."""

import datetime as dt

from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse
from django.utils import timezone

from kilnshop.charges import checklists, following, loading, money, sources, watching
from kilnshop.charges.models import Alert, Charge, Checklist
from kilnshop.charges.set_points import HOT
from kilnshop.documents import render as papers
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May
from kilnshop.web import charge_report, charge_words, charts, charts_charge, costs, sheets, stacks, units
from kilnshop.web.templatetags.shopfloor import day, mc, number, range_days, temp, weight, when

PAGE = 8
VERDICTS = {"over": "over range", "below": "below range", "open": "no contact"}


def charge_found(pk: int) -> Charge:
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
                "value": " – ".join(dict.fromkeys((day(done[0]), day(done[2])))),
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
    found = charge_found(pk)
    now = timezone.now()
    outlook = following.outlook(found, now)
    known = following.probes(found)
    drawn = charts_charge.moisture(following.figures(found, _start_of_plan(found), outlook.evidence))
    steps = following.steps(found)
    heats = not steps or any(step.kind in HOT for step in steps)
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
        steps=steps,
        lists=[
            (kind, Checklist.Kind(kind).label)
            for kind in checklists.ALONE
            if checklists.SIGNED_WHEN[kind] == found.state and (kind != "heat" or heats)
        ],
    )


def charge_steps(request, pk):
    found = charge_found(pk)
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
    found = charge_found(pk)
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
    found = charge_found(pk)
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
    found = charge_found(pk)
    return _part(
        request,
        found,
        "charge_load",
        f"How the lots stand in {found.chamber}.",
        stack=stacks.shown(loading.of_charge(found)),
    )


def charge_record(request, pk):
    found = charge_found(pk)
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
    found = charge_found(pk)
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
    found = charge_found(pk)
    draw = {"moisture": charts_charge.moisture, "air": charts_charge.air}.get(name)
    spec = draw(following.figures(found, _start_of_plan(found))) if draw else None
    if spec is None:
        raise Http404("There is no such chart.")
    return HttpResponse(charts.svg(spec), content_type="image/svg+xml")


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
]
