"""Heat reaching the core of boards and timbers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Hold:
    """A heat or pitch treatment as the plan needs it: what temperature, where, for how long.

    kind "heat" counts at the wood's core, "pitch" in the air.
    """

    key: str
    label: str
    kind: str
    temp_f: float
    minutes: float
