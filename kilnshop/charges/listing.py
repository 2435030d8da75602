"""How the shop makes the checklists its own. What was signed before keeps its own text."""

import uuid

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.charges import checklists
from kilnshop.charges.checklists import Line
from kilnshop.charges.models import ListLine
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May, require


def _line(kind: str, key: str) -> Line:
    found = next((line for line in checklists.all_lines(kind) if line.key == key), None)
    if found is None:
        raise ValidationError("That line is not in the list. Open the page again.")
    return found


def _keep(kind: str, line: Line, **values) -> ListLine:
    """The shop's row of a line, made where it was ours alone."""
    row = ListLine.objects.filter(kind=kind, key=line.key).first()
    row = row or ListLine(kind=kind, key=line.key, place=line.place)
    for name, value in values.items():
        setattr(row, name, value)
    row.full_clean()
    row.save()
    return row


@transaction.atomic
def add_line(*, kind: str, text: str, why: str, caution: bool, by: Person) -> ListLine:
    """A line of the shop's own, at the end of the cautions or of the work."""
    require(by, May.RUN_CHARGES)
    last = max(line.place for line in checklists.all_lines(kind))
    line = Line(f"own-{uuid.uuid4().hex[:12]}", text, why, caution, last + 10)
    return _keep(kind, line, text=text.strip(), why=why.strip(), caution=caution)


@transaction.atomic
def hide_line(*, kind: str, key: str, why: str, by: Person) -> ListLine:
    """Take a line out of the list and keep the reason; a caution for people only by the owner."""
    require(by, May.RUN_CHARGES)
    line = _line(kind, key)
    if line.caution and not by.may(May.SET_UP):
        raise ValidationError(f"“{line.text}” is a caution for people: only the owner may hide it.")
    if not why.strip():
        raise ValidationError(f"Say why “{line.text}” is hidden; the reason stays beside it.")
    if not line.hidden_why and len(checklists.lines_of(kind)) == 1:
        raise ValidationError("This is the last line of the list. Add another before hiding it.")
    return _keep(kind, line, hidden_why=why.strip())


@transaction.atomic
def show_line(*, kind: str, key: str, by: Person) -> ListLine:
    require(by, May.RUN_CHARGES)
    return _keep(kind, _line(kind, key), hidden_why="")


@transaction.atomic
def move_line(*, kind: str, key: str, up: bool, by: Person) -> None:
    """One place up or down, among the cautions or among the work: cautions stay first."""
    require(by, May.RUN_CHARGES)
    moved = _line(kind, key)
    group = [line for line in checklists.lines_of(kind) if line.caution == moved.caution]
    at = next((i for i, line in enumerate(group) if line.key == key), None)
    if at is None or not 0 <= (to := at - 1 if up else at + 1) < len(group):
        return
    group[at], group[to] = group[to], group[at]
    for place, line in enumerate(group):
        _keep(kind, line, place=10 * place)
