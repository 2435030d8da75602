"""What is done to a charge from start to unloading: signed, stepped, finished, counted out."""

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.charges import actions, checklists, following, learning
from kilnshop.charges.models import (
    Charge,
    ChargeLot,
    Checklist,
    Degrade,
    Event,
)
from kilnshop.shop.models import Person
from kilnshop.shop.queries import shop_today
from kilnshop.shop.roles import May, require

LATE = dt.timedelta(minutes=5)  # a clock a little fast


def locked(charge: Charge, *states: str) -> Charge:
    """The charge's own row, locked, and in one of these states."""
    charge = Charge.objects.select_for_update().get(pk=charge.pk)
    if charge.state not in states:
        raise ValidationError(f"Charge {charge} is {charge.state}; this needs it {' or '.join(states)}.")
    return charge


def _sign(charge: Charge, kind: str, lines: dict, initials: str, by: Person, now: dt.datetime) -> None:
    checklist = Checklist(
        charge=charge,
        kind=kind,
        lines=checklists.signed_lines(kind, lines, initials),
        initials=initials.strip().upper(),
        signed_at=now,
        signed_by=by,
    )
    checklist.full_clean()
    checklist.save()


@transaction.atomic
def sign_list(
    *, charge: Charge, kind: str, lines: dict, initials: str, by: Person, now: dt.datetime
) -> Charge:
    """Sign a list that stands alone, such as the daily round; it may be signed again."""
    require(by, May.RECORD_READINGS)
    if kind not in checklists.ALONE:
        raise ValidationError(f"The list “{kind}” is signed with what it is for.")
    charge = locked(charge, checklists.SIGNED_WHEN[kind])
    _sign(charge, kind, lines, initials, by, now)
    return charge


@transaction.atomic
def start_charge(*, charge: Charge, lines: dict, initials: str, by: Person, now: dt.datetime) -> Charge:
    """Start a planned charge on its signed checklist. `lines`: key to {"done", "skipped_why"}.

    The booking moves to today when the start does; a day taken by something else refuses the start.
    """
    require(by, May.RUN_CHARGES)
    charge = locked(charge, "planned")
    other = Charge.objects.filter(
        chamber=charge.chamber, started_at__isnull=False, unloaded_at=None, cancelled_at=None
    ).first()
    if other:
        raise ValidationError(
            f"{charge.chamber} still holds charge {other}. Unload it before starting {charge}."
        )
    _sign(charge, Checklist.Kind.START, lines, initials, by, now)
    booking, today = charge.booking, shop_today(now)
    if booking.first_day != today:
        shift = today - booking.first_day
        actions.set_days(
            charge=charge,
            first_day=today,
            likely_last_day=booking.likely_last_day + shift,
            last_day=booking.last_day + shift,
            by=by,
            now=now,
            why="Started on another day than planned",
        )
    charge.started_at = now
    charge.step_index = 0
    charge.water_topped_up_at = now if lines.get("wick", {}).get("done") else None
    charge.full_clean()
    charge.save()
    return charge


@transaction.atomic
def change_step(
    *,
    charge: Charge,
    to_index: int,
    by: Person,
    now: dt.datetime,
    why: str,
    compressor_off: bool = False,
    all_the_same: bool = False,
) -> Charge:
    """The person who set the controls confirms the step, forward or back, and says why.

    A stage after drying starts on its conditions; the owner may start it all the same. A step that needs the
    compressor off starts only with it off, whoever asks.
    """
    require(by, May.RUN_CHARGES)
    charge = locked(charge, "running")
    planned = following.steps(charge)
    if not 0 <= to_index < len(planned):
        raise ValidationError(f"Step {to_index + 1} is not in the plan, which has {len(planned)} steps.")
    if to_index == charge.step_index:
        raise ValidationError(f"The charge is on step {to_index + 1} already.")
    if not why.strip():
        raise ValidationError("Say why the step is changed, such as the reading that called for it.")
    if planned[to_index].switches["compressor"] != "on" and not compressor_off:
        raise ValidationError(
            {"compressor_off": "Switch the compressor off first, then tick this: hot air can ruin it."}
        )
    unmet = following.stage_unmet(charge, planned[to_index], now) if to_index > charge.step_index else ""
    if unmet and not (all_the_same and by.may(May.SET_UP)):
        raise ValidationError(f"{unmet} The owner may start it all the same and say why.")
    if unmet:
        why = f"{why.strip()} Started by the owner all the same. {unmet}"[:300]
    was, becomes = planned[min(charge.step_index, len(planned) - 1)], planned[to_index]
    charge.step_index = to_index
    charge.save(update_fields=["step_index"])
    _event(
        charge,
        Event.Kind.STEP,
        by,
        now,
        why,
        before={"step": was.number, "dry_bulb_f": was.dry_bulb_f, "wet_bulb_f": was.wet_bulb_f},
        after={"step": becomes.number, "dry_bulb_f": becomes.dry_bulb_f, "wet_bulb_f": becomes.wet_bulb_f},
    )
    return charge


@transaction.atomic
def top_up_water(*, charge: Charge, by: Person, now: dt.datetime) -> Charge:
    """Wet-bulb water topped up."""
    require(by, May.RECORD_READINGS)
    charge = locked(charge, "running")
    charge.water_topped_up_at = now
    charge.save(update_fields=["water_topped_up_at"])
    _event(charge, Event.Kind.WATER, by, now, "")
    return charge


@transaction.atomic
def add_note(*, charge: Charge, text: str, by: Person, now: dt.datetime) -> Event:
    require(by, May.RECORD_READINGS)
    if not text.strip():
        raise ValidationError("The note is empty.")
    return _event(charge, Event.Kind.NOTE, by, now, text)


def _event(charge, kind, by, now, why, before=None, after=None) -> Event:
    event = Event(charge=charge, kind=kind, at=now, by=by, before=before, after=after, why=why.strip())
    event.full_clean()
    event.save()
    return event


@transaction.atomic
def finish_charge(*, charge: Charge, lines: dict, initials: str, by: Person, now: dt.datetime) -> Charge:
    """Drying is done: signed, then it cools."""
    require(by, May.RUN_CHARGES)
    charge = locked(charge, "running")
    _sign(charge, Checklist.Kind.FINISH, lines, initials, by, now)
    charge.dried_at = now
    charge.full_clean()
    charge.save()
    return charge


@transaction.atomic
def unload_charge(
    *, charge: Charge, lines: dict, initials: str, counts: dict[int, tuple], by: Person, now: dt.datetime
) -> Charge:
    """Unload a dry charge and count it out. `counts`: charge lot id to (pieces or None, board feet)."""
    require(by, May.RUN_CHARGES)
    charge = locked(charge, "dry")
    _sign(charge, Checklist.Kind.UNLOAD, lines, initials, by, now)
    for row in charge.charge_lots.select_related("lot__order"):
        pieces, feet = counts.get(row.pk, (None, None))
        if feet is None:
            raise ValidationError(f"Lot {row.lot}: give the board feet that came out.")
        most = row.lot.volume_bf * Decimal("1.05")
        if not (Decimal(0) <= feet <= most):
            raise ValidationError(
                f"Lot {row.lot}: {feet} bf came out but {row.lot.volume_bf} bf went in. Count again, or correct "
                "the tally of the lot first."
            )
        row.pieces_out, row.volume_out_bf = pieces, feet
        row.full_clean()
        row.save()
    charge.unloaded_at = now
    charge.full_clean()
    charge.save()
    booking, today = charge.booking, shop_today(now)
    if today < booking.last_day:
        day = max(today, booking.first_day)
        actions.set_days(
            charge=charge,
            likely_last_day=day,
            last_day=day,
            by=by,
            now=now,
            why="Unloaded; the chamber is free",
        )
    learning.learn_from(charges=[charge], now=now)
    return charge


@transaction.atomic
def set_drain(*, charge: Charge, counts: bool, by: Person) -> Charge:
    """Whether the drain is read as a running total or emptied from a bucket; fixed once it was read."""
    require(by, May.RECORD_READINGS)
    charge = locked(charge, "planned", "running", "dry")
    if counts != charge.drain_counts:
        if charge.readings.filter(condensate_lb__isnull=False).exists():
            raise ValidationError("The drain has been read already, so how it is read stays as it is.")
        charge.drain_counts = counts
        charge.save(update_fields=["drain_counts"])
    return charge


@transaction.atomic
def set_degrade(
    *, charge: Charge, rows: Sequence[dict[str, Any]], by: Person, now: dt.datetime
) -> list[Degrade]:
    """What lost grade and why, the whole list of a charge anew; issued tickets keep their own.

    `rows`: charge_lot, cause, volume_bf, note.
    """
    require(by, May.RECORD_READINGS)
    charge = locked(charge, "dry", "unloaded")
    saved = []
    lost: dict[ChargeLot, Decimal] = {}
    for row in rows:
        lot = row["charge_lot"]
        if lot.charge_id != charge.pk:
            raise ValidationError(f"Lot {lot.lot} is not in charge {charge}.")
        lost[lot] = lost.get(lot, Decimal(0)) + row["volume_bf"]
        saved.append(Degrade(at=now, by=by, **row))
        saved[-1].full_clean()
    for lot, volume in lost.items():
        if volume > lot.lot.volume_bf:
            raise ValidationError(
                f"Lot {lot.lot}: {volume} bf of degrade, but {lot.lot.volume_bf} bf went in. Check the figures."
            )
    Degrade.objects.filter(charge_lot__charge=charge).delete()
    Degrade.objects.bulk_create(saved)
    return saved


def shop_day(charge: Charge) -> dt.date:
    return shop_today(charge.started_at)
