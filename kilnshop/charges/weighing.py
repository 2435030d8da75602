"""Sample boards and packs: cut, weighed, dried. A weight is kept as the scale showed it and never changes."""

import datetime as dt
import uuid
from collections.abc import Sequence

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.charges import sources, watching
from kilnshop.charges.models import (
    Charge,
    ChargeLot,
    SampleBoard,
    SampleCut,
    SampleSection,
    SampleWeight,
    Weighing,
)
from kilnshop.science import moisture
from kilnshop.science.estimate import start_sd_pct
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May, require

OPEN_STATES = ("planned", "running", "dry")
LATE = dt.timedelta(minutes=5)  # a clock a little fast
MOST_SECTIONS = 4


def _open(charge: Charge) -> None:
    if charge.state not in OPEN_STATES:
        raise ValidationError(f"Charge {charge} is {charge.state}; samples are weighed until it is unloaded.")


def _saved(row):
    row.full_clean()
    row.save()
    return row


def _not_ahead(at: dt.datetime, now: dt.datetime) -> None:
    if at > now + LATE:
        raise ValidationError({"at": "That is later than now. Check the date and time."})


@transaction.atomic
def cut_sample(
    *,
    charge_lot: ChargeLot,
    name: str,
    position: str,
    weight: float,
    unit: str,
    green: Sequence[float],
    section_unit: str,
    at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> SampleBoard:
    """A new sample board: its sections weighed green at once, the board just after."""
    require(by, May.RECORD_READINGS)
    _open(charge_lot.charge)
    sample = _saved(SampleBoard(charge_lot=charge_lot, name=name.strip(), position=position.strip()))
    cut_again(
        sample=sample,
        weight=weight,
        unit=unit,
        green=green,
        section_unit=section_unit,
        at=at,
        by=by,
        now=now,
    )
    return sample


@transaction.atomic
def cut_again(
    *,
    sample: SampleBoard,
    weight: float,
    unit: str,
    green: Sequence[float],
    section_unit: str,
    at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> SampleCut:
    """Sections cut from a sample, and what it weighs without them. The earlier estimate stays on record."""
    require(by, May.RECORD_READINGS)
    _open(sample.charge_lot.charge)
    _not_ahead(at, now)
    if not 1 <= len(green) <= MOST_SECTIONS:
        raise ValidationError(f"Weigh at least one section green, and at most {MOST_SECTIONS}.")
    before = sources.read_through(sample).last_weight
    if before and at < before.at:
        raise ValidationError({"at": "The sample was weighed after that. Give the time of this cut."})
    if before and sources.in_lb(weight, unit) >= before.lb:
        raise ValidationError(
            {
                "weight": f"{weight:g} {unit} is not less than the {before.row.weight:g} {before.row.unit} it weighed "
                "before the cut. Check the figure and its unit."
            }
        )
    cut = _saved(SampleCut(sample=sample, at=at, weight=weight, unit=unit, by=by))
    for figure in green:
        _saved(SampleSection(cut=cut, green=figure, unit=section_unit))
    return cut


@transaction.atomic
def dry_sections(*, cut: SampleCut, oven_dry: dict[int, float], by: Person, now: dt.datetime) -> SampleCut:
    """What the oven left of the sections, by section id, once they lose no more. Entered once."""
    require(by, May.RECORD_READINGS)
    _open(cut.sample.charge_lot.charge)
    sections = list(cut.sections.select_for_update())
    for section in sections:
        figure = oven_dry.get(section.pk)
        if figure is None:
            continue
        if section.oven_dry is not None:
            raise ValidationError("That section has its oven-dry weight; set the cut aside if it is wrong.")
        try:
            moisture.mc_pct(section.green, figure)
        except ValueError:
            raise ValidationError(
                f"A section of {section.green:g} {section.unit} green cannot weigh {figure:g} {section.unit} "
                "oven-dry. Check both figures."
            ) from None
        section.oven_dry, section.dried_at, section.dried_by = figure, now, by
        section.full_clean()
        section.save(update_fields=["oven_dry", "dried_at", "dried_by"])
    watching.watch(charge=cut.sample.charge_lot.charge, now=now)
    return cut


@transaction.atomic
def add_pack(
    *,
    charge_lot: ChargeLot,
    name: str,
    position: str,
    weight: float,
    unit: str,
    at: dt.datetime,
    by: Person,
    now: dt.datetime,
) -> SampleBoard:
    """A pack weighed at the start, wood alone; its oven-dry weight follows from the lot's start moisture."""
    require(by, May.RECORD_READINGS)
    _open(charge_lot.charge)
    _not_ahead(at, now)
    lot = charge_lot.lot
    sample = _saved(
        SampleBoard(
            charge_lot=charge_lot,
            kind=SampleBoard.Kind.PACK,
            name=name.strip(),
            position=position.strip(),
        )
    )
    _saved(
        SampleCut(
            sample=sample,
            at=at,
            weight=weight,
            unit=unit,
            by=by,
            start_mc_pct=lot.start_mc_pct,
            start_sd_pct=start_sd_pct(lot.start_how, lot.start_mc_pct),
        )
    )
    return sample


@transaction.atomic
def weigh(
    *,
    sample: SampleBoard,
    weight: float,
    unit: str,
    at: dt.datetime,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
    note: str = "",
    watch: bool = True,
) -> SampleWeight:
    """A later weight. Sent twice with the same `entry` it counts once; one that cannot be is refused in words."""
    require(by, May.RECORD_READINGS)
    if entry and (held := SampleWeight.objects.filter(entry=entry).first()):
        return held
    _open(sample.charge_lot.charge)
    _not_ahead(at, now)
    found = sources.read_through(sample)
    if found.points and at < found.points[0].at:
        raise ValidationError({"at": f"{sample} was cut after that. Check the date and time."})
    dry = next((row for row in reversed(found.estimates) if row.cut.at <= at), None)
    if dry:
        try:
            moisture.mc_pct(sources.in_lb(weight, unit), dry.lb)
        except ValueError:
            last = found.last_weight.row
            raise ValidationError(
                {
                    "weight": f"{sample}: {weight:g} {unit} cannot be; it last weighed {last.weight:g} {last.unit}. "
                    "Check the figure and the unit of the scale."
                }
            ) from None
    row = SampleWeight(sample=sample, at=at, weight=weight, unit=unit, by=by, note=note.strip())
    if entry:
        row.entry = entry
    _saved(row)
    if watch:
        watching.watch(charge=sample.charge_lot.charge, now=now)
    return row


@transaction.atomic
def weigh_round(
    *,
    charge: Charge,
    weights: dict[int, float],
    unit: str,
    at: dt.datetime,
    entry: uuid.UUID,
    by: Person,
    now: dt.datetime,
) -> list[SampleWeight]:
    """The samples weighed in one walk, by sample id; all or none is kept."""
    require(by, May.RECORD_READINGS)
    if not weights:
        raise ValidationError("No weight was filled in. Weigh at least one sample.")
    rows = SampleBoard.objects.filter(charge_lot__charge=charge, pk__in=weights)
    rows = rows.select_related("charge_lot__charge")
    saved, errors = [], {}
    for sample in rows:
        try:
            saved.append(
                weigh(
                    sample=sample,
                    weight=weights[sample.pk],
                    unit=unit,
                    at=at,
                    by=by,
                    now=now,
                    entry=uuid.uuid5(entry, str(sample.pk)),
                    watch=False,
                )
            )
        except ValidationError as error:
            name = "at" if "at" in getattr(error, "error_dict", {}) else f"weight_{sample.pk}"
            errors[name] = error.messages
    if errors:
        raise ValidationError(errors)
    watching.watch(charge=charge, now=now)
    return saved


@transaction.atomic
def set_aside(*, row: Weighing, why: str, by: Person, now: dt.datetime) -> Weighing:
    """A weight that was wrong stays on record and counts for nothing."""
    require(by, May.RECORD_READINGS)
    _open(row.sample.charge_lot.charge)
    if not why.strip():
        raise ValidationError("Say why the weight is set aside.")
    if row.set_aside_why:
        raise ValidationError("That weight is set aside already.")
    row.set_aside_why = f"{why.strip()} ({by})"[:200]
    row.save(update_fields=["set_aside_why"])
    watching.watch(charge=row.sample.charge_lot.charge, now=now)
    return row
