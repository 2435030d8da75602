"""A piece tally: typed, pasted from a spreadsheet, or a CSV file. All rows are good or none is taken."""

import csv
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from kilnshop.imports.text import NotText, decoded

MAX_ROWS = 2000
MAX_BYTES = 1024 * 1024
MM_PER_IN, M_PER_FT = Fraction(254, 10), Fraction(3048, 10000)
COLUMNS = {
    "pieces": ("pieces", "piece", "pcs", "pc", "count", "number", "qty", "quantity", "boards", "no", "#"),
    "width": ("width", "wide", "w", "breadth"),
    "length": ("length", "long", "len", "l"),
}
THOUSANDS = re.compile(r"\d{1,3}(,\d{3})+")
FEET_INCHES = re.compile(
    r"(\d+)\s*(?:'|ft\.?|feet|’|′)\s*(\d+(?:\.\d+)?(?:\s+\d+/\d+)?|\d+/\d+)\s*(?:\"|in\.?|”|″)?"
)
UNIT_END = re.compile(r"\s*(?:\"|”|″|'|’|′|inches|inch|in\.?|feet|foot|ft\.?|mm|m)\s*$", re.IGNORECASE)
NUMBER = re.compile(r"(?:(\d+)(?:\s+|-))?(\d+)/(\d+)|(\d+(?:\.\d*)?|\.\d+)")


@dataclass(frozen=True)
class Problem:
    """One thing wrong: which row, which column, what stood there."""

    row: int
    column: str
    value: str
    text: str

    def __str__(self) -> str:
        where = f"Row {self.row}" if self.row else "The tally"
        return f"{where}, {self.column}: {self.text}" if self.column else f"{where}: {self.text}"


@dataclass(frozen=True)
class Tally:
    """Rows ready for the lot, or the problems. Never both."""

    rows: tuple[dict, ...]
    problems: tuple[Problem, ...]


def read_file(content: bytes, *, metric: bool = False) -> Tally:
    """A tally from an uploaded CSV or text file."""
    if len(content) > MAX_BYTES:
        return _refused(f"the file is {len(content) / 1048576:.1f} MB; a tally is at most 1 MB.")
    if content[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0") or content[:4] == b"%PDF":
        return _refused(
            "this is a workbook or a PDF, not text; save the sheet as CSV, or copy and paste its cells."
        )
    try:
        text = decoded(content)
    except NotText:
        return _refused("this is not text; save the sheet as CSV, or copy and paste its cells.")
    return read_text(text, metric=metric)


def read_text(text: str, *, metric: bool = False) -> Tally:
    """A tally from pasted or typed text: one size a row, pieces, width and length.

    Cells are apart by tabs, semicolons or commas; without any of these by "x" or spaces. A heading row is
    optional and may put the columns in another order. Widths are inches and lengths feet (mm and m when
    `metric`); 5 1/2 and 8' 6" are understood.
    """
    if "\0" in text:
        return _refused("this is not text; save the sheet as CSV, or copy and paste its cells.")
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip(" \t,;")]
    if not lines:
        return _refused("there are no rows. Give pieces, width and length, one size a row.")
    if len(lines) > MAX_ROWS + 1:
        return _refused(f"there are {len(lines)} rows; at most {MAX_ROWS} are taken at once.")
    separator = next((mark for mark in "\t;," if mark in lines[0][1]), "")
    try:
        cells = [(number, _split(line, separator)) for number, line in lines]
    except csv.Error as error:
        return _refused(f"the rows cannot be read as a table ({error}).")
    order, problem = _heading(cells[0][1], cells[0][0])
    if problem:
        return Tally((), (problem,))
    if order:
        cells = cells[1:]
        if not cells:
            return _refused("there is a heading but no rows below it.")
    order = order or {"pieces": 0, "width": 1, "length": 2}
    rows, problems = [], []
    for number, row in cells:
        row_values, row_problems = _row(number, row, order, metric, exact=len(order) == 3 and separator == "")
        problems += row_problems
        if not row_problems:
            rows.append(row_values)
    return Tally((), tuple(problems)) if problems else Tally(tuple(rows), ())


def _refused(text: str) -> Tally:
    return Tally((), (Problem(0, "", "", text),))


def _split(line: str, separator: str) -> list[str]:
    if separator:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, strict=False))]
    parts = re.split(r"\s*[x×*]\s*", line.strip(), flags=re.IGNORECASE)
    return parts if len(parts) > 1 else line.split()


def _heading(cells: list[str], number: int) -> tuple[dict[str, int], Problem | None]:
    """Column places from a heading row; empty when the first row already holds figures."""
    if any(re.search(r"\d", cell) for cell in cells):
        return {}, None
    words = [re.sub(r"[^a-z#]+", " ", re.sub(r"\(.*?\)", "", cell.lower())).split() for cell in cells]
    order = {}
    for column, names in COLUMNS.items():
        at = [place for place, cell in enumerate(words) if cell and any(word in names for word in cell)]
        if len(at) > 1:
            return {}, Problem(number, column, cells[at[1]], f"{column} appears in more than one heading.")
        if not at:
            text = f"no heading says {column}; name the columns pieces, width, length."
            return {}, Problem(number, column, "", text)
        order[column] = at[0]
    return order, None


def _row(
    number: int, cells: list[str], order: dict[str, int], metric: bool, exact: bool
) -> tuple[dict, list[Problem]]:
    problems: list[Problem] = []
    if len(cells) < 3 or (exact and len(cells) > 3):
        text = f"has {len(cells)} cell{'s' if len(cells) != 1 else ''}; give pieces, width and length."
        return {}, [Problem(number, "", " ".join(cells)[:40], text)]
    values: dict[str, object] = {}
    for column, read in (("pieces", _pieces), ("width", _width), ("length", _length)):
        text = cells[order[column]] if order[column] < len(cells) else ""
        try:
            if not text:
                raise ValueError("is empty")
            values[column] = read(text, metric)
        except ValueError as error:
            problems.append(Problem(number, column, text, f"“{text[:40]}” {error}."))
    if problems:
        return {}, problems
    return {"pieces": values["pieces"], "width_in": values["width"], "length_ft": values["length"]}, []


def _pieces(text: str, metric: bool) -> int:
    plain = text.replace(",", "") if THOUSANDS.fullmatch(text) else text
    plain = re.sub(r"\.0+$", "", plain)
    if not re.fullmatch(r"\d{1,7}", plain) or not plain.isascii():
        raise ValueError("is not a whole number of pieces")
    if not 1 <= int(plain) <= 100_000:
        raise ValueError("is outside 1 to 100,000 pieces")
    return int(plain)


def _number(text: str) -> Fraction:
    found = (
        NUMBER.fullmatch(UNIT_END.sub("", text).strip()) if text.isascii() or UNIT_END.search(text) else None
    )
    if not found or len(text) > 20:
        raise ValueError("is not a size")
    if found[4]:
        return Fraction(found[4])
    if int(found[3]) == 0:
        raise ValueError("is not a size")
    return int(found[1] or 0) + Fraction(int(found[2]), int(found[3]))


def _thousandths(value: Fraction) -> Decimal:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return exact.quantize(Decimal("0.001"), ROUND_HALF_UP)


def _width(text: str, metric: bool) -> Decimal:
    value = _number(text) / (MM_PER_IN if metric else 1)
    if not Fraction(1, 2) <= value <= 80:
        raise ValueError("is outside 13 to 2032 mm wide" if metric else "is outside 0.5 to 80 in wide")
    return _thousandths(value)


def _length(text: str, metric: bool) -> Decimal:
    both = FEET_INCHES.fullmatch(text.strip())
    value = int(both[1]) + _number(both[2]) / 12 if both else _number(text)
    if metric and not both:
        value /= M_PER_FT
    if not Fraction(1, 2) <= value <= 60:
        raise ValueError("is outside 0.15 to 18.3 m long" if metric else "is outside 0.5 to 60 ft long")
    return _thousandths(value)
