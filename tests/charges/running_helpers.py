"""A charge that runs: signed, with probes and a plan whose curve falls from 25 to 7 %."""

import copy
import datetime as dt
import uuid

from kilnshop.charges import checklists, readings, running
from kilnshop.charges.models import Probe
from tests import factory

NOW = factory.NOW
HOUR = dt.timedelta(hours=1)


def all_done(kind="start"):
    return {line.key: {"done": True} for line in checklists.LISTS[kind]}


def running_charge(operator, now=NOW, **over):
    """Started at `now` with two moisture channels and one core channel on lot A."""
    charge = factory.make_charge(**over)
    plan = copy.deepcopy(charge.plan)
    plan["lots"] = [{"key": "A", "curve_hours": [0, 120, 288], "curve_avg": [25.0, 15.0, 7.0]}]
    charge.plan = plan
    charge.save()
    row = charge.charge_lots.get()
    readings.set_probes(
        charge=charge,
        rows=[
            {
                "channel": 1,
                "kind": "mc",
                "charge_lot": row,
                "board": "7",
                "depth_in": 0.25,
                "position": "top",
            },
            {
                "channel": 2,
                "kind": "mc",
                "charge_lot": row,
                "board": "12",
                "depth_in": 0.25,
                "position": "low",
            },
            {
                "channel": 3,
                "kind": "core",
                "charge_lot": row,
                "board": "12",
                "depth_in": 0.5,
                "position": "low",
            },
        ],
        by=operator,
    )
    return running.start_charge(charge=charge, lines=all_done(), initials="op", by=operator, now=now)


def read(charge, by, hours=24.0, entry=None, note="", **values):
    at = charge.started_at + hours * HOUR
    return readings.record_reading(
        charge=charge, by=by, now=at, taken_at=at, entry=entry or uuid.uuid4(), values=values, note=note
    )


__all__ = ["HOUR", "NOW", "Probe", "all_done", "read", "running_charge"]
