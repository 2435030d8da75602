"""The report of a charge: what its plan said, what was read, done, tested and proven, for one paper."""

import base64
import datetime as dt

from django.utils import timezone

from kilnshop.charges import following, money, proving, sources
from kilnshop.charges.models import Charge
from kilnshop.orders.estimating import species_names
from kilnshop.science import sampling
from kilnshop.shop.models import Shop
from kilnshop.shop.papers import shop_block
from kilnshop.tickets import queries as tickets
from kilnshop.tickets.heat import heat_record, log_of
from kilnshop.web import charge_words, charts, charts_charge, units
from kilnshop.web.templatetags.shopfloor import (
    kwh,
    mc,
    number,
    range_days,
    range_of,
    temp,
    volume,
    weight,
    when,
)

PICTURE = {"width": 640, "height": 190}
NOT_KNOWN = "not recorded"


def tested_lots(charge: Charge) -> list[dict]:
    """The lots of a charge with what their boards tested say."""
    shown = []
    rows = following.lots_of(charge)
    names = species_names({row.lot.species_key for row in rows})
    for row in rows:
        sample = proving.sampled(row)
        shown.append(
            {
                "row": row,
                "wood": names[row.lot.species_key],
                "sample": sample,
                "working": sampling.working(sample) if sample else None,
                "prong": proving.prong_words(row.board_tests.all()),
            }
        )
    return shown


def figures(charge: Charge, shop: Shop, now: dt.datetime) -> dict:
    """Everything the report prints, in the shop's units."""
    began = money.start_of(charge, shop) or now
    evidence = following.Evidence(charge, began)
    drawn = following.figures(charge, began, evidence)
    lots = tested_lots(charge)
    log = log_of(charge) if any(lot["row"].lot.treatments for lot in lots) else None
    return {
        "shop": shop_block(shop),
        "number": charge.number,
        "issued_on": timezone.localdate(now).isoformat(),
        "paper": shop.paper,
        "units": shop.units,
        "sentence": charge_words.opening(charge, now),
        "chamber": charge.chamber.name,
        "schedule": charge.schedule_code,
        "compared": _compared(charge, now),
        "charts": [
            {"title": title, "picture": _picture(spec), "caption": caption}
            for title, spec, caption in (
                ("Moisture", charts_charge.moisture(drawn), MOISTURE_CAPTION),
                ("Air", charts_charge.air(drawn), AIR_CAPTION),
            )
            if spec
        ],
        "steps": [_step(run) for run in proving.steps_run(charge, now)],
        "lots": [_lot(lot, shop, log) for lot in lots],
        "probes": [
            {
                "channel": channel,
                "what": probe.get_kind_display(),
                "board": following.channel_label(probe),
                "depth_in": probe.depth_in,
                "where": probe.position,
            }
            for channel, probe in following.probes(charge).items()
        ],
        "samples": [_sample(found) for found in evidence.samples],
        "done": [
            {
                "at": when(event.at),
                "by": str(event.by),
                "what": event.get_kind_display(),
                "words": _event_words(event),
            }
            for event in charge.events.select_related("by").order_by("at", "id")
        ],
        "alerts": [
            {
                "at": when(alert.first_seen),
                "what": f"{alert.get_severity_display()}: {alert.get_kind_display()}",
                "text": units.reworded(alert.text),
                "finding": alert.finding,
                "by": str(alert.found_by or ""),
            }
            for alert in charge.alerts.select_related("found_by").order_by("first_seen", "id")
        ],
        "notes": [
            {"at": when(row.taken_at), "by": str(row.by or ""), "note": row.note, "photo": bool(row.photo)}
            for row in proving.noted(charge)
        ],
        "checklists": [
            {
                "kind": signed.get_kind_display(),
                "initials": signed.initials,
                "at": when(signed.signed_at),
                "by": str(signed.signed_by),
                "count": len(signed.lines),
                "skipped": [line for line in signed.lines if not line["done"]],
            }
            for signed in charge.checklists.select_related("signed_by").order_by("signed_at")
        ],
        "logs": [
            {
                "at": when(log.imported_at),
                "by": str(log.imported_by),
                "rows": log.rows_taken,
                "sha256": log.sha256,
                "undone": log.undone_why,
            }
            for log in charge.log_imports.select_related("imported_by")
        ],
        "tickets": [
            {
                "number": ticket.number,
                "order": ticket.order.number,
                "replaced": hasattr(ticket, "superseded_by"),
            }
            for ticket in tickets.of_charge(charge)
        ],
    }


MOISTURE_CAPTION = (
    "Dashed: each lot by the plan. Points on a line: corrected probe readings. Thin line: the driest target."
)
AIR_CAPTION = "Thin steps: set points of the plan, dry bulb above wet bulb. Points on a line: what was read."


def _picture(spec: dict) -> str:
    drawing = charts.svg({**spec, "height": PICTURE["height"]}, width=PICTURE["width"])
    return "data:image/svg+xml;base64," + base64.b64encode(drawing.encode()).decode()


def _compared(charge: Charge, now: dt.datetime) -> list[dict]:
    """Plan beside what came of it; an estimate is a range, what was not measured says so."""
    plan, days = charge.plan, proving.days_run(charge, now)
    used, water = following.kwh_used(charge), proving.water_drawn_lb(charge)
    electricity, planned_water = plan.get("kwh") or {}, plan.get("water_lb")
    total = electricity.get("total") if isinstance(electricity, dict) else None
    rows = [
        ("Started", "", when(charge.started_at) if charge.started_at else "not yet"),
        ("Dry", "", when(charge.dried_at) if charge.dried_at else "not yet"),
        ("Unloaded", "", when(charge.unloaded_at) if charge.unloaded_at else "not yet"),
        (
            "Drying",
            range_days(plan["days"]) if plan.get("days") else "",
            f"{number(days, 1)} days{'' if charge.dried_at else ' so far'}"
            if days is not None
            else NOT_KNOWN,
        ),
        (
            "Electricity",
            f"{range_of(total)} kWh" if total else "",
            kwh(used) if used is not None else NOT_KNOWN,
        ),
        (
            "Water",
            weight(planned_water) if planned_water else "",
            f"{weight(water)} of condensate" if water is not None else NOT_KNOWN,
        ),
    ]
    return [{"what": what, "planned": planned, "actual": actual} for what, planned, actual in rows]


def _sample(found: sources.Sampled) -> dict:
    """A sample board or pack, every weight in the unit of the scale that showed it."""
    return {
        "name": str(found.sample),
        "kind": found.sample.get_kind_display(),
        "lot": str(found.sample.charge_lot.lot),
        "where": found.sample.position,
        "weights": [
            {
                "at": when(point.at),
                "what": _weighed(point),
                "weight": f"{point.row.weight:g} {point.row.unit}",
                "dry": f"{sources.in_unit(point.dry.lb, point.row.unit):.4g} {point.row.unit}"
                if point.dry
                else "–",
                "mc": f"{mc(point.band.low)} – {mc(point.band.high)}" if point.band else mc(point.mc_pct),
                "by": str(point.row.by),
                "aside": point.row.set_aside_why,
            }
            for point in found.history
        ],
    }


def _weighed(point: sources.Point) -> str:
    if point.is_cut:
        return f"Cut; {point.dry.how}" if point.dry else "Cut"
    return point.row.note


def _step(run: proving.StepRun) -> dict:
    step = run.step
    return {
        "name": f"{step.number}, {step.name}",
        "from_mc": mc(step.from_mc_pct) if step.from_mc_pct is not None else "–",
        "bulbs": f"{temp(step.dry_bulb_f)} / {temp(step.wet_bulb_f)}",
        "planned": f"{number(step.hours)} h",
        "entered": when(run.entered_at) if run.entered_at else "not entered",
        "ran": f"{number(run.ran_hours)} h" if run.ran_hours is not None else "–",
    }


def _event_words(event) -> str:
    if event.kind != event.Kind.STEP:
        return event.why
    after = event.after
    return (
        f"From step {event.before['step']} to {after['step']}: {temp(after['dry_bulb_f'])} / "
        f"{temp(after['wet_bulb_f'])}. {event.why}"
    )


def _lot(lot: dict, shop: Shop, log: list | None) -> dict:
    row, sample = lot["row"], lot["sample"]
    return {
        "name": str(row.lot),
        "customer": str(row.lot.order.customer),
        "wood": f"{lot['wood']}, {row.lot.thickness_label}",
        "volume_in": volume(row.lot.volume_bf, 1),
        "volume_out": volume(row.volume_out_bf, 1) if row.volume_out_bf is not None else "not counted",
        "pieces_out": row.pieces_out,
        "start": mc(row.lot.start_mc_pct),
        "target": f"{number(row.lot.target_mc_pct, 1)} ± {number(row.lot.tolerance_pct, 1)} %",
        "tests": [
            {
                "board": test.board,
                "read": test.raw_pct,
                "corrected": test.corrected_pct,
                "how": test.method,
                "meter": test.meter,
                "correction": test.correction,
                "prong": test.get_prong_display(),
                "on": test.measured_on.isoformat(),
            }
            for test in row.board_tests.all()
        ],
        "mean": sample.found.mean if sample else None,
        "sd": number(sample.found.sd, 2) if sample and sample.found.sd is not None else "–",
        "tested": sample.tested if sample else 0,
        "words": sample.words if sample else "",
        "prong": lot["prong"],
        "degrade": [
            f"{volume(found.volume_bf, 1)} {found.get_cause_display().lower()}{f' ({found.note})' if found.note else ''}"
            for found in row.degrade.all()
        ],
        "treatments": [heat_record(row, key, shop=shop, log=log) for key in row.lot.treatments],
    }
