"""What is asked about a running charge: where it is, what comes next, what was read against what was planned."""

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from types import SimpleNamespace
from typing import Any

from django.db.models import F, Q, Window
from django.db.models.functions import RowNumber

from kilnshop.charges import sources
from kilnshop.charges.models import CHANNELS, Charge, ChargeLot, Checklist, Correction, Event, Probe, Reading
from kilnshop.charges.set_points import HOT, switches
from kilnshop.charges.sources import BELOW, FRESH_MC, OVER, ROUND
from kilnshop.science import forecast, moisture, psychro
from kilnshop.science.emc import emc_pct

WATER_EVERY = dt.timedelta(days=14)
HEIGHTS = (
    ("top", "upper", "high"),
    ("middle", "mid"),
    ("low", "bottom", "floor"),
)  # words for a place in the stack
FIRST_MC = dt.timedelta(hours=48)  # the first round counts as the start when read within this
HOUR = dt.timedelta(hours=1)
SHORT_NAMES = {
    "dry": "drying",
    "equalize": "equalizing",
    "condition": "conditioning",
    "heat": "heat step",
    "pitch": "pitch setting",
}


@dataclass(frozen=True)
class Step:
    """One step of the plan as the page shows it. state: "done", "now", "next"."""

    index: int
    number: int
    kind: str
    name: str
    from_mc_pct: float | None
    dry_bulb_f: float
    wet_bulb_f: float
    rh_pct: float
    emc_pct: float
    hours: float
    compressor: bool
    switches: dict[str, str]
    state: str = "next"


@dataclass(frozen=True)
class Governing:
    """The moisture that drives the schedule: the average of the wettest half of boards or probes, or the plan's."""

    value: float | None
    verdict: str  # "ok", "over" (too wet to read), "below"
    measured: bool
    at: dt.datetime
    how: str
    source: str = sources.PLAN
    why: str = ""


@dataclass(frozen=True)
class NextChange:
    """What moves the charge on. `step` is None when the next change is the end of drying."""

    step: Step | None
    trigger: str
    trigger_mc_pct: float | None
    expected_at: dt.datetime  # an estimate
    due: bool  # a measurement says it is time
    late: bool  # the plan's time has passed


def steps(charge: Charge) -> list[Step]:
    """The plan's steps, with where the charge is."""
    found = []
    for index, row in enumerate(charge.plan.get("steps") or []):
        done = index < charge.step_index or charge.dried_at is not None
        state = "done" if done else "now" if index == charge.step_index and charge.started_at else "next"
        found.append(
            Step(
                index=index,
                number=index + 1,
                kind=row["kind"],
                name=SHORT_NAMES.get(row["kind"], row["kind"]),
                from_mc_pct=row.get("from_mc_pct"),
                dry_bulb_f=row["dry_bulb_f"],
                wet_bulb_f=row["wet_bulb_f"],
                rh_pct=row["rh_pct"],
                emc_pct=row["emc_pct"],
                hours=row["hours"],
                compressor=bool(row.get("compressor", True)),
                switches=switches(SimpleNamespace(**row), charge.chamber),
                state=state,
            )
        )
    return found


def current_step(charge: Charge) -> Step | None:
    """The step the charge is on; None before the start, after drying, or without a plan."""
    if not charge.started_at or charge.dried_at or charge.cancelled_at:
        return None
    planned = steps(charge)
    return planned[min(charge.step_index, len(planned) - 1)] if planned else None


def step_began(charge: Charge) -> dt.datetime:
    event = charge.events.filter(kind=Event.Kind.STEP).order_by("-at", "-id").first()
    return event.at if event else charge.started_at


def corrections(readings: Iterable[Reading]) -> dict[tuple[int, int], Correction]:
    """The newest correction of each (reading, channel)."""
    found: dict[tuple[int, int], Correction] = {}
    rows = Correction.objects.filter(reading__in=[reading.pk for reading in readings])
    for row in rows.select_related("by").order_by("at", "id"):
        found[row.reading_id, row.channel] = row
    return found


def probes(charge: Charge) -> dict[int, Probe]:
    rows = charge.probes.select_related("charge_lot__lot__order")
    return {probe.channel: probe for probe in rows}


def walked(charge: Charge) -> list[Probe]:
    """The probes as one walks: from the top of the stack down, place by place, those without a place last."""

    def where(probe: Probe) -> tuple:
        place = probe.position.casefold()
        height = next((i for i, words in enumerate(HEIGHTS) if any(word in place for word in words)), 1)
        return (not place, height, place, probe.channel)

    return sorted(probes(charge).values(), key=where)


def last_moisture(
    charge: Charge, channels: list[int], now: dt.datetime
) -> tuple[dt.datetime, list[Correction]] | None:
    """When moisture was last read, and each channel's newest correction of that round; None when too old.

    A round reaches ROUND back, so that a reading of one probe does not stand for all of them.
    """
    any_of = Q()
    for channel in channels:
        any_of |= Q(**{f"ch{channel}__isnull": False})
    if not channels:
        return None
    found = charge.readings.filter(any_of, taken_at__gt=now - FRESH_MC, taken_at__lte=now).order_by(
        "-taken_at"
    )
    rows = list(found[:100])
    newest: dict[int, Reading] = {}
    for row in rows:
        if row.taken_at < rows[0].taken_at - ROUND:
            break
        for channel in channels:
            if channel not in newest and row.channel(channel) is not None:
                newest[channel] = row
    fixed = corrections(set(newest.values()))
    kept = [fixed[row.pk, channel] for channel, row in newest.items() if (row.pk, channel) in fixed]
    return (rows[0].taken_at, kept) if kept else None


class Evidence:
    """What each way of knowing the moisture says at one moment, each asked once and only when wanted."""

    def __init__(self, charge: Charge, now: dt.datetime):
        self.charge, self.now = charge, now

    def at(self, moment: dt.datetime) -> "Evidence":
        """The same at another moment, without asking again what does not change."""
        other = Evidence(self.charge, moment)
        other.samples, other.channels = self.samples, self.channels
        return other

    @cached_property
    def samples(self) -> list[sources.Sampled]:
        return sources.samples(self.charge)

    @cached_property
    def troubles(self) -> dict[int, str]:
        return sources.troubles(self.charge, self.channels, self.now)

    @cached_property
    def channels(self) -> list[int]:
        return list(self.charge.probes.filter(kind=Probe.Kind.MOISTURE).values_list("channel", flat=True))

    @cached_property
    def water(self) -> sources.Water | None:
        return sources.water(self.charge)

    @cached_property
    def boards(self) -> sources.Round | None:
        return sources.board_round(self.samples, self.now)

    @cached_property
    def probes(self) -> sources.Round | None:
        """The last round of probes, without those in trouble. Pins too wet to read count among the wettest."""
        trusted = [channel for channel in self.channels if channel not in self.troubles]
        last = last_moisture(self.charge, trusted, self.now)
        if last is None:
            return None
        at, rows = last
        values = [{OVER: math.inf, BELOW: -math.inf}.get(row.verdict, row.value) for row in rows]
        kept = tuple(value for value in values if value is not None)
        return sources.Round(sources.PROBES, at, kept) if kept else None

    @cached_property
    def planned(self) -> float | None:
        return planned_mc(self.charge, self.now)

    @cached_property
    def governing(self) -> Governing | None:
        """The moisture that drives the schedule: measured when there is a fresh round, else the plan's.

        Handbook practice: the schedule follows the average of the wettest half of the samples. Which round is
        believed: sources.believed.
        """
        if not self.charge.started_at:
            return None
        if found := sources.believed(self.boards, self.probes, self.now):
            row, why = found
            return Governing(row.value, row.verdict, True, row.at, row.how, row.source, why)
        if self.planned is None:
            return None
        how, why = "by the plan, no fresh measurement", "nothing fresh was measured"
        return Governing(self.planned, "ok", False, self.now, how, why=why)


def governing_mc(charge: Charge, now: dt.datetime) -> Governing | None:
    """The moisture that drives the schedule."""
    return Evidence(charge, now).governing


def planned_mc(charge: Charge, now: dt.datetime) -> float | None:
    """Moisture of the wettest lot by the plan at this time."""
    curve = planned_curve(charge)
    return forecast.mc_at((now - charge.started_at) / HOUR, *curve) if curve and charge.started_at else None


def _plan_lots(charge: Charge) -> list[dict[str, Any]]:
    return [lot for lot in charge.plan.get("lots") or [] if lot.get("curve_hours")]


def planned_curve(charge: Charge) -> tuple[list[float], list[float]] | None:
    """Hours and moisture of the wettest lot by the plan."""
    lots = [(lot["curve_hours"], lot["curve_avg"]) for lot in _plan_lots(charge)]
    if len(lots) < 2:
        return lots[0] if lots else None
    hours = sorted({hour for curve, _ in lots for hour in curve})
    return hours, [max(forecast.mc_at(hour, *lot) for lot in lots) for hour in hours]


def target_mc_pct(charge: Charge) -> float | None:
    """The driest target among the lots: when the governing moisture reaches it, drying is done."""
    targets = [row.lot.target_mc_pct for row in charge.charge_lots.select_related("lot")]
    return min(targets) if targets else None


@dataclass(frozen=True)
class Outlook:
    """The three answers of a page at one moment, asked once."""

    governing: Governing | None
    change: NextChange | None
    done: tuple[dt.datetime, dt.datetime, dt.datetime] | None  # low, expected, high
    evidence: Evidence
    drying: forecast.Forecast | None = None  # from what was measured; None without a fresh figure


def outlook(charge: Charge, now: dt.datetime) -> Outlook:
    evidence = Evidence(charge, now)
    governing = evidence.governing if charge.state in ("running", "dry") else None
    drying = _drying(charge, evidence) if governing else None
    change = _next_change(charge, now, governing, drying)
    return Outlook(governing, change, _expected_done(charge, now, change, drying), evidence, drying)


def _drying(charge: Charge, evidence: Evidence) -> forecast.Forecast | None:
    """The end of drying by the plan's curve and the first and last measured moisture."""
    mc, curve, days = evidence.governing, planned_curve(charge), charge.plan.get("days")
    step = current_step(charge)
    if not (mc and mc.measured and mc.value is not None and curve and days and step and step.kind == "dry"):
        return None
    planned = steps(charge)
    ends = next((row.index for row in planned if row.kind != "dry"), len(planned))
    first = evidence.at(charge.started_at + FIRST_MC).governing
    seen = [(0.0, curve[1][0])]
    if first and first.measured and first.value is not None:
        seen = [((first.at - charge.started_at) / HOUR, first.value)]
    seen.append(((mc.at - charge.started_at) / HOUR, mc.value))
    band = days["low"] / days["expected"], days["high"] / days["expected"]
    try:
        return forecast.forecast(*curve, sum(row.hours for row in planned[:ends]), band, seen)
    except ValueError:
        return None


def next_change(charge: Charge, now: dt.datetime) -> NextChange | None:
    """What ends the current step and when that is expected; None unless the charge is running."""
    return outlook(charge, now).change


def _next_change(
    charge: Charge, now: dt.datetime, mc: Governing | None, drying: forecast.Forecast | None
) -> NextChange | None:
    step = current_step(charge)
    if step is None:
        return None
    planned = steps(charge)
    after = planned[step.index + 1] if step.index + 1 < len(planned) else None
    by_moisture, evens = step.kind == "dry", step.kind == "equalize"
    to_even = after is not None and after.kind == "equalize"
    half = sources.NAMES.get(mc.source if mc else "", sources.NAMES[sources.PROBES])
    if evens:
        trigger_mc = target_mc_pct(charge)
        trigger = f"when the wettest board is at {trigger_mc:g} %, the target"
    elif not by_moisture:
        trigger_mc = None
        trigger = f"when {step.name} has run {step.hours:.0f} hours"
    elif after is not None and after.kind == "dry":
        trigger_mc = after.from_mc_pct
        trigger = f"when the wettest half of the {half} averages {trigger_mc:g} %"
    elif to_even:
        trigger_mc = target_mc_pct(charge)
        trigger = f"when the driest board is at {after.from_mc_pct:g} %"
    else:
        trigger_mc = target_mc_pct(charge)
        trigger = f"when the wettest half of the {half} averages {trigger_mc:g} %, the target"
    began = step_began(charge)
    expected = began + dt.timedelta(hours=step.hours)
    due = False
    if by_moisture and mc and mc.measured and trigger_mc is not None:
        due = mc.verdict == BELOW or (mc.value is not None and mc.value <= trigger_mc)
        if mc.value is not None and drying:
            expected = mc.at + _hours_to(charge, mc.value, trigger_mc, drying) * HOUR
    if to_even or evens:
        last = _last_round(charge, now)
        reads, limit = (min, after.from_mc_pct) if to_even else (max, trigger_mc)
        due = last is not None and limit is not None and reads(last.values) <= limit
    elif not by_moisture:
        due = now >= expected
    late = not due and expected < now
    return NextChange(after, trigger, trigger_mc, max(expected, now), due, late)


def _last_round(charge: Charge, now: dt.datetime) -> sources.Round | None:
    """The round of samples that drives the schedule; None without a fresh one."""
    evidence = Evidence(charge, now)
    found = sources.believed(evidence.boards, evidence.probes, now)
    return found and found[0]


def stage_unmet(charge: Charge, step: Step, now: dt.datetime) -> str:
    """Why a stage after drying may not start yet, in words; empty when it may.

    Equalizing starts on the driest sample, conditioning on the wettest at its target (Wengert, seen), heat and
    pitch when drying is done.
    """
    if step.kind == "dry":
        return ""
    if step.kind == "heat" and not charge.probes.filter(kind=Probe.Kind.CORE).exists():
        return "No core probe is set up, so nothing could show that the heat reached the core."
    last = _last_round(charge, now)
    name = step.name.capitalize()
    if last is None:
        return f"{name} starts on measured moisture, and none was read in the last {FRESH_MC.days} days."
    driest = step.kind == "equalize"
    limit = step.from_mc_pct if driest else target_mc_pct(charge)
    reads = min(last.values) if driest else max(last.values)
    if step.kind in HOT:
        reads = sum(last.wettest) / len(last.wettest)
    if limit is None or reads <= limit:
        return ""
    whose = "driest board" if driest else "wettest half" if step.kind in HOT else "wettest board"
    told = "above the probes' range" if reads == math.inf else f"at {reads:.1f} %"
    return f"{name} starts when the {whose} is at {limit:g} %; it is {told}."


def expected_done(charge: Charge, now: dt.datetime) -> tuple[dt.datetime, dt.datetime, dt.datetime] | None:
    """Low, expected and high end of drying, from the plan and from what was read since."""
    return outlook(charge, now).done


def _expected_done(
    charge: Charge, now: dt.datetime, change: NextChange | None, drying: forecast.Forecast | None
) -> tuple[dt.datetime, dt.datetime, dt.datetime] | None:
    days = charge.plan.get("days")
    if not days or not days["expected"] or change is None:
        return None
    later = steps(charge)[charge.step_index + 1 :]
    if drying:
        after = charge.started_at + sum(step.hours for step in later if step.kind != "dry") * HOUR
        low, expected, high = (
            max(now, after + hours * HOUR) for hours in (drying.low, drying.expected, drying.high)
        )
        return low, expected, high
    left = change.expected_at + sum(step.hours for step in later) * HOUR - now
    shares = (days[end] / days["expected"] for end in ("low", "high"))
    low, high = (now + left * share for share in shares)
    return low, now + left, high


def _hours_to(charge: Charge, mc_pct: float, trigger_mc_pct: float, drying: forecast.Forecast) -> float:
    """Hours from a measured moisture to the one that triggers the change, at the speed seen so far."""
    hours, mcs = planned_curve(charge)
    lowest = min(mcs)
    planned = forecast.hour_of(max(trigger_mc_pct, lowest), hours, mcs)
    planned -= forecast.hour_of(max(mc_pct, lowest), hours, mcs)
    return max(0.0, planned) * drying.slower


def last_values(charge: Charge) -> dict[str, tuple[float, dt.datetime]]:
    """The last value of each thing that is read, and when: shown beside the fields."""
    wanted = {"dry_bulb_f", "wet_bulb_f", "condensate_lb", "meter_kwh", *(f"ch{n}" for n in CHANNELS)}
    found: dict[str, tuple[float, dt.datetime]] = {}
    for reading in charge.readings.order_by("-taken_at")[:50]:
        for name in wanted - found.keys():
            value = getattr(reading, name)
            if value is not None:
                found[name] = (value, reading.taken_at)
    return found


def latest_reading(charge: Charge) -> Reading | None:
    return charge.readings.order_by("-taken_at").first()


def reading_due_at(charge: Charge, every_hours: int) -> dt.datetime | None:
    """When the next reading should be taken; None unless running."""
    if charge.state != "running":
        return None
    last = latest_reading(charge)
    return (last.taken_at if last else charge.started_at) + dt.timedelta(hours=every_hours)


def water_due_at(charge: Charge) -> dt.datetime | None:
    """Wet-bulb water: at the start of each charge, and within two weeks in a long one."""
    if charge.state != "running":
        return None
    return charge.water_topped_up_at + WATER_EVERY if charge.water_topped_up_at else charge.started_at


def channel_label(probe: Probe) -> str:
    """Board and lot of a channel, as the phone page names it."""
    board = probe.board or f"channel {probe.channel}"
    return f"{board}, lot {probe.charge_lot.lot}"


def thinned(charge: Charge, most: int = 400) -> list[Reading]:
    """Readings for a chart: all of them, or evenly spread ones and always the last."""
    count = charge.readings.count()
    stride = math.ceil(count / most) or 1
    place = Window(RowNumber(), order_by="taken_at")
    kept = charge.readings.annotate(place=place).annotate(over=(count - F("place")) % stride).filter(over=0)
    return list(Reading.objects.filter(pk__in=kept.values("pk")).order_by("taken_at"))


@dataclass(frozen=True)
class Figures:
    """Planned against actual, in °F and %, times aware."""

    planned_mc: list[dict[str, Any]]  # at, lot, mc
    planned_air: list[dict[str, Any]]  # at, bulb, temp_f
    measured_mc: list[dict[str, Any]]  # at, source, board, mc
    measured_air: list[dict[str, Any]]  # at, bulb, temp_f
    target_mc: float | None
    drained_mc: list[dict[str, Any]]  # at, mc: an estimate


def figures(charge: Charge, start: dt.datetime, evidence: Evidence | None = None) -> Figures:
    """What the chart draws; the plan is laid from `start`."""
    evidence = evidence or Evidence(charge, start)
    planned_mc = [
        {"at": start + dt.timedelta(hours=hours), "lot": str(lot["key"]), "mc": value}
        for lot in _plan_lots(charge)
        for hours, value in zip(lot["curve_hours"], lot["curve_avg"], strict=True)
    ]
    planned_air, at = [], start
    for step in steps(charge):
        end = at + dt.timedelta(hours=step.hours)
        for moment in (at, end):
            planned_air.append({"at": moment, "bulb": "Dry bulb", "temp_f": step.dry_bulb_f})
            planned_air.append({"at": moment, "bulb": "Wet bulb", "temp_f": step.wet_bulb_f})
        at = end
    rows = thinned(charge)
    known, fixed = probes(charge), corrections(rows)
    measured_mc = [
        {
            "at": row.taken_at,
            "source": "Probe",
            "board": channel_label(known[channel]),
            "mc": fixed[row.pk, channel].value,
        }
        for row in rows
        for channel in CHANNELS
        if channel in known and (row.pk, channel) in fixed and fixed[row.pk, channel].value is not None
    ]
    measured_mc += [
        {
            "at": point.at,
            "source": found.sample.get_kind_display(),
            "board": f"{found.sample}, lot {found.sample.charge_lot.lot}",
            "mc": point.mc_pct,
        }
        for found in evidence.samples
        for point in found.known
    ]
    water = evidence.water.points if evidence.water else []
    drained_mc = [{"at": at, "mc": mc} for at, mc in water]
    measured_air = [
        {"at": row.taken_at, "bulb": bulb, "temp_f": value}
        for row in rows
        for bulb, value in (("Dry bulb", row.dry_bulb_f), ("Wet bulb", row.wet_bulb_f))
        if value is not None
    ]
    return Figures(planned_mc, planned_air, measured_mc, measured_air, target_mc_pct(charge), drained_mc)


def lots_of(charge: Charge) -> list[ChargeLot]:
    rows = charge.charge_lots.select_related("lot__order__customer").prefetch_related("board_tests")
    return list(rows)


def checklist(charge: Charge, kind: str) -> Checklist | None:
    return charge.checklists.filter(kind=kind).select_related("signed_by").first()


def kwh_used(charge: Charge) -> float | None:
    """Electricity from the first to the last meter reading; None without two."""
    rows = (
        charge.readings.filter(meter_kwh__isnull=False)
        .order_by("taken_at")
        .values_list("meter_kwh", flat=True)
    )
    first, last = rows.first(), rows.last()
    return None if first is None or len(rows[:2]) < 2 else last - first


def air_of(reading: Reading, elevation_ft: float) -> tuple[float, float] | None:
    """RH and EMC [%] of a reading's air; None when a bulb is missing or the air is beyond the formulas."""
    if reading.dry_bulb_f is None or reading.wet_bulb_f is None:
        return None
    try:
        rh = psychro.rh_pct(reading.dry_bulb_f, reading.wet_bulb_f, elevation_ft)
        return rh, emc_pct(reading.dry_bulb_f, rh)
    except ValueError:
        return None


def board_results(row: ChargeLot) -> moisture.BoardTests | None:
    """Statistics of the lot's board tests that gave a figure; None without any."""
    figures = [test.corrected_pct for test in row.board_tests.all() if test.corrected_pct is not None]
    return moisture.board_tests(figures, row.lot.target_mc_pct, row.lot.tolerance_pct) if figures else None
