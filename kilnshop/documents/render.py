"""Quote, ticket, invoice, plan, set-point sheet and charge report from their frozen figures: one HTML for the screen, the printer and the PDF."""

import datetime as dt
from importlib.resources import files

from django.conf import settings
from django.contrib.staticfiles import finders
from django.template import Context, Engine

from kilnshop.documents import figures as drawn
from kilnshop.documents import stacks

INSTALL = "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0"
SHARED = {"shop", "customer", "number", "order_number", "issued_on", "paper", "units", "currency_symbol"}
PRICED = {"lines", "subtotal", "tax", "tax_name", "total", "basis", "terms"}
NEEDED = {
    "charge_report": {
        "shop",
        "number",
        "issued_on",
        "paper",
        "units",
        "sentence",
        "compared",
        "charts",
        "steps",
    }
    | {"lots", "probes", "done", "alerts", "notes", "checklists", "logs", "tickets", "chamber", "schedule"},
    "set_points": {
        "shop",
        "number",
        "issued_on",
        "paper",
        "units",
        "schedule",
        "chamber",
        "lots",
        "steps",
        "hot",
        "watch",
        "humidifier",
        "degree",
        "elevation",
        "lockout_f",
    },
    "plan": {
        "shop",
        "title",
        "number",
        "issued_on",
        "paper",
        "sentence",
        "about",
        "facts",
        "charts",
        "steps",
        "lots",
    }
    | {"warnings", "workings"},
    "quote": SHARED
    | PRICED
    | {"revision", "valid_until", "lots", "deposit", "ready_low", "ready_high", "could_move", "days"},
    "invoice": SHARED
    | PRICED
    | {"due_on", "tickets", "credits", "why", "exempt_note", "deposit_paid", "balance_at_issue"},
    "ticket": (SHARED - {"currency_symbol"})
    | {
        "delivered_on",
        "issued_by",
        "code",
        "confirm_url",
        "supersedes",
        "lots",
        "storage_advice",
        "cautions",
        "total_bf",
        "boards_tested",
        "boards_within",
    },
    "checklist": {"shop", "number", "issued_on", "paper", "title", "chamber", "days", "lines", "defer"},
    "door_label": {"shop", "number", "issued_on", "paper", "labels", "caution"},
    "week": {"shop", "number", "issued_on", "paper", "days", "today", "lines", "promised", "loads"},
    "labels": {"shop", "sheet", "pages"},
    "load_sheet": (SHARED - {"customer", "order_number", "currency_symbol"})
    | {"chamber", "first_day", "likely_last_day", "last_day", "load", "probes", "cautions", "lines", "defer"},
}


class PdfUnavailable(Exception):
    """The libraries that make PDF files are not installed; the message says how to install them."""


def html(kind: str, figures: dict, *, notice: str = "") -> str:
    """The paper as a whole HTML page. `notice` is a later fact printed across the head, such as a supersession.

    Raises
    ------
    ValueError
        An unknown kind, or figures that lack something the paper prints.
    """
    if kind not in NEEDED:
        raise ValueError(f"kind={kind!r}: use one of {', '.join(NEEDED)}")
    if missing := NEEDED[kind] - figures.keys():
        raise ValueError(f"{kind} {figures.get('number', '?')} lacks {', '.join(sorted(missing))}")
    engine = Engine(
        dirs=[settings.BASE_DIR / "templates"],
        libraries={"static": "django.templatetags.static"},
        builtins=["kilnshop.documents.paper"],
    )
    context = {**figures, "notice": notice}
    if kind == "ticket":
        context["qr"] = drawn.qr(figures["confirm_url"])
        context["lots"] = pictured(figures)
    if kind == "labels":
        context["pages"] = [
            [label and {**label, "qr": drawn.qr(label["address"])} for label in page]
            for page in figures["pages"]
        ]
    if kind == "load_sheet":
        context["drawings"] = stacks.drawings(figures["load"].stack, figures["load"].letters)
    return engine.get_template(f"documents/{kind}.html").render(Context(context))


LABELS = {"letter": 10, "a4": 8, "single": 1}  # a sheet; 4 x 2 in, 99.1 x 67.7 mm, 4 x 6 in


def label_pages(labels: list[dict], sheet: str, start: int = 1) -> list[list[dict | None]]:
    """Labels laid on sheets; None where a label was used before `start`."""
    laid, size = [*[None] * ((start - 1) % LABELS[sheet]), *labels], LABELS[sheet]
    return [laid[place : place + size] for place in range(0, len(laid), size)]


def pictured(figures: dict) -> list[dict]:
    """The lots of a ticket, each with its drawing."""
    return [{**lot, "picture": drawn.lot_chart(lot, figures["units"])} for lot in figures["lots"]]


def pdf(page: str) -> bytes:
    """The PDF of a page made by `html`.

    Raises
    ------
    PdfUnavailable
        The system libraries are missing.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher, URLFetcherResponse
    except OSError as error:
        raise PdfUnavailable(
            f"PDF files need two system libraries. Install them with: {INSTALL}"
            " - until then, open the printable page and print it from the browser."
        ) from error

    class OwnFilesOnly(URLFetcher):
        """The print stylesheet, the packaged font and drawings in the page: nothing else, and no network."""

        def fetch(self, url, headers=None):
            name = url.rsplit("/", 1)[-1]
            if url.startswith("data:"):
                return super().fetch(url, headers)
            if (
                name.startswith("SourceSansPro-")
                and (font := files("font_source_sans_pro") / "files" / name).is_file()
            ):
                return URLFetcherResponse(url, font.read_bytes(), {"Content-Type": "font/ttf"})
            if name.startswith("paper.") and name.endswith(".css"):
                with open(finders.find("kilnshop/paper.css"), encoding="utf-8") as sheet:
                    return URLFetcherResponse(url, sheet.read(), {"Content-Type": "text/css"})
            raise ValueError(f"a paper may not load {url}")

    return HTML(string=page, base_url="https://paper.invalid/", url_fetcher=OwnFilesOnly()).write_pdf(
        pdf_tags=True
    )


def file_name(number: str, day: dt.date | str) -> str:
    return f"{number} {day}.pdf"
