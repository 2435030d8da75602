"""Moisture inside boards as they dry: one-dimensional diffusion, many boards at once.

    dM/dt = d/dx [ D dphi/dx ],   phi = M below fibre saturation, FSP + slope (M - FSP) above it
    D = f D43 exp[-5280 (1/T - 1/316.15)] exp[B (min(M, FSP) - 0.20)]           (T kelvin)
    at the face: flux = S (phi_face - EMC),   S = f (v/v_ref)^0.7 S43 exp[-2890 (1/T - 1/316.15)]
    centre: no flux

The equations are solved for u, the integral of D over phi divided by D at 20 % MC. In u the flux between two
cells is an exact difference however steep D is, the matrix is symmetric and positive, and Newton's method
approaches the wet line from one side only, so it needs no damping.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dptsv

from kilnshop.science.species import Species

Array = NDArray[Any]

D43 = 4.3e-10  # m²/s at 43 °C and 20 % MC
S43 = 5.4e-8  # m/s at 43 °C
B = 8.0  # rise of D per unit of MC
FSP = 0.28
FREE_SLOPE = 0.02  # how much free water adds to the drive; 1.0 for permeable sapwood
CELLS = 20
REFERENCE_VELOCITY_FPM = 250.0
SOFTWOOD_SPEED = {True: 1.5, False: 2.1}  # sapwood permeable, or not
MAX_START_MC_PCT = 250.0
_D_FSP = float(np.exp(B * (FSP - 0.20)))
_U_FSP = _D_FSP / B
_GAMMA = 1 - np.sqrt(0.5)
_RATIO = (1 - _GAMMA) / _GAMMA
_TOLERANCE = 5e-5  # last Newton step in moisture; what is left is its square


class DryingFailed(ArithmeticError):
    """The moisture equations did not close; the figures would be wrong, so none are given."""


def speed_factor(species: Species) -> float:
    """Speed factor f of a species; one without its own: hardwoods from weight, softwoods by kind.

    Notes
    -----
    Hardwoods f = exp[-2.6 (G - 0.54)]: lighter wood lets moisture through faster. Softwoods 1.5 where the sapwood
    is permeable, 2.1 otherwise: weight explains nothing among them. Fitted to the green kiln times of FPL Technical
    Note 233 (memory). Each wood left out in turn, the estimate misses its time by 17 % in the median for hardwoods
    and 37 % for softwoods; DEVELOPERS.md has the table.
    """
    if species.speed_listed or species.speed_factor != 1.0:
        return species.speed_factor
    if species.group == "softwood":
        return SOFTWOOD_SPEED[species.permeable_sapwood]
    return math.exp(-2.6 * (species.specific_gravity_green - 0.54))


class Boards:
    """Rows of boards, each with its own thickness, speed and moisture, drying at its own temperature and EMC.

    Parameters
    ----------
    thickness_m : array (rows)
        Full thickness [m].
    start : array (rows)
        Moisture at the start [fraction of oven-dry weight], even through the thickness.
    speed : array (rows)
        Speed factor f [-], multiplying both D and S.
    free_slope : array (rows)
        0.02 for most wood, 1.0 for permeable sapwood.
    velocity : float
        Air speed over the reference air speed [-].
    cells : int
        Cells from centre to face, finest at the face.
    """

    def __init__(
        self,
        thickness_m: Array,
        start: Array,
        speed: Array,
        free_slope: Array,
        velocity: float = 1.0,
        cells: int = CELLS,
    ) -> None:
        half = np.asarray(thickness_m, float) / 2
        rows = len(half)
        edge = half[:, None] * np.sin(np.linspace(0, 1, cells + 1)) / np.sin(1)  # finest at the face
        self.half = half
        self.width = np.diff(edge, axis=1)
        self.centre = (edge[:, 1:] + edge[:, :-1]) / 2
        gap = np.diff(np.concatenate([self.centre, half[:, None]], axis=1), axis=1)
        self.coupling = 1 / gap  # cell to cell, the last one to the face
        self.speed, self.free, self.velocity = (
            np.asarray(speed, float),
            np.asarray(free_slope, float),
            velocity,
        )
        self._above = (_D_FSP * self.free)[:, None]
        self.moisture = np.repeat(np.asarray(start, float)[:, None], cells, axis=1)
        self.u = self._u(np.concatenate([self.moisture, self.moisture[:, -1:]], axis=1))
        off = np.zeros((rows, cells + 1))  # zero between one board and the next
        off[:, :-1] = -self.coupling
        self._off = off.ravel()[:-1]
        self._diagonal = np.zeros((rows, cells + 1))
        self._diagonal[:, :-1] += self.coupling
        self._diagonal[:, 1:] += self.coupling
        self.iterations = 0

    def _u(self, m: Array) -> Array:
        below = np.exp(B * (np.minimum(m, FSP) - 0.20)) / B
        return np.asarray(below + self._above * np.maximum(m - FSP, 0.0))

    def _solve(self, base: Array, weight: Array, film: Array, emc: Array, u: Array) -> tuple[Array, Array]:
        """One implicit stage: weight (M(u) - base) + divergence = 0. Returns u and the flux out of each cell."""
        above, coupling, off = self._above, self.coupling, self._off
        dry_base = FSP - _U_FSP / above  # moisture at u = 0 on the line above fibre saturation
        residual = np.empty_like(u)
        diagonal = np.empty_like(u)
        for _ in range(60):
            wet = u >= _U_FSP
            scaled = B * u
            m = np.where(wet, dry_base + u / above, 0.20 + np.log(scaled) / B)
            slope = 1 / np.where(wet, above, scaled)  # dM/du
            flux = coupling * (u[:, :-1] - u[:, 1:])
            np.subtract(base, m[:, :-1], out=residual[:, :-1])
            residual[:, :-1] *= weight
            residual[:, :-1] -= flux
            residual[:, 1:-1] += flux[:, :-1]
            face, face_slope = m[:, -1], slope[:, -1]
            if wet[:, -1].any():  # there the drive counts, not the moisture
                face = np.where(wet[:, -1], FSP + (u[:, -1] - _U_FSP) / _D_FSP, face)
                face_slope = np.where(wet[:, -1], 1 / _D_FSP, face_slope)
            residual[:, -1] = flux[:, -1] - film * (face - emc)
            np.multiply(weight, slope[:, :-1], out=diagonal[:, :-1])
            diagonal[:, -1] = film * face_slope
            diagonal += self._diagonal
            _, _, change, info = dptsv(diagonal.ravel(), off, residual.ravel(), overwrite_d=True)
            if info:
                raise DryingFailed("the moisture equations have no solution for this step")
            step = change.reshape(u.shape)
            u = np.maximum(u + step, 0.2 * u)
            step *= slope
            self.iterations += 1
            if np.abs(step).max() < _TOLERANCE:
                return u, coupling * (u[:, :-1] - u[:, 1:])
        raise DryingFailed("the moisture equations did not close in 60 iterations")

    def advance(self, temp_c: Array, emc: Array, seconds: Array, near: Advance | None = None) -> Advance:
        """Try one step of `seconds` at `temp_c` [°C] and `emc` [fraction], all by row. Nothing is kept yet.

        `near` is an earlier try of the same step in other air: a good place to start from.
        """
        k = 1 / (temp_c + 273.15) - 1 / 316.15
        d = self.speed * D43 * np.exp(-5280 * k)
        film = self.velocity**0.7 * S43 / D43 * np.exp((5280 - 2890) * k)  # S over D, free of f
        stage = _GAMMA * seconds * d
        weight = self.width / stage[:, None]
        u1, flux1 = self._solve(self.moisture, weight, film, emc, near.u1 if near else self.u)
        flux1[:, 1:] -= flux1[:, :-1].copy()  # now the loss of each cell
        change = flux1 / weight
        base = self.moisture - _RATIO * change
        u2, flux2 = self._solve(base, weight, film, emc, near.u if near else u1)
        out = flux2[:, -1].copy()
        flux2[:, 1:] -= flux2[:, :-1].copy()
        out = stage * (_RATIO * flux1.sum(axis=1) + out) / self.half
        moisture = base - flux2 / weight
        if moisture.min() < 0:
            raise DryingFailed("the step is too long for how fast the boards change")
        return Advance(moisture, u1, u2, out)

    def keep(self, step: Advance, rows: Any = slice(None)) -> None:
        """Accept a step for some rows."""
        self.moisture[rows] = step.moisture[rows]
        self.u[rows] = step.u[rows]


class Advance:
    """A step not yet accepted: moisture and u at its end, and the moisture that left [fraction of dry weight]."""

    __slots__ = ("left", "moisture", "u", "u1")

    def __init__(self, moisture: Array, u1: Array, u: Array, left: Array) -> None:
        self.moisture, self.u1, self.u, self.left = moisture, u1, u, left
