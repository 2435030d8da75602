"""CSV rows into the shop's own records: every problem by row, column and value, and then all or nothing."""

import csv
import datetime as dt
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError
from django.db.models import BooleanField, Model

from kilnshop.imports.text import NotText, decoded

MAX_ROWS = 5000
SHOWN = 50
YES, NO = frozenset({"yes", "y", "true", "1"}), frozenset({"no", "n", "false", "0"})
FROM_TODAY = re.compile(r"[+-]?\d{1,4}")


@dataclass(frozen=True)
class Problem:
    """One thing wrong: which row, which column, what stood there."""

    row: int
    column: str
    value: str
    text: str

    def __str__(self) -> str:
        where = f"Row {self.row}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.value!r}: {self.text}" if self.value else f"{where}: {self.text}"


@dataclass(frozen=True)
class Row:
    line: int
    cells: dict[str, str]

    def get(self, column: str) -> str:
        return self.cells.get(column, "")


@dataclass
class Sheet:
    """The rows of a file and what was found wrong with them so far."""

    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, row: Row, column: str, text: str) -> None:
        self.problems.append(Problem(row.line, column, row.get(column), text))

    def refused(
        self,
        row: Row,
        error: ValidationError,
        columns: dict[str, str] | None = None,
        secret: Iterable[str] = (),
    ) -> None:
        """What an action said about a row. `columns` names the column of a field; `secret` ones are not shown."""
        if not hasattr(error, "error_dict"):
            for message in error.messages:
                self.wrong(row, "", message)
            return
        for name, messages in error.message_dict.items():
            column = (columns or {}).get(name, name)
            value = row.get(column) if name not in secret else ""
            for message in messages:
                self.problems.append(Problem(row.line, column if column in row.cells else "", value, message))

    def day(self, row: Row, column: str, today: dt.date) -> dt.date | None:
        """A date, or whole days from today such as -12; None when empty or wrong."""
        text = row.get(column)
        if not text:
            return None
        try:
            if FROM_TODAY.fullmatch(text):
                return today + dt.timedelta(days=int(text))
            return dt.date.fromisoformat(text)
        except ValueError:
            self.wrong(row, column, "use a date such as 2026-03-02, or days from today such as -12")
            return None

    def put(self, row: Row, record: Model, names: Iterable[str]) -> None:
        """Put the cells of `names` on a record; an empty cell keeps the usual value. The action checks them."""
        for name in names:
            text = row.get(name)
            if not text:
                continue
            if isinstance(record._meta.get_field(name), BooleanField):
                if text.lower() not in YES | NO:
                    self.wrong(row, name, "use yes or no")
                    continue
                setattr(record, name, text.lower() in YES)
            else:
                setattr(record, name, text)

    def stop_if_wrong(self) -> None:
        if self.problems:
            shown = [str(problem) for problem in self.problems[:SHOWN]]
            more = [f"And {len(self.problems) - SHOWN} more."] if len(self.problems) > SHOWN else []
            raise ValidationError([*shown, *more, "Nothing was imported."])


def read(data: bytes, *, needed: Iterable[str], optional: Iterable[str] = ()) -> Sheet:
    """Rows by column name. ValidationError when the file as a whole cannot be read."""
    try:
        text = decoded(data)
        lines = list(csv.reader(text.splitlines()))
    except (NotText, csv.Error) as error:
        raise ValidationError(f"The file is not readable as CSV text ({error}). Save it as CSV.") from None
    lines = [[cell.strip() for cell in line] for line in lines]
    if not lines or not any(lines[0]):
        raise ValidationError("The file is empty. It needs a heading row and rows below it.")
    heads, needed = lines[0], list(needed)
    known = {*needed, *optional}
    sheet = Sheet()
    for name in needed:
        if name not in heads:
            sheet.problems.append(Problem(1, name, "", "this column is missing"))
    for name in heads:
        if name not in known:
            text = f"is not a column here; the columns are {', '.join([*needed, *optional])}"
            sheet.problems.append(Problem(1, "", name, text))
        elif heads.count(name) > 1:
            sheet.problems.append(Problem(1, name, "", "this column is there twice"))
    sheet.stop_if_wrong()
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cells):
            continue
        if len(cells) != len(heads):
            text = f"has {len(cells)} cells where the heading has {len(heads)}"
            sheet.problems.append(Problem(number, "", "", text))
            continue
        row = Row(number, dict(zip(heads, cells, strict=True)))
        sheet.rows.append(row)
        for name in needed:
            if not row.get(name):
                sheet.wrong(row, name, "is empty")
    if len(sheet.rows) > MAX_ROWS:
        raise ValidationError(f"The file has {len(sheet.rows)} rows; at most {MAX_ROWS} are taken at once.")
    if not sheet.rows and not sheet.problems:
        raise ValidationError("The file has a heading but no rows. Nothing was imported.")
    return sheet


def blocks(text: str) -> Iterator[str]:
    """The parts of a cell that holds several things, parted by semicolons."""
    yield from (part.strip() for part in text.split(";") if part.strip())
