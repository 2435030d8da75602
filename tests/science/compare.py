"""The engine beside every published figure held here, good matches and poor: `python -m tests.science.compare`.

Prints the tables of DEVELOPERS.md. Conditions that the sources leave open are set here and said there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from kilnshop.science import drying, heating, schedules, species
from kilnshop.science.chamber import ChamberInput, Outside
from kilnshop.science.estimate import Estimate, LotInput, Range, estimate
from kilnshop.science.schedule_choice import published_code
from kilnshop.science.schedules import Schedule, Step
from kilnshop.science.species import Species
from tests.science.published import rows

NORTH = ChamberInput(
    key="north",
    name="North kiln",
    length_ft=16,
    width_ft=8,
    height_ft=8,
    wall_r=20,
    heater_kw=4,
    fan_kw=0.6,
    removal_lb_per_day=180,
    removal_at_dry_bulb_f=120,
    removal_at_rh_pct=50,
    compressor_kw=1.5,
    blower_kw=0.15,
    lockout_dry_bulb_f=130,
    max_dry_bulb_f=160,
    has_humidifier=False,
    capacity_bf=2200,
)
# A conventional kiln: any air the schedule asks for.
STEAM = replace(
    NORTH, name="steam kiln", heater_kw=150, removal_lb_per_day=20000, removal_derate=1.0, lockout_dry_bulb_f=250,
    max_dry_bulb_f=250, vent_kg_per_h=5000,
)  # fmt: skip
# The chamber of the calculated kWh rows: 4.0 x 2.4 x 2.4 m inside, 17.5 W/K with its doors.
METRIC = replace(
    NORTH, length_ft=4.0 / 0.3048, width_ft=2.4 / 0.3048, height_ft=2.4 / 0.3048, wall_r=1.25 / (0.35 * 0.1761102),
    heater_kw=3.0, fan_kw=0.5, removal_lb_per_day=181.0, max_dry_bulb_f=150, capacity_bf=2000,
)  # fmt: skip
LADDER_45_DAYS = Schedule(
    "",
    "assumed ladder of the 45-day charge",
    tuple(
        Step(mc, db, wb)
        for mc, db, wb in ((300, 90, 86), (50, 95, 90), (40, 100, 94), (35, 105, 96), (30, 110, 95), (25, 115, 92),
                           (20, 120, 90), (15, 125, 90))
    ),
)  # fmt: skip
# Wood Handbook Tables 4-1 and 5-3a (memory); not in the species table, so a wood without a listed speed.
TUPELO = Species(
    "black_tupelo", "black tupelo", "Nyssa sylvatica", "hardwood", 0.46, green_mc_pct=101, drying_group="moderate"
)  # fmt: skip
NAMES = {
    "sugar (hard) maple": "hard maple",
    "northern white oak": "white oak",
    "sweetgum, sapwood": "sweetgum",
    "eastern spruces": "red spruce",
    "southern yellow pine": "loblolly pine",
    "redwood, light": "redwood, old growth",
    "redwood, heavy": "redwood, old growth",
}
CODES = {"black tupelo": "T12-E5", "western hemlock": "T12-C5", "ponderosa pine": "T9-C6"}  # AH 188 (memory)


def lot(wood: Species, start: float, target: float, bf: float = 650.0, **more: object) -> LotInput:
    given = {
        "thickness_in": 1.125,
        "nominal_thickness_in": 1.0,
        "start_how": "assumed_green",
        "key": "A",
        **more,
    }
    return LotInput(species=wood, volume_bf=bf, start_mc_pct=start, target_mc_pct=target, **given)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Period:
    """One published kiln period of 1-inch stock and what the engine says."""

    name: str
    wood: Species
    green: tuple[float, float]
    dry: tuple[float, float] | None  # from 20 %
    model: Range
    model_dry: Range | None
    own: float  # speed factor that would give the middle of the published period from green
    left_out: Range  # the wood taken as unlisted, its speed from the rule fitted to the other woods

    @property
    def middle(self) -> float:
        return sum(self.green) / 2

    @property
    def middle_dry(self) -> float:
        assert self.dry
        return sum(self.dry) / 2


def wood_of(name: str) -> Species:
    return TUPELO if name == "black tupelo" else species.find(NAMES.get(name, name))


def _span(row: dict[str, str], period: str) -> tuple[float, float] | None:
    low, high = row[f"{period}_days_min"], row[f"{period}_days_max"]
    return (float(low), float(high)) if low else None


def _days(wood: Species, schedule: Schedule, start: float, how: str) -> Range:
    return estimate([lot(wood, start, 6.0, start_how=how)], STEAM, schedule, Outside(60, 60)).days


def rule(woods: list[tuple[Species, float]], wood: Species) -> float:
    """The rule of `drying.speed_factor`, fitted to `woods` and their speeds, for one more wood."""
    alike = [
        (s, f) for s, f in woods if s.group == wood.group and s.permeable_sapwood == wood.permeable_sapwood
    ]
    speeds = np.log([f for _, f in alike])
    if wood.group == "softwood":
        return math.exp(speeds.mean())
    slope, level = np.polyfit([s.specific_gravity_green for s, _ in alike], speeds, 1)
    return math.exp(slope * wood.specific_gravity_green + level)


@cache
def periods() -> tuple[Period, ...]:
    first = []
    for row in rows("kiln_drying_times"):
        if row["record_kind"] != "days":
            continue
        name, wood = row["species"], wood_of(row["species"])
        code = CODES.get(name) or (published_code(wood, 1.0) or ("",))[0]
        schedule = schedules.assemble(code) if code else schedules.softwood_ladder(1.0, 180)
        green, dry = _span(row, "green_to_6"), _span(row, "from_20_to_6")
        assert green and wood.green_mc_pct
        model = _days(wood, schedule, wood.green_mc_pct, "assumed_green")
        model_dry = _days(wood, schedule, 20.0, "assumed_air_dried") if dry else None
        own = drying.speed_factor(wood) * model.expected * 2 / sum(green)
        first.append((name, wood, green, dry, model, model_dry, own, schedule))
    out = []
    for name, wood, green, dry, model, model_dry, own, schedule in first:
        others = [(w, f) for _, w, *_, f, _ in first if w.key != wood.key]
        unlisted = replace(wood, speed_listed=False, speed_factor=rule(others, wood))
        assert wood.green_mc_pct
        left_out = _days(unlisted, schedule, wood.green_mc_pct, "assumed_green")
        out.append(Period(name, wood, green, dry, model, model_dry, own, left_out))
    return tuple(out)


@cache
def full_rule() -> dict[str, float]:
    """The rule fitted to every wood: hardwoods f = exp(slope (level - G)); softwoods a constant."""
    woods = [(p.wood, p.own) for p in periods()]
    hard = [(s.specific_gravity_green, math.log(f)) for s, f in woods if s.group == "hardwood"]
    slope, level = np.polyfit(*zip(*hard, strict=True), 1)
    soft = {
        flag: [f for s, f in woods if s.group == "softwood" and s.permeable_sapwood is flag]
        for flag in (True, False)
    }
    return {
        "slope": -float(slope),
        "gravity": -float(level / slope),
        "softwood": float(np.exp(np.log(soft[False]).mean())),
        "permeable": float(np.exp(np.log(soft[True]).mean())),
    }


@dataclass(frozen=True)
class Charge:
    """One published charge and what the engine says; `model` None where the source gives too little to run."""

    key: str
    kind: str
    what: str
    published: str
    days: float | None
    model: Range | None
    kwh: Range | None
    note: str


@cache
def charges() -> tuple[Charge, ...]:
    oak, white, poplar = (species.find(n) for n in ("northern red oak", "white oak", "yellow-poplar"))
    hickory, cherry = species.find("shagbark hickory"), species.find("black cherry")
    pine, maple = species.find("eastern white pine"), species.find("hard maple")
    small = {"chamber": NORTH, "schedule": LADDER_45_DAYS}
    setups: dict[str, tuple[list[LotInput], ChamberInput, Schedule]] = {
        "B1": ([lot(w, 18.4, 7.3, 217, key=w.key, start_how="oven_dry") for w in (oak, maple, pine)], *small.values()),
        "B3a": ([lot(oak, 82.9, 6.1, start_how="oven_dry")], *small.values()),
        "B3b": ([lot(oak, 82.9, 5.2, start_how="oven_dry")], *small.values()),
        "B4": (
            [lot(w, 69.7, 8.5, bf, key=w.key, start_how="oven_dry") for w, bf in ((oak, 300), (hickory, 200), (cherry, 100))],
            *small.values(),
        ),
        "C2": ([lot(poplar, 92, 8)], STEAM, schedules.assemble("T11-D4")),
        "O1": ([lot(white, white.green_mc_pct or 0, 6)], STEAM, schedules.assemble("T4-C2")),
    }  # fmt: skip
    notes = {
        "B1": "woods not named: a third each red oak, hard maple, white pine; first-time operator",
        "B3a": "used to fit the constants, with a speed of 1.0; a slow run with severe casehardening",
        "B3b": "the same charge, five days on",
        "B4": "three lots, all from the printed average",
        "L2": "not run: thickness and start moisture not printed",
        "S1": "not run: thickness and moisture not printed; nameplates on all the time",
        "S2": "not run: thickness and moisture not printed; nameplate estimate",
        "O1": "printed as 'can take more than a month'",
        "W1": "a price, not a charge",
        "N1": "figures not readable in the source",
        "C2": "",
    }
    out = []
    for row in rows("validation_charges") + OTHER_CHARGES:
        key = row["charge_id"]
        done: Estimate | None = None
        if key in setups:
            lots, chamber, schedule = setups[key]
            done = estimate(lots, chamber, schedule, Outside(60, 60))
        low, high = row["days_min"], row["days_max"]
        printed = f"{low}–{high}" if low and low != high else low or f"over {high}" if high else "–"
        days = None if not high or not low else (float(low) + float(high)) / 2
        moisture = f", {row['initial_mc_pct']} to {row['final_mc_pct']} %" if row["initial_mc_pct"] else ""
        out.append(
            Charge(key, row["kind"], f"{row['species']}{moisture}", printed, days, done and done.days, done and done.kwh.total, notes[key])
        )  # fmt: skip
    return tuple(out)


# Rows of the same collection that are no measurement; kept so that nothing is left out.
OTHER_CHARGES = [
    dict(zip(("charge_id", "kind", "species", "initial_mc_pct", "final_mc_pct", "days_min", "days_max"), values, strict=True))
    for values in (
        ("C2", "guidance", "yellow-poplar, steam kiln", "92", "8", "6", "10"),  # Chen and Helmer 1987 (seen)
        ("S1", "estimated", "white oak, 540 bf", "", "", "21", "21"),  # Woodworker's Journal 2017 (seen)
        ("S2", "estimated", "white oak, 540 bf", "", "", "21", "21"),
        ("O1", "guidance", "white oak, green, steam kiln", "", "", "", "30"),  # Oregon State EM 8612 (seen)
        ("W1", "guidance", "hardwoods", "", "", "", ""),  # Wengert 2014 (seen)
        ("N1", "pointer", "hard maple, green", "", "", "", ""),  # NRS-196 (seen)
    )
]  # fmt: skip


@dataclass(frozen=True)
class Energy:
    what: str
    days: float | None
    kwh: float
    model_days: Range
    model_kwh: Range


@cache
def energy() -> tuple[Energy, ...]:
    """kWh per MBF of `dehumidification_energy` beside the engine's."""
    out = []
    for row in rows("dehumidification_energy"):
        wood = species.find(row["species"])
        code = (published_code(wood, 1.0) or ("",))[0]
        thick = float(row["thickness_in"])
        chamber = replace(METRIC, wall_r=METRIC.wall_r * 17.5 / float(row["ua_w_per_k"]))
        bf = float(row["volume_bf"])
        done = estimate(
            [lot(wood, float(row["start_mc_pct"]), float(row["target_mc_pct"]), bf, thickness_in=thick,
                 nominal_thickness_in=None if thick > 1.2 else 1.0, start_how="oven_dry")],
            chamber,
            schedules.low_temperature(schedules.assemble(code), 130),
            Outside(float(row["outside_f"]), 60),
        )  # fmt: skip
        per = 1000 / bf
        total = done.kwh.total
        out.append(
            Energy(
                row["case"],
                float(row["days"]) if row["days"] else None,
                float(row["kwh_per_mbf"]),
                done.days,
                Range(total.low * per, total.expected * per, total.high * per),
            )
        )
    return tuple(out)


def inside(value: float, band: Range) -> bool:
    return band.low <= value <= band.high


def _band(band: Range) -> str:
    return f"{band.expected:.1f} ({band.low:.1f}–{band.high:.1f})"


def _table(head: str, lines: list[str]) -> str:
    return "\n".join([head, "| " + " | ".join(["---"] * (head.count("|") - 1)) + " |", *lines])


def summary(ratios: list[float], hits: list[bool]) -> str:
    worst = max(ratios, key=lambda r: abs(math.log(r)))
    return (
        f"{len(ratios)} rows: median predicted/published {np.median(ratios):.2f}, inside the band {sum(hits)}, "
        f"worst {worst:.2f}."
    )


def period_table() -> str:
    lines = []
    for p in periods():
        dry = f"{p.dry[0]:g}–{p.dry[1]:g} | {_band(p.model_dry)}" if p.dry and p.model_dry else "– | –"
        listed = "" if p.wood.speed_listed else "*"
        lines.append(
            f"| {p.name}{listed} | {p.green[0]:g}–{p.green[1]:g} | {_band(p.model)} | {_band(p.left_out)} | {dry} |"
        )
    head = "| 4/4, days | green to 6 % | predicted | left out | 20 to 6 % | predicted |"
    return _table(head, lines)


def period_summary() -> str:
    green = list(periods())
    dried = [p for p in green if p.model_dry]
    return "\n".join(
        f"- {label}: {summary(*map(list, zip(*pairs, strict=True)))}"
        for label, pairs in (
            ("Green to 6 %", [(p.model.expected / p.middle, inside(p.middle, p.model)) for p in green]),
            ("Green to 6 %, wood left out, hardwoods", _left_out("hardwood")),
            ("Green to 6 %, wood left out, softwoods", _left_out("softwood")),
            (
                "20 to 6 %",
                [
                    (p.model_dry.expected / p.middle_dry, inside(p.middle_dry, p.model_dry))
                    for p in dried
                    if p.model_dry
                ],
            ),
        )
    )


def _left_out(group: str) -> list[tuple[float, bool]]:
    return [
        (p.left_out.expected / p.middle, inside(p.middle, p.left_out))
        for p in periods()
        if p.wood.group == group
    ]


def charge_table() -> str:
    lines = [
        f"| {c.key} | {c.kind} | {c.what} | {c.published} | {_band(c.model) if c.model else '–'} | {c.note} |"
        for c in charges()
    ]
    return _table("| charge | kind | wood | days | predicted | remark |", lines)


def energy_table() -> str:
    lines = [
        f"| {e.what} | {e.kwh:.0f} | {e.model_kwh.expected:.0f} ({e.model_kwh.low:.0f}–{e.model_kwh.high:.0f}) | "
        f"{'–' if e.days is None else format(e.days, 'g')} | {_band(e.model_days)} |"
        for e in energy()
    ]
    return _table("| case | kWh/MBF | predicted | days | predicted |", lines)


@cache
def heating_ratios() -> dict[tuple[str, str], list[tuple[float, float]]]:
    """By table and size, over printed minutes: the conduction model as it is, and what a plan allows."""
    out: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for row in rows("heating_times"):
        if not row["minutes"]:
            continue
        size = float(row["thickness_in"]), float(row["width_in"])
        case = (
            float(row["target_center_f"]),
            float(row["initial_temp_f"]),
            float(row["heating_temp_f"]),
            *size,
        )
        printed = float(row["minutes"])
        model = heating.minutes_to_core(*case, film_w_m2k=None)
        plan = heating.DRY_HEAT_ALLOWANCE * heating.minutes_to_core(*case)
        wet = row["wet_bulb_depression_f"] == "0"
        table = (
            "20-4, in steam"
            if wet
            else "20-4, 10 °F"
            if row["key"].startswith("t204")
            else "20-8, 2 to 12 °F"
        )
        out.setdefault((table, row["size_in"]), []).append((model / printed, plan / printed))
    return out


def heating_table() -> str:
    lines = []
    for (table, size), pairs in heating_ratios().items():
        model, plan = zip(*pairs, strict=True)
        lines.append(
            f"| {table} | {size} | {len(pairs)} | {min(model):.2f} | {np.median(model):.2f} | {max(model):.2f} | "
            f"{min(plan):.2f} |"
        )
    head = "| table, depression | size, in | rows | lowest | median | highest | plan, lowest |"
    return _table(head, lines)


def markdown() -> str:
    """Everything DEVELOPERS.md shows between its two marks."""
    parts = (period_table(), period_summary(), charge_table(), energy_table(), heating_table())
    return "\n\n".join(parts)


if __name__ == "__main__":
    print(markdown())
