"""The drawings of a load and the load sheet, read back as XML and as a PDF."""

import io
import xml.etree.ElementTree as ET

import pytest
from pypdf import PdfReader

from kilnshop.charges import loading
from kilnshop.documents import paper, render, stacks
from kilnshop.science.stack import Boards, Geometry, StackLot, load
from tests import factory
from tests.charges.helpers import TODAY

SVG = "{http://www.w3.org/2000/svg}"
TWO_DEEP = Geometry(18, 9, 8, 16, 5, 5.5, units_deep=2)
LOTS = [
    StackLot("O-1-A", 1.0625, (Boards(150, 6, 16),), 1200, 4000),
    StackLot("O-2-A <&>", 1.0625, (Boards(60, 6, 8),), 240, 800),
]
LETTERS = {"O-1-A": "A", "O-2-A <&>": "B"}


@pytest.fixture
def drawn():
    return stacks.drawings(load(TWO_DEEP, LOTS), LETTERS)


def test_every_view_is_sound_xml_with_title_and_description(drawn):
    keys = set()
    for drawing in drawn:
        root = ET.fromstring(drawing.svg)
        assert root.get("role") == "img"
        assert root.find(f"{SVG}title").text and root.find(f"{SVG}desc").text == drawing.described
        assert "style=" not in drawing.svg
        keys |= {found.get("id") for found in root.iter() if found.get("id")}
    assert len(keys) == sum(d.svg.count(' id="') for d in drawn)  # no id twice on a page


def test_lots_differ_by_letter_and_pattern_not_only_colour(drawn):
    front = ET.fromstring(drawn[1].svg)
    fills = {rect.get("fill") for rect in front.iter(f"{SVG}rect") if "url" in (rect.get("fill") or "")}
    said = " ".join(text.text for drawing in drawn for text in ET.fromstring(drawing.svg).iter(f"{SVG}text"))
    assert fills and "A, pack 1" in said and "B, pack" in said
    everywhere = {
        rect.get("fill").rsplit("-", 1)[1]
        for drawing in drawn
        for rect in ET.fromstring(drawing.svg).iter(f"{SVG}rect")
        if "url" in (rect.get("fill") or "")
    }
    assert everywhere == {"0)", "1)"}


def test_nothing_is_drawn_outside_its_sheet(drawn):
    for drawing in drawn:
        root = ET.fromstring(drawing.svg)
        _, _, wide, high = map(float, root.get("viewBox").split())
        for rect in root.findall(f"{SVG}rect"):
            x, y = float(rect.get("x")), float(rect.get("y"))
            assert x >= 0 and x + float(rect.get("width")) <= wide + 0.2
            assert y >= 0 and y + float(rect.get("height")) <= high + 0.2


@pytest.mark.parametrize(("paper", "size"), [("letter", (612, 792)), ("a4", (595, 842))])
def test_the_sheet_prints_load_and_checklist_on_two_pages(shop, paper, size):
    shop.paper = paper
    charge = factory.make_charge()
    sheet = loading.sheet(charge, loading.of_charge(charge), shop, TODAY)
    made = PdfReader(io.BytesIO(render.pdf(render.html("load_sheet", sheet))))
    assert len(made.pages) <= 2
    assert [round(float(side)) for side in made.pages[0].mediabox[2:]] == list(size)
    text = " ".join(page.extract_text() for page in made.pages)
    for words in (
        "Load sheet",
        charge.number,
        "Order of loading",
        "Baffles to close",
        "Before starting",
        "Page 1 of",
    ):
        assert words in text
    assert "$" not in text  # the kiln's paper shows no prices


def test_sizes_in_words_and_drawings_follow_the_papers_units():
    """By hand: 12 in = 305 mm, 2.5 ft = 0.76 m, 1,200 bf = 2.83 m³, 200 ft/min = 1.02 m/s, 450 = 2.29."""
    said = "close the 12 in between, 2.5 ft beside it; 1,200 bf; 200 to 450 ft/min; pack 3 is in row 1"
    own = "close the 305 mm between, 0.76 m beside it; 2.83 m³; 1.02 to 2.29 m/s; pack 3 is in row 1"
    assert paper.sized(said, "metric") == own
    assert paper.sized(said, "us") == said
    assert paper.sized('<text x="12" y="4">8 ft</text>', "metric") == '<text x="12" y="4">2.44 m</text>'


def test_packs_too_thin_to_write_on_are_listed_under_their_pile_from_below():
    """Single courses of several lots in the left bay, with another bay to their right."""
    boards = ((12, 8), (12, 8), (12, 8), (120, 8))  # pieces and feet: one course each, then a pile
    lots = [
        StackLot(f"O-{n}", 1.0, (Boards(pieces, 5, feet),), pieces * 3, pieces * 10)
        for n, (pieces, feet) in enumerate(boards)
    ]
    made = load(Geometry(18, 6, 8, 16, 5, 5.5), lots)
    drawn = stacks.drawings(made, {lot.key: letter for lot, letter in zip(lots, "ABCD", strict=True)})
    assert [pack.courses for pack in made.packs[:3]] == [1, 1, 1]
    for drawing in drawn[1:]:
        said = " ".join(text.text for text in ET.fromstring(drawing.svg).iter(f"{SVG}text"))
        assert "\u2191 A1 B2 C3" in said, drawing.caption


def test_every_pack_is_named_and_no_words_stand_outside_the_sheet_whatever_is_loaded():
    """Ten lots of a few courses, timbers under boards, and a long chamber two rows deep."""

    def lot(key, thick, pieces, wide, feet):
        return StackLot(key, thick, (Boards(pieces, wide, feet),), pieces * feet, pieces * feet)

    loads = (
        (Geometry(18, 9, 8, 16, 5, 5.5), [lot(key, 1.06, 12, 6, 8) for key in "ABCDEFGHIJ"]),
        (Geometry(24, 9, 9, 20, 5, 5.5, door="end"), [lot("A", 8, 10, 8, 20), lot("B", 1.06, 8, 6, 12)]),
        (
            Geometry(42, 12, 10, 40, 8, 7, units_deep=2, pack_height_in=36),
            [lot(key, 1.06, pieces, 6, feet) for key, pieces, feet in
             zip("ABCDEFGH", (200, 40, 20, 300, 10, 60, 30, 90), (16, 16, 12, 12, 12, 10, 8, 8), strict=True)],
        ),
    )  # fmt: skip
    for geometry, lots in loads:
        made = load(geometry, lots)
        drawn = stacks.drawings(made, {one.key: one.key for one in lots})
        said = ""
        for drawing in drawn:
            root = ET.fromstring(drawing.svg)
            _, _, wide, high = map(float, root.get("viewBox").split())
            for text in root.iter(f"{SVG}text"):
                assert 0 < float(text.get("x")) < wide and 0 < float(text.get("y")) < high, text.text
            if "front" in drawing.caption:
                said += " ".join(text.text for text in root.iter(f"{SVG}text")) + " "
        for pack in made.packs:
            assert f"{pack.lot}, pack {pack.number}" in said or f"{pack.lot}{pack.number} " in said
