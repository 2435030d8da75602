"""Board measure against NHLA examples, PS 20 sizes and hand-worked tallies."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kilnshop.science.species import find
from kilnshop.science.volume import (
    DRESSED_THICKNESS_IN,
    DRESSED_WIDTH_IN,
    TallyLine,
    board_feet,
    board_feet_from_cubic_metres,
    cubic_metres,
    inches_text,
    oven_dry_lb,
    parse_inches,
    parse_thickness,
    size_label,
    surface_measure,
    volume_factor,
)
from tests.science.published import rows

PUBLISHED = rows("board_measure")


def line(pieces, width, length):
    return TallyLine(pieces, Decimal(width), Decimal(length))


def test_dressed_sizes_are_those_of_ps_20():
    # American Softwood Lumber Standard PS 20, minimum dressed sizes, dry.
    sizes = [r for r in PUBLISHED if r["record_kind"] == "dressed size"]
    assert len(sizes) == 18
    for row in sizes:
        what, nominal = row["item"].split(", nominal ")
        table = DRESSED_WIDTH_IN if what == "width" else DRESSED_THICKNESS_IN
        assert table[parse_inches(nominal)] == parse_inches(row["value"].split(" / ")[0]), row["item"]
    assert len(DRESSED_WIDTH_IN) + len(DRESSED_THICKNESS_IN) == 18


def test_two_by_six_is_counted_nominal_and_measured_dressed():
    size = parse_thickness("2x6")
    assert (size.actual_in, size.actual_width_in) == (1.5, 5.5)
    assert (size.counted_in, size.counted_width_in) == (2.0, 6.0)
    assert (size.label, size.basis) == ("2x6", "dressed")
    # Wengert, Calculating the weight of lumber: planed 2x6 factor 0.75 x 0.917 = 0.688.
    assert volume_factor(1.5, 2, 5.5, 6) == pytest.approx(0.688, abs=0.0006)


def test_volume_factor_examples():
    # Wengert, same text: 1 1/8 in and 98 in counted as 1 in and 8 ft give 1.149; 2 5/32 as 2 in gives 1.078.
    assert volume_factor(1.125, 1) * 98 / 96 == pytest.approx(1.149, abs=0.0006)
    assert volume_factor(2 + 5 / 32, 2) == pytest.approx(1.078, abs=0.0006)


@pytest.mark.parametrize(
    ("written", "actual", "counted", "label"),
    [
        ("4/4", 1.0, 1.0, "4/4"),
        ("8/4", 2.0, 2.0, "8/4"),
        ("1 1/16", 1.0625, 1.0625, "1 1/16 in"),
        ("1-1/16", 1.0625, 1.0625, "1 1/16 in"),
        ("1.0625", 1.0625, 1.0625, "1 1/16 in"),
        ('1.25"', 1.25, 1.25, "1 1/4 in"),
        ("3/4", 0.75, 1.0, "3/4"),
        ("8x8", None, None, None),
        ("4 × 12", 3.5, 4.0, "4x12"),
        ("5/4x6", 1.0, 1.25, "5/4x6"),
    ],
)
def test_thickness_is_read_as_mills_write_it(written, actual, counted, label):
    if actual is None:
        with pytest.raises(ValueError, match="not a dressed size held here"):
            parse_thickness(written)
    else:
        size = parse_thickness(written)
        assert (size.actual_in, size.counted_in, size.label) == (actual, counted, label)


@pytest.mark.parametrize(
    "bad", ["", "thick", "4/0", "0", "-1", "1/16", "99", "2x", "2x7", "nan", "1e3", "1 1 1/2"]
)
def test_impossible_thickness_is_refused_with_its_text(bad):
    with pytest.raises(ValueError, match=r"is not a|is outside"):
        parse_thickness(bad)


def test_size_label_names_the_trade_size():
    assert size_label(parse_thickness("1 1/16")) == "4/4"
    assert size_label(parse_thickness("2x6")) == "2x6"


@given(st.integers(1, 1536))
def test_sixteenths_survive_a_round_trip(sixteenths):
    value = Fraction(sixteenths, 16)
    assert parse_inches(inches_text(value)) == value


# NHLA rules, examples of surface measure (American hardwood export council and a trader's page).
@pytest.mark.parametrize(
    "row", [r for r in PUBLISHED if r["item"] == "surface measure" and r["record_kind"] == "example"]
)
def test_surface_measure_examples(row):
    width, length = row["inputs"].removesuffix(" ft").split(" in x ")
    assert surface_measure(Decimal(width), Decimal(length)) == int(row["value"])


def test_exact_half_of_surface_measure_alternates():
    assert surface_measure(Decimal("6.75"), Decimal(8), half_up=True) == 5  # 6.75 x 8 / 12 = 4.5
    assert surface_measure(Decimal("6.75"), Decimal(8), half_up=False) == 4
    assert surface_measure(Decimal(6), Decimal("8.9")) == 4  # length drops to the whole foot


@pytest.mark.parametrize(
    ("thickness", "tally", "bf"),
    [
        ("1", [line(1, "12", "1")], "1.00"),  # the definition: 1 ft x 1 ft x 1 in
        ("2", [line(1, "6.25", "8")], "8.33"),  # 2 x 6.25 x 8 / 12; the grader's 8 rounds the surface first
        ("1", [line(10, "8", "10")], "66.67"),  # 10 x 8 x 10 / 12
        ("2", [line(24, "6", "12")], "288.00"),  # twenty-four 2x6x12 by nominal size
        (
            "1.25",
            [line(7, "5.5", "8"), line(3, "9.25", "10")],
            "60.99",
        ),  # (308 + 277.5) x 1.25 / 12 = 60.989...
        ("1", [line(3, "1", "1")], "0.25"),
        ("1", [line(1, "0.06", "1")], "0.01"),  # 0.005 rounds up
    ],
)
def test_board_feet_of_a_tally_by_hand(thickness, tally, bf):
    assert board_feet(Decimal(thickness), tally) == Decimal(bf)


@given(
    st.lists(
        st.builds(
            TallyLine,
            st.integers(1, 500),
            st.decimals("0.5", 30, places=2),
            st.decimals(1, 20, places=2),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_tally_is_summed_exactly_whatever_the_order(tally):
    total = board_feet(Decimal(1), tally)
    assert total == board_feet(Decimal(1), tally[::-1])
    exact = sum(Fraction(t.pieces) * Fraction(t.width_in) * Fraction(t.length_ft) for t in tally) / 12
    assert abs(Fraction(total) - exact) <= Fraction(1, 200)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: line(0, "6", "8"), "pieces 0"),
        (lambda: line(1, "0", "8"), "width_in"),
        (lambda: line(1, "6", "-8"), "length_ft"),
        (lambda: line(1, "NaN", "8"), "width_in"),
        (lambda: board_feet(Decimal(1), []), "no lines"),
        (lambda: board_feet(Decimal("0.75"), [line(1, "6", "8")]), "counted_thickness_in"),
        (lambda: oven_dry_lb(-1, 0.5), "bf"),
        (lambda: oven_dry_lb(100, 56), "specific_gravity_green"),
        (lambda: volume_factor(1.5, 2, 5.5), "together"),
    ],
)
def test_bad_measures_are_refused_by_name(make, told):
    with pytest.raises(ValueError, match=told):
        make()


def test_cubic_metres_of_a_thousand_board_feet():
    # 1000 / 12 ft³ x 0.0283168 m³/ft³ = 2.3597 m³
    assert cubic_metres(1000) == pytest.approx(2.3597, abs=0.0001)
    assert board_feet_from_cubic_metres(cubic_metres(640)) == pytest.approx(640)


@pytest.mark.parametrize(
    "row", [r for r in PUBLISHED if r["record_kind"] == "water"], ids=lambda r: r["item"]
)
def test_water_per_percent_per_thousand_board_feet(row):
    # 83.333 ft³ x 62.4 lb/ft³ x specific gravity / 100, worked by hand in the table.
    species = find(row["item"].removeprefix("water per 1 % MC per 1000 bf, "))
    assert f"green volume) {species.specific_gravity_green}" in row["inputs"]
    assert oven_dry_lb(1000, species.specific_gravity_green) / 100 == pytest.approx(
        float(row["value"]), abs=0.06
    )


def test_oven_dry_weight_uses_the_wood_really_there():
    assert oven_dry_lb(1000, 0.56, 1.125) == pytest.approx(83.333 * 62.4 * 0.56 * 1.125, rel=1e-5)
