"""Heat treatments: what each asks for, and whether a log of temperatures shows that it was done."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise

from kilnshop.science.species import read_table

MAX_GAP_MINUTES = 5.0  # a reading at least every 5 minutes: USDA APHIS PPQ T314 monitoring rules (seen)
PLAUSIBLE_F = (-60.0, 400.0)  # a broken probe reads outside this; such a reading counts as missing
MEASURED_AT = ("core", "chamber air")
Rows = list[tuple[datetime, dict[str, float | None]]]


@dataclass(frozen=True)
class Treatment:
    """A heat treatment. A limit or time of None means none is published, so no log can show it."""

    key: str
    name: str
    purpose: str
    measured_at: str
    min_temperature_f: float | None
    min_continuous_minutes: float | None
    checkable: bool
    needs_agency: bool = False
    min_channels: int = 1
    also_needs: str = ""
    standard: str = ""
    note: str = ""
    source: str = ""
    provenance: str = ""

    def __post_init__(self) -> None:
        if self.measured_at not in MEASURED_AT:
            raise ValueError(f"measured_at {self.measured_at!r} is not one of {', '.join(MEASURED_AT)}")
        limit, minutes = self.min_temperature_f, self.min_continuous_minutes
        if limit is not None and not 90 <= limit <= 250:
            raise ValueError(f"min_temperature_f {limit} is outside 90 to 250 °F")
        if minutes is not None and not 1 <= minutes <= 20_000:
            raise ValueError(f"min_continuous_minutes {minutes} is outside 1 to 20000")
        if not 1 <= self.min_channels <= 50:
            raise ValueError(f"min_channels {self.min_channels} is outside 1 to 50")
        if self.checkable and (limit is None or minutes is None):
            raise ValueError(f"treatment {self.key!r} needs a temperature and a time to be checkable")

    @property
    def is_core(self) -> bool:
        """Measured inside the wood; an air reading never shows it."""
        return self.measured_at == "core"

    @property
    def is_pitch(self) -> bool:
        """Setting pitch: told by the highest temperature held, never as free of pitch."""
        return self.key.startswith("pitch")

    @property
    def criterion(self) -> str:
        """In words, such as "core at or above 132.8 °F (56 °C) for 30 min without a break"."""
        return self.criterion_in(metric=False)

    def criterion_in(self, *, metric: bool) -> str:
        """The criterion with the unit that is asked for first."""
        if self.min_temperature_f is None:
            return "no temperature criterion"
        where = f"{self.measured_at} at or above {both_words(self.min_temperature_f, metric)}"
        if self.min_continuous_minutes is None:
            return f"{where}, no time published"
        return f"{where} for {self.min_continuous_minutes:g} min without a break"


@dataclass(frozen=True)
class Interval:
    """An unbroken time in which every required channel was at the limit or above."""

    start: datetime
    end: datetime
    minutes: float
    lowest_f: float


@dataclass(frozen=True)
class Held:
    """The highest whole degree [°F or °C] that every channel held for `minutes` without a break."""

    degrees: int
    minutes: float
    start: datetime
    end: datetime


@dataclass(frozen=True)
class HeatVerdict:
    """What a log shows. `lowest_f` is the coldest required reading inside the longest interval."""

    verdict: str  # "met", "not met", "not recorded"
    longest_minutes: float
    lowest_f: float | None
    start: datetime | None
    end: datetime | None
    reasons: tuple[str, ...]
    intervals: tuple[Interval, ...] = ()  # in order of time

    @property
    def met(self) -> bool:
        """Whether the log shows the criterion."""
        return self.verdict == "met"


def exact(value: float) -> str:
    """To 0.0001 without needless zeros, so that a cold reading is never printed as the limit."""
    return f"{value:.4f}".rstrip("0").rstrip(".")


def temp_words(value_f: float, metric: bool = False) -> str:
    """A logged temperature [°F] in the unit asked for."""
    return f"{exact((value_f - 32) / 1.8)} °C" if metric else f"{exact(value_f)} °F"


def both_words(value_f: float, metric: bool = False) -> str:
    """A limit [°F] in both units, the one asked for first; the other to a tenth."""
    other = f"{value_f:.1f} °F" if metric else f"{(value_f - 32) / 1.8:.1f} °C"
    return f"{temp_words(value_f, metric)} ({other.replace('.0 ', ' ')})"


def _limit_f(row: dict[str, str]) -> float | None:
    if row["limit_unit"] == "C":  # 56 °C is 132.8 °F, though often printed 133
        return round(float(row["min_temperature_c"]) * 1.8 + 32, 4)
    return float(row["min_temperature_f"]) if row["min_temperature_f"] else None


@cache
def all_treatments() -> tuple[Treatment, ...]:
    """Every published treatment, rule and caution of the table, in its order."""
    return tuple(
        Treatment(
            key=row["key"],
            name=row["name"],
            purpose=row["purpose"],
            measured_at=row["measured_at"],
            min_temperature_f=_limit_f(row),
            min_continuous_minutes=(
                float(row["min_continuous_minutes"]) if row["min_continuous_minutes"] else None
            ),
            checkable=row["checkable"] == "yes",
            needs_agency=row["needs_agency"] == "yes",
            min_channels=int(row["min_channels"]),
            also_needs=row["also_needs"],
            standard=row["standard"],
            note=row["note"],
            source=row["source"],
            provenance=row["provenance"],
        )
        for row in read_table("heat_treatments")
    )


def find(key: str) -> Treatment:
    """The treatment of a key, in any case.

    Raises
    ------
    ValueError
        No such treatment; the message lists those a log can be judged by.
    """
    wanted = key.strip().lower()
    for treatment in all_treatments():
        if treatment.key == wanted:
            return treatment
    allowed = ", ".join(t.key for t in all_treatments() if t.checkable)
    raise ValueError(f"treatment {key!r} is not known; those a log can be judged by are {allowed}")


def _reading(value: float | None) -> float | None:
    if value is None or not math.isfinite(value) or not PLAUSIBLE_F[0] <= value <= PLAUSIBLE_F[1]:
        return None
    return round(value, 4)  # so that 56 °C, converted, equals its limit


def _rows(times: Sequence[datetime], channels: Mapping[str, Sequence[float | None]]) -> Rows:
    """Readings in order of time; rows of one moment are joined, the colder of two readings kept."""
    aware = {t.tzinfo is not None and t.utcoffset() is not None for t in times}
    if len(aware) > 1:
        raise ValueError("times mixes times with and without a time zone; give all of them one")
    joined: dict[datetime, dict[str, float | None]] = {}
    for index, time in enumerate(times):
        moment = time.astimezone(UTC) if True in aware else time
        row = joined.setdefault(moment, dict.fromkeys(channels))
        for name, values in channels.items():
            value, before = _reading(values[index]), row[name]
            row[name] = value if before is None else before if value is None else min(before, value)
    return sorted(joined.items(), key=lambda item: item[0])


def judge(
    treatment: Treatment,
    times: Sequence[datetime],
    channels: Mapping[str, Sequence[float | None]],
    *,
    max_gap_minutes: float = MAX_GAP_MINUTES,
    metric: bool = False,
) -> HeatVerdict:
    """Whether a log shows that a treatment was done.

    Parameters
    ----------
    treatment : Treatment
        Published or the shop's own.
    times : sequence of datetime
        Moments of the readings, in any order; all with a time zone or all without.
    channels : mapping of name to sequence
        Every required channel, [°F] or None where missing, one value per time: core probes for a core
        treatment, air sensors for an air one. Never mix them.
    max_gap_minutes : float
        Longest time between two readings that still counts as watched [min], above 0 to 60.
    metric : bool
        Reasons in °C instead of °F; the judgement is the same.

    Returns
    -------
    HeatVerdict
        "met" only where every channel was read at or above the limit, reading after reading, for the whole
        time; the interval runs from its first to its last such reading. "not recorded" where there is nothing
        to judge.

    Raises
    ------
    ValueError
        Channels of another length than times, mixed time zones, or a gap out of range.

    Notes
    -----
    Compared to 0.0001 °F, so 56 °C logged equals the limit of 132.8 °F. A missing or implausible reading
    (outside -60 to 400 °F), a cold one, or a longer gap starts the clock again.

    References
    ----------
    ISPM 15 Annex 1: 56 °C for 30 continuous minutes through the whole profile including the core.
    USDA APHIS PPQ T314 protocol: a reading at least every 5 minutes.
    """
    if not 0 < max_gap_minutes <= 60:
        raise ValueError(f"max_gap_minutes {max_gap_minutes} is outside 0 to 60 min")
    for name, values in channels.items():
        if len(values) != len(times):
            raise ValueError(f"channel {name!r} has {len(values)} values for {len(times)} times")
    limit, needed = treatment.min_temperature_f, treatment.min_continuous_minutes
    if not treatment.checkable or limit is None or needed is None:
        return _nothing(treatment, f"{treatment.name} has no temperature and time that a log can show.")
    kind = "core" if treatment.is_core else "air"
    if len(channels) < treatment.min_channels:
        return _nothing(
            treatment,
            f"The log has {len(channels)} {kind} channel(s); this needs at least {treatment.min_channels}.",
        )
    rows = _rows(times, channels)
    if not any(all(value is not None for value in row.values()) for _, row in rows):
        return _nothing(treatment, f"The log has no moment at which every required {kind} channel was read.")
    intervals = _intervals(rows, limit, max_gap_minutes)
    at_limit = temp_words(limit, metric)
    if not intervals:
        coldest = temp_words(_coldest_at_warmest(rows), metric)
        told = f"The {kind} channels were never all at {at_limit}; at best the coldest read {coldest}."
        return HeatVerdict("not met", 0.0, None, None, None, (told, *_conditions(treatment)))
    best = max(intervals, key=lambda interval: interval.minutes)  # the first of equals
    met = best.minutes >= needed
    told = f"Every {kind} channel held {at_limit} or more for {best.minutes:g} min; {needed:g} are needed."
    reasons = [told] if met else [told, *_breaks(rows, limit, max_gap_minutes, kind, metric)]
    return HeatVerdict(
        "met" if met else "not met",
        best.minutes,
        best.lowest_f,
        best.start,
        best.end,
        (*reasons, *_conditions(treatment)),
        intervals,
    )


def _intervals(rows: Rows, limit: float, max_gap_minutes: float) -> tuple[Interval, ...]:
    runs: list[list[int]] = []
    running = False
    for index, (time, row) in enumerate(rows):
        warm = all(value is not None and value >= limit for value in row.values())
        if running and _minutes(rows[index - 1][0], time) > max_gap_minutes + 1e-9:
            running = False
        if warm and running:
            runs[-1].append(index)
        elif warm:
            runs.append([index])
        running = warm
    return tuple(
        Interval(
            rows[run[0]][0],
            rows[run[-1]][0],
            round(_minutes(rows[run[0]][0], rows[run[-1]][0]), 6),
            min(value for index in run for value in rows[index][1].values() if value is not None),
        )
        for run in runs
    )


def longest_watched(times: Sequence[datetime], channels: Mapping[str, Sequence[float | None]]) -> float:
    """Longest time [min] in which every channel was read without a break, at whatever temperature."""
    rows = _rows(times, channels) if channels else []
    return max((found.minutes for found in _intervals(rows, PLAUSIBLE_F[0], MAX_GAP_MINUTES)), default=0.0)


def highest_held(
    times: Sequence[datetime],
    channels: Mapping[str, Sequence[float | None]],
    minutes: float,
    *,
    max_gap_minutes: float = MAX_GAP_MINUTES,
    metric: bool = False,
) -> Held | None:
    """The highest whole degree every channel held for `minutes` without a break; None when none was.

    Pitch is set only against temperatures below the one it has been held at (Wengert, setting pitch, seen).
    """
    rows = _rows(times, channels)
    best = None
    low, high = (math.ceil((PLAUSIBLE_F[0] - 32) / 1.8), 204) if metric else (int(PLAUSIBLE_F[0]), 400)
    while low <= high:
        degrees = (low + high) // 2
        limit = round(degrees * 1.8 + 32, 4) if metric else float(degrees)
        found = _intervals(rows, limit, max_gap_minutes) if channels else ()
        longest = max(found, key=lambda interval: interval.minutes, default=None)
        if longest and longest.minutes >= minutes:
            best = Held(degrees, longest.minutes, longest.start, longest.end)
            low = degrees + 1
        else:
            high = degrees - 1
    return best


@dataclass(frozen=True)
class Clock:
    """A channel of a running heat stage: its last reading [°F] and how long it has held the limit [min]."""

    name: str
    last_f: float | None
    minutes: float


def clocks(
    limit_f: float,
    times: Sequence[datetime],
    channels: Mapping[str, Sequence[float | None]],
    *,
    max_gap_minutes: float = MAX_GAP_MINUTES,
) -> list[Clock]:
    """How long each channel [°F] has held a limit [°F] without a break up to the last row, slowest first.

    A missing, implausible or cold reading and a longer gap start a clock again, as in `judge`.
    """
    rows = _rows(times, channels)
    found = []
    for name in channels:
        began: datetime | None = None
        before: datetime | None = None
        for time, row in rows:
            value = row[name]
            if began and before and _minutes(before, time) > max_gap_minutes + 1e-9:
                began = None
            began = (began or time) if value is not None and value >= limit_f else None
            before = time
        minutes = round(_minutes(began, before), 6) if began and before else 0.0
        found.append(Clock(name, rows[-1][1][name] if rows else None, minutes))
    return sorted(found, key=lambda clock: (clock.minutes, clock.last_f is not None, clock.last_f or 0.0))


def _minutes(start: datetime, end: datetime) -> float:
    return (end - start).total_seconds() / 60


def _coldest_at_warmest(rows: Rows) -> float:
    complete = [[v for v in row.values() if v is not None] for _, row in rows if None not in row.values()]
    return max(min(values) for values in complete)


def _breaks(rows: Rows, limit: float, max_gap_minutes: float, kind: str, metric: bool) -> list[str]:
    """Why the clock did not run longer, once each."""
    found = []
    at_limit = temp_words(limit, metric)
    for name in rows[0][1]:
        values = [row[name] for _, row in rows]
        present = [value for value in values if value is not None]
        first = next((i for i, value in enumerate(values) if value is not None and value >= limit), None)
        if first is None:
            found.append(
                f"Channel {name} never reached {at_limit}; its highest was {temp_words(max(present), metric)}."
            )
        elif any(value is not None and value < limit for value in values[first:]):
            low = min(value for value in values[first:] if value is not None)
            found.append(f"Channel {name} fell to {temp_words(low, metric)} after reaching {at_limit}.")
        if len(present) < len(values):
            found.append(f"Channel {name} has {len(values) - len(present)} missing or impossible reading(s).")
    gaps = [_minutes(a[0], b[0]) for a, b in pairwise(rows)]
    if gaps and max(gaps) > max_gap_minutes:
        found.append(
            f"The longest gap between readings is {max(gaps):g} min; {max_gap_minutes:g} is allowed."
        )
    return found or [f"The log ends before every {kind} channel had held its temperature long enough."]


def _conditions(treatment: Treatment) -> list[str]:
    told = [f"It also needs {treatment.also_needs}."] if treatment.also_needs else []
    if treatment.needs_agency:
        told.append(
            "Official only through an authorised agency: this is the shop's own record, not its mark."
        )
    return told


def _nothing(treatment: Treatment, reason: str) -> HeatVerdict:
    return HeatVerdict("not recorded", 0.0, None, None, None, (reason, *_conditions(treatment)))
