"""The choice of charges in plain numbers, held against trying everything and against the rules themselves."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kilnshop.charges import packing
from kilnshop.charges.packing import Choice, Placed, Problem, Wanted

ROOM = 1000.0


def finished(steps):
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


@st.composite
def shops(draw, most_lots=5):
    """Small random shops: lots with room, price, days and perhaps a promise, pairs that go together, gaps."""
    count = draw(st.integers(1, most_lots))
    sizes = [draw(st.sampled_from([300.0, 450.0, 600.0])) for _ in range(count)]
    days = [draw(st.integers(4, 12)) for _ in range(count)]
    lots = tuple(
        Wanted(float(draw(st.integers(100, 500))), draw(st.none() | st.integers(-5, 45)))
        for _ in range(count)
    )
    goes = [0] * count
    for one, two in itertools.combinations(range(count), 2):
        if draw(st.booleans()):
            goes[one] |= 1 << two
            goes[two] |= 1 << one
    gaps, choices = [], []
    for chamber in range(draw(st.integers(1, 2))):
        shut = draw(st.integers(5, 25))
        gaps.append(((draw(st.integers(0, 3)), shut), (shut + 3, 40)))
        groups, complete = packing.groups(goes, sizes, ROOM, len, 1000)
        assert complete
        choices += [Choice(group, chamber, max(days[lot] for lot in group)) for group in groups]
    return Problem(lots, tuple(gaps), tuple(choices), 20.0, 40), sizes, goes


def best_of_all(problem):
    """Every set of charges in every order, each charge as early as it can stand: nothing is left untried."""
    best = 0.0

    def go_on(placed, lots, free_from):
        nonlocal best
        best = max(best, problem.value(placed))
        for choice in problem.choices:
            if choice.lots & lots:
                continue
            for first, last in problem.gaps[choice.chamber]:
                start = max(first, free_from[choice.chamber])
                if start + choice.length - 1 <= last:
                    later = list(free_from)
                    later[choice.chamber] = start + choice.length
                    go_on([*placed, Placed(choice, start)], lots | choice.lots, later)

    go_on([], frozenset(), [0] * len(problem.gaps))
    return best


def holds_together(problem, sizes, goes, placed):
    lots = [lot for row in placed for lot in row.choice.lots]
    assert len(lots) == len(set(lots))
    for row in placed:
        assert sum(sizes[lot] for lot in row.choice.lots) <= ROOM
        assert all(goes[one] >> two & 1 for one, two in itertools.combinations(sorted(row.choice.lots), 2))
        assert any(first <= row.start and row.end <= last for first, last in problem.gaps[row.choice.chamber])
    for one, two in itertools.combinations(placed, 2):
        assert one.choice.chamber != two.choice.chamber or one.end < two.start or two.end < one.start


@settings(max_examples=25, deadline=None)
@given(shops())
def test_highs_is_as_good_as_trying_everything(shop):
    problem, sizes, goes = shop
    solution = finished(packing.solve(problem, 20))
    holds_together(problem, sizes, goes, solution.placed)
    assert solution.value == pytest.approx(best_of_all(problem), abs=packing.PROVEN)
    assert solution.value == pytest.approx(problem.value(solution.placed))
    assert solution.proven


@settings(max_examples=40, deadline=None)
@given(shops())
def test_the_step_by_step_planner_keeps_the_rules_and_its_bound(shop):
    problem, sizes, goes = shop
    solution = finished(packing.solve(problem, 20, exact=False))
    holds_together(problem, sizes, goes, solution.placed)
    assert solution.solver == "step by step"
    best = best_of_all(problem)
    assert 0.95 * best - 1e-6 <= solution.value <= best + 1e-6 <= solution.bound + 1e-3


def test_a_promise_goes_before_money():
    """Two charges for one gap: the poorer lot is promised, the richer one is not."""
    lots = Wanted(100.0, due=12), Wanted(900.0)
    choices = Choice(frozenset({0}), 0, 10), Choice(frozenset({1}), 0, 10)
    problem = Problem(lots, (((0, 11),),), choices, 5.0, 30)
    for exact in (True, False):
        assert [row.choice for row in finished(packing.solve(problem, 5, exact=exact)).placed] == [choices[0]]


def test_a_charge_that_brings_less_than_its_days_cost_waits_for_company():
    alone = Problem((Wanted(90.0),), (((0, 30),),), (Choice(frozenset({0}), 0, 10),), 10.0, 30)
    assert finished(packing.solve(alone, 5)).placed == ()
    pair = Choice(frozenset({0, 1}), 0, 11)
    shared = Problem((Wanted(90.0), Wanted(90.0)), alone.gaps, (*alone.choices, pair), 10.0, 30)
    assert [row.choice for row in finished(packing.solve(shared, 5)).placed] == [pair]


def test_groups_are_all_that_fit_and_go_together():
    """Four lots of which 0-1-2 go together and 3 with none: pairs and singles, no three in the room of two."""
    goes = [0b0110, 0b0101, 0b0011, 0]
    found, complete = packing.groups(goes, [400, 400, 400, 400], 900, len, 100)
    wanted = [{0}, {1}, {2}, {3}, {0, 1}, {0, 2}, {1, 2}]
    assert complete and sorted(map(sorted, found)) == sorted(map(sorted, wanted))


def test_too_many_groups_are_thinned_but_no_lot_is_forgotten():
    count = 14
    goes = [(1 << count) - 1 - (1 << i) for i in range(count)]
    found, complete = packing.groups(goes, [100.0] * count, 500, lambda lots: -min(lots), 56)
    assert not complete
    for size in range(1, 6):
        assert set().union(*(group for group in found if len(group) == size)) == set(range(count))


def test_a_stopped_search_keeps_what_it_has():
    lots = tuple(Wanted(200.0 + i, due=20 + i) for i in range(16))
    goes = [0xFFFF - (1 << i) for i in range(16)]
    groups, _ = packing.groups(goes, [300.0] * 16, ROOM, len, 400)
    choices = tuple(Choice(group, c, 8 + min(group) % 5) for group in groups for c in (0, 1))
    problem = Problem(lots, (((0, 60),), ((2, 60),)), choices, 20.0, 60)
    solution = finished(packing.solve(problem, 120, stopped=lambda: True))
    assert solution.placed and (solution.stopped or solution.proven)
