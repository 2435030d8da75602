"""Piece tallies: what is read, what is refused and how it is named."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.imports.tally import read_file, read_text

ROW = {"pieces": 40, "width_in": Decimal("6.500"), "length_ft": Decimal("8.000")}


@pytest.mark.parametrize(
    "text",
    [
        "40\t6.5\t8",
        "40,6.5,8",
        "40;6 1/2;8'",
        "40 x 6.5 x 8",
        "40 6.5 8",
        "Pieces\tWidth (in)\tLength (ft)\n40\t6.5\t8",
        "Length,Width,Qty\n8 ft,6 1/2 in,40",
        '"40","6.5","8"\n\n',
        "  \n40, 6-1/2, 8' 0\"\r\n",
        "40.0,13/2,8.",
    ],
)
def test_usual_ways_of_writing_a_size_are_read(text):
    tally = read_text(text)
    assert (tally.rows, tally.problems) == ((ROW,), ())


def test_feet_and_inches_are_added():
    assert read_text("3,10,8' 6\"").rows[0]["length_ft"] == Decimal("8.500")


def test_metric_shop_gives_millimetres_and_metres():
    row = read_text("10,152.4,2.4384", metric=True).rows[0]  # 152.4 mm = 6 in, 2.4384 m = 8 ft, exactly
    assert (row["width_in"], row["length_ft"]) == (Decimal("6.000"), Decimal("8.000"))


@pytest.mark.parametrize(
    ("text", "row", "column", "value"),
    [
        ("40,6,8\n12,six,8", 2, "width", "six"),
        ("0,6,8", 1, "pieces", "0"),
        ("2.5,6,8", 1, "pieces", "2.5"),
        ("-4,6,8", 1, "pieces", "-4"),
        ("4,6,600", 1, "length", "600"),
        ("4,0.1,8", 1, "width", "0.1"),
        ("4,6/0,8", 1, "width", "6/0"),
        ("4,nan,8", 1, "width", "nan"),
        ("4,6,", 1, "length", ""),
        ("4,6", 1, "", "4 6"),
        ("pieces,width,thickness\n4,6,8", 1, "length", ""),
        ("pieces,width,width\n4,6,8", 1, "width", "width"),
    ],
)
def test_a_bad_cell_is_named_by_row_column_and_value(text, row, column, value):
    tally = read_text(text)
    assert tally.rows == ()
    assert [(p.row, p.column, p.value) for p in tally.problems] == [(row, column, value)]
    assert str(row) in str(tally.problems[0])


def test_every_problem_is_reported_and_no_row_is_taken():
    tally = read_text("40,6,8\nx,6,8\n3,y,z")
    assert tally.rows == ()
    assert [(p.row, p.column) for p in tally.problems] == [(2, "pieces"), (3, "width"), (3, "length")]


@pytest.mark.parametrize("content", [b"", b"\n\n", b"PK\x03\x04rest", b"%PDF-1.7", b"pieces,width,length\n"])
def test_a_file_without_rows_is_refused_as_a_whole(content):
    tally = read_file(content)
    assert tally.rows == () and tally.problems[0].row == 0


def test_a_spreadsheet_csv_with_a_byte_order_mark_is_read():
    assert read_file(b"\xef\xbb\xbf" + b"pcs;width;length\r\n40;6.5;8\r\n").rows == (ROW,)


def test_too_many_rows_are_refused():
    assert "at most" in str(read_text("1,6,8\n" * 2100).problems[0])


@given(st.text(max_size=200))
def test_any_text_gives_rows_or_problems_never_both(text):
    tally = read_text(text)
    assert bool(tally.rows) != bool(tally.problems)


@given(st.binary(max_size=200))
def test_any_file_gives_rows_or_problems_never_both(content):
    tally = read_file(content)
    assert bool(tally.rows) != bool(tally.problems)
