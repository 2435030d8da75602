"""Was a heat treatment done? Judged from what a recorder logged, for one lot of a charge."""

from collections.abc import Sequence

from kilnshop.charges.models import ChargeLot, Probe, Reading
from kilnshop.science import treatments
from kilnshop.science.treatments import HeatVerdict, Treatment
from kilnshop.shop.models import OwnTreatment

AIR = "dry bulb"


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


def judged(
    treatment: Treatment, probes: Sequence[Probe], logged: Sequence[Reading]
) -> tuple[HeatVerdict, str]:
    """The verdict of the log and where it was measured.

    A core treatment counts every core probe of the lot, an air treatment the logged dry bulb. Rows that a
    recorder of something else wrote are left out; a row with only some of the core probes breaks the time.
    """
    if treatment.is_core:
        channels = {
            f"{probe.channel} ({probe_label(probe)})": [reading.channel(probe.channel) for reading in logged]
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
    return (
        treatments.judge(
            treatment,
            [logged[index].taken_at for index in kept],
            {name: [values[index] for index in kept] for name, values in channels.items()},
        ),
        where,
    )


def _by_hand(treatment: Treatment, probes: Sequence[Probe], by_hand: Sequence[Reading]) -> int:
    if not treatment.is_core:
        return sum(reading.dry_bulb_f is not None for reading in by_hand)
    return sum(any(reading.channel(probe.channel) is not None for probe in probes) for reading in by_hand)


def heat_record(charge_lot: ChargeLot, treatment_key: str) -> dict:
    """What the log of the charge says about a treatment of this lot, as a ticket freezes it.

    Only logged readings count: readings by hand do not show what happened between them.
    """
    probes = core_probes(charge_lot)
    readings = list(charge_lot.charge.readings.order_by("taken_at"))
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
            "verdict": "Not recorded",
            "reasons": ["The treatment asked for is no longer in the shop’s list, so nothing was judged."],
        }
    logged = [reading for reading in readings if reading.logged_id is not None]
    verdict, where = judged(treatment, probes, logged)
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
        "criterion": treatment.criterion,
        "limit_f": treatment.min_temperature_f,
        "measured_at": treatment.measured_at,
        "where": where,
        "depths_in": [probe.depth_in for probe in probes if probe.depth_in] if treatment.is_core else [],
        "longest_minutes": verdict.longest_minutes if recorded else None,
        "lowest_f": verdict.lowest_f,
        "from": verdict.start.isoformat() if verdict.start else "",
        "to": verdict.end.isoformat() if verdict.end else "",
        "verdict": verdict.verdict.capitalize(),
        "reasons": reasons,
    }
