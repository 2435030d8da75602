"""Our cost of a charge as a page shows it, each figure with its working."""

from kilnshop.billing.queries import JobMargin
from kilnshop.charges.money import Cost
from kilnshop.web import units
from kilnshop.web.templatetags.shopfloor import money, per_volume


def facts(cost: Cost, kind: str = "estimate") -> list[dict]:
    """The parts that are known; empty without a tariff and a rate card."""
    power = cost.electricity
    demand = f"{money(power.demand)} of it demand" if power and power.demand else ""
    fixed = f"besides {money(power.fixed_per_month)} fixed a month" if power and power.fixed_per_month else ""
    later = f"and at most {money(power.later)} on later bills" if power and power.later else ""
    per = units.unit("per_mbf").symbol
    rows = (
        (
            "Electricity cost",
            power and power.total,
            ", ".join(filter(None, (demand, fixed, later))),
            "electricity",
        ),
        ("Chamber-day cost", cost.chamber_days, "", "chamber_days"),
        ("Both", cost.total, "", "total"),
        (f"P{per[1:]}", per_volume(cost.per_mbf), "", "total"),
        ("Per 1 % MC taken out", cost.per_point, f"{money(per_volume(cost.per_mbf_point))} {per}", "total"),
    )
    return [
        {"label": label, "value": money(value), "note": note, "kind": kind, "working": cost.working(key)}
        for label, value, note, key in rows
        if value is not None
    ]


def margin(job: JobMargin) -> list[dict]:
    """Did it pay: what came in, what it cost, and what is left."""
    kind = "estimate" if job.shared else "measured"
    share = f"{100 * job.margin / job.billed:.0f} % of what was billed" if job.billed else ""
    rows = [
        {"label": "Billed before tax", "value": money(job.billed)},
        {"label": "Electricity", "value": money(job.electricity), "kind": kind},
        {"label": "Chamber-days", "value": money(job.chamber_days), "kind": kind},
    ]
    if job.stacking:
        rows.append({"label": "Stacking", "value": money(job.stacking)})
    left = {"label": "Margin", "value": money(job.margin), "kind": kind, "note": share}
    return [*rows, left | {"working": job.working}]
