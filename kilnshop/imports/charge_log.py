"""A recorder's file for a charge: looked at first, then taken whole or not at all."""

import datetime as dt
import json
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError

from kilnshop.charges import recorder
from kilnshop.charges.models import Charge, LogImport, LogMapping, Recorder
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
    sifted = recorder.sift(charge=charge, rows=parsed.rows, now=now)
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


def steps(
    *, charge: Charge, data: bytes, mapping: dict[str, Any], by: Person, now: dt.datetime
) -> Generator[float, None, LogImport]:
    """Import the file, telling how far it is; ValidationError with every problem, and nothing written, when there is one."""
    yield 0.0
    found = look(charge=charge, data=data, mapping=mapping, now=now)
    if found.problems:
        more = [f"And {found.more_problems} more."] if found.more_problems else []
        raise ValidationError([*found.problems, *more, "Nothing was imported."])
    log = yield from recorder.import_steps(
        charge=charge,
        data=data,
        mapping=mapping,
        rows=found.rows,
        repeated=found.repeated_in_file,
        by=by,
        now=now,
    )
    return log


def finished(steps: Generator[float, None, LogImport]) -> LogImport:
    """Run an import to its end."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


def take(**given: Any) -> LogImport:
    """`steps` in one go."""
    return finished(steps(**given))


def receive(*, address: Recorder, body: bytes, kind: str, now: dt.datetime) -> recorder.Sifted:
    """Rows a recorder sent by itself, CSV or JSON, for the charge now in its chamber. ValidationError in words.

    CSV is read by the chamber's remembered columns. JSON is a list of objects: `time` (ISO 8601 with its offset
    from UTC) and values by name, temperatures in °F (dry_bulb_f, wet_bulb_f, condensate_lb, meter_kwh, ch1 to ch8).
    """
    charge = Charge.objects.filter(
        chamber=address.chamber, started_at__isnull=False, unloaded_at=None, cancelled_at=None
    ).first()
    if charge is None:
        raise ValidationError(f"{address.chamber} holds no running charge. Nothing was taken.")
    if kind == "application/json":
        table, mapping = json_table(body)
    else:
        remembered = LogMapping.objects.filter(chamber=address.chamber).first()
        if remembered is None:
            raise ValidationError(
                f"The columns of {address.chamber}'s recorder are not known yet. Import one of its files by hand once."
            )
        table, mapping = logs.read_table(body), remembered.mapping
    channels, shop = dict(charge.probes.values_list("channel", "kind")), the_shop()
    parsed = logs.parse(
        table, mapping, zone=shop.time_zone, channels=channels, elevation_ft=shop.elevation_ft
    )
    if parsed.problems:
        raise ValidationError([str(problem) for problem in parsed.problems[:SHOWN]])
    return recorder.receive(charge=charge, rows=parsed.rows, mapping=mapping, by=address.made_by, now=now)


def json_table(body: bytes) -> tuple[logs.Table, dict[str, Any]]:
    """A JSON list of readings as a table with the mapping that reads it."""
    try:
        given = json.loads(body)
    except (ValueError, RecursionError):
        raise ValidationError("The body is not JSON. Send a list of objects, each with a time.") from None
    if not isinstance(given, list) or not given or not all(isinstance(row, dict) for row in given):
        raise ValidationError("Send a list of objects, each with a time and at least one value.")
    names = sorted({name for row in given for name in row} - {"time"})
    known = {*logs.TEMPERATURES, *logs.NUMBERS, *logs.CHANNELS, logs.HUMIDITY}
    if unknown := set(names) - known:
        raise ValidationError(f"Unknown: {', '.join(sorted(unknown))}. Use time, {', '.join(sorted(known))}.")
    rows = []
    for line, row in enumerate(given, 1):
        try:
            moment = dt.datetime.fromisoformat(str(row.get("time", "")))
        except ValueError:
            moment = None
        if moment is None or moment.tzinfo is None:
            raise ValidationError(
                f"Row {line}: time “{row.get('time', '')}” is not ISO 8601 with an offset, such as 2026-03-02T10:00:00-05:00."
            )
        utc = moment.astimezone(dt.UTC)
        cells = ("" if row.get(name) is None else str(row[name]) for name in names)
        rows.append((line, (f"{utc:%Y-%m-%d %H:%M:%S}Z", *cells)))
    mapping = {
        "time": "time", "clock": "", "columns": {name: name for name in names},
        "unit": "F", "order": "ymd", "clocks": "utc", "decimal": ".",
    }  # fmt: skip
    return logs.Table(("time", *names), tuple(rows), "utf-8", "json"), mapping
