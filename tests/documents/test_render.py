"""The papers: everything on them, on every page, in the PDF as on the printable page."""

import builtins
import io
import re

import pytest
from pypdf import PdfReader

from kilnshop.documents import paper, render
from tests.documents import samples

PAPERS = {
    "quote": ("quote", samples.QUOTE),
    "invoice": ("invoice", samples.INVOICE),
    "credit note": ("invoice", samples.CREDIT),
    "ticket": ("ticket", samples.TICKET),
}


def read(content: bytes) -> list[str]:
    """The text of each page, white space made even."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(content)).pages]


@pytest.fixture(scope="module", params=PAPERS)
def printed(request):
    from django.conf import settings

    before = settings.STORAGES
    settings.STORAGES = {
        **before,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    kind, figures = PAPERS[request.param]
    page = render.html(kind, figures)
    yield request.param, figures, page, render.pdf(page)
    settings.STORAGES = before


def test_number_date_and_page_of_pages_stand_on_every_page(printed):
    _, figures, _, content = printed
    pages = read(content)
    for at, text in enumerate(pages, 1):
        assert figures["number"] in text
        assert paper.day(figures["issued_on"]).replace("\u00a0", " ") in text
        assert f"Page {at} of {len(pages)}" in text


def test_the_pdf_says_what_the_printable_page_says(printed):
    _, _, page, content = printed
    body = re.sub(r"<[^>]+>", " ", page[page.index("<header") :])
    words = set(re.findall(r"[A-Za-z]{4,}", body.replace("&#x27;", "’")))
    text = "".join(read(content)).replace(" ", "")
    assert {word for word in words if word not in text} == set()


def test_the_printable_page_obeys_the_content_policy(printed):
    _, _, page, _ = printed
    assert "<style" not in page
    assert " style=" not in page
    assert "<script" not in page
    assert "onclick" not in page
    assert "/kilnshop/paper" in page


def test_the_font_is_inside_the_pdf(printed):
    _, _, _, content = printed
    fonts = {
        str(font.get_object()["/BaseFont"])
        for page in PdfReader(io.BytesIO(content)).pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert any("Source-Sans" in name or "SourceSans" in name for name in fonts), fonts


@pytest.mark.parametrize(("name", "size"), [("letter", (612, 792)), ("a4", (595, 842))])
def test_the_paper_size_is_the_one_frozen(name, size):
    content = render.pdf(render.html("invoice", samples.INVOICE | {"paper": name}))
    box = PdfReader(io.BytesIO(content)).pages[0].mediabox
    assert (round(box.width), round(box.height)) == size


def text_of(kind, figures, **over):
    return " ".join(read(render.pdf(render.html(kind, figures | over))))


def test_an_invoice_and_a_credit_note_fit_on_one_page():
    assert len(read(render.pdf(render.html("invoice", samples.INVOICE)))) == 1
    assert len(read(render.pdf(render.html("invoice", samples.CREDIT)))) == 1


def test_a_quote_prints_its_price_its_days_as_a_range_and_its_terms():
    text = text_of("quote", samples.QUOTE)
    for piece in (
        "$905.42",
        "Thu 31 Dec 2026",
        "Tue 19 Jan 2027",
        "27 to 42 days, most likely 33.5",
        "an estimate, not a measurement",
        "$0.0575",
        "Deposit on acceptance $226.36",
        "storage is charged by the week",
        "Signature",
    ):
        assert piece in text


def test_a_quote_without_deposit_terms_or_reasons_leaves_them_out():
    text = text_of("quote", samples.QUOTE, deposit="0.00", terms="", could_move=[])
    assert "Deposit" not in text
    assert "Terms" not in text
    assert "What could move" not in text


def test_an_invoice_prints_what_is_left_to_pay():
    text = text_of("invoice", samples.INVOICE)
    assert "Please pay $679.06 by Tue 26 Jan 2027" in text
    assert "Deposit received −$226.36" in text
    paid = text_of("invoice", samples.INVOICE, balance_at_issue="0.00")
    assert "Nothing is left to pay" in paid


def test_an_exempt_customer_is_told_why_there_is_no_tax():
    note = "No tax: exemption certificate VA-55120, on file."
    assert note in text_of("invoice", samples.INVOICE, exempt_note=note)


def test_a_credit_note_names_the_invoice_and_why():
    text = text_of("invoice", samples.CREDIT)
    assert "This cancels invoice INV-2027-0003: lot B was billed at 8/4, it is 6/4" in text
    assert "We credit you $905.42" in text
    assert "−$905.42" in text
    assert "To pay by" not in text


def test_a_ticket_prints_the_whole_record():
    text = text_of("ticket", samples.TICKET)
    for piece in (
        "33 of 36 boards tested lie within their target",
        "212 pieces, 1,181 bf",
        "7 ± 1 %",
        "22 of 24 (92 %)",
        "bench meter 2",
        "species and 70 °F wood temperature",
        "Depth 0.5 in to 1 in",
        "core at or above 132.8 °F (56 °C) for 30 min without a break",
        "4 h 10 min",
        "133.1 °F",
        "Not recorded",
        "readings by hand do not prove an unbroken time",
        "https://kiln.marrowcreek.example/",
        "7KQF-M2XP-9RTD-W4HC",
        "June Arkwright",
        "Received by",
    ):
        assert piece in text


def test_a_ticket_says_that_it_is_no_official_mark():
    text = text_of("ticket", samples.TICKET)
    assert "the shop’s own record of what it measured" in text
    assert "not an official mark, and not a phytosanitary certificate" in text


def test_a_metric_ticket_prints_metric():
    text = text_of("ticket", samples.TICKET, units="metric")
    assert "2.787 m³" in text  # 1181 bf at 0.002359737 m³ a board foot, by hand
    assert "56.2 °C" in text
    assert "13 mm to 25 mm" in text
    assert " bf" not in text


def test_a_lot_without_tests_prints_not_recorded():
    lot = samples.TICKET["lots"][0] | {"tests": None, "pieces": None, "chart": {"mc": [], "core": []}}
    text = text_of("ticket", samples.TICKET, lots=[lot], boards_tested=0, boards_within=0)
    assert "final moisture was not recorded" in text
    assert "Final moisture: not recorded" in text
    assert "pieces" not in text


def test_a_replaced_ticket_says_so_across_its_head():
    page = render.html("ticket", samples.TICKET, notice="Replaced by ticket T-2027-0005.")
    assert "Replaced by ticket T-2027-0005." in read(render.pdf(page))[0]


def test_a_replacement_names_the_ticket_it_replaces():
    text = text_of("ticket", samples.TICKET, supersedes="T-2027-0001", why="one board was forgotten")
    assert "Ticket T-2027-0001" in text
    assert "one board was forgotten" in text


@pytest.mark.parametrize("kind", ["quote", "invoice", "ticket"])
def test_a_missing_figure_is_named(kind):
    figures = {key: value for key, value in PAPERS[kind][1].items() if key != "customer"}
    with pytest.raises(ValueError, match=f"{kind} {figures['number']} lacks customer"):
        render.html(kind, figures)


def test_an_unknown_paper_is_refused():
    with pytest.raises(ValueError, match="kind='letter'"):
        render.html("letter", {})


def test_names_are_escaped():
    page = render.html(
        "invoice", samples.INVOICE | {"customer": {"name": "<b>Ash & Sons</b>", "address": "<i>x"}}
    )
    assert "&lt;b&gt;Ash &amp; Sons" in page
    assert "<i>x" not in page


def test_a_paper_loads_nothing_from_outside(monkeypatch):
    import socket

    def refuse(*args, **kwargs):
        raise AssertionError("the network was used")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    shop = samples.SHOP | {"logo": "https://elsewhere.example/logo.png"}
    assert render.pdf(render.html("invoice", samples.INVOICE | {"shop": shop}))[:5] == b"%PDF-"


def test_the_stylesheet_is_found_under_the_name_it_is_served_by():
    """The server names static files by their content; the PDF must still be the same."""
    page = render.html("invoice", samples.INVOICE)
    named = page.replace("kilnshop/paper.css", "kilnshop/paper.3f2a1b77c0de.css")
    assert named != page
    assert render.pdf(named) == render.pdf(page)


def test_the_same_figures_print_the_same_words_again():
    assert text_of("ticket", samples.TICKET) == text_of("ticket", samples.TICKET)


def test_without_the_system_libraries_the_message_says_what_to_install(monkeypatch):
    plain = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("weasyprint"):
            raise OSError("cannot load library 'libpango-1.0-0'")
        return plain(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(
        render.PdfUnavailable, match=r"apt-get install libpangoft2-1\.0-0 libharfbuzz-subset0"
    ):
        render.pdf("<p>hello</p>")


@pytest.mark.parametrize(
    ("given", "printed_as"),
    [("1234.5", "$1,234.50"), ("-0.005", "−$0.01"), (0, "$0.00"), ("19.995", "$20.00")],
)
def test_money_is_rounded_half_away_from_zero(given, printed_as):
    assert paper.money(given, "$") == printed_as


@pytest.mark.parametrize(
    ("given", "printed_as"), [(30, "30 min"), (29.9, "29.9 min"), (250, "4 h 10 min"), (1440, "24 h")]
)
def test_times_read_as_people_say_them(given, printed_as):
    assert paper.minutes(given).replace("\u00a0", " ") == printed_as
