"""Was a heat treatment done? Judged from what a recorder logged, for one lot of a charge."""

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from typing import Any

from kilnshop.charges.models import Charge, ChargeLot, Probe
from kilnshop.science import treatments
from kilnshop.science.treatments import HeatVerdict, Treatment
from kilnshop.shop.models import OwnTreatment, Shop
from kilnshop.shop.queries import the_shop

AIR = "dry bulb"
PITCH_MINUTES = 1440.0  # 24 h at the temperature: Wengert, perfect pitch (seen)
CHECK_EVERY = dt.timedelta(days=366)  # sensors against a reference once a year (common practice)


def treatment_for(key: str) -> Treatment:
    """The shop's own treatment of that key, or the published one. ValueError when neither exists."""
    own = OwnTreatment.objects.filter(key=key).first()
    if own is None:
        return treatments.find(key)
    return Treatment(
        key=own.key,
        name=own.name,
        purpose=own.note,
        measured_at="core" if own.measured_at == "core" else "chamber air",
        min_temperature_f=own.min_temperature_f,
        min_continuous_minutes=float(own.min_minutes),
        checkable=True,
        source=own.source,
        provenance="our shop",
    )


def probe_label(probe: Probe) -> str:
    parts = [part for part in (probe.board, probe.position) if part]
    return ", ".join(parts) or f"channel {probe.channel}"


def core_probes(charge_lot: ChargeLot) -> list[Probe]:
    return list(charge_lot.probes.filter(kind=Probe.Kind.CORE).order_by("channel"))


def log_of(charge: Charge) -> list[Any]:
    """The readings of a charge in order of time, only what heat is judged by: `taken_at`, `logged_id`, dry bulb, cores."""
    cores = charge.probes.filter(kind=Probe.Kind.CORE).order_by("channel").values_list("channel", flat=True)
    names = ["dry_bulb_f", *(f"ch{channel}" for channel in cores)]
    return list(charge.readings.order_by("taken_at").values_list("taken_at", "logged_id", *names, named=True))


def judged(
    treatment: Treatment, probes: Sequence[Probe], logged: Sequence[Any], *, metric: bool = False
) -> tuple[HeatVerdict, str, str]:
    """The verdict of the log, where it was measured, and the pitch record of a pitch treatment.

    A core treatment counts every core probe of the lot, an air treatment the logged dry bulb. Rows that a
    recorder of something else wrote are left out; a row with only some of the core probes breaks the time.
    """
    if treatment.is_core:
        channels = {
            f"{probe.channel} ({probe_label(probe)})": [
                getattr(reading, f"ch{probe.channel}") for reading in logged
            ]
            for probe in probes
        }
        labels = "; ".join(probe_label(probe) for probe in probes)
        many = "" if len(probes) == 1 else "s"
        where = f"{len(probes)} core probe{many}: {labels}" if probes else "no core probe in this lot"
    else:
        channels = {AIR: [reading.dry_bulb_f for reading in logged]}
        where = "air of the chamber, dry bulb"
    rows = list(zip(*channels.values(), strict=True)) if channels else []
    kept = [index for index, row in enumerate(rows) if any(value is not None for value in row)]
    times = [logged[index].taken_at for index in kept]
    values = {name: [values[index] for index in kept] for name, values in channels.items()}
    pitch = _pitch_record(treatment, times, values, metric) if treatment.is_pitch else ""
    return treatments.judge(treatment, times, values, metric=metric), where, pitch


def _pitch_record(treatment: Treatment, times: list, values: dict, metric: bool) -> str:
    """The highest temperature held for the treatment's time, or for as long as the log has no break."""
    unit, minutes = ("°C" if metric else "°F"), treatment.min_continuous_minutes or PITCH_MINUTES
    held = treatments.highest_held(times, values, minutes, metric=metric)
    if held is None:
        longest = treatments.longest_watched(times, values)
        held = longest and treatments.highest_held(times, values, longest, metric=metric)
    if not held:
        return "No unbroken time was logged, so no temperature can be named that pitch was set to."
    hours = f"{held.minutes / 60:.1f}".removesuffix(".0")
    short = "" if held.minutes >= minutes else f" The usual advice is {minutes / 60:g} h."
    return (
        f"Set to {held.degrees} {unit}: the highest held without a break, {hours} h.{short} Pitch can soften again "
        "above it."
    )


def _sensors(charge_lot: ChargeLot, at: dt.datetime | None, zone: dt.tzinfo) -> str:
    """When the sensors were checked against a reference, and a warning where that is missing or old."""
    day = charge_lot.charge.chamber.sensors_checked_on
    if day is None:
        return "No day is on record on which the sensors were checked against a reference."
    told = f"Sensors checked against a reference on {day:%a} {day.day} {day:%b %Y}"
    if at and at.astimezone(zone).date() - day > CHECK_EVERY:
        return f"{told}, more than a year before; once a year is common practice."
    return f"{told}."


def _by_hand(treatment: Treatment, probes: Sequence[Probe], by_hand: Sequence[Any]) -> int:
    if not treatment.is_core:
        return sum(reading.dry_bulb_f is not None for reading in by_hand)
    return sum(
        any(getattr(reading, f"ch{probe.channel}") is not None for probe in probes) for reading in by_hand
    )


def heat_record(
    charge_lot: ChargeLot, treatment_key: str, *, shop: Shop | None = None, log: list[Any] | None = None
) -> dict:
    """What the log of the charge says about a treatment of this lot, as a ticket freezes it.

    Only logged readings count: readings by hand do not show what happened between them. `log`: of `log_of`, where
    more than one record is asked for.
    """
    shop = shop or the_shop()
    metric, zone = shop.units == Shop.Units.METRIC, zoneinfo.ZoneInfo(shop.time_zone)
    probes = core_probes(charge_lot)
    readings = log_of(charge_lot.charge) if log is None else log
    try:
        treatment = treatment_for(treatment_key)
    except ValueError:
        return {
            "key": treatment_key,
            "name": treatment_key,
            "source": "",
            "criterion": "no longer in the shop’s list",
            "limit_f": None,
            "measured_at": "",
            "where": "not recorded",
            "depths_in": [],
            "longest_minutes": None,
            "lowest_f": None,
            "from": "",
            "to": "",
            "intervals": [],
            "sensors": "",
            "pitch": "",
            "verdict": "Not recorded",
            "reasons": ["The treatment asked for is no longer in the shop’s list, so nothing was judged."],
        }
    logged = [reading for reading in readings if reading.logged_id is not None]
    verdict, where, pitch = judged(treatment, probes, logged, metric=metric)
    reasons = list(verdict.reasons)
    if verdict.verdict == "not recorded":
        count = _by_hand(treatment, probes, [reading for reading in readings if reading.logged_id is None])
        if count:
            reasons.append(
                f"{count} reading{'s' * (count > 1)} by hand do not show what happened in between."
            )
    recorded = verdict.verdict != "not recorded"
    return {
        "key": treatment.key,
        "name": treatment.name,
        "source": treatment.standard or treatment.source,
        "provenance": treatment.provenance,
        "criterion": treatment.criterion_in(metric=metric),
        "limit_f": treatment.min_temperature_f,
        "measured_at": treatment.measured_at,
        "where": where,
        "depths_in": [probe.depth_in for probe in probes if probe.depth_in] if treatment.is_core else [],
        "longest_minutes": verdict.longest_minutes if recorded else None,
        "lowest_f": verdict.lowest_f,
        "from": verdict.start.isoformat() if verdict.start else "",
        "to": verdict.end.isoformat() if verdict.end else "",
        "intervals": [
            {
                "from": f"{interval.start.astimezone(zone):%Y-%m-%dT%H:%M:%S}",
                "to": f"{interval.end.astimezone(zone):%Y-%m-%dT%H:%M:%S}",
                "minutes": interval.minutes,
                "lowest_f": interval.lowest_f,
            }
            for interval in sorted(verdict.intervals, key=lambda one: -one.minutes)
        ],
        "channels_required": treatment.min_channels,
        "max_gap_minutes": treatments.MAX_GAP_MINUTES,
        "sensors": _sensors(charge_lot, verdict.end, zone) if recorded else "",
        "pitch": pitch,
        "verdict": verdict.verdict.capitalize(),
        "reasons": reasons,
    }
