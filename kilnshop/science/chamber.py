"""A kiln chamber: its walls, its dehumidifier, its air, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ChamberInput:
    """What the shop enters once per chamber. US units, inside dimensions."""

    key: str
    name: str
    length_ft: float
    width_ft: float
    height_ft: float
    wall_r: float  # US h·ft²·°F/Btu
    heater_kw: float
    fan_kw: float
    removal_lb_per_day: float
    removal_at_dry_bulb_f: float
    removal_at_rh_pct: float
    compressor_kw: float  # at the same condition as the removal
    blower_kw: float
    lockout_dry_bulb_f: float
    max_dry_bulb_f: float
    has_humidifier: bool
    capacity_bf: float  # of 4/4 on stickers
    leak_kg_per_h: float = 3.0
    unit_inside: bool = True
    elevation_ft: float = 0.0
    air_velocity_fpm: float = 250.0
    vents: bool = True
    removal_derate: float = 0.7  # cycling, fouled coils, frost; until the shop's own bucket says otherwise


@dataclass(frozen=True)
class Outside:
    """The air around the chamber."""

    temp_f: float
    rh_pct: float
