"""How each figure of an estimate was made, for a person who asks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kilnshop.science import psychro
from kilnshop.science.chamber import ChamberInput, Machine, Outside

if TYPE_CHECKING:
    from kilnshop.science.estimate import Estimate, LotInput

HANDBOOK = "Wood Handbook FPL-GTR-190 (2010)"


@dataclass(frozen=True)
class Working:
    """How one figure was made."""

    key: str
    label: str
    equation: str
    inputs: tuple[tuple[str, str], ...]
    source: str
    uncertainty: str = ""
    narrows: str = ""


def show(
    lots: Sequence[LotInput],
    chamber: ChamberInput,
    outside: Outside,
    result: Estimate,
    machine: Machine,
    narrows: tuple[tuple[float, ...], str],
) -> tuple[Working, ...]:
    """The working of every figure the pages show."""
    effects, advice = narrows
    spread = math.sqrt(sum(e * e for e in effects))
    percent = [f"{100 * (math.exp(e) - 1):.0f} %" for e in effects]
    worst_start = max(lot.start_sd_pct for lot in lots)
    dry = tuple(
        (
            f"Lot {lot.key}",
            f"{lot.volume_bf:,.0f} bf x {lot.thickness_in:g} in / {lot.nominal_thickness_in or lot.thickness_in:g} in, "
            f"{lot.species.common_name} specific gravity {lot.species.specific_gravity_green:g}",
        )
        for lot in lots
    )
    water = tuple(
        (f"Lot {lot.key}", f"{one.oven_dry_lb:,.0f} lb x ({lot.start_mc_pct:g} - {lot.target_mc_pct:g}) %")
        for lot, one in zip(lots, result.lots, strict=True)
    )
    speeds = tuple(
        (
            f"Lot {lot.key}",
            f"{lot.thickness_in:g} in{f' x {lot.width_in:g} in timber' if lot.is_timber else ''}, "
            f"{lot.species.common_name}, speed factor {lot.speed:.2f}" + _speed_from(lot),
        )
        for lot in lots
    )
    air = tuple(
        (
            f"{step.kind} from {step.from_mc_pct:.0f} %",
            f"{step.dry_bulb_f:g}/{step.wet_bulb_f:g} °F, {step.rh_pct:.0f} % RH, EMC {step.emc_pct:.1f} %; "
            f"expected wet bulb {step.expected_wet_bulb_f:.1f} °F",
        )
        for step in result.steps
    )
    kwh = result.kwh
    return (
        Working(
            "oven_dry_lb",
            "Oven-dry weight",
            "board feet x 144 in³ x actual/nominal thickness x specific gravity x weight of water",
            dry,
            f"{HANDBOOK} Table 5-3a for specific gravity; sources stand on each species",
            "Specific gravity of one load differs by about 10 % from the species mean.",
            "weighing a few boards of known size and moisture",
        ),
        Working(
            "water_lb",
            "Water to remove",
            "oven-dry weight x (start - target); a US gallon weighs 8.34 lb",
            water,
            "definition of moisture content",
            f"Start moisture is known to about ± {worst_start:.0f} points.",
            "oven-dry sections from several boards",
        ),
        Working(
            "air",
            "Air at each step",
            "RH from dry and wet bulb; EMC by the Hailwood-Horrobin equation; expected air from the water balance: "
            "evaporation = dehumidifier + vents + leaks",
            air,
            f"ASHRAE Fundamentals (2017) ch. 1; {HANDBOOK} eq. 4-5",
            "A wet-bulb reading off by 1 °F moves the EMC by about half a point.",
            "a clean wick and a second thermometer",
        ),
        Working(
            "days",
            "Days",
            "diffusion through the thickness, in timbers through the width too: dM/dt = d/dx (D dphi/dx), D = f D43 exp[-5280 (1/T - 1/316)] "
            "exp[8 (M - 0.20)], face film S (M - EMC); step by step through the schedule",
            (*speeds, ("Air speed", f"{chamber.air_velocity_fpm:g} ft/min")),
            "constants fitted to published kiln times of FPL Technical Note 233 and small-kiln oak charges (memory)",
            f"80 % band x/÷ {math.exp(1.28 * spread):.2f}: speed of this wood {percent[0]}, start moisture "
            f"{percent[1]}, thickness {percent[2]} (one standard deviation each)",
            advice,
        ),
        Working(
            "kwh",
            "Electricity",
            "fans + compressor + heater, from the heat balance of each hour: heat in = walls + warming + vents + "
            "condensate",
            (
                (
                    "Walls",
                    f"{1000 * chamber.ua_kw_per_k:.0f} W per °C, R-{chamber.wall_r:g}, times {chamber.ua_factor:.2f} for doors "
                    "and joints",
                ),
                ("Outside", f"{outside.temp_f:g} °F, {outside.rh_pct:g} % RH"),
                (
                    "Dehumidifier",
                    f"{chamber.removal_lb_per_day:g} lb/day at {chamber.removal_at_dry_bulb_f:g} °F and "
                    f"{chamber.removal_at_rh_pct:g} %, counted at {100 * chamber.removal_derate:.0f} %",
                ),
                ("Fans", f"{chamber.fan_kw:g} kW, {kwh.fans.expected:.0f} kWh"),
                ("Compressor and blower", f"{kwh.compressor.expected:.0f} kWh"),
                ("Heater", f"{chamber.heater_kw:g} kW at most, {kwh.heater.expected:.0f} kWh"),
                (
                    "Hottest air",
                    f"{min(psychro.f_from_c(machine.highest_c()), chamber.max_dry_bulb_f):.0f} °F",
                ),
            ),
            "heat balance of a dehumidification kiln; removal against temperature and humidity calculated for a "
            "single-stage unit from the shop's own rated point",
            f"80 % band {kwh.total.low:.0f} to {kwh.total.high:.0f} kWh: the days as above, and "
            f"{100 * (math.exp(chamber.kwh_sd_ln) - 1):.0f} % for walls, removal and fans of this chamber (one standard "
            "deviation; 35 % before any metered charge and 13 % from one charge to the next, design values)",
            "a sub-meter on the chamber and a bucket under the drain",
        ),
        Working(
            "fill",
            "Fill",
            "board feet / nominal thickness x (thickness + sticker), against the same of 4/4",
            tuple((f"Lot {lot.key}", f"{lot.stack_share:,.0f} bf of 4/4 room") for lot in lots),
            "3/4 in stickers (common practice)",
            "Depends on how tightly the shop stacks.",
            "counting layers in the last full load",
        ),
    )


def _speed_from(lot: LotInput) -> str:
    """Where the speed factor comes from, in brackets."""
    told = ""
    if not lot.species.speed_listed:
        told = f"not listed: {'as softwoods of its kind' if lot.species.group == 'softwood' else 'from its weight'}"
    if lot.learned:
        count = lot.learned.count
        seen = f"{count} of it measured here" if count else "none of it measured here yet"
        own = f"published x {lot.learned.multiple:.2f} from your charges, {seen}"
        told = f"{told}; {own}" if told else own
    return f" ({told})" if told else ""
