"""Moisture inside timbers as they dry: the equations of `drying` across a rectangular section, many at once.

    dM/dt = d/dx [ D dphi/dx ] + d/dy [ D dphi/dy ],   the same D, phi and face film on all four sides

A quarter of the section is solved, by symmetry; ends are left out. As in `drying` the unknown is u, the integral
of D over phi: the matrix is symmetric and positive and Newton's method needs no damping. Both directions are
solved together, so there is no splitting error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg.lapack import dpbsv

from kilnshop.science.drying import CELLS as BOARD_CELLS
from kilnshop.science.drying import D43, FSP, S43, Advance, Array, B, Boards, DryingFailed

TIMBER_FROM_IN = 2.5  # thinner stock dries as a wide board
CELLS = 10
_D_FSP = float(np.exp(B * (FSP - 0.20)))  # over D at 20 % MC
_U_FSP = _D_FSP / B
_GAMMA = 1 - np.sqrt(0.5)  # two implicit stages of second order
_RATIO = (1 - _GAMMA) / _GAMMA
_TOLERANCE = 5e-5  # last Newton step in moisture; what is left is its square


class Sections:
    """Rows of timbers, each with its own section, speed and moisture, drying at its own temperature and EMC.

    Parameters
    ----------
    thickness_m, width_m : array (rows)
        The two sides of the section [m]; depths count from the wider face.
    start, speed, free_slope, velocity
        As for `Boards`.
    cells : int
        Cells from centre to face each way, finest at the faces. `moisture` holds them in rows along the depth,
        the row at mid-width first.
    """

    def __init__(
        self,
        thickness_m: Array,
        width_m: Array,
        start: Array,
        speed: Array,
        free_slope: Array,
        velocity: float = 1.0,
        cells: int = CELLS,
    ) -> None:
        sides = np.stack([np.asarray(thickness_m, float), np.asarray(width_m, float)]) / 2
        self.half = sides.min(axis=0)
        rows, n = len(self.half), cells
        fractions = np.sin(np.linspace(0, 1, n + 1) * np.pi / 2)
        centres = (fractions[1:] + fractions[:-1]) / 2
        gaps = np.diff(np.append(centres, 1.0))
        across, along = self.half[:, None, None], sides.max(axis=0)[:, None, None]
        self._depth = across * np.diff(fractions)[None, None, :]
        self._width = along * np.diff(fractions)[None, :, None]
        self.centre = self.half[:, None] * centres
        self.area = self._width * self._depth
        self.share = (self.area / (across * along)).reshape(rows, n * n)
        self._across = self._width / (across * gaps[None, None, :])
        self._along = self._depth / (along * gaps[None, :, None])
        self.speed, self.velocity, self.cells = np.asarray(speed, float), velocity, n
        self._above = (_D_FSP * np.asarray(free_slope, float))[:, None, None]
        self.moisture = np.repeat(np.asarray(start, float)[:, None], n * n, axis=1)
        even = np.asarray(start, float)[:, None, None] * np.ones((1, n + 1, n + 1))
        below = np.exp(B * (np.minimum(even, FSP) - 0.20)) / B
        self.u = np.asarray(below + self._above * np.maximum(even - FSP, 0.0))
        # band matrix, lower half: the diagonal, the next cell in depth, the next row in width
        bands = np.zeros((n + 2, rows, n + 1, n + 1))
        bands[0, :, :n, :-1] += self._across
        bands[0, :, :n, 1:] += self._across
        bands[0, :, :-1, :n] += self._along
        bands[0, :, 1:, :n] += self._along
        bands[0, :, n, n] = 1.0  # the corner is no cell
        bands[1, :, :n, :-1] = -self._across
        bands[n + 1, :, :-1, :n] = -self._along
        self._bands = np.asfortranarray(bands.reshape(n + 2, -1))

    def _solve(
        self, base: Array, weight: Array, film: Array, emc: Array, u: Array
    ) -> tuple[Array, Array, Array]:
        """One implicit stage: weight (M(u) - base) + divergence = 0. Returns u and the fluxes in depth and width."""
        n, above, across, along = self.cells, self._above, self._across, self._along
        faces = np.zeros_like(u)
        faces[:, :n, n] = film * self._width[:, :, 0]
        faces[:, n, :n] = film * self._depth[:, 0, :]
        still = self._bands[0].reshape(u.shape)
        for _ in range(60):
            wet = u >= _U_FSP
            scaled = B * u
            m = np.where(wet, FSP + (u - _U_FSP) / above, 0.20 + np.log(scaled) / B)
            slope = np.where(wet, 1 / above, 1 / scaled)  # dM/du
            phi = np.where(wet, FSP + (u - _U_FSP) / _D_FSP, m)
            flow_across = across * (u[:, :n, :-1] - u[:, :n, 1:])
            flow_along = along * (u[:, :-1, :n] - u[:, 1:, :n])
            residual = -faces * (phi - emc)
            residual[:, :n, :n] += weight * (base - m[:, :n, :n]) - flow_across - flow_along
            residual[:, :n, 1:] += flow_across
            residual[:, 1:, :n] += flow_along
            diagonal = still + faces * np.where(wet, 1 / _D_FSP, slope)
            diagonal[:, :n, :n] += weight * slope[:, :n, :n]
            bands = self._bands.copy(order="F")
            bands[0] = diagonal.ravel()
            _, change, info = dpbsv(bands, residual.ravel(), lower=1, overwrite_ab=1, overwrite_b=1)
            if info:
                raise DryingFailed("the moisture equations of a timber have no solution for this step")
            step = change.reshape(u.shape)
            u = np.maximum(u + step, 0.2 * u)
            if np.abs(step * slope).max() < _TOLERANCE:
                return u, across * (u[:, :n, :-1] - u[:, :n, 1:]), along * (u[:, :-1, :n] - u[:, 1:, :n])
        raise DryingFailed("the moisture equations of a timber did not close in 60 iterations")

    def advance(self, temp_c: Array, emc: Array, seconds: Array, near: Advance | None = None) -> Advance:
        """Try one step, as `Boards.advance`."""
        rows, n = len(self.half), self.cells
        k = 1 / (temp_c + 273.15) - 1 / 316.15
        d = self.speed * D43 * np.exp(-5280 * k)
        film = (self.velocity**0.7 * S43 / D43 * np.exp((5280 - 2890) * k))[:, None]
        stage = (_GAMMA * seconds * d)[:, None, None]
        weight, air = self.area / stage, np.asarray(emc, float)[:, None, None]
        start = self.moisture.reshape(rows, n, n)
        total = self.area.sum(axis=(1, 2))

        def loss(flows: tuple[Array, Array]) -> Array:
            across, along = flows[0].copy(), flows[1].copy()
            across[:, :, 1:] -= flows[0][:, :, :-1]
            along[:, 1:] -= flows[1][:, :-1]
            return across + along

        def faces(flows: tuple[Array, Array]) -> Array:
            return np.asarray(flows[0][:, :, -1].sum(axis=1) + flows[1][:, -1].sum(axis=1))

        u1, *flows1 = self._solve(start, weight, film, air, near.u1 if near else self.u)
        first = (flows1[0], flows1[1])
        base = start - _RATIO * loss(first) / weight
        u2, *flows2 = self._solve(base, weight, film, air, near.u if near else u1)
        second = (flows2[0], flows2[1])
        moisture = base - loss(second) / weight
        if moisture.min() < 0:
            raise DryingFailed("the step is too long for how fast the timbers change")
        out = stage[:, 0, 0] * (_RATIO * faces(first) + faces(second)) / total
        return Advance(moisture.reshape(rows, n * n), u1, u2, out)

    def keep(self, step: Advance, rows: Any = slice(None)) -> None:
        """Accept a step for some rows."""
        self.moisture[rows] = step.moisture[rows]
        self.u[rows] = step.u[rows]

    def probe(self, depth_m: Array) -> Array:
        """Weights of the cells for the moisture `depth_m` [m] under the wide face at mid-width, by row."""
        weights = np.zeros_like(self.moisture)
        weights[:, : self.cells] = _between(self.centre, self.half - depth_m)
        return weights


def _between(centre: Array, at: Array) -> Array:
    """Weights that interpolate between cell centres, by row; the first and last cell reach to the ends."""
    inside = np.clip(at, centre[:, 0], centre[:, -1])[:, None]
    part = np.clip((inside - centre[:, :-1]) / np.diff(centre, axis=1), 0.0, 1.0)
    part = np.concatenate([np.ones_like(inside), part, np.zeros_like(inside)], axis=1)
    return np.asarray(part[:, :-1] - part[:, 1:])


class Stock:
    """The boards and timbers of a charge, one row each: as `Boards`, where `width_m` is nan, or as `Sections`.

    `share` weighs the cells of a row for its average moisture and `probe` for a depth; a charge without timbers
    is its `Boards` and nothing else.
    """

    def __init__(
        self,
        thickness_m: Array,
        width_m: Array,
        start: Array,
        speed: Array,
        free_slope: Array,
        velocity: float,
        cells: int = BOARD_CELLS,
    ) -> None:
        timber = np.isfinite(width_m)
        self._rows = len(timber)
        self._parts: list[tuple[Any, Boards | Sections]] = []
        if not timber.all():
            rows = np.flatnonzero(~timber) if timber.any() else slice(None)
            part = Boards(thickness_m[rows], start[rows], speed[rows], free_slope[rows], velocity, cells)
            self._parts.append((rows, part))
        if timber.any():
            rows = np.flatnonzero(timber)
            sizes = thickness_m[rows], width_m[rows]
            self._parts.append((rows, Sections(*sizes, start[rows], speed[rows], free_slope[rows], velocity)))
        self.moisture = self._join([part.moisture for _, part in self._parts])
        self.share = self._join(
            [p.share if isinstance(p, Sections) else p.width / p.half[:, None] for _, p in self._parts]
        )

    def _join(self, values: list[Array]) -> Array:
        """By row; the shorter rows padded with zeros."""
        if len(values) == 1:
            return values[0]
        joined = np.zeros((self._rows, max(value.shape[1] for value in values)))
        for (rows, _), value in zip(self._parts, values, strict=True):
            joined[rows, : value.shape[1]] = value
        return joined

    def probe(self, depth_m: Array) -> Array:
        """Weights of the cells for the moisture at a depth under the wide face [m], by row."""
        return self._join(
            [
                p.probe(depth_m[rows])
                if isinstance(p, Sections)
                else _between(p.centre, p.half - depth_m[rows])
                for rows, p in self._parts
            ]
        )

    def advance(self, temp_c: Array, emc: Array, seconds: Array, near: Step | None = None) -> Step:
        """Try one step of every row, as `Boards.advance`."""
        tries = [
            part.advance(temp_c[rows], emc[rows], seconds[rows], near.parts[i] if near else None)
            for i, (rows, part) in enumerate(self._parts)
        ]
        left = self._join([step.left[:, None] for step in tries])[:, 0]
        return Step(self._join([step.moisture for step in tries]), left, tries)

    def keep(self, step: Step, rows: Array) -> None:
        """Accept a step where `rows` is true."""
        for (mine, part), one in zip(self._parts, step.parts, strict=True):
            part.keep(one, rows[mine])
        self.moisture = self._join([part.moisture for _, part in self._parts])


@dataclass(frozen=True, slots=True)
class Step:
    """A step not yet accepted: moisture at its end, and the moisture that left [fraction of dry weight], by row."""

    moisture: Array
    left: Array
    parts: list[Advance]
