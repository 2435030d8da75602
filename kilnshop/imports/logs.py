"""Recorder logs: bytes and a column mapping in, readings and problems out. Nothing is guessed."""

import csv
import datetime as dt
import math
import re
import zoneinfo
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from kilnshop.imports.text import NotText, decoded_as
from kilnshop.science import psychro

MAX_ROWS = 1_100_000  # two years of one-minute readings
SNIFFED = 2000  # lines looked at to find the separator and the width of the table
CHANNELS = tuple(f"ch{number}" for number in range(1, 9))
TEMPERATURES = {"dry_bulb_f": "dry bulb", "wet_bulb_f": "wet bulb"}
NUMBERS = {"condensate_lb": "condensate", "meter_kwh": "meter"}
HUMIDITY = "rh_pct"  # a recorder without a wet bulb: the wet bulb is worked out, the file keeps the humidity
ORDERS = {"ymd": "Year first", "mdy": "Month first", "dmy": "Day first"}
CLOCKS = {
    "shop": "The shop's clock, changed in spring and fall",
    "standard": "The shop's standard time all year",
    "utc": "UTC",
}
BLANKS = frozenset({"", "-", "--", "---", "n/a", "na", "nan", "null", "none"})
RANGES = {
    "dry_bulb_f": (-40.0, 250.0, "°F"),
    "wet_bulb_f": (-40.0, 212.0, "°F"),
    "core": (-40.0, 250.0, "°F"),
    "mc": (0.0, 100.0, "%"),
    HUMIDITY: (1.0, 100.0, "%"),
    "condensate_lb": (0.0, 20_000.0, "lb"),
    "meter_kwh": (0.0, 1e9, "kWh"),
}
DATE = re.compile(r"(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})")
CLOCK = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*([ap])?\.?m?\.?\s*(z|utc|[+-]\d{2}:?\d{2})?", re.I
)
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.I)


class UnreadableLog(ValueError):
    """The file as a whole cannot be read; the message says why and what to do."""


@dataclass(frozen=True)
class Table:
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]  # (line of the file, cells)
    encoding: str
    separator: str


@dataclass(frozen=True)
class Problem:
    row: int
    column: str
    value: str
    text: str

    def __str__(self) -> str:
        return f"Row {self.row}: {self.text}" if self.row else self.text


@dataclass(slots=True)
class Row:
    line: int
    taken_at: dt.datetime  # UTC
    values: dict[str, float]


@dataclass
class Parsed:
    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    repeated: int = 0


def decode(data: bytes) -> tuple[str, str]:
    """Text and encoding of a recorder's file."""
    if not data.strip(b"\x00 \r\n\t"):
        raise UnreadableLog("The file is empty. Choose the recorder's CSV file.")
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise UnreadableLog("This is a spreadsheet workbook. Save the sheet as CSV and choose that file.")
    try:
        return decoded_as(data)
    except NotText:
        raise UnreadableLog("This is not a text file. Export the log as CSV and choose that file.") from None


def read_table(data: bytes) -> Table:
    """Find the separator and the header row below any preamble.

    Raises
    ------
    UnreadableLog
        Not a text table with a header row and dated rows below it.
    """
    text, encoding = decode(data)
    lines = text.splitlines()
    if len(lines) > MAX_ROWS:
        raise UnreadableLog(
            f"The file has {len(lines):,} lines; at most {MAX_ROWS:,} are read at once. Split it."
        )
    best: tuple[int, str, int] | None = None
    for separator in (";", "\t", ","):
        widths = Counter(
            len(row) for row in _split(lines[:SNIFFED], separator) if len(row) > 1 and any(map(_dated, row))
        )
        if widths:
            width, count = widths.most_common(1)[0]
            if best is None or width * count > best[0]:
                best = (width * count, separator, width)
    if best is None:
        raise UnreadableLog(
            "No row with a date and values was found. The file needs a header row and rows split by comma, "
            "semicolon or tab."
        )
    _, separator, width = best
    rows = _split(lines, separator)
    first = next(i for i, row in enumerate(rows) if len(row) == width and any(map(_dated, row)))
    top = None
    for i in range(first - 1, -1, -1):
        if len(rows[i]) < 2 or sum(map(bool, rows[i])) * 2 < width:
            break
        top = i
    if top is None:
        raise UnreadableLog(
            f"Row {first + 1} holds values but no header row is above it. Add one naming the columns."
        )
    named = len(rows[top])
    if over := next((i for i, row in enumerate(rows) if i >= first and any(row[named:])), None):
        raise UnreadableLog(
            f"Row {over + 1} has {len(rows[over])} values but the header names {named} columns. If the recorder writes "
            "decimal commas, let it separate columns by semicolon or tab."
        )
    names: list[str] = []
    for i in range(width):
        name = (rows[top][i] if i < len(rows[top]) else "") or f"Column {i + 1}"
        names.append(name if name not in names else f"{name} ({i + 1})")
    while first - 1 > top and any(map(NUMBER.fullmatch, rows[first - 1])):
        first -= 1  # values whose date cannot be read, not a row of units
    body = tuple((i + 1, tuple(row)) for i, row in enumerate(rows) if i >= first and any(row))
    return Table(tuple(names), body, encoding, separator)


def _split(lines: list[str], separator: str) -> list[list[str]]:
    try:
        return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator)]
    except csv.Error as error:
        raise UnreadableLog(f"The file is damaged: {error}. Export the log as CSV again.") from None


def _dated(cell: str) -> bool:
    return bool(DATE.match(cell) or CLOCK.fullmatch(cell))


def mapping_problems(
    mapping: dict[str, Any], header: tuple[str, ...], channels: dict[int, str]
) -> list[Problem]:
    """What is wrong with a mapping before a row is read. `channels`: what each set-up channel measures."""
    found = []
    used: dict[str, str] = {}
    for key, name in {
        "time": mapping.get("time"),
        "clock": mapping.get("clock"),
        **mapping["columns"],
    }.items():
        if not name:
            continue
        if name not in header:
            found.append(
                Problem(0, name, "", f"The file has no column “{name}”; its columns are {', '.join(header)}.")
            )
        elif name in used:
            found.append(Problem(0, name, "", f"Column “{name}” is used twice. Map each column once."))
        used[name] = key
    if not mapping.get("time"):
        found.append(Problem(0, "", "", "Say which column holds the time."))
    if not mapping["columns"]:
        found.append(Problem(0, "", "", "Map at least one column of values."))
    if HUMIDITY in mapping["columns"]:
        if "wet_bulb_f" in mapping["columns"]:
            found.append(Problem(0, "", "", "Map the wet bulb or the relative humidity, not both."))
        if "dry_bulb_f" not in mapping["columns"]:
            found.append(
                Problem(0, "", "", "Relative humidity needs the dry bulb beside it. Map the dry bulb too.")
            )
    for key in mapping["columns"]:
        if key in CHANNELS and int(key[2:]) not in channels:
            found.append(
                Problem(
                    0,
                    mapping["columns"][key],
                    "",
                    f"Channel {key[2:]} has no probe. Set up the probes first.",
                )
            )
    return found


def parse(
    table: Table,
    mapping: dict[str, Any],
    *,
    zone: str,
    channels: dict[int, str],
    elevation_ft: float = 0.0,
) -> Parsed:
    """Readings in time order, and every problem by row, column and value.

    Parameters
    ----------
    mapping : dict
        time, clock (headers; clock blank when the time column holds both), columns {field: header},
        unit "F" or "C", order (ORDERS), clocks (CLOCKS), decimal "." or ",".
    zone : str
        The shop's time zone.
    channels : dict
        Channel number to "mc" or "core", for the channels that have a probe.
    elevation_ft : float
        Height of the shop above the sea [ft]; a wet bulb worked out from humidity depends on it slightly.
    """
    parsed = Parsed(problems=mapping_problems(mapping, table.header, channels))
    if parsed.problems:
        return parsed
    at = {name: i for i, name in enumerate(table.header)}
    date_of, clock_of = _Cached(lambda text: _date(text, mapping["order"])), _Cached(_clock)
    readers = [
        (key, name, at[name], _Cached(lambda text, key=key: _value(text, key, mapping, channels)))
        for key, name in mapping["columns"].items()
    ]
    wet_bulb = _Cached(lambda air: round(min(psychro.wet_bulb_f(*air, elevation_ft), air[0]), 4))
    time_at, clock_at = at[mapping["time"]], at[mapping["clock"]] if mapping.get("clock") else None
    width = len(table.header)
    moments: list[tuple[int, str, dt.datetime, dict[str, float]]] = []
    for line, cells in table.rows:
        if len(cells) != width and (len(cells) < width or any(cells[width:])):
            parsed.problems.append(
                Problem(line, "", "", f"it has {len(cells)} cells where the header has {width}.")
            )
            continue
        text = cells[time_at] if clock_at is None else f"{cells[time_at]} {cells[clock_at]}"
        try:
            date, clock = _date_and_clock(text)
            moment = dt.datetime.combine(date_of[date], clock_of[clock])
        except ValueError:
            wanted = ORDERS[mapping["order"]].lower()
            parsed.problems.append(
                Problem(
                    line,
                    mapping["time"],
                    text,
                    f"“{text}” in “{mapping['time']}” is not a date ({wanted}) and time.",
                )
            )
            continue
        values: dict[str, float] = {}
        for key, name, i, read in readers:
            try:
                value = read[cells[i]]
            except ValueError as error:
                parsed.problems.append(Problem(line, name, cells[i], f"“{cells[i]}” in “{name}” {error}"))
            else:
                if value is not None:
                    values[key] = value
        humidity, dry = values.pop(HUMIDITY, None), values.get("dry_bulb_f")
        if humidity is not None and dry is not None:
            try:
                values["wet_bulb_f"] = wet_bulb[dry, humidity]
            except ValueError as error:
                name = mapping["columns"][HUMIDITY]
                text = f"no wet bulb for {dry:g} °F and {humidity:g} % relative humidity: {error}."
                parsed.problems.append(Problem(line, name, cells[at[name]], text))
        wet = values.get("wet_bulb_f")
        if dry is not None and wet is not None and wet > dry and HUMIDITY not in mapping["columns"]:
            a, b = cells[at[mapping["columns"]["wet_bulb_f"]]], cells[at[mapping["columns"]["dry_bulb_f"]]]
            unit = mapping["unit"]
            parsed.problems.append(
                Problem(
                    line,
                    mapping["columns"]["wet_bulb_f"],
                    a,
                    f"wet bulb {a} °{unit} is above dry bulb {b} °{unit}.",
                )
            )
        moments.append((line, text, moment, values))
    _place(parsed, moments, mapping["clocks"], zoneinfo.ZoneInfo(zone))
    return parsed


class _Cached(dict[Any, Any]):
    """A function asked the same few things a million times. What it refuses is asked anew."""

    def __init__(self, function: Callable[[Any], Any]) -> None:
        self.function = function

    def __missing__(self, given: Any) -> Any:
        value = self[given] = self.function(given)
        return value


def _date_and_clock(text: str) -> tuple[str, str]:
    """The two parts of a written moment, each of which repeats from row to row."""
    for gap in " T\t":
        date, found, clock = text.partition(gap)
        if found:
            return date, clock
    return text, ""


def _date(text: str, order: str) -> dt.date:
    found = DATE.fullmatch(text.rstrip(","))
    if not found:
        raise ValueError(text)
    parts = dict(zip(order, (int(part) for part in found.groups()), strict=True))
    year_text = found.groups()[order.index("y")]
    if len(year_text) not in (2, 4) or len(found.groups()[2 if order == "ymd" else 0]) > 2:
        raise ValueError(text)
    return dt.date(parts["y"] + (2000 if len(year_text) == 2 else 0), parts["m"], parts["d"])


def _clock(text: str) -> dt.time:
    """The written time of day; naive unless the text carries its own offset."""
    found = CLOCK.fullmatch(text.strip(" ,\t"))
    if not found:
        raise ValueError(text)
    hour, half = int(found[1]), (found[4] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(text)
        hour = hour % 12 + (12 if half == "p" else 0)
    zone, offset = None, (found[5] or "").lower()
    if offset in ("z", "utc"):
        zone = dt.UTC
    elif offset:
        minutes = int(offset[1:3]) * 60 + int(offset[-2:])
        zone = dt.timezone(dt.timedelta(minutes=-minutes if offset[0] == "-" else minutes))
    return dt.time(hour, int(found[2]), int(found[3] or 0), tzinfo=zone)


def _value(text: str, key: str, mapping: dict[str, Any], channels: dict[int, str]) -> float | None:
    if text.lower() in BLANKS:
        return None
    if mapping["decimal"] == ",":
        if "." in text:
            raise ValueError("has a point, but the file was said to use decimal commas.")
        plain = text.replace(",", ".")
    else:
        if "," in text:
            raise ValueError("has a comma, but the file was said to use decimal points.")
        plain = text
    if not NUMBER.fullmatch(plain):
        raise ValueError("is not a number.")
    value = float(plain)
    kind = channels[int(key[2:])] if key in CHANNELS else key
    low, high, unit = RANGES[kind]
    celsius = unit == "°F" and mapping["unit"] == "C"
    if celsius:
        value = round(value * 9 / 5 + 32, 4)
    if not (math.isfinite(value) and low <= value <= high):
        if celsius:
            low, high, unit = (low - 32) / 1.8, (high - 32) / 1.8, "°C"
        raise ValueError(f"is outside {low:.0f} to {high:.0f} {unit}.")
    return round(value, 4) if unit == "°F" else value


def _place(parsed: Parsed, moments: list, clocks: str, zone: zoneinfo.ZoneInfo) -> None:
    """Put the written moments on the clock of the world, in time order, and drop exact repeats."""
    if len(moments) > 1 and _naive(moments[0][2]) > _naive(moments[-1][2]):
        moments = moments[::-1]  # newest first
    previous: dt.datetime | None = None
    seen: dict[dt.datetime, dict[str, float]] = {}
    steady = _Cached(lambda quarter: _steady_offset(dt.datetime(*quarter[:4], quarter[4] * 15), clocks, zone))
    for line, text, moment, values in moments:
        try:
            quarter = (moment.year, moment.month, moment.day, moment.hour, moment.minute // 15)
            offset = None if moment.tzinfo else steady[quarter]
            utc = _utc(moment, clocks, zone, previous) if offset is None else moment.replace(tzinfo=offset)
        except (ValueError, OverflowError) as error:
            parsed.problems.append(Problem(line, "", text, f"{text} {error}"))
            continue
        previous = utc = utc.astimezone(dt.UTC)
        if utc not in seen:
            seen[utc] = values
            parsed.rows.append(Row(line, utc, values))
        elif seen[utc] == values:
            parsed.repeated += 1
        else:
            parsed.problems.append(
                Problem(
                    line, "", text, f"{text} is in the file twice with different values. Keep one of them."
                )
            )
    parsed.rows.sort(key=lambda row: row.taken_at)
    parsed.problems.sort(key=lambda problem: problem.row)


def _naive(moment: dt.datetime) -> dt.datetime:
    return moment.replace(tzinfo=None)


def _steady_offset(quarter: dt.datetime, clocks: str, zone: zoneinfo.ZoneInfo) -> dt.timezone | None:
    """The clock's distance from UTC all through a quarter of an hour; None when it changes near."""
    if clocks != "shop":
        return dt.timezone(quarter - _utc(quarter, clocks, zone, None).replace(tzinfo=None))
    ends = (quarter, quarter + dt.timedelta(minutes=15))
    offsets = {end.replace(tzinfo=zone, fold=fold).utcoffset() for end in ends for fold in (0, 1)}
    return dt.timezone(offsets.pop() or dt.timedelta()) if len(offsets) == 1 else None


def _utc(
    moment: dt.datetime, clocks: str, zone: zoneinfo.ZoneInfo, previous: dt.datetime | None
) -> dt.datetime:
    if moment.tzinfo:
        return moment.astimezone(dt.UTC)
    if clocks == "utc":
        return moment.replace(tzinfo=dt.UTC)
    if clocks == "standard":
        local = moment.replace(tzinfo=zone)
        standard = (local.utcoffset() or dt.timedelta()) - (local.dst() or dt.timedelta())
        return (moment - standard).replace(tzinfo=dt.UTC)
    first = moment.replace(tzinfo=zone, fold=0).astimezone(dt.UTC)
    second = moment.replace(tzinfo=zone, fold=1).astimezone(dt.UTC)
    if first == second:
        return first
    if first.astimezone(zone).replace(tzinfo=None) != moment:
        raise ValueError(
            "did not happen: the shop's clock went forward over it. If the recorder does not change its "
            "clock, choose standard time."
        )
    if previous is None:
        raise ValueError(
            "happened twice that night and no earlier row tells which. Import a file that starts before the "
            "clock change, or choose standard time if the recorder does not change its clock."
        )
    return first if first > previous else second  # the recorder writes the repeated hour in order
