"""Signs of trouble in the readings of a running charge: rules on plain values, each naming what was seen.

Thresholds without a source beside them are design choices of this project.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from kilnshop.science import psychro
from kilnshop.science.cautions import MOULD_RH, RATE_MC_PCT, SLOW_LIGHT_WOOD_PCT_PER_DAY
from kilnshop.science.emc import emc_pct
from kilnshop.science.species import Species, safe_rate_pct_per_day

AMBER, STOP = 0.80, 1.00  # share of the safe daily loss: amber a design choice, 100 % the published ceiling
RATE_SPAN_H = (18.0, 72.0)  # a daily loss is taken between readings this far apart
DRY_OFF_F, WET_OFF_F, EMC_OFF_PCT = (
    4.0,
    3.0,
    1.5,
)  # a degree or two of dry bulb hardly matters (Wengert, seen)
HOT_F = 10.0  # above the set dry bulb: the heater or its cut-out, not the weather
LOCKOUT_F = 2.0  # above the limit: what a kiln thermometer may be off
RECENT_H = 2.0  # off plan all this time, so that an opened door does not count
SETTLE_H = 12.0  # after a change of step
HEAT_OFF_DRY_F, HEAT_OFF_WET_F = 5.0, 2.0
WICK_PCT = 1.0  # wood this far below the EMC of its air cannot still be losing
WICK_FASTER = 1.5  # times the planned loss, in air no drier than planned
DRAIN_H, DRAIN_BEFORE_H, DRAIN_SHARE, DRAIN_LB_PER_H = 12.0, 72.0, 0.10, 0.2
DRAIN_WET_PCT = 3.0  # above target: wood this wet still gives water
MOULD_H = 20.0  # above MOULD_RH without a break
MOULD_MC_PCT = 20.0  # US Navy wood protection manual (seen): moulds grow from about here
MOULD_F = (68.0, 122.0)
FREE_WATER_PCT = 30.0  # about fibre saturation, Wood Handbook ch. 4 (memory)
DOOR_F, DOOR_H, LOG_STEP_H = 5.0, 1.5, 0.5
GAP_TIMES, GAP_H, LONG_GAP_H = 6.0, 0.5, 12.0  # 12 h: also where learning sets a charge aside
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Air:
    """One reading. Temperatures [°F], condensate since the reading before [lb]; None where not read."""

    at: datetime
    dry_bulb_f: float | None = None
    wet_bulb_f: float | None = None
    condensate_lb: float | None = None


@dataclass(frozen=True)
class Wood:
    """A lot: its moisture [%] by board, round by round, oldest first."""

    name: str
    species: Species
    thickness_in: float
    target_mc_pct: float
    rounds: Sequence[tuple[datetime, Mapping[str, float]]] = ()
    planned_loss_pct_per_day: float | None = None


@dataclass(frozen=True)
class Setting:
    """What the controls were set to and since when. `wet_bulb_high_f`: what the machine was expected to hold."""

    since: datetime
    kind: str
    dry_bulb_f: float
    wet_bulb_f: float
    wet_bulb_high_f: float
    emc_pct: float
    compressor: bool
    lockout_dry_bulb_f: float
    elevation_ft: float = 0.0

    @property
    def hot(self) -> bool:
        """A heat or pitch stage, whose humidity is not controlled."""
        return self.kind in ("heat", "pitch")


@dataclass(frozen=True)
class Sign:
    """Something seen. severity: "stop", "caution" or "note"; `at` is the moment of its last evidence."""

    kind: str
    at: datetime
    severity: str
    text: str
    about: str = ""


@dataclass(frozen=True)
class Loss:
    """Moisture lost per day [percentage points] by the boards read in both rounds."""

    at: datetime
    mc_pct: float
    pct_per_day: float


def loss_of(wood: Wood) -> Loss | None:
    """The latest daily loss of a lot; None without two rounds of the same boards 18 to 72 hours apart."""
    if not wood.rounds:
        return None
    at, last = wood.rounds[-1]
    for before, values in reversed(wood.rounds):
        hours = (at - before) / HOUR
        same = last.keys() & values.keys()
        if hours > RATE_SPAN_H[1]:
            break
        if hours >= RATE_SPAN_H[0] and same:
            lost = statistics.fmean(values[board] - last[board] for board in same)
            return Loss(at, statistics.fmean(last[board] for board in same), lost * 24 / hours)
    return None


def too_fast(wood: Wood) -> Iterator[Sign]:
    """Loss against the safe ceiling of the wood and thickness; near it only in wood wet enough to check.

    References
    ----------
    Wengert, University of Wisconsin extension safe-rate table; see `species.safe_rate_pct_per_day`.
    """
    loss = loss_of(wood)
    ceiling, _ = safe_rate_pct_per_day(wood.species, wood.thickness_in)
    if loss is None or ceiling is None or loss.pct_per_day < AMBER * ceiling:
        return
    share = loss.pct_per_day / ceiling
    if share < STOP and loss.mc_pct <= RATE_MC_PCT:
        return
    text = (
        f"{wood.species.common_name} lost {loss.pct_per_day:.1f} % a day at {loss.mc_pct:.0f} %, {100 * share:.0f} % "
        f"of the {ceiling:g} % that is safe."
    )
    yield Sign("fast", loss.at, "stop" if share >= STOP else "caution", text, wood.name)


def too_slow(wood: Wood) -> Iterator[Sign]:
    """White wood with free water left that loses too little: mould and stain (FOR-128 p. 91, seen)."""
    loss = loss_of(wood)
    if loss is None or not wood.species.light_wood or loss.mc_pct <= FREE_WATER_PCT:
        return
    if loss.pct_per_day < SLOW_LIGHT_WOOD_PCT_PER_DAY:
        text = (
            f"{wood.species.common_name} lost {loss.pct_per_day:.1f} % a day at {loss.mc_pct:.0f} %; under "
            f"{SLOW_LIGHT_WOOD_PCT_PER_DAY:g} % white wood may mould or stain."
        )
        yield Sign("mould", loss.at, "caution", text, wood.name)


def _rh(air: Air, elevation_ft: float) -> float | None:
    if air.dry_bulb_f is None or air.wet_bulb_f is None:
        return None
    try:
        return psychro.rh_pct(air.dry_bulb_f, air.wet_bulb_f, elevation_ft)
    except ValueError:
        return None


def _emc(air: Air, elevation_ft: float) -> float | None:
    rh = _rh(air, elevation_ft)
    if rh is None or air.dry_bulb_f is None:
        return None
    try:
        return emc_pct(air.dry_bulb_f, rh)
    except ValueError:
        return None


def _recent(airs: Sequence[Air], name: str) -> list[Air]:
    found = [air for air in airs if getattr(air, name) is not None]
    return [air for air in found if found[-1].at - air.at <= RECENT_H * HOUR]


def damp_air(airs: Sequence[Air], woods: Sequence[Wood], setting: Setting) -> Iterator[Sign]:
    """Air above 80 % RH, warm, most of a day, around wood wet enough to mould."""
    wet = [wood for wood in woods if wood.rounds and max(wood.rounds[-1][1].values()) > MOULD_MC_PCT]
    known = [(air, rh) for air in airs if (rh := _rh(air, setting.elevation_ft)) is not None]
    damp: list[Air] = []
    for air, rh in reversed(known):
        warm = air.dry_bulb_f is not None and MOULD_F[0] <= air.dry_bulb_f <= MOULD_F[1]
        if not warm or rh <= 100 * MOULD_RH:
            break
        damp.append(air)
    if wet and len(damp) > 1 and damp[0].at - damp[-1].at >= MOULD_H * HOUR:
        hours = (damp[0].at - damp[-1].at) / HOUR
        yield Sign(
            "mould",
            damp[0].at,
            "caution",
            f"Above {100 * MOULD_RH:.0f} % RH for {hours:.0f} hours while boards are above {MOULD_MC_PCT:g} %.",
        )


def off_plan(airs: Sequence[Air], setting: Setting) -> Iterator[Sign]:
    """Dry bulb, wet bulb or EMC away from what is set, once the chamber had time to settle."""
    dry = _recent(airs, "dry_bulb_f")
    if dry and min(air.dry_bulb_f or 0 for air in dry) >= setting.dry_bulb_f + HOT_F:
        text = f"Dry bulb {dry[-1].dry_bulb_f:.0f} °F, {setting.dry_bulb_f:.0f} °F is set."
        yield Sign("hot", dry[-1].at, "stop", text)
        return
    settled = setting.since + SETTLE_H * HOUR
    if setting.hot or not dry or dry[0].at < settled:
        return
    parts = []
    low, high = setting.dry_bulb_f - DRY_OFF_F, setting.dry_bulb_f + DRY_OFF_F
    values = [air.dry_bulb_f or 0 for air in dry]
    if max(values) < low or min(values) > high:
        parts.append(f"dry bulb {values[-1]:.0f} °F, {setting.dry_bulb_f:.0f} °F is set")
    wets = [air.wet_bulb_f or 0 for air in _recent(airs, "wet_bulb_f")]
    if wets and (
        max(wets) < setting.wet_bulb_f - WET_OFF_F or min(wets) > setting.wet_bulb_high_f + WET_OFF_F
    ):
        expected = setting.wet_bulb_high_f - setting.wet_bulb_f
        held = f" and up to {setting.wet_bulb_high_f:.0f} °F expected" if expected > 1 else ""
        parts.append(f"wet bulb {wets[-1]:.0f} °F, {setting.wet_bulb_f:.0f} °F is set{held}")
    emcs = [emc for air in dry if (emc := _emc(air, setting.elevation_ft)) is not None]
    driest = max(emcs, default=setting.emc_pct) < setting.emc_pct - EMC_OFF_PCT
    if driest:
        parts.append(f"EMC {emcs[-1]:.1f} %, drier than the planned {setting.emc_pct:.1f} %")
    if parts:
        text = "; ".join(parts) + "."
        yield Sign("off_plan", dry[-1].at, "caution", text[0].upper() + text[1:])


def wick(airs: Sequence[Air], woods: Sequence[Wood], setting: Setting) -> Iterator[Sign]:
    """EMC by the bulbs and the drying disagree, as with a dirty or dry wick that reads too warm (memory)."""
    if setting.hot:
        return
    known = [(air.at, emc) for air in airs if (emc := _emc(air, setting.elevation_ft)) is not None]
    if not known:
        return
    at, emc = known[-1]
    for wood in woods:
        loss = loss_of(wood)
        if loss is None or loss.pct_per_day <= 0 or abs(at - loss.at) > DRAIN_H * HOUR:
            continue
        planned = wood.planned_loss_pct_per_day
        if loss.mc_pct < emc - WICK_PCT:
            text = (
                f"The bulbs say {emc:.1f} % EMC, yet {wood.species.common_name} is at {loss.mc_pct:.1f} % and still "
                "drying."
            )
        elif planned and loss.pct_per_day > WICK_FASTER * planned and emc >= setting.emc_pct:
            text = (
                f"{wood.species.common_name} loses {loss.pct_per_day:.1f} % a day where {planned:.1f} % is planned, "
                f"in air that the bulbs call no drier ({emc:.1f} % EMC, {setting.emc_pct:.1f} % planned)."
            )
        else:
            continue
        yield Sign("wick", at, "caution", text, wood.name)


def heat_off(airs: Sequence[Air], setting: Setting) -> Iterator[Sign]:
    """Wet bulb falling with the dry bulb while RH rises: a cooling chamber, not drying air (memory)."""
    known = [air for air in airs if air.dry_bulb_f is not None and air.wet_bulb_f is not None][-2:]
    if len(known) < 2:
        return
    before, last = known
    rhs = _rh(before, setting.elevation_ft), _rh(last, setting.elevation_ft)
    dry_fell = (before.dry_bulb_f or 0) - (last.dry_bulb_f or 0)
    wet_fell = (before.wet_bulb_f or 0) - (last.wet_bulb_f or 0)
    cold = (last.dry_bulb_f or 0) < setting.dry_bulb_f - DRY_OFF_F and last.at > setting.since
    if cold and dry_fell >= HEAT_OFF_DRY_F and wet_fell >= HEAT_OFF_WET_F and None not in rhs:
        first, second = (rh or 0 for rh in rhs)
        if second > first:
            text = (
                f"Wet bulb fell {wet_fell:.0f} °F because dry bulb fell {dry_fell:.0f} °F; RH rose from {first:.0f} to "
                f"{second:.0f} %. This is not drying air."
            )
            yield Sign("heat_off", last.at, "caution", text)


def drain(airs: Sequence[Air], woods: Sequence[Wood], setting: Setting) -> Iterator[Sign]:
    """Condensate that stops while the wood is wet and the compressor should run."""
    drained = [air for air in airs if air.condensate_lb is not None]
    wet = any(
        wood.rounds and max(wood.rounds[-1][1].values()) > wood.target_mc_pct + DRAIN_WET_PCT
        for wood in woods
    )
    if len(drained) < 3 or not wet or not setting.compressor:
        return
    last = drained[-1]
    rows = [(b.at, b.condensate_lb or 0.0, (b.at - a.at) / HOUR) for a, b in pairwise(drained)]
    now = [row for row in rows if last.at - row[0] < DRAIN_H * HOUR]
    before = [row for row in rows if DRAIN_H * HOUR <= last.at - row[0] < DRAIN_BEFORE_H * HOUR]
    hours, earlier = sum(row[2] for row in now), sum(row[2] for row in before)
    if hours < DRAIN_H or not earlier:
        return
    rate, was = sum(row[1] for row in now) / hours, sum(row[1] for row in before) / earlier
    if was >= DRAIN_LB_PER_H and rate < DRAIN_SHARE * was:
        text = (
            f"{24 * rate:.0f} lb a day drain off, {24 * was:.0f} lb a day before, and the wood is still wet."
        )
        yield Sign("drain", last.at, "caution", text)


def compressor(airs: Sequence[Air], setting: Setting) -> Iterator[Sign]:
    """Dry bulb above the compressor's lock-out in a step that runs it."""
    dry = _recent(airs, "dry_bulb_f")
    limit = setting.lockout_dry_bulb_f
    if setting.compressor and dry and min(air.dry_bulb_f or 0 for air in dry) >= limit + LOCKOUT_F:
        text = f"Dry bulb {dry[-1].dry_bulb_f:.0f} °F with the compressor on; its limit is {limit:.0f} °F."
        yield Sign("compressor", dry[-1].at, "stop", text)


def length(hours: float) -> str:
    """Hours in words, such as "3 h 20 min".

    >>> length(3.34)
    '3 h 20 min'
    """
    minutes = round(60 * hours)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def power(log: Sequence[tuple[datetime, float]]) -> Iterator[Sign]:
    """Gaps in a recorder's log, with their length and how far the chamber cooled."""
    spans = [(b[0] - a[0]) / HOUR for a, b in pairwise(log)]
    if len(spans) < 3:
        return
    allowed = max(GAP_H, GAP_TIMES * statistics.median(spans))
    for (_, before), (end, after), hours in zip(log, log[1:], spans, strict=False):
        if hours > allowed:
            cooled = before - after
            told = f" and came back {cooled:.0f} °F cooler" if cooled >= DOOR_F else ""
            severity = "stop" if hours > LONG_GAP_H else "caution"
            yield Sign("power", end, severity, f"The log stopped for {length(hours)}{told}.")


def doors(log: Sequence[tuple[datetime, float]]) -> Iterator[Sign]:
    """Short dips of the logged dry bulb: down at least 5 °F and back within 90 minutes."""
    count, longest, last, at = 0, 0.0, 0.0, None
    index = 1
    while index < len(log):
        (before, level), (time, value) = log[index - 1], log[index]
        if (time - before) / HOUR <= LOG_STEP_H and level - value >= DOOR_F:
            for back, warm in log[index + 1 :]:
                if (back - time) / HOUR > DOOR_H:
                    break
                if warm >= level - DOOR_F / 2:
                    count, last, at = count + 1, (back - before) / HOUR, back
                    longest = max(longest, last)
                    break
            while index < len(log) and at is not None and log[index][0] < at:
                index += 1
        index += 1
    if at is not None:
        times = "once" if count == 1 else f"{count} times"
        text = f"Dry bulb dipped {times}, up to {length(longest)}."
        yield Sign("door", at, "note", text)


def signs(
    airs: Sequence[Air], log: Sequence[tuple[datetime, float]], woods: Sequence[Wood], setting: Setting
) -> list[Sign]:
    """Everything the readings show.

    Parameters
    ----------
    airs : sequence of Air
        Readings, oldest first; about one an hour is enough.
    log : sequence of (datetime, float)
        The recorder's dry bulb [°F], every row, oldest first; empty without a recorder.
    woods : sequence of Wood
        The lots.
    setting : Setting
        What is set now.

    Returns
    -------
    list of Sign
    """
    found = [sign for wood in woods for rule in (too_fast, too_slow) for sign in rule(wood)]
    found += damp_air(airs, woods, setting)
    found += off_plan(airs, setting)
    found += wick(airs, woods, setting)
    found += heat_off(airs, setting)
    found += drain(airs, woods, setting)
    found += compressor(airs, setting)
    found += power(log)
    found += doors(log)
    return found
