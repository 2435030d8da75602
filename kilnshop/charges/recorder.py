"""Rows of a chamber's recorder: taken from its files or as it sends them, all or nothing, and taken back."""

import datetime as dt
import hashlib
import secrets
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import F, Max, Q

from kilnshop.charges import watching
from kilnshop.charges.models import Charge, Correction, LogImport, LogMapping, Probe, Reading, Recorder
from kilnshop.charges.readings import CHANNEL_NAMES, PinSetting, pin_columns
from kilnshop.charges.running import LATE, locked
from kilnshop.shop import bulk
from kilnshop.shop.models import Chamber, Person
from kilnshop.shop.roles import May, require

BATCH = 5000
LOGGED = ("dry_bulb_f", "wet_bulb_f", "condensate_lb", "meter_kwh", *CHANNEL_NAMES)


class LogRow(Protocol):
    line: int
    taken_at: dt.datetime
    values: dict[str, float]


@dataclass
class Sifted:
    """Rows of a log against what the charge already holds."""

    take: list[LogRow] = field(default_factory=list)
    outside: int = 0
    repeated: int = 0
    empty: int = 0
    problems: list[str] = field(default_factory=list)


def sift(*, charge: Charge, rows: Sequence[LogRow], now: dt.datetime) -> Sifted:
    """Which rows are new, repeated, outside the charge's time, or say something else than an earlier import."""
    found = Sifted()
    if not rows or charge.started_at is None:
        return found
    end = charge.unloaded_at or now + LATE
    span = Q(taken_at__gte=rows[0].taken_at, taken_at__lte=rows[-1].taken_at)
    held = {
        at: {name: value for name, value in zip(LOGGED, values, strict=True) if value is not None}
        for at, *values in charge.readings.filter(span, logged__isnull=False).values_list("taken_at", *LOGGED)
    }
    for row in rows:
        if not charge.started_at <= row.taken_at <= end:
            found.outside += 1
        elif not row.values:
            found.empty += 1
        elif row.taken_at not in held:
            found.take.append(row)
        elif held[row.taken_at] == row.values:
            found.repeated += 1
        else:
            found.problems.append(
                f"Row {row.line}: an earlier import has other values for that time. Import the same columns, in "
                "the same unit and date order, as before."
            )
    return found


def import_steps(
    *,
    charge: Charge,
    data: bytes,
    mapping: dict[str, Any],
    rows: Sequence[LogRow],
    repeated: int,
    by: Person,
    now: dt.datetime,
) -> Generator[float, None, LogImport]:
    """Keep the file and its new rows, all or nothing, and remember the mapping for the chamber.

    Yields the share of the rows written so far; left before its end, it writes nothing. A file imported before,
    or with nothing new in it, changes nothing: the earlier import is given back.
    """
    require(by, May.RECORD_READINGS)
    sha256 = hashlib.sha256(data).hexdigest()
    with transaction.atomic():
        charge = locked(charge, "running", "dry", "unloaded")
        before = charge.log_imports.filter(sha256=sha256, undone_at=None).first()
        sifted = sift(charge=charge, rows=rows, now=now)
        if sifted.problems:
            raise ValidationError(sifted.problems[:50])
        if not sifted.take:
            if before:
                return before
            raise ValidationError(
                f"No new row: {sifted.repeated + repeated} were imported before, {sifted.outside} lie outside the "
                "charge's time. Nothing was imported."
            )
        log = LogImport(
            charge=charge,
            sha256=sha256,
            mapping=mapping,
            rows_taken=len(sifted.take),
            rows_repeated=sifted.repeated + repeated,
            imported_at=now,
            imported_by=by,
        )
        log.file.save(f"{charge.number}-{sha256[:12]}.csv", ContentFile(data), save=False)
        try:
            log.save()
            yield from _write(log, sifted.take, by, now)
            LogMapping.objects.update_or_create(chamber=charge.chamber, defaults={"mapping": mapping})
            watching.watch(charge=charge, now=now)
        except BaseException:
            log.file.delete(save=False)
            raise
    return log


def _write(
    log: LogImport, take: Sequence[LogRow], by: Person, now: dt.datetime
) -> Generator[float, None, None]:
    """The readings, then the correction of each moisture channel beside them."""
    before = log.readings.aggregate(last=Max("pk"))["last"] or 0
    used = [name for name in LOGGED if any(name in row.values for row in take)]
    moment, charge_pk, log_pk, by_pk = bulk.moments(), log.charge_id, log.pk, by.pk
    names = ["charge", "taken_at", "logged", "by", "note", "photo", *used]
    for start in range(0, len(take), BATCH):
        yield 0.5 * start / len(take)
        bulk.insert(
            Reading,
            names,
            [
                (charge_pk, moment(row.taken_at), log_pk, by_pk, "", "", *map(row.values.get, used))
                for row in take[start : start + BATCH]
            ],
        )
    wet = {
        f"ch{probe.channel}": (probe.channel, PinSetting.of(probe))
        for probe in log.charge.probes.filter(kind=Probe.Kind.MOISTURE).select_related("charge_lot__lot")
        if f"ch{probe.channel}" in used
    }
    if not wet:
        return
    pks = list(log.readings.filter(pk__gt=before).order_by("taken_at").values_list("pk", flat=True))
    names = ["reading", "channel", "at", "by", "why", "value", "verdict", "wood_temp_f", "method"]
    at = moment(now)
    for start in range(0, len(take), BATCH):
        yield 0.5 + 0.5 * start / len(take)
        bulk.insert(
            Correction,
            names,
            [
                (
                    *(pk, channel, at, by_pk, ""),
                    *pin_columns(
                        row.values[name],
                        pin,
                        row.values.get(f"ch{pin.temp_channel}"),
                        None,
                        row.values.get("dry_bulb_f"),
                    ),
                )
                for pk, row in zip(pks[start : start + BATCH], take[start : start + BATCH], strict=True)
                for name, (channel, pin) in wet.items()
                if name in row.values
            ],
        )


@transaction.atomic
def undo_import(*, log: LogImport, why: str, by: Person, now: dt.datetime) -> LogImport:
    """Take the readings of an import out again; the file, who undid it and why stay on record."""
    require(by, May.RUN_CHARGES)
    locked(log.charge, "running", "dry")
    log = LogImport.objects.select_for_update().get(pk=log.pk)
    if log.undone_at:
        raise ValidationError("This import was undone before.")
    if not why.strip():
        raise ValidationError("Say why the import is undone, such as the wrong chamber's file.")
    bulk.delete(Correction.objects.filter(reading__in=log.readings.all()))
    bulk.delete(log.readings.all())
    watching.watch(charge=log.charge, now=now)
    log.undone_at, log.undone_by, log.undone_why = now, by, why.strip()
    log.full_clean()
    log.save()
    return log


@transaction.atomic
def make_address(*, chamber: Chamber, by: Person, now: dt.datetime) -> str:
    """A new private key for a chamber's recorder, told once; an older one stops working."""
    require(by, May.SET_UP)
    key = secrets.token_urlsafe(24)
    Recorder.objects.update_or_create(
        chamber=chamber, defaults={"key_hash": _hash(key), "made_at": now, "made_by": by, "last_answer": ""}
    )
    return key


@transaction.atomic
def stop_address(*, chamber: Chamber, by: Person) -> None:
    """The chamber's recorder may no longer send."""
    require(by, May.SET_UP)
    Recorder.objects.filter(chamber=chamber).delete()


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def address_of(key: str) -> Recorder | None:
    return Recorder.objects.filter(key_hash=_hash(key)).select_related("chamber", "made_by").first()


def note_answer(*, address: Recorder, now: dt.datetime, answer: str) -> None:
    """What a sending was told, for the page where somebody looks for the fault."""
    address.last_sent_at, address.last_answer = now, answer[:300]
    address.save(update_fields=["last_sent_at", "last_answer"])


@transaction.atomic
def receive(
    *, charge: Charge, rows: Sequence[LogRow], mapping: dict[str, Any], by: Person, now: dt.datetime
) -> Sifted:
    """Rows as they come, all or nothing; rows sent before are left out."""
    charge = locked(charge, "running", "dry")
    sifted = sift(charge=charge, rows=rows, now=now)
    if sifted.problems:
        raise ValidationError(sifted.problems[:50])
    if sifted.take:
        log, _ = LogImport.objects.get_or_create(
            charge=charge,
            sha256="",
            defaults={"mapping": mapping, "rows_taken": 0, "imported_at": now, "imported_by": by},
        )
        for _ in _write(log, sifted.take, by, now):
            pass
        log.rows_taken = F("rows_taken") + len(sifted.take)
        log.rows_repeated = F("rows_repeated") + sifted.repeated
        log.imported_at = now
        log.save()
        watching.watch(charge=charge, now=now, since=sifted.take[0].taken_at)
    return sifted
