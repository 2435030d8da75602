"""Published rows and the shop's own, side by side, each with its source. Read only."""

from dataclasses import dataclass

from kilnshop.science import emc, meters, psychro, schedules, treatments
from kilnshop.science import species as woods
from kilnshop.science.schedule_choice import published_code
from kilnshop.shop import actions
from kilnshop.shop.models import OwnSchedule, OwnSpecies, OwnTreatment

OWN = "our shop"
SHORT = {"4/4-6/4": 1.0, "8/4": 2.0}
METER_READINGS = (8.0, 10.0, 12.0, 14.0, 16.0, 18.0)
SOFTWOOD_LADDERS = {"SOFTWOOD-A": False, "SOFTWOOD-B": True}


def species_rows() -> list[dict]:
    """Every wood with the figures an estimate uses."""
    published = [
        {
            "key": wood.key,
            "own": None,
            "common_name": wood.common_name[0].upper() + wood.common_name[1:],
            "group": wood.group,
            "specific_gravity_green": wood.specific_gravity_green,
            "green_mc_pct": wood.green_mc_pct,
            "shrinkage_tangential_pct": wood.shrinkage_tangential_pct,
            "shrinkage_radial_pct": wood.shrinkage_radial_pct,
            "schedule": (published_code(wood, 1.0) or ("–",))[0],
            "source_short": "Published",
            "provenance": wood.provenance,
        }
        for wood in woods.all_species()
    ]
    own = [
        {
            "key": row.key,
            "own": row,
            "common_name": row.common_name[0].upper() + row.common_name[1:],
            "group": row.group,
            "specific_gravity_green": row.specific_gravity_green,
            "green_mc_pct": row.green_mc_pct,
            "shrinkage_tangential_pct": row.shrinkage_tangential_pct,
            "shrinkage_radial_pct": row.shrinkage_radial_pct,
            "schedule": f"like {row.like_species.replace('_', ' ')}" if row.like_species else "–",
            "source_short": row.source,
            "provenance": OWN,
        }
        for row in OwnSpecies.objects.all()
    ]
    return own + published


def species_sources(wood: woods.Species) -> list[dict]:
    """Where each figure of a published wood comes from, as the table of the science says it."""
    row = next(row for row in woods.read_table("species") if row["key"] == wood.key)
    return [
        {"figure": "Specific gravity (oven-dry weight, green volume)", "value": row["specific_gravity_green"],
         "source": row["source"], "provenance": row["sg_provenance"]},
        {"figure": "Green MC, average %", "value": row["green_mc_average_pct"], "source": row["source"],
         "provenance": row["green_mc_average_provenance"]},
        {"figure": "Green MC, heartwood and sapwood %",
         "value": f"{row['green_mc_heartwood_pct'] or '–'} / {row['green_mc_sapwood_pct'] or '–'}",
         "source": row["source"], "provenance": row["green_mc_provenance"]},
        {"figure": "Shrinkage tangential / radial / volumetric, %",
         "value": " / ".join(row[f"shrinkage_{way}_pct"] or "–" for way in ("tangential", "radial", "volumetric")),
         "source": row["source"], "provenance": row["shrinkage_provenance"]},
        {"figure": "Drying speed, against the model's plain hardwood", "value": row["speed_factor"] or "1 (not listed)",
         "source": row["speed_source"] or "not listed: the model's wider spread is used",
         "provenance": row["speed_provenance"] if row["speed_factor"] else ""},
        {"figure": "Drying group, light wood, pitchy",
         "value": f"{row['drying_group']}, {row['light_wood']}, {row['pitchy']}",
         "source": "how the wood is treated in this app", "provenance": row["trait_provenance"]},
    ]  # fmt: skip


def species_extras(wood: woods.Species) -> list[dict]:
    """Published schedule and safe rate of a wood by thickness."""
    found = []
    for label, thickness in SHORT.items():
        code = published_code(wood, thickness)
        rate, rate_source = woods.safe_rate_pct_per_day(wood, thickness)
        found.append(
            {
                "label": label,
                "code": code[0] if code else "",
                "assembles": bool(code and schedules.CODE.fullmatch(code[0]) and wood.group == "hardwood"),
                "source": code[1] if code else "",
                "provenance": code[2] if code else "",
                "rate": rate,
                "rate_source": rate_source,
            }
        )
    return found


def _published_codes() -> dict[str, list[str]]:
    """Hardwood code to the woods and classes it is published for."""
    found: dict[str, list[str]] = {}
    for row in woods.read_table("species_schedules"):
        if row["group"] == "hardwood" and schedules.CODE.fullmatch(row["schedule_code"]):
            found.setdefault(row["schedule_code"], []).append(f"{row['species']} {row['thickness_class']}")
    return found


def schedule_row(schedule: schedules.Schedule, used_for: str = "", own: OwnSchedule | None = None) -> dict:
    return {
        "code": schedule.code,
        "name": schedule.name if schedule.name != schedule.code else "",
        "steps": len(schedule.steps),
        "hottest": max(step.dry_bulb_f for step in schedule.steps),
        "woods": used_for,
        "source": schedule.source,
        "provenance": schedule.provenance,
        "own": own,
        "schedule": schedule,
    }


def schedule_rows() -> list[dict]:
    """Own schedules, then published hardwood codes in order, then the softwood ladders."""
    own = [schedule_row(actions.own_schedule(row), own=row) for row in OwnSchedule.objects.all()]
    codes = _published_codes()

    def order(code: str) -> tuple:
        found = schedules.CODE.fullmatch(code)
        return int(found[1]), found[2], int(found[3])

    published = [
        schedule_row(schedules.assemble(code), "; ".join(codes[code])) for code in sorted(codes, key=order)
    ]
    ladders = [
        schedule_row(schedules.softwood_ladder(1.0, 160.0, gentle=gentle), "softwoods without a code here")
        for gentle in SOFTWOOD_LADDERS.values()
    ]
    return own + published + ladders


def schedule_of(code: str) -> dict:
    """One schedule by its code, own or published. ValueError when there is none."""
    own = OwnSchedule.objects.filter(key=code).first()
    if own:
        return schedule_row(actions.own_schedule(own), own=own)
    if code.upper() in SOFTWOOD_LADDERS:
        ladder = schedules.softwood_ladder(1.0, 160.0, gentle=SOFTWOOD_LADDERS[code.upper()])
        return schedule_row(ladder, "softwoods without a code here")
    schedule = schedules.assemble(code)
    return schedule_row(schedule, "; ".join(_published_codes().get(schedule.code, [])))


@dataclass(frozen=True)
class StepRow:
    when: str
    kind: str
    dry_bulb_f: float
    wet_bulb_f: float
    rh_pct: float
    emc_pct: float


def step_rows(schedule: schedules.Schedule, elevation_ft: float) -> list[StepRow]:
    """Each step with the humidity and EMC of its air."""
    rows = []
    for index, step in enumerate(schedule.steps):
        rh = psychro.rh_pct(step.dry_bulb_f, step.wet_bulb_f, elevation_ft)
        rows.append(
            StepRow(
                schedule.when(index),
                step.kind,
                step.dry_bulb_f,
                step.wet_bulb_f,
                rh,
                emc.emc_pct(step.dry_bulb_f, rh),
            )
        )
    return rows


def treatment_rows() -> list[dict]:
    own = [
        {
            "key": row.key,
            "own": row,
            "name": row.name,
            "criterion": treatments.Treatment(
                row.key,
                row.name,
                "",
                "core" if row.measured_at == "core" else "chamber air",
                row.min_temperature_f,
                float(row.min_minutes),
                True,
            ).criterion,
            "needs": "",
            "note": row.note,
            "source": row.source,
            "provenance": OWN,
        }
        for row in OwnTreatment.objects.all()
    ]
    published = [
        {
            "key": row.key,
            "own": None,
            "name": row.name,
            "criterion": row.criterion,
            "needs": ", ".join(
                part for part in (row.also_needs, "an approved agency" if row.needs_agency else "") if part
            ),
            "note": row.note,
            "source": row.source,
            "provenance": row.provenance,
        }
        for row in treatments.all_treatments()
    ]
    return own + published


def meter_rows() -> dict:
    """What a pin meter on the Douglas-fir scale means in each wood that has a resistance table."""
    names = {wood.key: wood.common_name for wood in woods.all_species()}
    rows = [
        {
            "name": names.get(key, key.replace("_", " ")),
            "values": [(reading, meters.species_corrected_pct(reading, key)) for reading in METER_READINGS],
        }
        for key in meters.corrected_species()
        if key != meters.SCALE_KEY
    ]
    table = woods.read_table("meter_resistance")
    sources = sorted({(row["source"], row["provenance"]) for row in table})
    return {
        "readings": METER_READINGS,
        "rows": sorted(rows, key=lambda row: row["name"]),
        "sources": [{"source": source, "provenance": provenance} for source, provenance in sources],
    }
