"""Everything a ticket prints, gathered once and frozen: what was handed over, how dry, and what heat is shown."""

import datetime as dt
import zoneinfo
from collections.abc import Iterable, Sequence

from django.utils import timezone

from kilnshop.charges import proving
from kilnshop.charges.models import BoardTest, ChargeLot, Correction, Probe
from kilnshop.orders.estimating import species_names
from kilnshop.orders.models import Order
from kilnshop.science.sampling import sampled
from kilnshop.shop import papers
from kilnshop.shop.models import Person, Shop
from kilnshop.tickets.heat import core_probes, heat_record, log_of, probe_label

CHART_POINTS = 60
CORE_MARGIN = dt.timedelta(hours=4)
STORAGE_ADVICE = (
    "Keep it flat, dead-piled without stickers, wrapped and off the floor in a heated room. Dry lumber takes up "
    "moisture again: published advice reports 7 % stock drifting to about 12 % in an unheated shed, within weeks."
)
CAUTIONS = (
    "Each moisture figure is what was measured on the boards tested; other boards can be wetter or drier.",
    "Let the wood settle in the room where it will be used, and check it with your own meter before you cut.",
    "This ticket says nothing about strength, grade, fire or insects that arrive later. Local codes come first.",
)
HEAT_CAUTION = (
    "Heat kills only what is in the wood at the time. Official marks and export papers come only from an "
    "authorised agency; ask it before you ship."
)


def ticket_figures(
    *,
    order: Order,
    charge_lots: Sequence[ChargeLot],
    shop: Shop,
    by: Person,
    delivered_on: dt.date,
    issued_on: dt.date,
    number: str = "",
    code: str = "",
    confirm_url: str = "",
    supersedes: str = "",
    why: str = "",
) -> dict:
    """The figures of a ticket, JSON all through. Without number and code they serve the preview."""
    names = species_names({row.lot.species_key for row in charge_lots})
    logs = {row.charge_id: log_of(row.charge) for row in charge_lots if row.lot.treatments}
    lots = [_lot(row, names[row.lot.species_key], shop, logs.get(row.charge_id)) for row in charge_lots]
    tested = [lot["tests"] for lot in lots if lot["tests"]]
    heat = any(lot["treatments"] for lot in lots)
    return {
        "shop": papers.shop_block(shop),
        "customer": papers.customer_block(order.customer),
        "number": number,
        "issued_on": issued_on.isoformat(),
        "delivered_on": delivered_on.isoformat(),
        "issued_by": str(by),
        "order_number": order.number,
        "customer_reference": order.customer_reference,
        "code": code,
        "confirm_url": confirm_url,
        "supersedes": supersedes,
        "why": why,
        "lots": lots,
        "total_bf": str(sum(row.volume_out_bf for row in charge_lots)),
        "boards_tested": sum(tests["n"] for tests in tested),
        "boards_within": sum(tests["within"] for tests in tested),
        "storage_advice": shop.storage_advice or STORAGE_ADVICE,
        "cautions": [*CAUTIONS, HEAT_CAUTION] if heat else list(CAUTIONS),
        "paper": shop.paper,
        "units": shop.units,
    }


def _lot(row: ChargeLot, species: str, shop: Shop, log: list | None) -> dict:
    lot, charge = row.lot, row.charge
    zone = zoneinfo.ZoneInfo(shop.time_zone)
    heat = [heat_record(row, key, shop=shop, log=log) for key in lot.treatments]
    chart = _chart(row, heat, zone)
    return {
        "charge_lot": row.pk,
        "name": str(lot),
        "letter": lot.letter,
        "species": species,
        "thickness": lot.thickness_label,
        "pieces": row.pieces_out,
        "volume_bf": str(row.volume_out_bf),
        "in_on": timezone.localdate(charge.started_at, zone).isoformat(),
        "out_on": timezone.localdate(charge.unloaded_at, zone).isoformat(),
        "charge": charge.number,
        "chamber": charge.chamber.name,
        "schedule": charge.schedule_code,
        "target": lot.target_mc_pct,
        "tolerance": lot.tolerance_pct,
        "tests": final_moisture(
            list(row.board_tests.select_related("by")), lot.target_mc_pct, lot.tolerance_pct
        ),
        "degrade": [
            {"cause": found.get_cause_display(), "volume_bf": str(found.volume_bf), "note": found.note}
            for found in row.degrade.all()
        ],
        "treatments": heat,
        "chart": chart,
        "chart_text": _chart_text(chart),
    }


def _each(values: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(value for value in values if value))


def final_moisture(tests: Sequence[BoardTest], target_pct: float, tolerance_pct: float) -> dict | None:
    """Boards tested against target and tolerance; None when there is no figure at all.

    A board beyond the meter's range has no figure. It is left out of the mean, counted as not within, and told.
    """
    figures, beyond = proving.tested(tests)
    if not figures:
        return None
    sample = sampled(figures, target_pct, tolerance_pct, beyond=beyond)
    found = sample.found
    remarks = []
    if beyond:
        remarks.append(
            f"{beyond} board{'s' * (beyond > 1)} read beyond the meter’s range: no figure, left out of mean, wettest "
            "and driest, and counted as not within tolerance."
        )
    days = sorted({test.measured_on for test in tests})
    day_words = [f"{day:%a} {day.day} {day:%b %Y}" for day in days]
    return {
        "n": len(tests),
        "mean": round(found.mean, 2),
        "sd": None if found.sd is None else round(found.sd, 2),
        "wettest": round(found.highest, 2),
        "driest": round(found.lowest, 2),
        "within": found.within,
        "share": found.within / len(tests),
        "method": _each(test.method for test in tests),
        "meter": _each(test.meter for test in tests),
        "correction": _each(test.correction for test in tests if test.corrected_pct is not None),
        "depths_in": sorted({test.depth_in for test in tests if test.depth_in}),
        "measured_on": day_words[0] if len(days) == 1 else f"{day_words[0]} to {day_words[-1]}",
        "by": _each(str(test.by) for test in tests),
        "remarks": remarks,
        "sampling": sample.shares,
        "expected_share": round(sample.expected, 3),
        "share_low_80": round(sample.low_80, 3),
        "share_low_95": round(sample.low_95, 3),
        "prong": proving.prong_words(tests),
    }


def _thin(rows: list[dict], pick) -> list[dict]:
    """At most CHART_POINTS rows: of each group the one that `pick` chooses, so that a dip is never hidden."""
    if len(rows) <= CHART_POINTS:
        return rows
    size = -(-len(rows) // CHART_POINTS)
    return [pick(rows[at : at + size], key=lambda row: row["value"]) for at in range(0, len(rows), size)]


def _chart(row: ChargeLot, heat: list[dict], zone: zoneinfo.ZoneInfo) -> dict:
    """Measured moisture of the lot's probes, and the logged heat of its cores around the longest heating."""

    def at(moment: dt.datetime) -> str:
        return timezone.localtime(moment, zone).replace(tzinfo=None).isoformat(timespec="seconds")

    mc: list[dict] = []
    for probe in row.probes.filter(kind=Probe.Kind.MOISTURE).order_by("channel"):
        newest_last = (
            Correction.objects.filter(reading__charge=row.charge, channel=probe.channel)
            .order_by("reading__taken_at", "at", "id")
            .values_list("reading__taken_at", "value")
        )
        points = [
            {"at": at(taken_at), "name": probe_label(probe), "value": value}
            for taken_at, value in dict(newest_last).items()
            if value is not None
        ]
        mc += _thin(points, max)
    begins = [dt.datetime.fromisoformat(record["from"]) for record in heat if record["from"]]
    ends = [dt.datetime.fromisoformat(record["to"]) for record in heat if record["to"]]
    logged = row.charge.readings.filter(logged__isnull=False).order_by("taken_at")
    if begins:
        logged = logged.filter(taken_at__range=(min(begins) - CORE_MARGIN, max(ends) + CORE_MARGIN))
    core: list[dict] = []
    for probe in core_probes(row) if heat else []:
        points = [
            {"at": at(taken_at), "name": probe_label(probe), "value": value}
            for taken_at, value in logged.values_list("taken_at", f"ch{probe.channel}")
            if value is not None
        ]
        core += _thin(points, min)
    limits = [record["limit_f"] for record in heat if record["measured_at"] == "core" and record["limit_f"]]
    return {"mc": mc, "core": core, "limit_f": max(limits, default=None)}


def _chart_text(chart: dict) -> str:
    told = []
    for rows, what, unit in ((chart["mc"], "Moisture", "%"), (chart["core"], "Core heat", "°F")):
        for name in dict.fromkeys(point["name"] for point in rows):
            values = [point["value"] for point in rows if point["name"] == name]
            told.append(f"{what} of {name}: first {values[0]:.1f} {unit}, last {values[-1]:.1f} {unit}.")
    return " ".join(told)
