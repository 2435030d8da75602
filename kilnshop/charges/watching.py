"""Alerts of a running charge: what its readings show, what that means, and what a person found.

The rules are in `science/signs.py`; they run when readings or weights arrive, never when a page is opened.
"""

import datetime as dt
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from kilnshop.charges import following, sources
from kilnshop.charges.models import Alert, Charge, ChargeLot, Correction, Probe, SampleBoard
from kilnshop.charges.queries import PromiseMove, promise_moves
from kilnshop.orders.estimating import holds, species_for
from kilnshop.science import forecast, signs
from kilnshop.science.treatments import MAX_GAP_MINUTES, Clock, clocks
from kilnshop.shop.models import Person
from kilnshop.shop.queries import shop_today, the_shop
from kilnshop.shop.roles import May, require

WINDOW = dt.timedelta(days=8)  # of readings looked at, so that a log fetched once a week is seen whole
LOOKS_BACK = dt.timedelta(hours=80)  # the rules compare with up to 72 hours before
AGAIN = dt.timedelta(hours=24)  # a handled sign that lasts this much longer opens a new alert (design choice)
HARM = list(Alert.Kind.values)
SEVERITIES = list(Alert.Severity.values)


@dataclass(frozen=True)
class Meaning:
    means: str
    look: str


MEANINGS = {
    Alert.Kind.COMPRESSOR: Meaning(
        "Hot air overloads the compressor and can ruin it.",
        "Switch the compressor off first, then see why the chamber is this hot. Its circuit is for a certified "
        "technician.",
    ),
    Alert.Kind.HOT: Meaning(
        "Too much heat darkens, checks and weakens wood, and can start a fire.",
        "Turn the heat down or off from outside. See the thermostat, the heater relay and the high-limit cut-out. Do "
        "not go into a hot chamber.",
    ),
    Alert.Kind.FAST: Meaning(
        "Near or above the safe daily loss wood checks and honeycombs, which cannot be undone.",
        "Raise the wet bulb or lower the dry bulb by a step; look at board ends and faces for fresh checks before "
        "going on.",
    ),
    Alert.Kind.WICK: Meaning(
        "A dirty, dry or still-air wick reads too warm: the air is drier than it says, and the wood dries harder.",
        "Change the wick, fill the reservoir with clean water, and see that air moves past the bulb.",
    ),
    Alert.Kind.POWER: Meaning(
        "The power or the recorder was off. Warm wet wood without moving air moulds within days.",
        "See the breaker, fans and controller, that the set points are still right, and the clock of the recorder.",
    ),
    Alert.Kind.DRAIN: Meaning(
        "Wet wood still gives off water, so it stays in the chamber or leaves unseen.",
        "See the drain hose and pan, whether the compressor runs, frost on its coil, open vents, and the counter.",
    ),
    Alert.Kind.MOULD: Meaning(
        "Slow drying or humid warm air lets mould and stain start.",
        "Look and smell at the stack; see that all fans run and the unit drains. Then dry harder within the safe rate.",
    ),
    Alert.Kind.HEAT_OFF: Meaning(
        "The chamber cools. A wet bulb that falls with it is not drying air, and wood may take up moisture.",
        "See the heater, its breaker and the thermostat, and whether the door is shut.",
    ),
    Alert.Kind.OFF_PLAN: Meaning(
        "Humidity decides the rate: a 3 % error in RH can change it by a fifth in oak.",
        "See the set points, the wick, the vents, the door seal, and whether heater and compressor run.",
    ),
    Alert.Kind.DOOR: Meaning(
        "Each opening dries the faces near the door and costs heat.",
        "See who opened it and whether it shuts well.",
    ),
}


def open_alerts(charges: Iterable[Charge]) -> list[Alert]:
    """Alerts nobody has answered, worst first."""
    rows = Alert.objects.filter(charge__in=charges, found_at=None).select_related("charge__chamber")
    return sorted(rows, key=lambda a: (SEVERITIES.index(a.severity), HARM.index(a.kind), a.first_seen))


def answered(charge: Charge) -> list[Alert]:
    """Alerts with what was found, newest first."""
    return list(charge.alerts.filter(found_at__isnull=False).select_related("found_by").order_by("-found_at"))


def late_promises(ahead: Iterable[tuple[Charge, following.Outlook]], margin_days: int) -> list[PromiseMove]:
    """Promises that the forecasts of these running charges break, at the late end of their bands."""
    last: dict[int, dt.date] = {}
    for charge, outlook in ahead:
        days, booking = charge.plan.get("days"), getattr(charge, "booking", None)
        if outlook.done and days and booking:
            planned = shop_today(charge.started_at + dt.timedelta(days=days["high"]))
            last[charge.pk] = booking.last_day + (shop_today(outlook.done[2]) - planned)
    rows = ChargeLot.objects.filter(charge__in=last).values_list("charge_id", "lot_id", "lot__order_id")
    ends = {lot: last[charge] for charge, lot, _ in rows}
    orders = {order for _, _, order in rows}
    return [move for move in promise_moves(orders, margin_days, ends) if move.breaks] if orders else []


@dataclass(frozen=True)
class HeatClock:
    """The heat stage as it runs: the strictest limit asked for, and each core channel, slowest first."""

    limit_f: float
    minutes: float
    clocks: list[Clock]
    at: dt.datetime | None  # of the last logged row
    max_gap_minutes: float = MAX_GAP_MINUTES


def heat_clock(charge: Charge) -> HeatClock | None:
    """What the log shows of a heat stage so far; None outside one, or where no lot asks for a heat treatment."""
    step = following.current_step(charge)
    if step is None or step.kind != "heat":
        return None
    known = holds()
    asked = [
        known[key]
        for row in charge.charge_lots.select_related("lot")
        for key in row.lot.treatments
        if key in known and known[key].kind == "heat"
    ]
    if not asked:
        return None
    probes = [probe for probe in following.probes(charge).values() if probe.kind == Probe.Kind.CORE]
    any_of = Q(pk__in=[])
    for probe in probes:
        any_of |= Q(**{f"ch{probe.channel}__isnull": False})
    names = [f"ch{probe.channel}" for probe in probes]
    rows = list(
        charge.readings.filter(any_of, logged__isnull=False, taken_at__gte=following.step_began(charge))
        .order_by("taken_at")
        .values("taken_at", *names)
    )
    limit = max(hold.temp_f for hold in asked)
    channels = {
        following.channel_label(probe): [row[name] for row in rows]
        for probe, name in zip(probes, names, strict=True)
    }
    found = clocks(limit, [row["taken_at"] for row in rows], channels)
    return HeatClock(
        limit, max(hold.minutes for hold in asked), found, rows[-1]["taken_at"] if rows else None
    )


@transaction.atomic
def record_finding(*, alert: Alert, finding: str, by: Person, now: dt.datetime) -> Alert:
    """Close an alert with what was found."""
    require(by, May.RECORD_READINGS)
    alert = Alert.objects.select_for_update().get(pk=alert.pk)
    if alert.found_at:
        raise ValidationError(f"{alert.found_by} recorded a finding already: {alert.finding}")
    alert.finding, alert.found_by, alert.found_at = finding.strip(), by, now
    if not alert.finding:
        raise ValidationError({"finding": "Say what was found, also when nothing was wrong."})
    alert.full_clean()
    alert.save()
    return alert


@transaction.atomic
def watch(*, charge: Charge, now: dt.datetime, since: dt.datetime | None = None) -> None:
    """Hold the newest readings against the rules and keep what they show as alerts.

    `since`: only readings from then on are new, such as the row a recorder sends each minute.
    """
    if charge.state != "running":
        return
    newest: dict[tuple[str, str], Alert] = {}
    for alert in charge.alerts.order_by("first_seen", "id"):
        newest[alert.kind, alert.about] = alert
    shown: dict[tuple[str, str], signs.Sign] = {}
    for sign in seen(charge, now, since):
        key = (sign.kind, sign.about)
        held = shown.get(key)
        if held is None or SEVERITIES.index(sign.severity) <= SEVERITIES.index(held.severity):
            shown[key] = sign
    for key, alert in newest.items():
        if alert.lasting and key not in shown:
            alert.lasting = False
            alert.save(update_fields=["lasting"])
    for key, sign in shown.items():
        _keep(charge, newest.get(key), sign, now)


def _keep(charge: Charge, known: Alert | None, sign: signs.Sign, now: dt.datetime) -> None:
    """Move the known alert on, or open one. Evidence as old as the last seen says nothing new."""
    if known and sign.at <= known.last_seen:
        return
    same = known and (known.found_at is None or (known.lasting and sign.at < known.found_at + AGAIN))
    alert = known if same else Alert(charge=charge, kind=sign.kind, about=sign.about, first_seen=sign.at)
    if alert.found_at is None:
        alert.severity, alert.text = sign.severity, sign.text
    alert.last_seen, alert.lasting = sign.at, sign.kind not in (Alert.Kind.POWER, Alert.Kind.DOOR)
    alert.full_clean()
    alert.save()


def seen(charge: Charge, now: dt.datetime, since: dt.datetime | None = None) -> list[signs.Sign]:
    """The signs in the latest readings and weights of a running charge."""
    step = following.current_step(charge)
    last = following.latest_reading(charge)
    samples = sources.samples(charge)
    ats = [point.at for found in samples for point in found.points if point.at <= now]
    ats += [last.taken_at] if last else []
    if step is None or not ats:
        return []
    newest = max(ats)
    known = [probe for probe in following.probes(charge).values() if probe.kind == Probe.Kind.MOISTURE]
    names = ["dry_bulb_f", "wet_bulb_f", "condensate_lb", *(f"ch{probe.channel}" for probe in known)]
    rows = list(
        charge.readings.filter(taken_at__gte=_looked_at(charge, newest, since))
        .order_by("taken_at")
        .values("pk", "taken_at", "logged_id", *names)
    )
    for row in rows:
        row["hour"] = row["taken_at"].replace(minute=0, second=0, microsecond=0)
    log = [
        (row["taken_at"], row["dry_bulb_f"])
        for row in rows
        if row["logged_id"] and row["dry_bulb_f"] is not None
    ]
    return signs.signs(_airs(rows), log, _woods(charge, known, rows, samples, newest), _setting(charge, step))


def _looked_at(charge: Charge, newest: dt.datetime, since: dt.datetime | None) -> dt.datetime:
    """From when on readings are looked at; what came before `since` is known, and the row before it ends a gap."""
    if since is None:
        return newest - WINDOW
    before = charge.readings.filter(taken_at__lt=since).order_by("-taken_at").first()
    return min(since - LOOKS_BACK, before.taken_at if before else since)


def _hourly(rows: list[dict], names: list[str]) -> list[dict]:
    """The last row of each hour that holds one of these."""
    kept = {row["hour"]: row for row in rows if any(row[name] is not None for name in names)}
    return list(kept.values())


def _airs(rows: list[dict]) -> list[signs.Air]:
    """One reading an hour; condensate of the hour is added up, for it counts since the reading before."""
    drained: dict[dt.datetime, float] = {}
    for row in rows:
        if row["condensate_lb"] is not None:
            drained[row["hour"]] = drained.get(row["hour"], 0.0) + row["condensate_lb"]
    return [
        signs.Air(
            row["taken_at"],
            row["dry_bulb_f"],
            row["wet_bulb_f"],
            drained.get(row["hour"]),
        )
        for row in _hourly(rows, ["dry_bulb_f", "condensate_lb"])
    ]


def _weighed(
    samples: Iterable[sources.Sampled], now: dt.datetime
) -> list[tuple[dt.datetime, dict[str, float]]]:
    """Rounds of the scale. A board cut again is another board, for its oven-dry weight was corrected."""
    points = [(point, found) for found in samples for point in found.known if point.at <= now]
    rounds: list[tuple[dt.datetime, dict[str, float]]] = []
    for point, found in sorted(points, key=lambda row: row[0].at):
        board = f"{found.sample}, {point.dry.cut.pk}"
        if not rounds or board in rounds[-1][1] or point.at - rounds[-1][0] >= sources.SETTLED:
            rounds.append((point.at, {}))
        rounds[-1][1][board] = point.mc_pct
    return rounds


def _woods(
    charge: Charge, known: list[Probe], rows: list[dict], samples: list[sources.Sampled], now: dt.datetime
) -> list[signs.Wood]:
    """Each lot with the rounds of its believed source: weighed boards, or corrected probe readings by the hour."""
    rounds = _hourly(rows, [f"ch{probe.channel}" for probe in known]) if known else []
    fixed: dict[tuple[int, int], Correction] = {}
    for row in Correction.objects.filter(reading__in=[row["pk"] for row in rounds]).order_by("at", "id"):
        fixed[row.reading_id, row.channel] = row
    woods = []
    for charge_lot in charge.charge_lots.select_related("lot__order"):
        lot = charge_lot.lot
        channels = [probe for probe in known if probe.charge_lot_id == charge_lot.pk]
        found = []
        for row in rounds:
            values = {
                f"{probe.channel}": fixed[row["pk"], probe.channel].value
                for probe in channels
                if (row["pk"], probe.channel) in fixed and fixed[row["pk"], probe.channel].value is not None
            }
            if values:
                found.append((row["taken_at"], values))
        boards = [
            row
            for row in samples
            if row.sample.charge_lot_id == charge_lot.pk and row.sample.kind == SampleBoard.Kind.BOARD
        ]
        if boards:
            evidence = following.Evidence(charge, now)
            evidence.samples, evidence.channels = boards, [probe.channel for probe in channels]
            if evidence.governing and evidence.governing.source == sources.BOARDS:
                found = _weighed(boards, now)
        woods.append(
            signs.Wood(
                name=str(lot),
                species=species_for(lot.species_key),
                thickness_in=float(lot.thickness_in),
                target_mc_pct=lot.target_mc_pct,
                rounds=found,
                planned_loss_pct_per_day=_planned_loss(charge, str(lot), found),
            )
        )
    return woods


def _planned_loss(charge: Charge, lot: str, rounds: list) -> float | None:
    """What the plan loses in the day before it has the lot's measured moisture; None where it never does."""
    curve = next((row for row in charge.plan.get("lots") or [] if str(row["key"]) == lot), None)
    if not rounds or curve is None or not curve.get("curve_hours"):
        return None
    mc_pct = statistics.fmean(rounds[-1][1].values())
    planned = curve["curve_hours"], curve["curve_avg"]
    try:
        hour = forecast.hour_of(mc_pct, *planned)
    except ValueError:
        return None
    return forecast.mc_at(hour - 24, *planned) - mc_pct if hour >= 24 else None


def _setting(charge: Charge, step: following.Step) -> signs.Setting:
    row = charge.plan["steps"][step.index]
    return signs.Setting(
        since=following.step_began(charge),
        kind=step.kind,
        dry_bulb_f=step.dry_bulb_f,
        wet_bulb_f=step.wet_bulb_f,
        wet_bulb_high_f=max(step.wet_bulb_f, row.get("expected_wet_bulb_f") or step.wet_bulb_f),
        emc_pct=step.emc_pct,
        compressor=step.compressor,
        lockout_dry_bulb_f=charge.chamber.lockout_dry_bulb_f,
        elevation_ft=the_shop().elevation_ft,
    )
