"""Electricity of a charge laid on the calendar: quarter hours, a tariff's periods, stages, peaks. No money."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from kilnshop.science.drying import Array
from kilnshop.science.estimate import Estimate

USERS = ("compressor", "fans", "heater")
QUARTER_S = 900  # the usual demand interval; zones differ from UTC by whole quarters
HEATED_WITHIN_F = 2.0
SUNDAY = 6
STAGE_NAMES = {
    "dry": "Drying",
    "equalize": "Equalizing",
    "condition": "Conditioning",
    "heat": "Heat treatment",
    "pitch": "Pitch setting",
}
SHIFTABLE = ("Heat-up", "Heat treatment", "Pitch setting")  # wet stock is never left without air


@dataclass(frozen=True)
class Draw:
    """Power of one charge [kW]; each step of the model is held until `hours` after `start`.

    Raises
    ------
    ValueError
        A start without zone, steps that do not run forward, or powers that do not match them.
    """

    start: dt.datetime
    hours: tuple[float, ...]
    compressor_kw: tuple[float, ...]
    fans_kw: tuple[float, ...]
    heater_kw: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.start.tzinfo is None:
            raise ValueError(f"start = {self.start} has no time zone")
        edges = (0.0, *self.hours)
        if not self.hours or any(not later > sooner for sooner, later in pairwise(edges)):
            raise ValueError("hours must rise from above 0 and hold at least one step")
        for user in USERS:
            power = getattr(self, f"{user}_kw")
            if len(power) != len(self.hours):
                raise ValueError(f"{user}_kw has {len(power)} values for {len(self.hours)} steps")
            worst = next((kw for kw in power if not (math.isfinite(kw) and kw >= 0)), None)
            if worst is not None:
                raise ValueError(f"{user}_kw = {worst:g} is not a power of 0 kW or more")

    @property
    def powers(self) -> Array:
        """kW, steps x users."""
        return np.array([self.compressor_kw, self.fans_kw, self.heater_kw]).T

    def used(self, at_h: Array) -> Array:
        """kWh by user from the start until each hour [times x users]."""
        edges = np.concatenate([[0.0], self.hours])
        summed = np.concatenate([np.zeros((1, 3)), np.cumsum(self.powers * np.diff(edges)[:, None], axis=0)])
        return np.stack([np.interp(at_h, edges, summed[:, user]) for user in range(3)], axis=1)


def draw_of(estimate: Estimate, start: dt.datetime) -> Draw:
    """The expected course of an estimate, begun at a moment."""
    return Draw(
        start,
        estimate.hours,
        estimate.power_compressor_kw,
        estimate.power_fans_kw,
        estimate.power_heater_kw,
    )


@dataclass(frozen=True)
class Quarters:
    """kWh by user in consecutive quarter hours; `first` counts them from the start of 1970, UTC."""

    first: int
    kwh: Array  # quarters x users

    @property
    def kw(self) -> Array:
        """Average demand in each quarter hour."""
        return np.asarray(self.kwh.sum(axis=1) * 4)


def quarters(draw: Draw) -> Quarters:
    """The draw by quarter hours of the clock.

    The model's steps are longer than a quarter hour, so a heater that switches on and off inside a step shows
    as its average: the true 15-minute peak lies between this and the sum of the plates.
    """
    begin = draw.start.timestamp()
    first = math.floor(begin / QUARTER_S)
    last = math.ceil((begin + draw.hours[-1] * 3600) / QUARTER_S)
    edges = (np.arange(first, last + 1) * QUARTER_S - begin) / 3600
    return Quarters(first, np.diff(draw.used(edges), axis=0))


def together(parts: Sequence[Quarters]) -> Quarters:
    """Several draws on one meter."""
    if not parts:
        return Quarters(0, np.zeros((0, 3)))
    first = min(part.first for part in parts)
    summed = np.zeros((max(part.first + len(part.kwh) for part in parts) - first, 3))
    for part in parts:
        summed[part.first - first : part.first - first + len(part.kwh)] += part.kwh
    return Quarters(first, summed)


@dataclass(frozen=True)
class Period:
    """Hours of a tariff. Months (1 to 12) and hours (0 to 24) may run over their end: November to February,
    22 to 6; the small hours then belong to the calendar day they fall on. Weekdays from Monday = 0."""

    name: str
    first_month: int
    last_month: int
    weekdays: frozenset[int]
    from_hour: int
    to_hour: int

    def __post_init__(self) -> None:
        for name, low, high in (
            ("first_month", 1, 12),
            ("last_month", 1, 12),
            ("from_hour", 0, 23),
            ("to_hour", 1, 24),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} of {self.name!r} = {value} is outside {low} to {high}")
        if self.from_hour == self.to_hour:
            raise ValueError(f"{self.name!r} begins and ends at {self.from_hour}:00, so it has no hours")
        if not self.weekdays or not self.weekdays <= set(range(7)):
            raise ValueError(f"weekdays of {self.name!r} = {sorted(self.weekdays)}; give some of 0 to 6")

    @property
    def months(self) -> frozenset[int]:
        count = (self.last_month - self.first_month) % 12 + 1
        return frozenset((self.first_month - 1 + n) % 12 + 1 for n in range(count))

    @property
    def hours(self) -> frozenset[int]:
        return frozenset((self.from_hour + n) % 24 for n in range((self.to_hour - self.from_hour) % 24 or 24))

    def holds(self, months: Array, weekdays: Array, hours: Array) -> Array:
        """Which moments fall in the period."""
        return np.asarray(
            np.isin(months, list(self.months))
            & np.isin(weekdays, list(self.weekdays))
            & np.isin(hours, list(self.hours))
        )


def overlap(periods: Sequence[Period]) -> str:
    """The first hour two periods both claim, in words; empty when none do."""
    for at, one in enumerate(periods):
        for other in periods[at + 1 :]:
            months, days = one.months & other.months, one.weekdays & other.weekdays
            hours = one.hours & other.hours
            if months and days and hours:
                when = dt.date(2024, 1, 1 + min(days))  # 1 January 2024 was a Monday
                month = dt.date(2024, min(months), 1)
                return (
                    f"{one.name} and {other.name} both hold on a {when:%A} in {month:%B} from "
                    f"{min(hours)}:00; an hour can have one price"
                )
    return ""


@dataclass(frozen=True)
class Clock:
    """Local month (counted from year 0), month of the year, weekday and hour of each quarter hour."""

    month: Array
    of_year: Array
    weekday: Array
    hour: Array


NO_DAYS: frozenset[dt.date] = frozenset()


@lru_cache(maxsize=32)
def clock(first: int, count: int, zone: dt.tzinfo, holidays: frozenset[dt.date] = NO_DAYS) -> Clock:
    """The wall clock of consecutive quarter hours; clock changes included. A holiday counts as a Sunday."""
    moments = [dt.datetime.fromtimestamp((first + n) * QUARTER_S, zone) for n in range(count)]
    of_year = np.array([m.month for m in moments], int)
    years = np.array([m.year for m in moments], int)
    return Clock(
        years * 12 + of_year - 1,
        of_year,
        np.array([SUNDAY if m.date() in holidays else m.weekday() for m in moments], int),
        np.array([m.hour for m in moments], int),
    )


def which_period(local: Clock, periods: Sequence[Period]) -> Array:
    """Number of the period of each quarter hour; len(periods) for all other hours."""
    found = np.full(len(local.hour), len(periods))
    for number, period in enumerate(periods):
        found[period.holds(local.of_year, local.weekday, local.hour)] = number
    return found


def by_period(
    drawn: Quarters, zone: dt.tzinfo, periods: Sequence[Period], holidays: frozenset[dt.date] = NO_DAYS
) -> tuple[float, ...]:
    """kWh in each period, and last in all other hours."""
    if not periods:
        return (float(drawn.kwh.sum()),)
    at = which_period(clock(drawn.first, len(drawn.kwh), zone, holidays), periods)
    total = drawn.kwh.sum(axis=1)
    return tuple(float(total[at == number].sum()) for number in range(len(periods) + 1))


def peaks(
    drawn: Quarters,
    zone: dt.tzinfo,
    only: Sequence[Period] | None = None,
    holidays: frozenset[dt.date] = NO_DAYS,
) -> dict[int, float]:
    """Highest 15-minute average [kW] of each calendar month (year x 12 + month - 1), in some periods or all."""
    local = clock(drawn.first, len(drawn.kwh), zone, holidays)
    kw = drawn.kw
    if only is not None:
        kw = np.where(which_period(local, only) < len(only), kw, 0.0)
    return {int(month): float(kw[local.month == month].max()) for month in np.unique(local.month)}


def billed_kw(peak_kw: float, month: int, known: dict[int, float], share: float, months: int) -> float:
    """Demand a bill counts: the month's peak, or a share of the highest of the `months` before it."""
    before = [known.get(month - back, 0.0) for back in range(1, months + 1)]
    return max(peak_kw, share * max(before, default=0.0))


@dataclass(frozen=True)
class StageKwh:
    """Electricity of one stage of the charge [kWh]; hours from the start."""

    name: str
    from_h: float
    to_h: float
    compressor: float
    fans: float
    heater: float

    @property
    def total(self) -> float:
        return self.compressor + self.fans + self.heater

    @property
    def length_h(self) -> float:
        return self.to_h - self.from_h

    @property
    def shiftable(self) -> bool:
        """Whether it can be put at another hour without leaving wet stock in still air."""
        return self.name in SHIFTABLE


def stages(estimate: Estimate) -> tuple[StageKwh, ...]:
    """Heat-up until the air is at the first step, then each run of steps of one kind."""
    first = estimate.steps[0]
    goal = first.dry_bulb_f - HEATED_WITHIN_F
    warm = next(
        (hour for hour, air in zip(estimate.hours, estimate.dry_bulb_f, strict=True) if air >= goal),
        first.hours,
    )
    edges = [("Heat-up", min(warm, first.hours))]
    end = 0.0
    for step in estimate.steps:
        end += step.hours
        name = STAGE_NAMES[step.kind]
        if edges[-1][0] == name:
            edges[-1] = (name, end)
        elif end > edges[-1][1]:
            edges.append((name, end))
    draw = draw_of(estimate, dt.datetime(2000, 1, 1, tzinfo=dt.UTC))
    ends = np.array([hour for _, hour in edges])
    used = np.diff(draw.used(np.concatenate([[0.0], ends])), axis=0)
    begins = [0.0, *ends[:-1]]
    return tuple(
        StageKwh(name, float(begin), float(finish), *(float(x) for x in kwh))
        for (name, finish), begin, kwh in zip(edges, begins, used, strict=True)
    )
