"""What finished charges teach: evidence from readings, set aside with a reason where it should not count."""

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from django.db import transaction

from kilnshop.charges import following, sources
from kilnshop.charges.models import Charge, ChargeLot, Correction, Event, Probe, Reading
from kilnshop.orders.estimating import chamber_input, estimate_lots, lot_input, speed_effects
from kilnshop.orders.models import Lot
from kilnshop.science import learning, psychro
from kilnshop.science.chamber import UA_FACTOR, ChamberInput, relative_removal
from kilnshop.science.drying import FREE_SLOPE, FSP, REFERENCE_VELOCITY_FPM
from kilnshop.science.learning import Dried, Evidence
from kilnshop.shop.models import Learned, Person, Shop
from kilnshop.shop.queries import the_shop
from kilnshop.shop.roles import May, require

GAP_LOGGED = dt.timedelta(hours=12)
GAP_BY_HAND = dt.timedelta(
    hours=36
)  # somebody who reads daily may miss the hour, not the day (design choice)
BY_HAND_WEIGHT = 0.5
ASSUMED = (Lot.StartHow.ASSUMED_GREEN, Lot.StartHow.ASSUMED_AIR_DRIED)
FLAT_OUT_F = 2.0  # wet bulb this far above its set point: the unit runs all the time and cannot hold it
FLAT_OUT_HOURS = 24.0
MOST_MACHINE_LN = 1.0  # further off than this is a wrong figure in the set-up, not a lesson
WALL_SHARE = 0.10  # of the kWh; below it a meter says nothing about walls
HOUR = dt.timedelta(hours=1)
SIGMA = {
    Learned.Kind.SPEED: learning.SIGMA_LN,
    Learned.Kind.REMOVAL: learning.MACHINE_SIGMA_LN,
    Learned.Kind.HEAT_LOSS: learning.MACHINE_SIGMA_LN,
}


class SetAside(Exception):
    """Why something does not count, in words."""


@dataclass(frozen=True)
class Air:
    """One reading of the chamber's air."""

    at: dt.datetime
    dry_bulb_f: float
    rh_pct: float
    emc_pct: float
    logged: bool


@dataclass
class Record:
    """A charge's readings as learning needs them."""

    charge: Charge
    chamber: ChamberInput
    readings: list[Reading]
    moisture: dict[tuple[int, int], Correction]  # newest by reading and channel
    air: list[Air] = field(default_factory=list)

    @classmethod
    def of(cls, charge: Charge, shop: Shop) -> "Record":
        readings = list(charge.readings.defer("note", "photo").order_by("taken_at"))
        fixed = Correction.objects.filter(reading__charge=charge).order_by("at", "id")
        moisture = {(row.reading_id, row.channel): row for row in fixed}
        record = cls(charge, chamber_input(charge.chamber, shop), readings, moisture)
        for reading in readings:
            found = following.air_of(reading, record.chamber.elevation_ft)
            if found:
                record.air.append(Air(reading.taken_at, reading.dry_bulb_f, *found, bool(reading.logged_id)))
        return record


def _speed(record: Record, row: ChargeLot) -> tuple[learning.Effects, tuple[float, float], float, str]:
    """What a lot teaches about, ln(seen / published) with its noise, its weight, and a note."""
    lot, charge = row.lot, record.charge
    if lot.start_how in ASSUMED:
        raise SetAside("its starting moisture was assumed, not measured")
    if lot.start_how == Lot.StartHow.PIN and lot.start_mc_pct > 100 * FSP:
        raise SetAside(
            f"its starting {lot.start_mc_pct:g} % was read with pins, which do not tell above {100 * FSP:g} %"
        )
    if not lot.thickness_measured:
        raise SetAside("its thickness was not measured")
    ended, final = _ended(record, row)
    stretches, by_hand = _air_until(record, ended)
    given = lot_input(lot)
    dried = Dried(
        name=f"{charge}, lot {lot}",
        thickness_in=given.thickness_in,
        width_in=given.width_in if given.is_timber else None,
        start_mc_pct=given.start_mc_pct,
        start_sd_pct=given.start_sd_pct,
        final_mc_pct=final,
        speed=given.speed,
        free_slope=1.0 if given.species.permeable_sapwood else FREE_SLOPE,
        hours=tuple(s[0] for s in stretches),
        temp_c=tuple(s[1] for s in stretches),
        emc_pct=tuple(s[2] for s in stretches),
        velocity=record.chamber.air_velocity_fpm / REFERENCE_VELOCITY_FPM,
    )
    days = dried.hours[-1] / 24
    note = f"{lot.start_mc_pct:g} to {final:.1f} % in {days:.1f} days"
    try:
        (seen,) = learning.speeds_seen([dried])
    except ArithmeticError:
        seen = None
    if seen is None:
        raise SetAside(
            f"{note} does not fit its air: no speed from a fifth to five times the published one explains it"
        )
    if by_hand:
        note += "; air read by hand, so it counts half"
    return speed_effects(given, charge.chamber.key), seen, BY_HAND_WEIGHT if by_hand else 1.0, note


def _ended(record: Record, row: ChargeLot) -> tuple[dt.datetime, float]:
    """When the lot's probes first averaged its target, else their last round, else its boards at the door."""
    channels = [p.channel for p in row.probes.all() if p.kind == Probe.Kind.MOISTURE]
    last = None
    too_wet = False
    for reading in record.readings if channels else ():
        if not record.charge.started_at < reading.taken_at <= record.charge.dried_at:
            continue
        found = [record.moisture.get((reading.pk, channel)) for channel in channels]
        if any(one is None for one in found):
            continue
        values = [one.value for one in found if one is not None and one.value is not None]
        too_wet = len(values) < len(channels) or max(values) > 100 * FSP
        if too_wet:
            continue
        last = reading.taken_at, sum(values) / len(values)
        if last[1] <= row.lot.target_mc_pct:
            break
    if last is None:
        tested = following.board_results(row)
        if tested is None:
            raise SetAside(
                f"its probes read above {100 * FSP:g} % to the end, where pins do not tell"
                if too_wet
                else "no moisture was read at the end"
            )
        last = record.charge.dried_at, tested.mean
    if last[1] >= row.lot.start_mc_pct:
        raise SetAside(f"it ended at {last[1]:.1f} %, not below its start of {row.lot.start_mc_pct:g} %")
    return last


def _air_until(record: Record, ended: dt.datetime) -> tuple[list[tuple[float, float, float]], bool]:
    """Stretches of logged air (end hour, °C, EMC %) from the start, and whether most were read by hand."""
    began = record.charge.started_at
    air = [row for row in record.air if began <= row.at <= ended]
    if not air:
        raise SetAside("dry and wet bulb were not read, so its air is not known")
    by_hand = sum(row.logged for row in air) < len(air) / 2
    allowed = GAP_BY_HAND if by_hand else GAP_LOGGED
    moments = [began, *(row.at for row in air), ended]
    gap = max(b - a for a, b in pairwise(moments))
    if gap > allowed:
        raise SetAside(
            f"its air was not read for {gap / HOUR:.0f} hours; {allowed / HOUR:.0f} are allowed "
            f"{'between readings by hand' if by_hand else 'in a log'}"
        )
    stretches: list[tuple[float, float, float]] = []
    points = [(row.at, row.dry_bulb_f, row.emc_pct) for row in air]
    points = [(began, *points[0][1:]), *points, (ended, *points[-1][1:])]
    for (start, dry_a, emc_a), (end, dry_b, emc_b) in pairwise(points):
        if end > start:
            hours = (end - began) / HOUR
            stretches.append((hours, psychro.c_from_f((dry_a + dry_b) / 2), (emc_a + emc_b) / 2))
    return stretches, by_hand


def _removal(record: Record) -> tuple[Evidence, str]:
    """What the drain gave against the rated removal, over the hours the unit could not hold its set point."""
    drained = [reading for reading in record.readings if reading.condensate_lb is not None]
    if len(drained) < 2:
        raise SetAside("condensate was not measured")
    c = record.chamber
    rated = float(relative_removal(psychro.c_from_f(c.removal_at_dry_bulb_f), c.removal_at_rh_pct / 100))
    seen = able = hours = 0.0
    changes = list(record.charge.events.filter(kind=Event.Kind.STEP).order_by("at", "id"))
    planned = following.steps(record.charge)
    pounds = sources.drained(
        [(row.taken_at, row.condensate_lb) for row in drained], record.charge.drain_counts
    )
    for (before, (_, before_lb)), (reading, (_, lb)) in pairwise(zip(drained, pounds, strict=True)):
        span = (reading.taken_at - before.taken_at) / HOUR
        air = [row for row in record.air if before.taken_at <= row.at <= reading.taken_at]
        index = next((e.after["step"] - 1 for e in reversed(changes) if e.at <= before.taken_at), 0)
        if not air or not planned or span > GAP_BY_HAND / HOUR:
            continue
        step = planned[min(index, len(planned) - 1)]
        dry = sum(row.dry_bulb_f for row in air) / len(air)
        rh = sum(row.rh_pct for row in air) / len(air)
        wet = psychro.wet_bulb_f(dry, rh, c.elevation_ft)
        if not step.compressor or dry > c.lockout_dry_bulb_f or wet < step.wet_bulb_f + FLAT_OUT_F:
            continue
        level = float(relative_removal(psychro.c_from_f(dry), rh / 100)) / rated
        hours += span
        seen += lb - before_lb
        able += c.removal_lb_per_day / 24 * span * level * c.removal_derate
    if hours < FLAT_OUT_HOURS:
        raise SetAside(
            f"the unit ran flat out for {hours:.0f} hours; below {FLAT_OUT_HOURS:.0f} the drain tells about the "
            "wood, not the unit"
        )
    if seen <= 0 or abs(math.log(seen / able)) > MOST_MACHINE_LN:
        raise SetAside(
            f"the drain gave {seen:.0f} lb where {able:.0f} lb were expected: check its rated removal first"
        )
    note = f"{seen:.0f} lb in {hours:.0f} hours flat out, {able:.0f} lb expected"
    return Evidence(str(record.charge), learning.machine_effects(c.key), math.log(seen / able)), note


def _heat_loss(record: Record, rows: Sequence[ChargeLot], shop: Shop) -> tuple[Evidence, str]:
    """What the meter says of the walls: power over the charge against the estimate, by how much walls matter."""
    charge = record.charge
    metered = [r for r in record.readings if r.meter_kwh is not None and r.taken_at <= charge.dried_at]
    if len(metered) < 2:
        raise SetAside("the kWh meter was not read twice")
    hours = (metered[-1].taken_at - metered[0].taken_at) / HOUR
    if hours < 0.5 * ((charge.dried_at - charge.started_at) / HOUR):
        raise SetAside("the kWh meter was read over less than half of the charge")
    used = metered[-1].meter_kwh - metered[0].meter_kwh
    lots, day = [row.lot for row in rows], charge.started_at.date()
    more = 1.2

    def power(ua_factor: float) -> float:
        made = estimate_lots(lots, charge.chamber, shop, day, charge.schedule_code, ua_factor=ua_factor)
        return made.kwh.total.expected / made.days.expected / 24

    try:
        published = power(UA_FACTOR)
        share = math.log(power(UA_FACTOR * more) / published) / math.log(more)
    except ValueError as error:
        raise SetAside(f"it cannot be estimated again: {error}") from None
    if share < WALL_SHARE:
        raise SetAside(
            f"walls decide {100 * max(share, 0):.0f} % of its electricity; below {100 * WALL_SHARE:.0f} % a meter "
            "says nothing about them"
        )
    ratio = math.log(used / hours / published) / share if used > 0 else math.inf
    if abs(ratio) > MOST_MACHINE_LN:
        raise SetAside(
            f"{used:.0f} kWh where {published * hours:.0f} were expected is more than walls explain: check fans, "
            "compressor and heater of the chamber first"
        )
    note = f"{used:.0f} kWh in {hours / 24:.1f} days, {published * hours:.0f} expected"
    noise = learning.MACHINE_SIGMA_LN / share
    return Evidence(str(charge), learning.machine_effects(record.chamber.key), ratio, min(noise, 3.0)), note


def lessons(charge: Charge, shop: Shop) -> dict[str, list[dict[str, Any]]]:
    """Evidence of one charge by kind of figure: plain rows, those set aside with the reason."""
    rows = list(charge.charge_lots.select_related("lot__order").prefetch_related("probes", "board_tests"))
    found: dict[str, list[dict[str, Any]]] = {kind: [] for kind in Learned.Kind.values}
    if charge.cancelled_at or not charge.unloaded_at:
        return found
    record = Record.of(charge, shop)
    told = []
    for row in rows:
        try:
            told.append((row.lot, *_speed(record, row)))
        except (SetAside, ValueError) as reason:
            found["speed"].append(_aside(charge, reason, row.lot))
    for lot, effects, ratio, weight, note in told:
        one = Evidence(str(lot), effects, *ratio, weight=weight / len(told))
        shared = f"; {len(told)} lots share the charge" if len(told) > 1 else ""
        found["speed"].append(_counts(charge, one, note + shared, lot))
    for kind, look in (
        ("removal", lambda: _removal(record)),
        ("heat_loss", lambda: _heat_loss(record, rows, shop)),
    ):
        try:
            found[kind].append(_counts(charge, *look()))
        except (SetAside, ValueError) as reason:
            found[kind].append(_aside(charge, reason))
    return found


def _about(charge: Charge, lot: Lot | None) -> dict[str, Any]:
    told = {"charge": charge.number, "pk": charge.pk, "chamber": charge.chamber.key}
    if lot:
        told |= {"lot": str(lot), "species": lot.species_key, "thickness_in": float(lot.thickness_in)}
    return told


def _aside(charge: Charge, reason: object, lot: Lot | None = None) -> dict[str, Any]:
    return _about(charge, lot) | {"why": str(reason)}


def _counts(charge: Charge, one: Evidence, note: str, lot: Lot | None = None) -> dict[str, Any]:
    return _about(charge, lot) | {
        "effects": [list(effect) for effect in one.effects],
        "ln_ratio": round(one.ln_ratio, 5),
        "noise_ln": round(one.noise_ln, 5),
        "weight": round(one.weight, 4),
        "note": note,
    }


def evidence_of(rows: Iterable[dict[str, Any]]) -> list[Evidence]:
    """The rows that count, as the science takes them."""
    return [
        Evidence(
            row.get("lot", row["charge"]),
            tuple((name, sd) for name, sd in row["effects"]),
            row["ln_ratio"],
            row["noise_ln"],
            row["weight"],
        )
        for row in rows
        if "effects" in row
    ]


@transaction.atomic
def learn_from(*, charges: Iterable[Charge], now: dt.datetime, afresh: bool = False) -> None:
    """Take these charges in (in place of what they taught before) and work every figure out.

    `afresh` forgets all other charges first.
    """
    shop = the_shop()
    told = {charge.number: lessons(charge, shop) for charge in charges}
    for kind in Learned.Kind.values:
        row, _ = Learned.objects.select_for_update().get_or_create(
            kind=kind, defaults={"result": learning.fit([]).to_dict(), "worked_out_at": now}
        )
        kept = [] if afresh else [old for old in row.evidence if old["charge"] not in told]
        row.evidence = [*kept, *(one for found in told.values() for one in found[kind])]
        row.result = learning.fit(evidence_of(row.evidence), SIGMA[Learned.Kind(kind)]).to_dict()
        row.worked_out_at = now
        row.full_clean()
        row.save()


def work_out_again(*, by: Person, now: dt.datetime) -> int:
    """Read every finished charge again, such as after a correction. Returns how many."""
    require(by, May.SET_UP)
    charges = list(
        Charge.objects.filter(unloaded_at__isnull=False, cancelled_at=None)
        .select_related("chamber")
        .order_by("id")
    )
    learn_from(charges=charges, now=now, afresh=True)
    return len(charges)
