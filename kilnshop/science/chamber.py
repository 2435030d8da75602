"""A kiln chamber: walls, dehumidifier, vents, heater, and the balance of heat and water between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from kilnshop.science import psychro
from kilnshop.science.drying import Array
from kilnshop.science.learning import MACHINE_SD_LN, MACHINE_SIGMA_LN

UA_FACTOR = 1.25  # doors, joints, floor edge; until a meter says otherwise
STRUCTURE_KJ_PER_K_PER_M2 = 10.0  # 500 kJ/K for a box of 50 m2
COIL_BELOW_AIR_K = 20.0  # condensate leaves this much cooler than the air
DRIFT_LIMIT_K = 10.0

# Removal relative to 120 °F and 50 % RH, by dry bulb 80 to 140 °F and RH 30 to 80 %, each by tens. Shape
# calculated for a fixed-displacement single-stage unit; the shop's own rated point sets the level.
REMOVAL = np.array(
    [
        [0.11, 0.23, 0.35, 0.47, 0.59, 0.71],
        [0.16, 0.32, 0.48, 0.63, 0.78, 0.93],
        [0.23, 0.43, 0.63, 0.82, 1.01, 1.19],
        [0.32, 0.56, 0.80, 1.04, 1.26, 1.49],
        [0.41, 0.71, 1.00, 1.28, 1.55, 1.81],
        [0.52, 0.87, 1.21, 1.54, 1.86, 2.17],
        [0.63, 1.04, 1.44, 1.82, 2.18, 2.54],
    ]
)
# the same as a bilinear patch per square: at its corner, its rise with temperature, with humidity, with both
_PATCH = np.stack(
    [
        REMOVAL[:-1, :-1],
        REMOVAL[1:, :-1] - REMOVAL[:-1, :-1],
        REMOVAL[:-1, 1:] - REMOVAL[:-1, :-1],
        REMOVAL[1:, 1:] - REMOVAL[1:, :-1] - REMOVAL[:-1, 1:] + REMOVAL[:-1, :-1],
    ]
)


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
    vent_kg_per_h: float = 150.0  # most air the open vents pass
    removal_derate: float = 0.7  # cycling, fouled coils, frost; until the shop's own bucket says otherwise
    ua_factor: float = UA_FACTOR  # real heat loss over that of the bare walls
    kwh_sd_ln: float = math.hypot(
        MACHINE_SD_LN, MACHINE_SIGMA_LN
    )  # of the kWh of given days: walls, removal, fans

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("length_ft", 2, 200, "ft"),
            ("width_ft", 2, 60, "ft"),
            ("height_ft", 2, 30, "ft"),
            ("wall_r", 0.5, 100, "h·ft²·°F/Btu"),
            ("heater_kw", 0, 200, "kW"),
            ("fan_kw", 0, 100, "kW"),
            ("removal_lb_per_day", 1, 20000, "lb/day"),
            ("removal_at_dry_bulb_f", 60, 180, "°F"),
            ("removal_at_rh_pct", 30, 95, "%"),
            ("compressor_kw", 0.05, 200, "kW"),
            ("blower_kw", 0, 50, "kW"),
            ("lockout_dry_bulb_f", 60, 250, "°F"),
            ("max_dry_bulb_f", 70, 250, "°F"),
            ("capacity_bf", 10, 200000, "bf"),
            ("leak_kg_per_h", 0, 1000, "kg/h"),
            ("air_velocity_fpm", 20, 2000, "ft/min"),
            ("vent_kg_per_h", 0, 20000, "kg/h"),
            ("removal_derate", 0.05, 2.5, ""),
            ("ua_factor", 0.3, 5.0, ""),
            ("kwh_sd_ln", 0.0, 1.0, ""),
        ):
            psychro.check_range(name, getattr(self, name), low, high, unit)
        psychro.pressure_pa(self.elevation_ft)

    @property
    def area_m2(self) -> float:
        """Inside surface of walls, roof and floor [m²]."""
        a, b, c = self.length_ft, self.width_ft, self.height_ft
        return 2 * (a * b + b * c + a * c) * 0.09290304

    @property
    def ua_kw_per_k(self) -> float:
        """Heat loss through walls, roof, floor, doors and joints [kW/K]."""
        return self.ua_factor * self.area_m2 / (self.wall_r * 0.1761102) / 1000


@dataclass(frozen=True)
class Outside:
    """The air around the chamber."""

    temp_f: float
    rh_pct: float

    def __post_init__(self) -> None:
        psychro.check_range("temp_f", self.temp_f, -40.0, 120.0, "°F")
        psychro.check_range("rh_pct", self.rh_pct, 1.0, 100.0, "%")


def relative_removal(temp_c: Any, rh: Any) -> Array:
    """Removal relative to 120 °F and 50 % RH at `temp_c` [°C], `rh` [0-1]: bilinear, extended at the edges."""
    x = (psychro.f_from_c(temp_c) - 80.0) / 10
    y = (rh - 0.30) * 10
    i = np.minimum(np.maximum(x, 0), 5).astype(int)
    j = np.minimum(np.maximum(y, 0), 4).astype(int)
    a, b = x - i, y - j
    corner, up, right, both = _PATCH[:, i, j]
    return np.asarray(np.maximum(corner + a * (up + b * both) + b * right, 0.0))


class Machine:
    """One chamber's dehumidifier, heater, vents and walls in one outside air; SI inside."""

    def __init__(self, chamber: ChamberInput, outside: Outside) -> None:
        self.chamber = chamber
        self.pressure = psychro.pressure_pa(chamber.elevation_ft)
        self.out_c = psychro.c_from_f(outside.temp_f)
        self.out_w = float(psychro.ratio_from_rh(self.out_c, outside.rh_pct / 100, self.pressure))
        self.out_h = float(psychro.enthalpy_from_ratio(self.out_c, self.out_w))
        self.ref_c = psychro.c_from_f(chamber.removal_at_dry_bulb_f)
        self.ref_rh = chamber.removal_at_rh_pct / 100
        rated = float(relative_removal(self.ref_c, self.ref_rh))
        self.level = chamber.removal_lb_per_day * 0.45359237 / 24 * chamber.removal_derate / rated
        self.structure = STRUCTURE_KJ_PER_K_PER_M2 * chamber.area_m2
        self.lockout_c = psychro.c_from_f(chamber.lockout_dry_bulb_f)

    def removal(self, temp_c: Any, rh: Any) -> Array:
        """Water taken out running all the time [kg/h]."""
        return self.level * relative_removal(temp_c, rh)

    def compressor_kw(self, temp_c: Any, rh: Any) -> Any:
        """Compressor power running all the time [kW]."""
        humid = (1 + 0.074 * (rh - 0.5)) / (1 + 0.074 * (self.ref_rh - 0.5))
        return self.chamber.compressor_kw * np.exp(0.0236 * (temp_c - self.ref_c)) * humid

    def highest_c(self, *, compressor: bool = False) -> float:
        """The steady air temperature [°C] heater and fans hold with the vents shut, and the compressor if it runs."""
        c = self.chamber
        unit = (c.compressor_kw * c.unit_inside + c.blower_kw) if compressor else 0.0
        return self.out_c + (c.heater_kw + c.fan_kw + unit) / self._loss_kw_per_k(c.leak_kg_per_h)

    def lowest_c(self) -> float:
        """The steady air temperature [°C] with only the fans running and the vents open."""
        c = self.chamber
        return self.out_c + c.fan_kw / self._loss_kw_per_k(c.leak_kg_per_h + c.vent_kg_per_h * c.vents)

    def _loss_kw_per_k(self, air_kg_per_h: float) -> float:
        return self.chamber.ua_kw_per_k + air_kg_per_h * 1.02 / 3600

    def idle_c(self) -> float:
        """The steady air temperature [°C] the fans alone make, vents open if there are any."""
        c = self.chamber
        air = (c.leak_kg_per_h + c.vent_kg_per_h * c.vents) * 1.02 / 3600
        return self.out_c + c.fan_kw / (c.ua_kw_per_k + air)

    def balance(
        self,
        temp_c: Array,
        rh: Array,
        evaporation: Array,
        mc: Array,
        *,
        running: Array,
        below_set: Array,
        above_set: Array,
        venting: Array,
        warming_kw: Array,
        too_warm_k: Any = 0.0,
    ) -> Balance:
        """Heat and water of the box at one moment, by member.

        Parameters
        ----------
        temp_c, rh : array
            Air [°C], [0-1].
        evaporation : array
            Water leaving the wood [kg/h].
        mc : array
            Moisture of the wood giving it up [fraction], for the heat that binds it.
        running : array of bool
            May the compressor run (not locked out, not a heat stage)?
        below_set, above_set : array of bool
            Is the air drier or wetter than the set point: then the compressor is off, or on all the time.
        venting : array of bool
            May vents open to take water while the compressor cannot run?
        warming_kw : array
            Heat wanted to bring wood, water and walls to the set point within the step [kW].

        too_warm_k : array
            How far the air is above its set point already [K].

        Notes
        -----
        P_fan + d (P_comp e + P_blow) + P_heat = UA (T - T_out) + C dT/dt + v (h - h_out) + m_c h_f(T_c)
        - m_e [h_f(T) - q(M)], and m_e = d MER + v (w - w_out). Heater and vents exclude each other, except
        where vents must take the water. `missing_kw` is what the heater lacks (or, negative, what the chamber
        cannot shed); `excess` is water nothing takes out [kg/h] (or, negative, lost by leaks beyond supply).
        """
        c = self.chamber
        w = psychro.ratio_from_rh(temp_c, rh, self.pressure)
        dw = w - self.out_w
        dh = psychro.enthalpy_from_ratio(temp_c, w) - self.out_h
        mer = np.maximum(self.removal(temp_c, rh), 1e-6)
        comp = self.compressor_kw(temp_c, rh)
        unit = comp * c.unit_inside + c.blower_kw
        cool = 4.186 * (temp_c - COIL_BELOW_AIR_K)
        leak = c.leak_kg_per_h
        wood = evaporation * (4.186 * temp_c - 1176 * np.exp(-15 * mc)) / 3600
        walls = c.ua_kw_per_k * (temp_c - self.out_c)

        def duty(vent: Array) -> Array:
            at_set = np.minimum(np.maximum((evaporation - vent * dw) / mer, 0.0), 1.0)
            return np.where(running, np.where(above_set, 1.0, np.where(below_set, 0.0, at_set)), 0.0)

        def short(vent: Array, d: Array) -> Array:
            loss = walls + vent * dh / 3600 + d * mer * cool / 3600 - wood
            return np.asarray(loss + warming_kw - c.fan_kw - d * unit)

        vent = np.full_like(temp_c, leak)
        d = duty(vent)
        need = short(vent, d)
        if (need < 0).any() or venting.any():
            most = c.vent_kg_per_h if c.vents else 0.0
            saving = np.where((d > 0) & (d < 1), dw * (unit / mer - cool / 3600), 0.0)
            per_kg = np.maximum(dh / 3600 + saving, 1e-4)
            dry_air = dw > 1e-5
            supply = np.where(
                dry_air, evaporation / np.where(dry_air, dw, 1.0), np.inf
            )  # more would over-dry
            room = np.where(
                above_set, np.inf, np.maximum(supply - leak, 0.0)
            )  # too damp: vent all that heat allows
            afford = np.maximum(c.heater_kw - need, 0.0) / np.maximum(dh / 3600, 1e-4)
            shed = np.where(need < 0, -need / per_kg, 0.0)
            extra = np.minimum(np.where(venting & dry_air, np.maximum(shed, afford), shed), room)
            vent = leak + np.minimum(extra, most)
            d = duty(vent)
            need = short(vent, d)
            # a chamber that cannot shed its heat drifts warmer, and stops the compressor before DRIFT_LIMIT_K
            room_k = np.maximum(DRIFT_LIMIT_K - too_warm_k, 0.0)
            spill = need - np.minimum(warming_kw, 0.0) + 3 * c.ua_kw_per_k * room_k
            stop = np.minimum(spill, 0.0) / np.maximum(unit - mer * cool / 3600, 1e-3)
            d = np.minimum(np.maximum(d + stop, 0.0), d)
            need = short(vent, d)
        heater = np.minimum(np.maximum(need, 0.0), c.heater_kw)
        return Balance(
            duty=d,
            vent=vent,
            heater_kw=heater,
            compressor_kw=d * (comp + c.blower_kw),
            unit_heat_kw=d * unit,
            missing_kw=need - heater,
            excess=evaporation - d * mer - vent * dw,
            condensed=d * mer,
            damper=dw,
        )


@dataclass
class Balance:
    """Result of `Machine.balance`, by member."""

    duty: Array
    vent: Array
    heater_kw: Array
    compressor_kw: Array  # with its blower
    unit_heat_kw: Array  # the part that stays in the chamber
    missing_kw: Array
    excess: Array
    condensed: Array
    damper: Array  # water in the air above that outside [kg/kg]
