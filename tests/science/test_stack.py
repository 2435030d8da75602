"""The stack against hand examples and the published stack figures (published/stack_geometry.csv)."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as some

from kilnshop.science import stack, stack_notes
from kilnshop.science.stack import Boards, Geometry, StackLot, load
from tests.science.published import rows

PUBLISHED = {row["item"]: float(row["value"]) for row in rows("stack_geometry")}
ROOM = {"inside_length_ft": 18.0, "inside_width_ft": 9.0, "inside_height_ft": 8.0}
NORTH = Geometry(**ROOM, length_ft=16.0, width_ft=5.0, height_ft=5.5)


def lot(key="A", thickness=1.0625, boards=((80, 8, 8),), bf=None, lb=1000.0, **over):
    sizes = tuple(Boards(*one) for one in boards)
    made = bf or sum(b.pieces * b.width_in * b.length_ft for b in sizes) / 12
    return StackLot(key, thickness, sizes, made, lb, **over)


def test_published_plenum_example():
    """The rule counts 96 x 0.75/1.75; whole courses come within one opening of it."""
    tall = Geometry(20, 14, 9, 16, 6, 8, bolster_in=0)
    openings = tall.courses(1.0) * 0.75
    assert openings == pytest.approx(PUBLISHED["plenum width, worked example"], abs=0.75)
    courses = tall.courses(1.0)
    full = load(tall, [lot(thickness=1.0, boards=((courses * 9, 8, 16),))])
    assert full.openings_in == openings


def test_published_air_speeds_and_sticker_sizes_are_the_ones_used():
    assert (PUBLISHED["velocity through the load, hardwoods, low"], 450.0) == stack_notes.AIR_FPM
    assert PUBLISHED["velocity through the load, hardwoods, high"] == stack_notes.AIR_FPM[1]
    low, high = PUBLISHED["spacing, 4/4 hardwood, low"], PUBLISHED["spacing, 4/4 hardwood, high"]
    assert low <= NORTH.sticker_spacing_in <= high
    assert NORTH.sticker_width_in <= PUBLISHED["sticker width, hard maple, most"]
    assert PUBLISHED["sticker thickness, hard maple, thin"] == NORTH.sticker_in


def test_courses_packs_and_room_by_hand():
    """80 boards 8 in x 8 ft on a unit 60 in deep: 7 a course (56 in), 12 courses of 1 13/16 in = 21 3/4 in.

    Room: 8 ft x 21.75 in of 16 ft x 62 in = 17.54 %.
    """
    (pack,) = (made := load(NORTH, [lot()])).packs
    assert (pack.courses, pack.height_in, pack.length_ft) == (12, 21.75, 8)
    assert (pack.bottom_in, pack.top_in) == (4, 25.75)
    assert made.fill_pct == pytest.approx(100 * 8 * 21.75 / (16 * 62))
    assert made.volume_bf == pytest.approx(80 * 64 / 12)


def test_what_fits_in_a_full_stack_by_hand():
    """62 in above the bolsters holds 34 courses of 4/4; 34 x 5 ft x 16 ft = 2,720 bf, of 8/4 at 2 1/4 in 20 x 80
    x 2 = 3,200 bf."""
    assert NORTH.courses(1.0625) == 34 and NORTH.full_bf() == 2720
    assert NORTH.courses(2.25) == 20 and NORTH.full_bf(2.25, 2) == 3200


def test_two_short_boards_lie_end_to_end_in_one_line():
    """6 boards of 16 ft and 4 of 8 ft, all 10 in wide: 6 + 2 lines, 6 a course: 2 courses, not 10/6."""
    assert stack.courses_of(lot(boards=((6, 10, 16), (4, 10, 8))), NORTH) == 2
    assert stack.courses_of(lot(boards=((6, 10, 16),)), NORTH) == 1


def test_mixed_widths_share_a_course():
    """12 in x 3 + 6 in x 4 is 60 in: one course of a unit 60 in deep; one board more needs a second."""
    assert stack.courses_of(lot(boards=((3, 12, 8), (4, 6, 8))), NORTH) == 1
    assert stack.courses_of(lot(boards=((3, 12, 8), (5, 6, 8))), NORTH) == 2


def test_air_speed_by_hand():
    """12 openings of 3/4 in over 8 ft less 7 stickers of 1 1/4 in: 0.75 x 7.2708 = 5.453 sq ft; 1,500 cfm make 275."""
    made = load(Geometry(**ROOM, length_ft=16, width_ft=5, height_ft=5.5, fan_cfm=1500), [lot()])
    assert made.open_area_sqft == pytest.approx(12 * 0.0625 * (8 - 7 * 1.25 / 12))
    assert made.air_fpm == pytest.approx(275, abs=0.1)
    assert made.cfm_for(275) == pytest.approx(1500, abs=1)
    assert load(NORTH, [lot()]).air_fpm is None


def test_weight_on_the_floor_by_hand():
    """1,000 lb on 8 ft x 5 ft is 25 lb/sq ft; a second lot on top adds to the same floor."""
    assert load(NORTH, [lot()]).floor_psf == pytest.approx(25)
    both = load(NORTH, [lot(), lot("B", lb=600.0)])
    assert both.floor_psf == pytest.approx(40) and both.weight_lb == pytest.approx(1600)
    assert both.heaviest.lot == "A"


def test_the_last_lot_loaded_stands_by_the_door_or_on_top():
    deep = Geometry(**ROOM, length_ft=16, width_ft=5, height_ft=5.5, units_deep=2)
    made = load(deep, [lot("late", boards=((200, 6, 16),)), lot("early", boards=((60, 6, 16),))])
    assert {pack.row for pack in made.of_lot("late")} == {1, 2}
    top = made.of_lot("early")[-1]
    assert top.row == 2 and top.tier == 2


def test_with_the_door_at_the_end_the_far_end_fills_first():
    end = Geometry(**ROOM, length_ft=16, width_ft=5, height_ft=5.5, units_deep=2, door="end")
    made = load(end, [lot("late", boards=((204, 10, 8),)), lot("early", boards=((100, 10, 8),))])
    assert {pack.start_ft for pack in made.of_lot("late")} == {0}
    assert {pack.start_ft for pack in made.of_lot("early")} == {8}


def test_a_long_pack_never_stands_on_a_shorter_one():
    made = load(NORTH, [lot("short", boards=((20, 8, 8),)), lot("long", boards=((20, 8, 10),))])
    assert made.left_bf and made.left_bf[0][0] == "long"  # 8 ft beside the pile is too short for 10 ft
    fits = load(NORTH, [lot("long", boards=((20, 8, 10),)), lot("short", boards=((20, 8, 8),))])
    assert not fits.left_bf and [pack.tier for pack in fits.packs] == [1, 2]


def test_forklift_packs_stand_on_bolsters_and_keep_their_height():
    lifted = Geometry(**ROOM, length_ft=16, width_ft=5, height_ft=6, pack_height_in=24)
    made = load(lifted, [lot(boards=((140, 8, 16),))])  # 20 courses, 13 to a pack of 24 in
    assert [pack.courses for pack in made.packs] == [13, 7]
    assert made.packs[1].bottom_in == pytest.approx(made.packs[0].top_in + 4)


def test_what_does_not_fit_is_said_with_its_board_feet():
    """34 courses of 7 boards fit; 280 boards make 40 courses: 6 of 40 are left."""
    made = load(NORTH, [lot(boards=((280, 8, 16),))])
    (left,) = made.left_bf
    assert left[1] == pytest.approx(280 * 8 * 16 / 12 * 6 / 40)
    assert "finds no place" in next(stack_notes.notices(made))


def test_pieces_longer_than_the_chamber_are_refused_by_piece_and_length():
    with pytest.raises(ValueError, match=r"Lot A: 3 pieces 20 ft long \(9 in wide\).*chamber 18 ft long"):
        load(NORTH, [lot(boards=((10, 8, 8), (3, 9, 20)))])
    with pytest.raises(ValueError, match="1 piece 61 in wide"):
        load(NORTH, [lot(boards=((1, 61, 8),))])


def test_mixed_lengths_are_told_to_be_box_piled_and_long_ones_to_stand_out():
    said = " ".join(stack_notes.notices(load(NORTH, [lot(boards=((10, 8, 17), (10, 8, 9)))])))
    assert "box pile" in said and "17 ft pieces stand out beyond the 16 ft stack" in said
    assert "box pile" not in " ".join(stack_notes.notices(load(NORTH, [lot()])))


def test_lots_without_a_tally_are_named_together():
    rough = [lot(key, reckoned=True) for key in "ABC"]
    (said,) = (text for text in stack_notes.notices(load(NORTH, rough)) if "no tally" in text)
    assert said.startswith("Lots A, B, C have no tally: reckoned as boards")


def test_baffles_close_top_ends_and_floor_by_hand():
    """Top at 25 3/4 in under a ceiling baffle at 72 in; the 18 ft chamber leaves 1 ft left and 9 ft right of 8 ft."""
    gaps = list(stack_notes.gaps(load(NORTH, [lot()])))
    top = next(gap for gap in gaps if gap.kind == "top")
    assert top.height_in == pytest.approx(72 - 25.75)
    assert [gap.length_ft for gap in gaps if gap.kind == "end"] == pytest.approx([1, 9])
    assert [gap.height_in for gap in gaps if gap.kind == "under"] == [4]


def test_the_step_beside_a_shorter_pack_is_closed_up_to_the_ceiling_baffle():
    """8 ft on 10 ft: 2 ft stand open beside the upper pack, and the top opening runs over all 10 ft."""
    gaps = list(
        stack_notes.gaps(
            load(NORTH, [lot("long", boards=((20, 8, 10),)), lot("short", boards=((20, 8, 8),))])
        )
    )
    assert next(gap for gap in gaps if gap.kind == "top").length_ft == 10
    assert next(gap for gap in gaps if gap.kind == "end" and gap.bottom_in).length_ft == 2


def test_a_narrow_plenum_and_odd_air_are_said():
    tight = Geometry(**ROOM, length_ft=16, width_ft=5, height_ft=5.5, plenum_in=8, fan_cfm=500)
    said = " ".join(stack_notes.notices(load(tight, [lot(boards=((238, 8, 16),))])))
    assert "usual is 10 in or more" in said and "less than the sticker openings" in said
    assert "200 to 450 is usual" in said


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        ({"length_ft": 19.0}, "length_ft"),
        ({"plenum_in": 50.0}, "plenum_in"),
        ({"baffle_height_ft": 5.0}, "baffle_height_ft"),
        ({"sticker_in": 0.0}, "sticker_in"),
        ({"fan_cfm": float("nan")}, "fan_cfm"),
        ({"door": "roof"}, "door"),
        ({"units_deep": 0}, "units_deep"),
        ({"height_ft": 1.0, "bolster_in": 10.0}, "height_ft"),
    ],
)
def test_impossible_geometry_is_refused_by_name(wrong, name):
    with pytest.raises(ValueError, match=name):
        Geometry(**(ROOM | {"length_ft": 16.0, "width_ft": 5.0, "height_ft": 5.5} | wrong))


def test_nothing_to_stack_is_refused():
    with pytest.raises(ValueError, match="lots"):
        load(NORTH, [])
    with pytest.raises(ValueError, match="twice"):
        load(NORTH, [lot(), lot()])
    with pytest.raises(ValueError, match="no boards"):
        StackLot("A", 1.0, (), 10.0, 10.0)


sizes = some.tuples(some.integers(1, 120), some.integers(4, 14), some.integers(4, 17))


@given(
    some.lists(some.lists(sizes, min_size=1, max_size=3), min_size=1, max_size=4),
    some.sampled_from([1, 2, 3]),
    some.sampled_from(["front", "end"]),
    some.sampled_from([None, 20.0]),
)
def test_packs_stay_inside_never_overlap_and_lose_no_wood(lots, deep, door, pack_height):
    room = Geometry(
        **ROOM,
        length_ft=16,
        width_ft=5,
        height_ft=5.5,
        units_deep=deep,
        door=door,
        pack_height_in=pack_height,
    )
    given_lots = [lot(str(n), boards=tuple(boards)) for n, boards in enumerate(lots)]
    made = load(room, given_lots)
    total = sum(one.volume_bf for one in given_lots)
    assert made.volume_bf + sum(bf for _, bf in made.left_bf) == pytest.approx(total)
    order = {one.key: n for n, one in enumerate(given_lots)}
    for pack in made.packs:
        assert pack.start_ft >= 0 and pack.end_ft <= 16 + 1e-6 and pack.top_in <= 66 + 1e-6
    for one, two in combinations(made.packs, 2):
        if one.row == two.row and one.start_ft < two.end_ft - 1e-6 and two.start_ft < one.end_ft - 1e-6:
            low, high = sorted((one, two), key=lambda pack: pack.bottom_in)
            assert low.top_in <= high.bottom_in + 1e-6
            assert low.length_ft >= high.length_ft
            assert order[low.lot] <= order[high.lot]  # what comes out first is never underneath


@given(some.lists(sizes, min_size=1, max_size=4))
def test_courses_are_never_fewer_than_their_wood_covers(boards):
    one = lot(boards=tuple(boards))
    courses = stack.courses_of(one, NORTH)
    area = sum(n * w / 12 * ft for n, w, ft in boards)
    assert courses * 5 * one.longest_ft >= area - 1e-6
    assert courses <= sum(n for n, _, _ in boards)
