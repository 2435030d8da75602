"""The whole file of a charge as one ZIP: tables as CSV, papers as PDF, originals as they came, and their checksums."""

import csv
import datetime as dt
import hashlib
import io
import json
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import models
from django.utils import timezone

from kilnshop.charges import sources
from kilnshop.charges.models import Charge
from kilnshop.documents import render as papers
from kilnshop.orders.models import Lot
from kilnshop.shop.models import Person
from kilnshop.tickets import queries as tickets

ROWS = 5000  # of a table, held at a time
BYTES = 1 << 18
LEFT_OUT = {"declared_value", "plan"}  # a price; and the plan, which has its own file


@dataclass(frozen=True)
class Member:
    """One file of the archive."""

    name: str
    about: str
    content: Iterable[bytes]


def _tables(charge: Charge) -> Iterator[tuple[str, models.QuerySet]]:
    """Every table with rows of this charge, by the keys that lead from it to the charge."""
    yield "lots", Lot.objects.filter(charge_lots__charge=charge).order_by("pk")
    for model in apps.get_app_config("charges").get_models():
        if way := _way(model):
            rows = model._default_manager.filter(**{way: charge.pk}).order_by("pk")
            yield str(model._meta.verbose_name_plural).replace(" ", "_"), rows


def _way(model: type[models.Model], passed: tuple = ()) -> str:
    """Such as "reading__charge"; empty where no key leads to a charge."""
    if model is Charge:
        return "pk"
    if model in passed or model._meta.app_label != "charges":
        return ""
    for field in model._meta.concrete_fields:
        if field.is_relation and (way := _way(field.related_model, (*passed, model))):
            return field.name if way == "pk" else f"{field.name}__{way}"
    return ""


def _cell(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return timezone.localtime(value).isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, str) and value[:1] in ("=", "+", "@", "\t"):
        return f"'{value}"  # a spreadsheet would run it as a formula
    return "" if value is None else value


def _csv(rows: models.QuerySet) -> Iterator[bytes]:
    """The rows with their column names; a person by name, another row by its id."""
    fields = [field for field in rows.model._meta.concrete_fields if field.name not in LEFT_OUT]
    people = {person.pk: str(person) for person in Person.objects.all()}
    by_name = {index for index, field in enumerate(fields) if field.related_model is Person}
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([field.name if index in by_name else field.attname for index, field in enumerate(fields)])
    found = rows.values_list(*(field.attname for field in fields)).iterator(chunk_size=ROWS)
    for count, row in enumerate(found, 1):
        writer.writerow(
            [people.get(value, "") if index in by_name else _cell(value) for index, value in enumerate(row)]
        )
        if count % ROWS == 0:
            yield text.getvalue().encode()
            text.seek(0)
            text.truncate()
    yield text.getvalue().encode()


WEIGHED = "moisture_by_weight.csv"
WEIGHED_COLUMNS = [
    "sample", "kind", "lot", "at", "what", "weight", "unit", "oven_dry_lb", "oven_dry_how", "mc_pct", "mc_low_pct",
    "mc_high_pct", "set_aside_why", "by",
]  # fmt: skip


def _weighed(charge: Charge) -> list[list]:
    """Each weight of the samples as the scale showed it, and what it means."""
    return [
        [
            found.sample.name,
            found.sample.kind,
            str(found.sample.charge_lot.lot),
            point.at,
            "cut" if point.is_cut else "weight",
            point.row.weight,
            point.row.unit,
            point.dry and point.dry.lb,
            point.dry and point.dry.how,
            point.mc_pct,
            point.band and point.band.low,
            point.band and point.band.high,
            point.row.set_aside_why,
            str(point.row.by),
        ]
        for found in sources.samples(charge)
        for point in found.history
    ]


def _sheet(columns: list[str], rows: Iterable[list]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows([columns, *([_cell(value) for value in row] for row in rows)])
    return text.getvalue().encode()


def _originals(charge: Charge) -> Iterator[Any]:
    """Every file kept with the charge: photos and recorder files."""
    for _, rows in _tables(charge):
        for field in rows.model._meta.concrete_fields:
            if isinstance(field, models.FileField):
                for row in rows.exclude(**{field.name: ""}):
                    yield getattr(row, field.name)


def _read(file: Any) -> Iterator[bytes]:
    with file.open("rb") as source:
        while part := source.read(BYTES):
            yield part


def _paper(name: str, about: str, page: str) -> Member:
    """A PDF, or the printable page where PDF files cannot be made."""
    try:
        return Member(f"{name}.pdf", about, [papers.pdf(page)])
    except papers.PdfUnavailable:
        return Member(f"{name}.html", about, [page.encode()])


def parts(charge: Charge) -> dict[str, Any]:
    """What the archive will hold, before it is made."""
    shown = [{"name": f"{name}.csv", "rows": rows.count()} for name, rows in _tables(charge)]
    shown.append({"name": WEIGHED, "rows": len(_weighed(charge))})
    files = list(_originals(charge))
    missing = [file.name for file in files if not file.storage.exists(file.name)]
    size = sum(file.size for file in files if file.name not in missing)
    return {
        "tables": [part for part in shown if part["rows"]],
        "originals": len(files),
        "bytes": size,
        "missing": missing,
        "tickets": tickets.of_charge(charge),
    }


def _members(charge: Charge, report: str, plan: str) -> Iterator[Member]:
    yield _paper("charge report", "The charge report, as printed today", report)
    if plan:
        yield _paper("plan", "The plan with its curves, as it was booked or moved last", plan)
    for ticket in tickets.of_charge(charge):
        about = f"Ticket {ticket} as issued"
        yield _paper(
            f"tickets/{ticket}", about, papers.html("ticket", ticket.figures, notice=tickets.notice(ticket))
        )
        figures = json.dumps(ticket.figures, ensure_ascii=False, indent=1).encode()
        yield Member(f"tickets/{ticket}.json", f"{about}, its frozen figures", [figures])
    figures = json.dumps(charge.plan, ensure_ascii=False, indent=1).encode()
    yield Member("plan.json", "The figures of the plan, frozen at the start", [figures])
    for name, rows in _tables(charge):
        if rows.exists():
            yield Member(f"{name}.csv", f"Table of {name.replace('_', ' ')}", _csv(rows))
    if weighed := _weighed(charge):
        about = "Weights of the samples with the oven-dry weight estimated and the moisture that follows"
        yield Member(WEIGHED, about, [_sheet(WEIGHED_COLUMNS, weighed)])
    for file in _originals(charge):
        if file.storage.exists(file.name):
            yield Member(f"originals/{file.name}", "As it was uploaded", _read(file))
        else:
            yield Member(f"originals/{file.name} is missing.txt", "No longer on the disk of the shop", [b""])


class _Sink:
    """What ZipFile wrote and nobody has sent yet."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def write(self, data: bytes) -> int:
        self.parts.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        pass

    def taken(self) -> bytes:
        parts, self.parts = self.parts, []
        return b"".join(parts)


def stream(charge: Charge, report: str, plan: str, now: dt.datetime) -> Iterator[bytes]:
    """The archive, piece by piece, with the pages of report and plan; contents.txt comes last, with the SHA-256 of every file."""
    sink, lines = _Sink(), []
    stamp = timezone.localtime(now).timetuple()[:6]
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as made:
        for member in _members(charge, report, plan):
            digest, size = hashlib.sha256(), 0
            info = zipfile.ZipInfo(member.name, stamp)
            info.compress_type = zipfile.ZIP_DEFLATED
            with made.open(info, "w", force_zip64=True) as entry:
                for part in member.content:
                    digest.update(part)
                    size += len(part)
                    entry.write(part)
                    yield sink.taken()
            lines.append(f"{digest.hexdigest()}  {member.name}")
            lines.append(f"# {member.about}, {size:,} bytes")
            yield sink.taken()
        contents = zipfile.ZipInfo("contents.txt", stamp)
        contents.compress_type = zipfile.ZIP_DEFLATED
        made.writestr(contents, "\n".join([*_head(charge, now), *lines, ""]))
    yield sink.taken()


def _head(charge: Charge, now: dt.datetime) -> list[str]:
    return [
        f"# Charge {charge} in {charge.chamber}, its whole file, made {timezone.localtime(now):%Y-%m-%d %H:%M %Z}.",
        "# Tables are CSV in UTF-8 with column names; temperatures in °F, volumes in bf, times with their UTC offset.",
        "# Readings are raw; corrected moisture stands in corrections.csv beside them, by reading_id and channel.",
        "# The line of each file is its SHA-256 and name, so that `sha256sum -c contents.txt` checks them all.",
    ]
