"""The set points of a plan in the order a controller is keyed: the air, when to change it, and what to switch."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from kilnshop.shop.models import Chamber

NAMES = {
    "dry": "Dry",
    "equalize": "Equalize",
    "condition": "Condition",
    "heat": "Heat",
    "pitch": "Set pitch",
}
NBSP = "\N{NO-BREAK SPACE}"
BY_THE_CLOCK = ("condition", "heat", "pitch")
HOT = ("heat", "pitch")
DAMPER_THAN_SET_PCT = 2.0  # of RH: worth a word on the sheet


@dataclass(frozen=True)
class SetPoint:
    """One line of the sheet. Temperatures in °F; the air of a heat or pitch stage is not controlled."""

    number: int
    name: str
    when: str
    dry_bulb_f: float
    wet_bulb_f: float | None
    depression_f: float | None
    rh_pct: float | None
    emc_pct: float | None
    compressor: str
    heater: str
    vents: str
    humidifier: str
    fans: str
    days: float  # an estimate
    expected_wet_bulb_f: float | None  # where the machine cannot hold the set one
    hot: bool


def set_points(steps: Sequence[Any], chamber: Chamber) -> list[SetPoint]:
    """The steps of an estimate, or of one thawed from its frozen figures, as lines to key."""
    lines = []
    for number, step in enumerate(steps, 1):
        hot = step.kind in HOT
        drying = step.kind == "dry"
        damper = step.expected_rh_pct - step.rh_pct > DAMPER_THAN_SET_PCT
        lines.append(
            SetPoint(
                number=number,
                name=NAMES.get(step.kind, step.kind),
                when=_when(steps, number - 1),
                dry_bulb_f=step.dry_bulb_f,
                wet_bulb_f=None if hot else step.wet_bulb_f,
                depression_f=None if hot else step.dry_bulb_f - step.wet_bulb_f,
                rh_pct=None if hot else step.rh_pct,
                emc_pct=None if hot else step.emc_pct,
                **switches(step, chamber),
                days=step.hours / 24,
                expected_wet_bulb_f=round(step.expected_wet_bulb_f) if drying and damper else None,
                hot=hot,
            )
        )
    return lines


def switches(step: Any, chamber: Chamber) -> dict[str, str]:
    """What to switch for a step, the compressor first."""
    damp = step.kind in ("equalize", "condition")
    return {
        "compressor": _compressor(step, chamber),
        "heater": "on",
        "vents": _vents(step, chamber),
        "humidifier": "on" if chamber.has_humidifier and damp else "off",
        "fans": "on",
    }


def _compressor(step: Any, chamber: Chamber) -> str:
    if step.kind in HOT:
        return "off first"
    locked = step.dry_bulb_f > chamber.lockout_dry_bulb_f
    return "off" if locked or step.kind == "condition" else "on"


def _vents(step: Any, chamber: Chamber) -> str:
    """Vents take the water only where the compressor is locked out."""
    if not chamber.has_vents:
        return "none"
    return "as needed" if step.kind == "dry" and _compressor(step, chamber) == "off" else "shut"


def _when(steps: Sequence[Any], index: int) -> str:
    step = steps[index]
    timed = getattr(step, "timed", step.kind in BY_THE_CLOCK)
    lasts = f", for {math.ceil(10 * step.hours - 1e-6) / 10:g}{NBSP}h" if timed else ""
    if index == 0:
        return f"at the start{lasts}"
    if step.kind == "equalize":
        return f"driest board at {step.from_mc_pct:.2g}{NBSP}%{lasts}"
    before = steps[index - 1]
    if step.kind == "dry" and not getattr(before, "timed", False):
        return f"moisture down to {step.from_mc_pct:.3g}{NBSP}%{lasts}"
    return f"after step {index}{lasts}"
