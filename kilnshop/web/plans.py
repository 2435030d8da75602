"""A plan as page and paper show it: one builder for a quote's estimate, a lot's and a charge's."""

import base64
import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

from django.utils import timezone

from kilnshop.charges.models import Charge
from kilnshop.charges.money import start_of
from kilnshop.charges.set_points import set_points
from kilnshop.orders.estimating import species_names
from kilnshop.orders.models import Lot
from kilnshop.shop.models import Chamber, Shop
from kilnshop.shop.papers import shop_block
from kilnshop.web import charts, charts_plan, estimates, units
from kilnshop.web.templatetags.shopfloor import (
    day,
    halves,
    kwh,
    mc,
    number,
    range_days,
    range_of,
    temp,
    volume,
    weight,
)

NEEDED = {"lots", "steps", "days", "kwh", "workings", "warnings", "hours", "dry_bulb_f", "power_heater_kw"}
TABLE_ROWS = 14
WATCHED = 3  # warnings a set-point sheet has room for
HOURS = charts_plan.HOURS
NBSP = "\N{NO-BREAK SPACE}"
PICTURE = {"width": 335, "height": 148}  # half a page, in the paper's own pixels


@dataclass(frozen=True)
class Subject:
    """What is planned: a quote's lots, one lot or a charge."""

    title: str
    number: str
    chamber: str
    first_day: dt.date | None  # None: on no calendar
    estimate: Any  # an Estimate, or one thawed from its frozen figures
    woods: dict[str, str]  # what each lot is, by its key
    targets: dict[str, float]
    money: list[dict] = field(default_factory=list)
    room: Chamber | None = None  # where the set points can be keyed


def complete(plan: dict) -> bool:
    """Whether a frozen plan holds its curves."""
    return plan.keys() >= NEEDED and bool(plan["steps"]) and bool(plan["lots"])


def thawed(plan: dict) -> SimpleNamespace:
    return estimates.thawed(plan)


def woods_of(lots: Iterable[Lot]) -> dict[str, str]:
    """What each lot is, by its key."""
    lots = list(lots)
    names = species_names({lot.species_key for lot in lots})
    return {
        str(lot): f"{lot.thickness_label} {names[lot.species_key]}, {volume(lot.volume_bf, 1)}"
        for lot in lots
    }


def of_charge(charge: Charge, shop: Shop) -> Subject | None:
    """The plan of a charge as it was booked, or moved last; None where its curves were not kept."""
    if not complete(charge.plan):
        return None
    lots = [row.lot for row in charge.charge_lots.select_related("lot__order")]
    started = start_of(charge, shop)
    return Subject(
        title="Plan of a charge",
        number=charge.number,
        chamber=charge.chamber.name,
        room=charge.chamber,
        first_day=timezone.localdate(started) if started else None,
        estimate=thawed(charge.plan),
        woods=woods_of(lots),
        targets={str(lot): lot.target_mc_pct for lot in lots},
    )


def shown(subject: Subject) -> dict:
    """Everything a plan says, in words and figures of the shop's own units."""
    estimate = subject.estimate
    facts = [*estimates.facts_of(estimate, subject.chamber), *subject.money]
    loaded = f", loaded {day(subject.first_day)}" if subject.first_day else ""
    told = {id(fact["working"]) for fact in facts if fact.get("working")}
    return {
        "title": subject.title,
        "number": subject.number,
        "sentence": _sentence(subject),
        "about": units.reworded(
            f"{estimate.schedule_name} in {subject.chamber}{loaded}. {estimate.reason}".strip()
        ),
        "facts": facts,
        "charts": _charts(subject),
        "steps": _steps(estimate),
        "lots": _lots(subject),
        "warnings": [
            {"code": row.code, "severity": row.severity, "text": units.reworded(row.text)}
            for row in estimate.warnings
        ],
        "workings": estimate.workings,
        "other_workings": [item for item in estimate.workings if id(item) not in told],
    }


def _sentence(subject: Subject) -> str:
    estimate = subject.estimate
    if not getattr(estimate, "reaches_target", True):
        return f"Does not finish in {subject.chamber}: the target, the schedule or the load must change."
    low, likely, high = (halves(getattr(estimate.days, end)) for end in ("low", "expected", "high"))
    days = f"{low} to {high} days, most likely {likely}" if low != high else f"{high} days"
    total = estimate.kwh.total
    electricity = range_of((round(total.low, -1), round(total.high, -1))).replace("–", " to ")
    return (
        f"Dries in {days}, takes {electricity} kWh and gives up {weight(estimate.water_lb)} of water "
        f"in {subject.chamber}."
    )


def table(columns: list[tuple[str, str]], rows: list[list[str]]) -> dict:
    """A table for page and paper; the second word of a column is "", "figure" or "estimate"."""
    heads = [{"label": label, "kind": kind} for label, kind in columns]
    return {
        "heads": heads,
        "rows": [
            [
                head | {"text": text.replace(" ", NBSP) if head["kind"] else text}
                for head, text in zip(heads, row, strict=True)
            ]
            for row in rows
        ],
    }


def _lots(subject: Subject) -> dict:
    columns = [("Lot", ""), ("Wood", ""), ("Dry after", "estimate"), ("Water", "estimate"),
               ("Target", "figure"), ("Ends at", "estimate"), ("Electricity", "estimate")]  # fmt: skip
    finishes = getattr(subject.estimate, "reaches_target", True)
    return table(
        columns,
        [
            [
                lot.key,
                subject.woods.get(lot.key, ""),
                range_days(lot.days) if finishes else "does not finish",
                weight(lot.water_lb),
                mc(subject.targets.get(lot.key)),
                mc(lot.final_mc_pct),
                kwh(lot.share_kwh),
            ]
            for lot in subject.estimate.lots
        ],
    )


def _steps(estimate) -> dict:
    """Set air beside the air expected, step by step."""
    degrees = units.unit("temp_f").symbol
    columns = [
        ("Step", ""), ("Starts", "figure"), ("From moisture", "figure"), (f"Dry bulb set, {degrees}", "figure"),
        (f"Wet bulb set, {degrees}", "figure"), ("RH set", "figure"), ("EMC set", "figure"),
        (f"Wet bulb expected, {degrees}", "estimate"), ("RH expected", "estimate"), ("EMC expected", "estimate"),
        ("Lasts", "estimate"), ("Electricity", "estimate"), ("Compressor", ""),
    ]  # fmt: skip
    rows, at = [], 0.0
    for step_number, step in enumerate(estimate.steps, 1):
        rows.append(
            [
                f"{step_number},{NBSP}{step.kind}",
                f"day {number(at / HOURS, 1)}",
                mc(step.from_mc_pct) if step.kind == "dry" else "–",
                _degrees(step.dry_bulb_f),
                _degrees(step.wet_bulb_f),
                f"{number(step.rh_pct)} %",
                mc(step.emc_pct),
                _degrees(step.expected_wet_bulb_f),
                f"{number(step.expected_rh_pct)} %",
                mc(step.expected_emc_pct),
                f"{number(step.hours)} h",
                kwh(step.kwh),
                "on" if step.compressor else "off",
            ]
        )
        at += step.hours
    return table(columns, rows)


def _degrees(value_f: float) -> str:
    return units.plain(units.shown("temp_f", value_f), 1)


def _charts(subject: Subject) -> list[dict]:
    estimate = subject.estimate
    ends = [ends[2] / ends[1] for lot in estimate.lots if (ends := charts_plan.ends_of(lot))]
    end = estimate.hours[-1] / HOURS * max(ends, default=1.0)
    found = [_moisture_chart(subject, lot, end) for lot in estimate.lots]
    sampled = _sampled(len(estimate.hours))
    at = [f"{number(estimate.hours[i] / HOURS, 1)}" for i in sampled]
    found.append(
        {
            "id": "plan-air",
            "title": "Air set and expected",
            "label": "Dry and wet bulb, set and expected",
            "short": "What is set, and the air the chamber is expected to reach.",
            "caption": "Thin line: what is set. Dashed: the air the chamber is expected to reach. "
            "Dry bulb above, wet bulb below; numbers at the top mark the steps.",
            "spec": charts_plan.air(estimate, end),
            "table": table(
                [("Day", "figure"), ("Dry bulb", "estimate"), ("Wet bulb", "estimate")],
                [
                    [when, temp(estimate.dry_bulb_f[i]), temp(estimate.wet_bulb_f[i])]
                    for when, i in zip(at, sampled, strict=True)
                ],
            ),
        }
    )
    found.append(
        {
            "id": "plan-emc",
            "title": "EMC of the air",
            "label": "Equilibrium moisture of the air by step, set and expected",
            "short": "The moisture this air would bring the wood to in the end.",
            "caption": "The moisture this air would bring the wood to in the end, as a mean of each step. "
            "RH and EMC of every step stand in the table of steps.",
            "spec": charts_plan.emc(estimate, end),
        }
    )
    users = ("power_fans_kw", "power_compressor_kw", "power_heater_kw")
    found.append(
        {
            "id": "plan-power",
            "title": "Power",
            "label": "Expected power of fans, compressor and heater, stacked",
            "short": "Expected: fans at the bottom, heater on top.",
            "caption": "Expected means of some hours: fans at the bottom, compressor with its blower, heater on top.",
            "own_legend": True,
            "spec": charts_plan.power(estimate, end),
            "table": table(
                [("Day", "figure"), ("Fans", "estimate"), ("Compressor", "estimate"), ("Heater", "estimate")],
                [
                    [when, *(f"{number(getattr(estimate, user)[i], 2)} kW" for user in users)]
                    for when, i in zip(at, sampled, strict=True)
                ],
            ),
        }
    )
    return found


def _sampled(count: int) -> list[int]:
    return charts_plan.every(count, TABLE_ROWS)


def _moisture_chart(subject: Subject, lot, end: float) -> dict:
    target, wood = subject.targets.get(lot.key), subject.woods.get(lot.key, "The lot")
    sampled = _sampled(len(lot.curve_hours))
    columns = [("Day", "figure"), ("Average", "estimate"), ("Core", "estimate"), ("Shell", "estimate")]
    curves = [lot.curve_avg, lot.curve_core, lot.curve_shell]
    if probe := getattr(lot, "curve_probe", None):
        columns.append((f"Probe {charts_plan.depth(lot)} deep", "estimate"))
        curves.append(probe)
    return {
        "id": f"plan-{lot.key}",
        "title": f"Moisture of {lot.key}",
        "label": f"Expected moisture of {lot.key} over days: average with its band, core and shell",
        "short": wood,
        "caption": f"{wood}. Shaded: where the average may run, 80 % of the time. Numbers at the top mark the steps.",
        "spec": charts_plan.moisture(subject.estimate, lot, target, end),
        "working": _band_working(lot),
        "table": table(
            columns,
            [
                [
                    number(lot.curve_hours[i] / HOURS, 1),
                    *(mc(values[i]) for values in curves),
                ]
                for i in sampled
            ],
        ),
    }


def _band_working(lot) -> dict | None:
    ends = charts_plan.ends_of(lot)
    if ends is None:
        return None
    low, likely, high = ends
    return {
        "label": f"the band around {lot.key}",
        "equation": "band of the average = the expected curve with every hour x low/expected days and x "
        "high/expected days",
        "inputs": [
            ("Low / expected", f"{halves(low)} / {halves(likely)} days = x {number(low / likely, 2)}"),
            ("High / expected", f"{halves(high)} / {halves(likely)} days = x {number(high / likely, 2)}"),
        ],
        "source": "time in diffusion is in inverse proportion to the wood's speed factor; the days are the 80 % "
        "band of this lot",
        "uncertainty": "A start that is wetter or drier than given is counted in the days, not drawn at day 0.",
        "narrows": "what narrows the days, see their working",
    }


def page(subject: Subject) -> dict:
    """What the page shows; the browser draws the charts."""
    content = shown(subject)
    for chart in content["charts"]:
        chart["dressed"] = charts.dressed(chart["spec"])
    return content


def paper(subject: Subject, shop: Shop, today: dt.date) -> dict:
    """The figures of a printed plan: the same words without money, and the charts drawn from the same specs."""
    content = shown(replace(subject, money=[]))
    for chart in content["charts"]:
        drawn = charts.svg({**chart["spec"], "height": PICTURE["height"]}, width=PICTURE["width"])
        chart["picture"] = "data:image/svg+xml;base64," + base64.b64encode(drawn.encode()).decode()
    content["workings"] = [
        {
            "label": row.label,
            "sure": units.reworded(row.uncertainty) or row.equation,
            "narrows": units.reworded(row.narrows),
        }
        for row in content["workings"]
    ]
    return content | {
        "shop": shop_block(shop),
        "issued_on": today.isoformat(),
        "paper": shop.paper,
    }


def set_point_sheet(subject: Subject, shop: Shop, today: dt.date) -> dict:
    """The figures of a printed set-point sheet, for a plan with a chamber."""
    room, estimate = subject.room, subject.estimate
    lines = set_points(estimate.steps, room)
    return {
        "shop": shop_block(shop),
        "number": subject.number,
        "issued_on": today.isoformat(),
        "paper": shop.paper,
        "units": shop.units,
        "degree": units.unit("temp_f").symbol,
        "schedule": estimate.schedule_code or estimate.schedule_name,
        "chamber": room.name,
        "lots": [
            {"key": key, "wood": wood, "target": subject.targets[key]} for key, wood in subject.woods.items()
        ],
        "steps": lines,
        "hot": [line for line in lines if line.hot],
        "watch": [units.reworded(row.text) for row in estimate.warnings if row.severity != "note"][:WATCHED],
        "humidifier": room.has_humidifier,
        "elevation": units.in_words("elevation_ft", shop.elevation_ft),
        "lockout_f": room.lockout_dry_bulb_f,
    }
