"""A plain heat log: a time column, one or more core columns, optional air. °F, or °C when the heading says so."""

import csv
import datetime as dt
import re
from dataclasses import dataclass

from kilnshop.imports.text import decoded

CELSIUS = re.compile(r"(°\s*c\b|\(c\)|[_ ]c$|\bdeg\s*c\b|celsius)", re.IGNORECASE)
FAHRENHEIT = re.compile(r"(°\s*f\b|\(f\)|[_ ]f$|\bdeg\s*f\b|fahrenheit)", re.IGNORECASE)


@dataclass(frozen=True)
class HeatLog:
    """Times as written, and temperatures by column in °F to 4 decimals (56 °C is 132.8)."""

    times: tuple[dt.datetime, ...]
    cores: dict[str, tuple[float | None, ...]]
    air: dict[str, tuple[float | None, ...]]


def read_heat_log(content: bytes, *, unit: str | None = None) -> HeatLog:
    """Read the whole file or raise ValueError with row, column and value of the first problem.

    `unit` ("F" or "C") is for headings that name no unit; without it they are °F.
    """
    try:
        rows = list(csv.reader(decoded(content).splitlines()))
    except csv.Error as problem:
        raise ValueError(f"the file is not readable as CSV ({problem})") from None
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    if len(rows) < 2:
        raise ValueError("the file has no readings: it needs a heading row and rows below it")
    heads = [head.strip() for head in rows[0]]
    time_at = next((i for i, head in enumerate(heads) if "time" in head.lower()), None)
    if time_at is None:
        raise ValueError(f"no time column: a heading with the word time is needed, found {', '.join(heads)}")
    cores = [i for i, head in enumerate(heads) if "core" in head.lower()]
    if not cores:
        raise ValueError(f"no core column: a heading with the word core is needed, found {', '.join(heads)}")
    air = [i for i, head in enumerate(heads) if "air" in head.lower() and i not in cores]
    times: list[dt.datetime] = []
    columns: dict[int, list[float | None]] = {i: [] for i in (*cores, *air)}
    for line, row in enumerate(rows[1:], start=2):
        if len(row) != len(heads):
            raise ValueError(f"row {line}: {len(row)} cells where the heading has {len(heads)}")
        times.append(_time(row[time_at], line, heads[time_at]))
        for i, values in columns.items():
            values.append(_temperature(row[i], line, heads[i], unit))
    if len({moment.tzinfo is None for moment in times}) == 2:
        raise ValueError("some times have a time zone and some have none: give all of them one, or none")
    return HeatLog(
        tuple(times),
        {heads[i]: tuple(columns[i]) for i in cores},
        {heads[i]: tuple(columns[i]) for i in air},
    )


def _time(text: str, line: int, head: str) -> dt.datetime:
    try:
        return dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"row {line}, {head}={text!r}: use a time such as 2026-03-02 14:05") from None


def _temperature(text: str, line: int, head: str, unit: str | None) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"row {line}, {head}={text!r}: use a temperature or leave it empty") from None
    celsius = bool(CELSIUS.search(head)) or (unit == "C" and not FAHRENHEIT.search(head))
    value_f = round(value * 9 / 5 + 32, 4) if celsius else round(value, 4)
    if not -60 <= value_f <= 400:
        raise ValueError(f"row {line}, {head}={text!r}: outside what a kiln sensor reads, -60 to 400 °F")
    return value_f
