"""A made-up kiln for the demo shop: boards drift toward each step's air, with seeded noise.

It only writes believable readings of boards, air, water and electricity. It is not the drying model of the science
room and no estimate uses it.
"""

import datetime as dt
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

LONGEST_HOURS = 24 * 120
ROOM_F = 62.0
WARMING_H = 6.0
COOLING_H = 9.0
WALL_KW_PER_F = 0.011
DRAINED = 0.9  # of the water lost by the wood; the rest leaves by leaks and doors
LOG_MIN = 10
CORE_LAG_MIN = 95.0
ABOVE_F, ABOVE_MIN = 134.5, 80


@dataclass(frozen=True)
class Moment:
    """An hour of the run: the step it is on and each board's moisture."""

    hour: int
    step: int
    boards: tuple[float, ...]


def wettest_half(boards: Sequence[float]) -> float:
    ranked = sorted(boards, reverse=True)[: math.ceil(len(boards) / 2)]
    return sum(ranked) / len(ranked)


def drifted(boards: Sequence[float], emc_pct: float, rates: Sequence[float]) -> list[float]:
    """The boards an hour later, each by its own share of the way to EMC."""
    return [mc - rate * (mc - emc_pct) for mc, rate in zip(boards, rates, strict=True)]


def run(
    steps: Sequence[dict],
    starts: Sequence[float],
    haste: Sequence[float],
    target: float,
    pace: float,
    seed: int,
    looks: Callable[[int], bool],
) -> list[Moment]:
    """Hour by hour until the last step is done. `pace` is the share of the way to EMC that an hour takes, `haste`
    how much faster than the slowest lot each board's lot is. Drying steps end only in an hour when somebody looks."""
    dice = random.Random(seed)
    factors = [dice.uniform(0.88, 1.14) * more for more in haste]
    boards, at, since, moments = list(starts), 0, 0, []
    for hour in range(LONGEST_HOURS):
        moments.append(Moment(hour, at, tuple(boards)))
        step = steps[at]
        boards = drifted(boards, step["emc_pct"], [pace * factor for factor in factors])
        since += 1
        following = steps[at + 1] if at + 1 < len(steps) else None
        if step["kind"] == "dry":
            within = following is not None and following["kind"] == "dry"
            ends_at = following["from_mc_pct"] if within else target
            over = wettest_half(boards) <= ends_at and looks(hour)
        else:
            over = since >= step["hours"]
        if over and following is None:
            break
        if over:
            at, since = at + 1, 0
    return moments


def paced(
    steps: Sequence[dict],
    starts: Sequence[float],
    haste: Sequence[float],
    target: float,
    hours: float,
    seed: int,
    looks: Callable[[int], bool],
) -> list[Moment]:
    """The run whose last hour is nearest to `hours`, by halving the pace's range."""
    low, high = 1e-5, 0.5
    for _ in range(40):
        middle = math.sqrt(low * high)
        if len(run(steps, starts, haste, target, middle, seed, looks)) > hours:
            low = middle
        else:
            high = middle
    return run(steps, starts, haste, target, high, seed, looks)


def changed_to(moments: Sequence[Moment], hour: int) -> int | None:
    """The step that begins after this hour; None where none does."""
    after = moments[hour + 1] if hour + 1 < len(moments) else moments[hour]
    return after.step if after.step != moments[hour].step else None


def air(step: dict, hour: float, dice: random.Random) -> tuple[float, float]:
    """Dry and wet bulb near the step's, warming up from the room in the first hours."""
    warm = 1 - math.exp(-hour / WARMING_H)
    dry = ROOM_F + (step["dry_bulb_f"] - ROOM_F) * warm + dice.gauss(0, 0.5)
    wet = ROOM_F - 6 + (step["wet_bulb_f"] - ROOM_F + 6) * warm + dice.gauss(0, 0.4)
    return round(dry, 1), round(min(wet, dry - 0.5), 1)


def power_kw(
    lost_lb_per_h: float, dry_bulb_f: float, *, fan: float, compressor: float, removal_lb_per_day: float
) -> float:
    """Fans all the time, the compressor for the water it takes out, heat through the walls beyond what both give off."""
    share = min(1.0, lost_lb_per_h * 24 / removal_lb_per_day)
    machines = fan + compressor * share
    return machines + max(0.0, WALL_KW_PER_F * (dry_bulb_f - ROOM_F) - 0.8 * machines)


def raw_for(mc: float, corrected: Callable[[float], float | None]) -> float:
    """What the meter must have shown for a moisture, found by halving; a board too wet for it reads over range."""
    low, high = 5.0, 45.0
    for _ in range(30):
        middle = (low + high) / 2
        value = corrected(middle)
        if (value is None and middle < 8) or (value is not None and value <= mc):
            low = middle
        else:
            high = middle
    top = corrected(low)
    return round(low + max(0.0, mc - top - 0.2) * 1.3, 1) if top is not None else round(low, 1)


def day_log(start: dt.datetime, step: dict, cut_h: tuple[float, float], seed: int) -> bytes:
    """A recorder's file of a day of a step, silent while the power was cut from one hour of it to another."""
    dice = random.Random(seed)
    lines = ["Demo recorder: made-up data", "Time,Dry F,Wet F"]
    cut, back = cut_h
    for minute in range(0, 24 * 60, LOG_MIN):
        hour = minute / 60
        if cut <= hour < back:
            continue
        colder = (1 - math.exp(-(back - cut) / COOLING_H)) * math.exp(-(hour - back)) if hour >= back else 0.0
        dry = step["dry_bulb_f"] - (step["dry_bulb_f"] - ROOM_F) * colder + dice.gauss(0, 0.3)
        wet = step["wet_bulb_f"] - (step["wet_bulb_f"] - ROOM_F + 6) * colder + dice.gauss(0, 0.3)
        when = start + dt.timedelta(minutes=minute)
        lines.append(f"{when:%Y-%m-%d %H:%M},{dry:.1f},{min(wet, dry - 0.5):.1f}")
    return ("\n".join(lines) + "\n").encode()


def heat_log(start: dt.datetime, air_f: float, seed: int) -> bytes:
    """A recorder's file of a heat step: air and two cores every 3 minutes until both cores held long enough."""
    dice = random.Random(seed)
    lines = ["Demo recorder: made-up data", "Time,Air F,Core 1 F,Core 2 F"]
    cores, lags, held, minute = [104.0, 101.0], [CORE_LAG_MIN, CORE_LAG_MIN * 1.12], 0, 0
    while held < ABOVE_MIN and minute < 24 * 60:
        set_f = 106 + (air_f - 106) * min(1.0, minute / 90)
        shown = set_f + dice.gauss(0, 0.6)
        cores = [core + 3 * (set_f - core) / lag for core, lag in zip(cores, lags, strict=True)]
        when = start + dt.timedelta(minutes=minute)
        lines.append(f"{when:%Y-%m-%d %H:%M},{shown:.1f},{cores[0]:.1f},{cores[1]:.1f}")
        held = held + 3 if min(cores) >= ABOVE_F else 0
        minute += 3
    return ("\n".join(lines) + "\n").encode()
