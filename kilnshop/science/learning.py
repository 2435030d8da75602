"""What a shop's finished charges teach: speed of its wood and chambers, removal of its units, loss of its walls.

Every figure is a published prior times exp(sum of effects). An effect belongs to a wood, a wood in a thickness
class, or a chamber, and is small until charges say otherwise:

    effect ~ Normal(0, sd_effect²),   ln(seen / published) ~ Normal(sum of effects, (sigma² + noise²) / weight)

noise is what one observation owes to its own start moisture, thickness and last reading; sigma is what one charge
differs from the next, itself learned from how far the charges lie from the fit.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kilnshop.science.drying import MAX_START_MC_PCT, Array
from kilnshop.science.psychro import check_range
from kilnshop.science.section import Stock

BAND_Z = 1.28  # 80 %
SIGMA_LN = 0.15  # charge to charge, same wood, before the shop's own charges say
TAU_LN = {True: 0.25, False: 0.35}  # all that is unknown of a speed factor: listed, not listed
AIR_DRIED = "air-dried start"
AIR_DRIED_PCT = 25.0
AIR_DRIED_SD_LN = (
    0.4  # of wood starting at that or below, on top; as wide as four in five published rows need
)
CHAMBER_SD_LN = 0.15  # the part of it that is the chamber's, shared by all woods
CLASS_SD_LN = 0.10  # the part that is the thickness class's within a wood
MACHINE_SD_LN = 0.30  # removal of a unit, heat loss of a chamber
MACHINE_SIGMA_LN = 0.12
SIGMA_SPREAD_LN = 0.35  # how far a shop's own sigma may lie from these, ln
CLASSES = ((1.5, "to 1 1/2 in"), (2.5, "to 2 1/2 in"), (math.inf, "over 2 1/2 in"))
STEPS = 80  # of a logged charge
FINAL_SD_PCT = 0.4  # of the last moisture reading, average of the probes
MOST_LN = 1.6  # a speed factor five times off is a mistake in the record

Effects = tuple[tuple[str, float], ...]


def thickness_class(thickness_in: float) -> str:
    """The class a thickness [in] is learned in."""
    check_range("thickness_in", thickness_in, 0.2, 16.0, "in")
    return next(name for most, name in CLASSES if thickness_in <= most)


def speed_effects(
    species: str, listed: bool, thickness_in: float, chamber: str, start_mc_pct: float
) -> Effects:
    """The effects on the speed of a wood in a chamber.

    The squares of wood, class and chamber add up to TAU_LN squared. Air-dried starts have one more, shared by all
    woods: the published periods from 20 % are longer than the bare steps by much the same for every wood.
    """
    rest = math.sqrt(TAU_LN[listed] ** 2 - CHAMBER_SD_LN**2 - CLASS_SD_LN**2)
    air_dried = ((AIR_DRIED, AIR_DRIED_SD_LN),) if start_mc_pct <= AIR_DRIED_PCT else ()
    return (
        (f"wood {species}", rest),
        (f"class {species} {thickness_class(thickness_in)}", CLASS_SD_LN),
        *air_dried,
        (f"chamber {chamber}", CHAMBER_SD_LN),
    )


def machine_effects(chamber: str) -> Effects:
    """The one effect on a chamber's removal or heat loss."""
    return ((f"chamber {chamber}", MACHINE_SD_LN),)


@dataclass(frozen=True)
class Evidence:
    """One finished lot or charge against the published figure."""

    name: str
    effects: Effects
    ln_ratio: float  # ln(seen / published)
    noise_ln: float = 0.0
    weight: float = 1.0  # of a whole observation

    def __post_init__(self) -> None:
        check_range(f"ln_ratio of {self.name}", self.ln_ratio, -3.0, 3.0, "")
        check_range(f"noise_ln of {self.name}", self.noise_ln, 0.0, 3.0, "")
        check_range(f"weight of {self.name}", self.weight, 0.01, 1.0, "")


@dataclass(frozen=True)
class Figure:
    """What is known of one figure, as a multiple of the published one."""

    mean_ln: float
    sd_ln: float  # of the figure, not of the next charge
    prior_sd_ln: float
    sigma_ln: float  # one charge to the next
    count: int = 0  # pieces of evidence of this wood in this chamber, or of this machine

    @property
    def multiple(self) -> float:
        return math.exp(self.mean_ln)

    @property
    def band(self) -> tuple[float, float]:
        """80 %."""
        return math.exp(self.mean_ln - BAND_Z * self.sd_ln), math.exp(self.mean_ln + BAND_Z * self.sd_ln)

    @property
    def next_sd_ln(self) -> float:
        """Standard deviation of ln for the next charge."""
        return math.hypot(self.sd_ln, self.sigma_ln)


@dataclass(frozen=True)
class Learned:
    """The effects seen so far, together."""

    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    sigma_ln: float
    counts: dict[str, int]  # of evidence, by wood and chamber

    def figure(self, effects: Effects) -> Figure:
        """What is known of a figure made of these effects; one never seen keeps its prior."""
        at = {name: i for i, name in enumerate(self.names)}
        seen = [at[name] for name, _ in effects if name in at]
        unseen = sum(sd**2 for name, sd in effects if name not in at)
        variance = unseen + sum(self.covariance[i][j] for i in seen for j in seen)
        return Figure(
            sum(self.mean[i] for i in seen),
            math.sqrt(max(variance, 0.0)),
            math.sqrt(sum(sd**2 for _, sd in effects)),
            self.sigma_ln,
            self.counts.get(_pair(effects), 0),
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain, JSON-safe."""
        return {
            "names": list(self.names),
            "mean": [round(value, 6) for value in self.mean],
            "covariance": [[float(f"{value:.5g}") for value in row] for row in self.covariance],
            "sigma_ln": round(self.sigma_ln, 5),
            "counts": self.counts,
        }

    @staticmethod
    def from_dict(plain: dict[str, Any]) -> Learned:
        return Learned(
            tuple(plain["names"]),
            tuple(plain["mean"]),
            tuple(tuple(row) for row in plain["covariance"]),
            plain["sigma_ln"],
            plain["counts"],
        )


def _pair(effects: Effects) -> str:
    return f"{effects[0][0]}, {effects[-1][0]}"


def fit(evidence: Sequence[Evidence], sigma_ln: float = SIGMA_LN) -> Learned:
    """Shrink the evidence toward the published figures.

    Parameters
    ----------
    evidence : sequence of Evidence
        None is enough: then nothing is learned.
    sigma_ln : float
        Charge-to-charge spread to start from [-], 0.02 to 1.

    Returns
    -------
    Learned
        Posterior mean and covariance of the effects, and the shop's own sigma.

    Raises
    ------
    ValueError
        Evidence or sigma_ln out of range, or one effect with two priors.

    Notes
    -----
    Normal-normal hierarchical model, solved exactly for the effects. sigma is averaged over a grid with a
    lognormal prior about `sigma_ln` (sd 0.35), weighted by the marginal likelihood.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., ch. 5 and 14.
    """
    check_range("sigma_ln", sigma_ln, 0.02, 1.0, "")
    prior: dict[str, float] = {}
    for one in evidence:
        for name, sd in one.effects:
            if prior.setdefault(name, sd) != sd:
                raise ValueError(f"effects of {one.name}: {name!r} has sd {sd:g}, before {prior[name]:g}")
    names = tuple(prior)
    if not names:
        return Learned((), (), (), sigma_ln, {})
    at = {name: i for i, name in enumerate(names)}
    design = np.zeros((len(evidence), len(names)))
    for row, one in enumerate(evidence):
        for name, _ in one.effects:
            design[row, at[name]] = 1.0
    y = np.array([one.ln_ratio for one in evidence])
    noise = np.array([one.noise_ln for one in evidence])
    weight = np.array([one.weight for one in evidence])
    shrink = np.diag([1 / prior[name] ** 2 for name in names])
    grid = sigma_ln * np.exp(SIGMA_SPREAD_LN * np.linspace(-2.5, 2.5, 21))
    scores = []
    for sigma in grid:
        mean, precision, trust = _solve(design, y, (sigma**2 + noise**2) / weight, shrink)
        misfit = float(trust @ (y - design @ mean) ** 2 + mean @ shrink @ mean)
        log_det = float(np.linalg.slogdet(precision)[1]) - float(np.log(trust).sum())
        scores.append(-0.5 * (misfit + log_det + (math.log(sigma / sigma_ln) / SIGMA_SPREAD_LN) ** 2))
    share = np.exp(np.array(scores) - max(scores))
    own = math.sqrt(float(share @ grid**2 / share.sum()))
    mean, precision, _ = _solve(design, y, (own**2 + noise**2) / weight, shrink)
    covariance = np.linalg.inv(precision)
    rows = tuple(tuple(row) for row in covariance.tolist())
    counts = dict(Counter(_pair(one.effects) for one in evidence))
    return Learned(names, tuple(mean.tolist()), rows, own, counts)


def _solve(design: Array, y: Array, variance: Array, shrink: Array) -> tuple[Array, Array, Array]:
    trust = 1 / variance
    precision = shrink + (design.T * trust) @ design
    return np.linalg.solve(precision, design.T @ (trust * y)), precision, trust


@dataclass(frozen=True)
class Dried:
    """A lot that was dried, with the air it was dried in. Moisture in percent, hours from the start."""

    name: str
    thickness_in: float
    start_mc_pct: float
    start_sd_pct: float
    final_mc_pct: float  # at the last of `hours`
    speed: float  # published factor
    free_slope: float
    hours: tuple[float, ...]  # ends of the stretches of air below; rising
    temp_c: tuple[float, ...]
    emc_pct: tuple[float, ...]
    width_in: float | None = None  # of a timber
    thickness_sd_in: float = 1 / 32
    velocity: float = 1.0  # over the reference

    def __post_init__(self) -> None:
        where = f" of {self.name}"
        for name, low, high, unit in (
            ("thickness_in", 0.2, 16.0, "in"),
            ("start_mc_pct", 3.0, MAX_START_MC_PCT, "%"),
            ("final_mc_pct", 2.0, MAX_START_MC_PCT, "%"),
            ("speed", 0.05, 20.0, ""),
        ):
            check_range(name + where, getattr(self, name), low, high, unit)
        if not len(self.hours) == len(self.temp_c) == len(self.emc_pct) > 0:
            raise ValueError(f"hours{where}: {len(self.hours)} stretches for {len(self.temp_c)} temperatures")
        if self.hours[0] <= 0 or any(b <= a for a, b in zip(self.hours, self.hours[1:], strict=False)):
            raise ValueError(f"hours{where} do not rise from 0")
        if self.final_mc_pct >= self.start_mc_pct:
            raise ValueError(
                f"final_mc_pct{where} = {self.final_mc_pct:g} is not below the start {self.start_mc_pct:g}"
            )


def speeds_seen(dried: Sequence[Dried]) -> list[tuple[float, float] | None]:
    """ln(speed seen / published) of each lot and its own noise, from the air it was really dried in.

    Returns
    -------
    list of (ln_ratio, noise_ln) or None
        None where no speed from a fifth to five times the published one ends at the measured moisture: the air
        log, the start or the last reading cannot be right.

    Notes
    -----
    The drying model is run through the logged air; the speed factor that ends at the measured moisture is found
    by secants. noise_ln adds in squares what one standard deviation of start, thickness and last reading does.
    """
    if not dried:
        return []
    air = [_even(one) for one in dried]
    seconds = np.array([one.hours[-1] * 3600 / STEPS for one in dried])
    temp, emc = np.array([a[0] for a in air]), np.array([a[1] for a in air])
    start = np.array([one.start_mc_pct for one in dried]) / 100
    final = np.array([one.final_mc_pct for one in dried]) / 100
    inches = np.array([one.thickness_in for one in dried])
    speed = np.array([one.speed for one in dried])
    slope = np.array([one.free_slope for one in dried])
    velocity = np.array([one.velocity for one in dried])
    width = np.array([one.width_in or math.nan for one in dried])

    def ends(ln_speed: Array, begin: Array, thick: Array, asked: Array | bool = True) -> Array:
        out = np.zeros(len(dried))
        for v in np.unique(velocity[np.broadcast_to(asked, len(dried))]):
            rows = (velocity == v) & asked
            sides = thick[rows] * 0.0254, width[rows] * 0.0254
            stock = Stock(*sides, begin[rows], speed[rows] * np.exp(ln_speed[rows]), slope[rows], float(v))
            every = np.ones(int(rows.sum()), bool)
            for step in range(STEPS):
                stock.keep(stock.advance(temp[rows, step], emc[rows, step], seconds[rows]), every)
            out[rows] = (stock.moisture * stock.share).sum(axis=1)
        return out

    low, high = np.full(len(dried), -MOST_LN), np.full(len(dried), MOST_LN)
    at = np.zeros(len(dried))
    miss = ends(at, start, inches) - final
    rate = np.full(len(dried), -0.12)  # of moisture against ln speed
    for _ in range(12):
        off = np.abs(miss) >= 5e-5
        if not off.any():
            break
        low, high = (
            np.where(miss > 0, np.maximum(low, at), low),
            np.where(miss < 0, np.minimum(high, at), high),
        )
        proposed = at - miss / rate
        inside = (proposed > low) & (proposed < high)
        new = np.where(inside, proposed, (low + high) / 2)
        before, at = at, np.where(off, new, at)
        miss_now = np.where(off, ends(at, start, inches, off) - final, miss)
        with np.errstate(divide="ignore", invalid="ignore"):
            found = (miss_now - miss) / (at - before)
        rate = np.where(np.isfinite(found) & (found < -1e-4), found, rate)
        miss = miss_now
    here = miss + final
    nudged = (ends(at + 0.05, start, inches) - here) / 0.05
    sd_start = np.array([one.start_sd_pct for one in dried]) / 100
    sd_thick = np.array([one.thickness_sd_in for one in dried])
    wetter = ends(at, start + sd_start, inches) - here
    thicker = ends(at, start, inches + sd_thick) - here
    noise = np.sqrt(wetter**2 + thicker**2 + (FINAL_SD_PCT / 100) ** 2) / np.maximum(-nudged, 1e-6)
    usable = (np.abs(miss) < 1e-3) & (np.abs(at) < MOST_LN - 0.01) & (noise < 1.0)
    return [(float(a), float(n)) if ok else None for a, n, ok in zip(at, noise, usable, strict=True)]


def _even(one: Dried) -> tuple[Array, Array]:
    """Temperature [°C] and EMC [fraction] on STEPS equal stretches, averaged over time."""
    edges = np.concatenate([[0.0], one.hours])
    wanted = np.linspace(0.0, one.hours[-1], STEPS + 1)
    length = np.diff(edges)

    def mean(values: tuple[float, ...]) -> Array:
        total = np.concatenate([[0.0], np.cumsum(np.array(values) * length)])
        return np.asarray(np.diff(np.interp(wanted, edges, total)) / np.diff(wanted))

    return mean(one.temp_c), mean(one.emc_pct) / 100
