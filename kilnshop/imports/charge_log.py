"""A recorder's file for a charge: looked at first, then taken whole or not at all."""

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError

from kilnshop.charges import running
from kilnshop.charges.models import Charge, LogImport
from kilnshop.imports import logs
from kilnshop.shop.models import Person
from kilnshop.shop.queries import the_shop

SHOWN = 50


@dataclass(frozen=True)
class Look:
    """What an import would do. `problems` are in words; with any of them nothing is taken."""

    rows: list[logs.Row]
    take: list[logs.Row]
    repeated_in_file: int
    repeated: int
    outside: int
    empty: int
    problems: list[str]
    more_problems: int


def look(*, charge: Charge, data: bytes, mapping: dict[str, Any], now: dt.datetime) -> Look:
    """Read the file by the mapping without writing anything. UnreadableLog when it is no log at all."""
    channels = dict(charge.probes.values_list("channel", "kind"))
    shop = the_shop()
    parsed = logs.parse(
        logs.read_table(data),
        mapping,
        zone=shop.time_zone,
        channels=channels,
        elevation_ft=shop.elevation_ft,
    )
    sifted = running.sift_log(charge=charge, rows=parsed.rows, now=now)
    problems = [str(problem) for problem in parsed.problems] + sifted.problems
    return Look(
        rows=parsed.rows,
        take=sifted.take,
        repeated_in_file=parsed.repeated,
        repeated=parsed.repeated + sifted.repeated,
        outside=sifted.outside,
        empty=sifted.empty,
        problems=problems[:SHOWN],
        more_problems=max(0, len(problems) - SHOWN),
    )


def take(*, charge: Charge, data: bytes, mapping: dict[str, Any], by: Person, now: dt.datetime) -> LogImport:
    """Import the file; ValidationError with every problem, and nothing written, when there is one."""
    found = look(charge=charge, data=data, mapping=mapping, now=now)
    if found.problems:
        more = [f"And {found.more_problems} more."] if found.more_problems else []
        raise ValidationError([*found.problems, *more, "Nothing was imported."])
    return running.import_log(
        charge=charge,
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        mapping=mapping,
        rows=found.rows,
        repeated=found.repeated_in_file,
        by=by,
        now=now,
    )
