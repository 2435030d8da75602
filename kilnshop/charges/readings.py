"""What is read of a charge: at the door, by probe and pin, on boards tested; corrected beside the raw figure."""

import datetime as dt
import math
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.charges import learning, watching
from kilnshop.charges.models import (
    CHANNELS,
    BoardTest,
    Charge,
    ChargeLot,
    Correction,
    Probe,
    Reading,
)
from kilnshop.charges.running import LATE, locked, shop_day
from kilnshop.science import meters
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May, require

CHANNEL_NAMES = tuple(f"ch{number}" for number in CHANNELS)
RANGES = {
    "dry_bulb_f": ("Dry bulb", -40.0, 250.0, "°F"),
    "wet_bulb_f": ("Wet bulb", -40.0, 212.0, "°F"),
    "condensate_lb": ("Condensate", 0.0, 20_000.0, "lb"),
    "meter_kwh": ("kWh meter", 0.0, 1e9, "kWh"),
    Probe.Kind.MOISTURE: ("moisture", 0.0, 100.0, "%"),
    Probe.Kind.CORE: ("core temperature", -40.0, 250.0, "°F"),
}
PROBE_FIELDS = (
    "kind",
    "charge_lot",
    "board",
    "depth_in",
    "position",
    "pin_length_in",
    "scale_species",
    "corrects_temperature",
    "temp_channel",
)
VERDICTS = {"ok": "ok", "over range": "over", "below range": "below", "no contact": "open"}
METHODS = {
    "pin": "Pin meter",
    "probe": "In-kiln probe",
    "oven_dry": "Oven-dry section",
    "weighed": "Weighed sample board",
}


def _number(label: str, value: Any, low: float, high: float, unit: str) -> float:
    number = float(value)
    if not (math.isfinite(number) and low <= number <= high):
        raise ValidationError(
            f"{label} {number:g} {unit} is outside {low:g} to {high:g} {unit}. Check the figure."
        )
    return round(number, 4)


def _checked(charge: Charge, values: dict[str, Any], known: dict[int, Probe]) -> dict[str, float]:
    """The values that were given, each inside its range; every problem in one ValidationError by field."""
    kept: dict[str, float] = {}
    errors: dict[str, list[str]] = {}
    for name, value in values.items():
        if value is None:
            continue
        try:
            if name in CHANNEL_NAMES:
                probe = known.get(int(name[2:]))
                if probe is None:
                    raise ValidationError(f"Channel {name[2:]} has no probe. Set up the probes first.")
                word, low, high, unit = RANGES[probe.kind]
                kept[name] = _number(f"Channel {name[2:]}, {word},", value, low, high, unit)
            elif name in RANGES:
                kept[name] = _number(RANGES[name][0], value, *RANGES[name][1:])
            else:
                raise ValidationError(f"“{name}” is not something that is read.")
        except ValidationError as error:
            errors[name] = error.messages
    dry, wet = kept.get("dry_bulb_f"), kept.get("wet_bulb_f")
    if dry is not None and wet is not None and wet > dry:
        errors["wet_bulb_f"] = [
            f"Wet bulb {wet:g} °F is above dry bulb {dry:g} °F, which cannot be. Check both, and the wick."
        ]
    if errors:
        raise ValidationError(errors)
    return kept


@transaction.atomic
def record_reading(
    *,
    charge: Charge,
    by: Person,
    now: dt.datetime,
    taken_at: dt.datetime,
    entry: uuid.UUID,
    values: dict[str, Any],
    note: str = "",
    photo=None,
    wood_temp_f: float | None = None,
) -> Reading:
    """Keep what was read, raw, with each moisture channel corrected beside it.

    The same `entry` sent twice counts once: the first reading is given back.
    """
    require(by, May.RECORD_READINGS)
    Charge.objects.select_for_update().get(pk=charge.pk)
    sent = Reading.objects.filter(entry=entry).first()
    if sent:
        if sent.charge_id != charge.pk:
            raise ValidationError(
                "This form was already used for another charge. Open the reading page again."
            )
        return sent  # also when the charge has ended since
    charge = locked(charge, "running", "dry")
    if taken_at > now + LATE:
        raise ValidationError({"taken_at": "The time lies in the future. Check the date and time."})
    if taken_at < charge.started_at - LATE:
        raise ValidationError({"taken_at": f"Charge {charge} had not started then. Check the date and time."})
    known = {probe.channel: probe for probe in charge.probes.select_related("charge_lot__lot")}
    kept = _checked(charge, values, known)
    if not kept and not note.strip() and not photo:
        raise ValidationError("Nothing was filled in. Give at least one figure, a note or a photo.")
    _meter_runs_forward(charge, kept, taken_at)
    reading = Reading(
        charge=charge, taken_at=taken_at, by=by, entry=entry, note=note.strip(), photo=photo or "", **kept
    )
    reading.full_clean()
    reading.save()
    Correction.objects.bulk_create(_corrections(reading, known, now, by, wood_temp_f))
    watching.watch(charge=charge, now=now)
    return reading


def _meter_runs_forward(charge: Charge, kept: dict[str, float], taken_at: dt.datetime) -> None:
    if "meter_kwh" not in kept:
        return
    before = (
        charge.readings.filter(meter_kwh__isnull=False, taken_at__lte=taken_at).order_by("-taken_at").first()
    )
    if before and kept["meter_kwh"] < before.meter_kwh:
        raise ValidationError(
            {
                "meter_kwh": f"kWh meter {kept['meter_kwh']:g} is below {before.meter_kwh:g}, read before. "
                "Check the figure; if the meter was changed, write both figures in the note instead."
            }
        )


def correct_pin(
    raw: float,
    wood_temp_f: float | None,
    species_key: str,
    *,
    scale_key: str = meters.SCALE_KEY,
    corrects_temperature: bool = False,
) -> tuple[float | None, str, str]:
    """(moisture or None, verdict, method in words) of a pin or probe reading."""
    low, high = meters.TEMP_RANGE_F
    usable = wood_temp_f if wood_temp_f is not None and low <= wood_temp_f <= high else None
    try:
        result = meters.corrected(
            raw,
            wood_temp_f=usable,
            species_key=species_key,
            scale_key=scale_key,
            meter_corrects_temperature=corrects_temperature,
        )
    except ValueError:  # a raw value the formulas do not take: no number rather than a made-up one
        return None, "over" if raw > meters.OVER_RANGE_PCT else "below", "out of the meter's range"
    words = {"T": "temperature (T)", "W": "temperature (W)", "S": "species (S)"}
    method = ", ".join(words[name] for name in result.methods)
    value = None if result.mc_pct is None else round(result.mc_pct, 2)
    verdict = VERDICTS[result.status]
    if not method:
        bare = "by the meter itself" if corrects_temperature or scale_key == species_key else "not corrected"
        method = {"ok": bare, "open": "no contact"}.get(verdict, "out of the meter's range")
    return value, verdict, method


@dataclass(frozen=True)
class PinSetting:
    """What a channel's correction needs to know of its probe."""

    species_key: str
    scale_key: str
    corrects_temperature: bool
    temp_channel: int | None

    @classmethod
    def of(cls, probe: Probe) -> "PinSetting":
        scale = probe.scale_species or meters.SCALE_KEY
        return cls(probe.charge_lot.lot.species_key, scale, probe.corrects_temperature, probe.temp_channel)


@lru_cache(maxsize=100_000)
def pin_columns(
    raw: float, pin: PinSetting, felt_f: float | None, typed_f: float | None, dry_bulb_f: float | None
) -> tuple[float | None, str, float | None, str]:
    """value, verdict, wood_temp_f and method of a Correction.

    The wood's temperature is its channel's (`felt_f`), else the typed one, else the air's stands in.
    """
    wood = next((temp for temp in (felt_f, typed_f, dry_bulb_f) if temp is not None), None)
    value, verdict, method = correct_pin(
        raw, wood, pin.species_key, scale_key=pin.scale_key, corrects_temperature=pin.corrects_temperature
    )
    if verdict == "ok" and wood is not None and not pin.corrects_temperature:
        if felt_f is not None:
            method = f"{method}, wood by channel {pin.temp_channel}"
        elif typed_f is None:
            method = f"{method}, wood taken as dry bulb"
    return value, verdict, wood, method[:60]


def _corrections(
    reading: Reading, known: dict[int, Probe], at: dt.datetime, by: Person | None, wood_temp_f: float | None
) -> list[Correction]:
    made = []
    for channel, probe in known.items():
        raw = reading.channel(channel)
        if raw is None or probe.kind != Probe.Kind.MOISTURE:
            continue
        felt = reading.channel(probe.temp_channel) if probe.temp_channel else None
        value, verdict, wood, method = pin_columns(
            raw, PinSetting.of(probe), felt, wood_temp_f, reading.dry_bulb_f
        )
        made.append(
            Correction(
                reading=reading,
                channel=channel,
                value=value,
                verdict=verdict,
                wood_temp_f=wood,
                method=method,
                at=at,
                by=by,
            )
        )
    return made


@transaction.atomic
def correct_by_hand(
    *, reading: Reading, channel: int, value: float, why: str, by: Person, now: dt.datetime
) -> Correction:
    """Put a person's figure beside the raw one; the raw reading and older corrections stay."""
    require(by, May.RECORD_READINGS)
    probe = reading.charge.probes.filter(channel=channel).first()
    if probe is None or probe.kind != Probe.Kind.MOISTURE or reading.channel(channel) is None:
        raise ValidationError(f"Channel {channel} has no moisture reading at that time.")
    if not why.strip():
        raise ValidationError("Say why the figure is corrected.")
    correction = Correction(
        reading=reading,
        channel=channel,
        value=_number("Moisture", value, 0, 300, "%"),
        method="by hand",
        why=why.strip(),
        at=now,
        by=by,
    )
    correction.full_clean()
    correction.save()
    watching.watch(charge=reading.charge, now=now)
    if reading.charge.unloaded_at:
        learning.learn_from(charges=[reading.charge], now=now)
    return correction


@transaction.atomic
def set_probes(*, charge: Charge, rows: Iterable[dict[str, Any]], by: Person) -> list[Probe]:
    """What each channel measures and where. A channel with readings keeps what it measures and its lot.

    `rows`: channel and what PROBE_FIELDS names; a channel left out has no probe.
    """
    require(by, May.RECORD_READINGS)
    charge = locked(charge, "planned", "running", "dry")
    wanted = {row["channel"]: row for row in rows}
    old = {probe.channel: probe for probe in charge.probes.all()}
    for channel, probe in old.items():
        row = wanted.get(channel)
        same = row and (row["kind"], row["charge_lot"].pk) == (probe.kind, probe.charge_lot_id)
        if not same and charge.readings.filter(**{f"ch{channel}__isnull": False}).exists():
            raise ValidationError(
                f"Channel {channel} has readings, so it keeps what it measures and its lot. Use a free channel."
            )
        if row is None:
            probe.delete()
    saved = []
    for channel, row in wanted.items():
        probe = old.get(channel) or Probe(charge=charge, channel=channel)
        for name in PROBE_FIELDS:
            if name in row:
                setattr(probe, name, row[name])
        if probe.charge_lot.charge_id != charge.pk:
            raise ValidationError(f"Channel {channel}: lot {probe.charge_lot.lot} is not in charge {charge}.")
        felt = wanted.get(probe.temp_channel)
        if probe.temp_channel and (felt is None or felt["kind"] != Probe.Kind.CORE):
            raise ValidationError(
                f"Channel {channel}: channel {probe.temp_channel} does not measure a temperature, so it cannot give "
                "the wood's. Choose one that does."
            )
        probe.full_clean()
        probe.save()
        saved.append(probe)
    return saved


@transaction.atomic
def record_board_tests(
    *, charge_lot: ChargeLot, rows: Sequence[dict[str, Any]], by: Person, now: dt.datetime
) -> list[BoardTest]:
    """Final moisture of boards of a lot; pin and probe readings are corrected, weighed ones stand.

    `rows`: board, raw_pct, method (key of METHODS), meter, depth_in, wood_temp_f, measured_on.
    """
    require(by, May.RECORD_READINGS)
    charge = locked(charge_lot.charge, "running", "dry", "unloaded")
    if not rows:
        raise ValidationError("No board was filled in. Test at least one.")
    saved, errors = [], []
    for row in rows:
        test = BoardTest(charge_lot=charge_lot, by=by, **(row | {"method": METHODS[row["method"]]}))
        if not (shop_day(charge) <= row["measured_on"]):
            errors.append(f"Board {test.board}: measured before the charge started.")
            continue
        if row["method"] in ("pin", "probe"):
            value, verdict, method = correct_pin(test.raw_pct, test.wood_temp_f, charge_lot.lot.species_key)
            test.corrected_pct = value
            test.correction = {"over": "over range, no figure", "below": "below range, no figure"}.get(
                verdict, method
            )
        else:
            test.corrected_pct, test.correction = test.raw_pct, "none needed"
        try:
            test.full_clean()
        except ValidationError as error:
            errors += [f"Board {test.board or '?'}: {message}" for message in error.messages]
            continue
        saved.append(test)
    if errors:
        raise ValidationError(errors)
    for test in saved:
        test.save()
    if charge.unloaded_at:
        learning.learn_from(charges=[charge], now=now)
    return saved
