"""A charge through scipy's general solver: the equations of `course.run` as one system of ordinary differential
equations in the moisture of every cell and the air temperature, with the humidity solved at every moment.

Only tests use it. It shares the balance of the chamber with the engine (which has tests of its own) and nothing of
its stepping: no steps of given length, no ramps, no search for the humidity of a whole step.
"""

import numpy as np
from scipy.integrate import solve_ivp

from kilnshop.science import psychro
from kilnshop.science.chamber import COIL_BELOW_AIR_K
from kilnshop.science.drying import D43, FSP, S43, B
from kilnshop.science.emc import emc_fraction
from kilnshop.science.heating import heat_capacity_per_dry_kg

HOLD_S = 600.0  # the heater closes a gap to the set point in this time, if it can
D_FSP = np.exp(B * (FSP - 0.20))


def general(load, machine, plan, hours, cells, rtol=3e-4, atol=3e-5):
    """Average moisture by lot [fraction] at `hours` of a charge whose stages all dry; vectorised over columns."""
    lots, chamber = load.start.shape[1], machine.chamber
    half, total = load.thickness_m[0] / 2, load.dry_kg.sum()
    edge = half[:, None] * np.sin(np.linspace(0, 1, cells + 1)) / np.sin(1)
    width = np.diff(edge, axis=1)
    centre = (edge[:, 1:] + edge[:, :-1]) / 2
    gap = np.diff(np.concatenate([centre, half[:, None]], axis=1), axis=1)[..., None]
    free, speed = load.free_slope[:, None, None], load.speed[0][:, None]

    def average(y):
        return (y[:-1].reshape(lots, cells, -1) * (width / half[:, None])[..., None]).sum(axis=1)

    def change(y, goal, set_rh):
        n = y.shape[1]
        m, t, mean = y[:-1].reshape(lots, cells, n), y[-1], average(y)
        u = np.exp(B * (np.minimum(m, FSP) - 0.20)) / B + free * D_FSP * np.maximum(m - FSP, 0.0)
        k = 1 / (t + 273.15) - 1 / 316.15
        d, s = speed * D43 * np.exp(-5280 * k), speed * S43 * np.exp(-2890 * k)
        capacity = machine.structure + (heat_capacity_per_dry_kg(t, mean) * load.dry_kg[:, None]).sum(axis=0)
        mixed = load.dry_kg @ mean / total
        running = (goal <= machine.lockout_c + 1e-9) & (t <= machine.lockout_c + 1e-9)

        def face_flux(emc):
            last, face = u[:, -1], u[:, -1]
            for _ in range(20):
                wet = face >= D_FSP / B
                phi = np.where(wet, FSP + (face - D_FSP / B) / D_FSP, 0.20 + np.log(B * face) / B)
                slope = np.where(wet, 1 / D_FSP, 1 / (B * face))
                step = (d * (last - face) / gap[:, -1] - s * (phi - emc)) / (d / gap[:, -1] + s * slope)
                face = np.maximum(face + step, 0.2 * face)
                if np.abs(step * slope).max() < 1e-9:
                    break
            return d * (last - face) / gap[:, -1]

        def at(rh):
            flux = face_flux(emc_fraction(t, rh))
            evap = (flux / half[:, None] * 3600 * load.dry_kg[:, None]).sum(axis=0)
            b = machine.balance(
                t, rh, evap, mixed, running=running, below_set=rh < set_rh, above_set=rh > set_rh,
                venting=~running & (rh >= set_rh), warming_kw=capacity * (goal - t) / HOLD_S, too_warm_k=t - goal,
            )  # fmt: skip
            return flux, evap, b

        rh = np.full(n, set_rh)
        flux, evap, b = at(rh)
        open_ = np.abs(b.excess) > 1e-9
        if open_.any():  # regula falsi (Illinois) between the set point and the wet or dry end
            damp = b.excess > 0
            low, high = np.where(damp, set_rh, 0.02), np.where(damp, 1.0, set_rh)
            end = at(np.where(open_, np.where(damp, high, low), set_rh))[2].excess
            f_low, f_high = np.where(damp, b.excess, end), np.where(damp, end, b.excess)
            side = np.zeros(n)
            for _ in range(60):
                with np.errstate(divide="ignore", invalid="ignore"):
                    guess = (low * f_high - high * f_low) / (f_high - f_low)
                guess = np.where(f_low * f_high < 0, guess, (low + high) / 2)
                rh = np.where(open_, guess, set_rh)
                flux, evap, b = at(rh)
                if (~open_ | (np.abs(b.excess) < 1e-9) | (high - low < 1e-12)).all():
                    break
                up = b.excess > 0
                f_high = np.where(up, np.where(side > 0, f_high / 2, f_high), b.excess)
                f_low = np.where(up, b.excess, np.where(side < 0, f_low / 2, f_low))
                low, high, side = np.where(up, rh, low), np.where(up, high, rh), np.where(up, 1, -1)
        dh = psychro.enthalpy_from_ratio(t, psychro.ratio_from_rh(t, rh, machine.pressure)) - machine.out_h
        kj = 3600 * (chamber.fan_kw + b.heater_kw + b.unit_heat_kw) + evap * 4.186 * t - b.vent * dh
        kj -= 3600 * chamber.ua_kw_per_k * (t - machine.out_c) + evap * 1176 * np.exp(-15 * mixed)
        kj -= b.condensed * 4.186 * (t - COIL_BELOW_AIR_K)
        inner = d[:, None] * (u[:, :-1] - u[:, 1:]) / gap[:, :-1]
        flow = np.concatenate([np.zeros((lots, 1, n)), inner, flux[:, None]], axis=1)
        dm = -np.diff(flow, axis=1) / width[..., None]
        return np.concatenate([dm.reshape(-1, n), (kj / capacity / 3600)[None]])

    y, now, parts = np.append(np.repeat(load.start[0], cells), machine.out_c), 0.0, []
    for i, stage in enumerate(plan):

        def rates(_, y, stage=stage):
            out = change(y[:, None] if y.ndim == 1 else y, stage.temp_c, stage.rh)
            return out[:, 0] if y.ndim == 1 else out

        def left(_, y, i=i):
            mean = average(y)[:, 0]
            togo = (mean - load.target).max()
            return togo if i == len(plan) - 1 else min(mean.max() - plan[i + 1].from_mc, togo)

        left.terminal = True
        if left(0, y) > 0:
            part = solve_ivp(
                rates, (now, now + 200 * 86400.0), y, "BDF",
                rtol=rtol, atol=atol, events=left, dense_output=True, vectorized=True,
            )  # fmt: skip
            parts.append(part)
            now, y = part.t[-1], part.y[:, -1]
    out = np.empty((len(hours), lots))
    for row, second in enumerate(np.asarray(hours) * 3600):
        part = next((p for p in parts if second <= p.t[-1]), parts[-1])
        out[row] = average(part.sol(min(second, part.t[-1])))[:, 0]
    return out
