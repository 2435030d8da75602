"""What each way of knowing the moisture says, which one is believed, and what looks wrong with it.

Unlike things are never averaged: sample boards, probes, packs and drained water each keep their own figure.
"""

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from kilnshop.charges.models import Charge, SampleBoard, SampleCut, SampleWeight
from kilnshop.science import meters, moisture
from kilnshop.science.moisture import BandedMc

FRESH_MC = dt.timedelta(days=4)  # older moisture readings do not drive the schedule (design choice)
ROUND = dt.timedelta(hours=36)  # readings this close together count as one round (design choice)
DAILY = dt.timedelta(days=2)  # above 25 % boards are weighed daily; a day late is still fresh (design choice)
SETTLED = dt.timedelta(hours=4)  # weights closer than this say nothing of the loss a day (design choice)
OFF_SHARE, OFF_LB = 0.25, 15.0  # water off by more than vents and leaks explain (design choice)
APART_PCT = 3.0  # boards and probes this far apart are worth an oven test (design choice)
OVER, BELOW, OPEN = "over", "below", "open"
BOARDS, PROBES, PLAN = "boards", "probes", "plan"
NAMES = {BOARDS: "sample boards", PROBES: "probes"}


@dataclass(frozen=True)
class OvenDry:
    """An estimated oven-dry weight, in force from its cut to the next."""

    cut: SampleCut
    lb: float
    mc_pct: float  # when cut
    how: str
    provisional: bool = False


@dataclass(frozen=True)
class Point:
    """A weight and what it means; `mc_pct` is None while the oven has not said."""

    row: SampleCut | SampleWeight
    lb: float
    mc_pct: float | None
    band: BandedMc | None = None
    dry: OvenDry | None = None  # in force

    @property
    def at(self) -> dt.datetime:
        return self.row.at

    @property
    def is_cut(self) -> bool:
        return isinstance(self.row, SampleCut)


@dataclass
class Sampled:
    """One sample with all its weights, oldest first."""

    sample: SampleBoard
    points: list[Point] = field(default_factory=list)
    aside: list[Point] = field(default_factory=list)
    estimates: list[OvenDry] = field(default_factory=list)
    wettest: bool = False
    driest: bool = False

    @property
    def history(self) -> list[Point]:
        """Every weight, those set aside too, oldest first."""
        return sorted((*self.points, *self.aside), key=lambda point: _order(point.row))

    @property
    def known(self) -> list[Point]:
        return [point for point in self.points if point.mc_pct is not None]

    @property
    def latest(self) -> Point | None:
        return self.known[-1] if self.known else None

    @property
    def last_weight(self) -> Point | None:
        return self.points[-1] if self.points else None

    @property
    def estimate(self) -> OvenDry | None:
        return self.estimates[-1] if self.estimates else None

    @property
    def waiting(self) -> SampleCut | None:
        """The latest cut whose sections are still in the oven."""
        cuts = [point.row for point in self.points if point.is_cut]
        return next((cut for cut in reversed(cuts) if _open_sections(cut)), None)

    @property
    def loss_pct_per_day(self) -> float | None:
        """Loss from the last weight but one that is at least SETTLED older."""
        if not self.latest:
            return None
        at, mc = self.latest.at, self.latest.mc_pct
        before = [point for point in self.known if at - point.at >= SETTLED]
        if not before:
            return None
        hours = (at - before[-1].at).total_seconds() / 3600
        return moisture.loss_pct_per_day(before[-1].mc_pct, mc, hours)


def in_lb(weight: float, unit: str) -> float:
    return weight * moisture.LB_PER[unit]


def in_unit(lb: float, unit: str) -> float:
    return lb / moisture.LB_PER[unit]


def _open_sections(cut: SampleCut) -> list:
    return [section for section in cut.sections.all() if section.oven_dry is None]


def _oven_dry(cut: SampleCut, last_mc: float | None) -> OvenDry | None:
    lb = in_lb(cut.weight, cut.unit)
    sections = list(cut.sections.all())
    if cut.start_mc_pct is not None:
        mc, how, provisional = cut.start_mc_pct, "from the lot's start moisture", False
    elif sections and not _open_sections(cut):
        mc = moisture.section_mc_pct([(row.green, row.oven_dry) for row in sections])
        how, provisional = f"from {len(sections)} section{'s' * (len(sections) != 1)}, oven-dried", False
    elif last_mc is not None:
        mc, how, provisional = last_mc, "from the last moisture until the oven has dried the section", True
    else:
        return None
    return OvenDry(cut, moisture.oven_dry_weight(lb, mc), mc, how, provisional)


def _meaning(sample: SampleBoard, lb: float, dry: OvenDry | None) -> tuple[float | None, BandedMc | None]:
    if dry is None:
        return None, None
    try:
        if sample.kind == SampleBoard.Kind.PACK:
            start = in_lb(dry.cut.weight, dry.cut.unit)
            band = moisture.mc_from_start(lb, start, dry.mc_pct, dry.cut.start_sd_pct or 0.0)
            return band.expected, band
        return moisture.mc_pct(lb, dry.lb), None
    except (
        ValueError
    ):  # lighter than a later, corrected oven-dry weight allows: no number rather than a made-up one
        return None, None


def _order(row: SampleCut | SampleWeight) -> tuple:
    return row.at, isinstance(row, SampleCut), row.pk


def read_through(sample: SampleBoard) -> Sampled:
    """Every weight of a sample with its moisture, by the oven-dry weight in force when it was taken.

    A weight at the moment of a cut was taken before it. What is set aside counts for nothing.
    """
    found, dry, last_mc = Sampled(sample), None, None
    for row in sorted((*sample.samplecuts.all(), *sample.sampleweights.all()), key=_order):
        lb = in_lb(row.weight, row.unit)
        if row.set_aside_why:
            found.aside.append(Point(row, lb, None))
            continue
        if isinstance(row, SampleCut):
            dry = _oven_dry(row, last_mc)
            if dry:
                found.estimates.append(dry)
        mc, band = _meaning(sample, lb, dry)
        last_mc = last_mc if mc is None else mc
        found.points.append(Point(row, lb, mc, band, dry))
    return found


def samples(charge: Charge) -> list[Sampled]:
    """The samples of a charge, each read through; the wettest and driest board of all are marked."""
    rows = SampleBoard.objects.filter(charge_lot__charge=charge).select_related("charge_lot__lot__order")
    rows = rows.prefetch_related("samplecuts__sections", "samplecuts__by", "sampleweights__by")
    rows = rows.order_by("kind", "name")
    found = [read_through(row) for row in rows]
    boards = [row for row in found if row.sample.kind == SampleBoard.Kind.BOARD and row.latest]
    if len(boards) > 1:
        max(boards, key=lambda row: row.latest.mc_pct).wettest = True
        min(boards, key=lambda row: row.latest.mc_pct).driest = True
    return found


@dataclass(frozen=True)
class Round:
    """One round of boards or of probes: infinite where pins read over (inf) or below (-inf) their range."""

    source: str  # BOARDS or PROBES
    at: dt.datetime
    values: tuple[float, ...]

    @property
    def wettest(self) -> list[float]:
        return moisture.wettest_half(self.values)

    @property
    def verdict(self) -> str:
        return OVER if math.inf in self.wettest else BELOW if -math.inf in self.wettest else "ok"

    @property
    def value(self) -> float | None:
        return sum(self.wettest) / len(self.wettest) if self.verdict == "ok" else None

    @property
    def how(self) -> str:
        return f"average of the wettest {len(self.wettest)} of {len(self.values)} {NAMES[self.source]}"


def board_round(found: Iterable[Sampled], now: dt.datetime) -> Round | None:
    """The last round of weighed boards; None when none has a moisture or all are too old. Packs do not count."""
    boards = [row for row in found if row.sample.kind == SampleBoard.Kind.BOARD]
    points = [past[-1] for row in boards if (past := [point for point in row.known if point.at <= now])]
    newest = max((point.at for point in points), default=None)
    if newest is None or now - newest >= FRESH_MC:
        return None
    return Round(BOARDS, newest, tuple(point.mc_pct for point in points if point.at >= newest - ROUND))


def believed(boards: Round | None, probes: Round | None, now: dt.datetime) -> tuple[Round, str] | None:
    """Which round drives the schedule, and why; None without a fresh one. Water and packs never do.

    Above 25 % boards that are weighed lead, at 25 % and below probes do (shop_practice 1.6: pin readings over 25
    to 28 % are not accurate; weigh a sample instead).
    """
    if boards is None and probes is None:
        return None
    if probes is None:
        return boards, "no probe has a fresh reading"
    if boards is None:
        if probes.verdict == OVER:
            return probes, "above 28 % pins do not measure; weigh a sample board"
        return probes, "no sample board was weighed lately"
    if probes.verdict == OVER:
        return boards, "above 28 % pins do not measure"
    if probes.verdict == BELOW:
        return boards, "below 6 % pins do not measure"
    if probes.value > meters.ROUGH_PCT:
        return boards, "above 25 % pins are rough"
    if boards.value > meters.ROUGH_PCT and now - boards.at <= DAILY:
        return boards, f"they average {boards.value:.1f} %, and above 25 % pins are rough"
    apart = abs(boards.value - probes.value)
    settle = (
        f"; the boards say {boards.value:.1f} %, so dry a section to settle it" if apart > APART_PCT else ""
    )
    return probes, f"at 25 % and below they measure well and the door stays shut{settle}"


def troubles(charge: Charge, channels: Sequence[int], now: dt.datetime) -> dict[int, str]:
    """Moisture channels that are not to be believed, each with what to look at."""
    if not channels:
        return {}
    names = [f"ch{channel}" for channel in channels]
    rows = list(
        charge.readings.filter(taken_at__gt=now - FRESH_MC, taken_at__lte=now)
        .order_by("taken_at")
        .values_list(*names)
    )
    rows = [row for row in rows if any(value is not None for value in row)]
    stride = math.ceil(len(rows) / 24) or 1
    rows = rows[::-1][::stride][::-1]  # a minute's log as well as two readings a day, always with the last
    series = {channel: [row[i] for row in rows if row[i] is not None] for i, channel in enumerate(channels)}
    found = {}
    for i, channel in enumerate(channels):
        own = series[channel]
        if rows and len(rows) >= 3 and all(row[i] is None for row in rows[-3:]):
            found[channel] = "no value in the last 3 readings while other channels have one: look at its lead"
        elif own and (own[-1] <= 0 or own[-1] >= meters.FULL_SCALE_PCT):
            found[channel] = f"reads {own[-1]:g}, an end of the scale: pins or lead have no contact"
        elif meters.is_stuck(own, [series[other] for other in channels if other != channel]):
            found[channel] = f"stays at {own[-1]:g} while other channels move: look at its lead and pins"
    return found


def drained(readings: Sequence[tuple[dt.datetime, float]], counts: bool) -> list[tuple[dt.datetime, float]]:
    """Pounds drained up to each reading [(when, figure read)], in order of time.

    A bucket holds what came since the last reading. A counter shows a running total: its first figure is where it
    stood, and one below the last means it was set back to 0.
    """
    total, found, last = 0.0, [], None
    for at, value in readings:
        if not counts:
            total += value
        elif last is not None:
            total += value - last if value >= last else value
        last = value
        found.append((at, total))
    return found


@dataclass(frozen=True)
class Water:
    """Water drained against the plan's loss, and what it would mean as moisture if nothing left by the vents."""

    at: dt.datetime
    drained_lb: float
    predicted_lb: float
    mc_pct: float | None  # estimate of the charge's average, too wet by what vents and leaks took
    points: list[tuple[dt.datetime, float]]  # of that estimate
    trouble: str


def water(charge: Charge) -> Water | None:
    """What the drain says; None before it was read, or without a plan."""
    lots = [lot for lot in charge.plan.get("lots") or [] if lot.get("curve_hours") and lot.get("oven_dry_lb")]
    if not (lots and charge.started_at):
        return None
    rows = charge.readings.filter(condensate_lb__isnull=False).order_by("taken_at")
    found = drained(list(rows.values_list("taken_at", "condensate_lb")), charge.drain_counts)
    if not found:
        return None
    dry = sum(lot["oven_dry_lb"] for lot in lots)
    start = sum(lot["oven_dry_lb"] * lot["curve_avg"][0] for lot in lots) / dry

    def predicted(at: dt.datetime) -> float:
        hours = (at - charge.started_at).total_seconds() / 3600
        return sum(
            lot["oven_dry_lb"]
            * (lot["curve_avg"][0] - float(np.interp(hours, lot["curve_hours"], lot["curve_avg"])))
            / 100
            for lot in lots
        )

    stride = math.ceil(len(found) / 200) or 1
    kept = found[::-1][::stride][::-1]
    points = [(at, moisture.mc_from_drain(start, lb, dry)) for at, lb in kept if lb <= dry * start / 100]
    at, lb = found[-1]
    earlier = next((row for row in reversed(found) if at - row[0] >= DAILY), None)
    was = earlier[1] - predicted(earlier[0]) if earlier else 0.0
    mc = points[-1][1] if points and points[-1][0] == at else None
    return Water(at, lb, predicted(at), mc, points, _water_trouble(lb, predicted(at), was))


def _water_trouble(lb: float, predicted: float, was: float) -> str:
    """A difference that grows, in words; `was` is the difference two days before [lb]."""
    off = lb - predicted
    if abs(off) < max(OFF_LB, OFF_SHARE * predicted) or abs(off) <= abs(was) or off * was < 0:
        return ""
    if off < 0:
        return (
            "The drain falls behind the plan, more each day. Look at the drain and its trap, at vents and leaks that "
            "take vapour away, and at the meter or boards; else the wood dries slower than the plan."
        )
    return (
        "The drain runs ahead of the plan, more each day. Look at the figures read, and at the start moisture: the wood "
        "may have been wetter than entered, or dries faster than the plan. Watch the loss a day."
    )
