"""How good and how quick the two planners are on 20, 40 and 80 lots; only ratios are asserted.

The shops are invented: six kinds of wood of 10 to 31 days (the span of the published 4/4 kiln periods in
DEVELOPERS.md), lots of 150 to 700 bf, two chambers of 2,200 and 1,200 bf (three for 80 lots), half of the lots promised.
"""

import random
import time

import pytest

from kilnshop.charges import packing
from kilnshop.charges.packing import Choice, Problem, Wanted

DAYS = (10, 14, 20, 26, 31, 12)


def shop(count, chambers, kinds, horizon=110, width=400):
    luck = random.Random(count)
    kind = [luck.randrange(kinds) for _ in range(count)]
    volume = [luck.uniform(150, 700) for _ in range(count)]
    days = [DAYS[k] + luck.randrange(-3, 4) for k in kind]
    lots = tuple(Wanted(bf * 0.6, luck.choice([None, luck.randrange(25, 100)])) for bf in volume)
    goes = [sum(1 << j for j in range(count) if j != i and kind[j] == kind[i]) for i in range(count)]

    def score(group):
        return sum(lots[lot].price for lot in group) / max(days[lot] for lot in group)

    choices = []
    for chamber in range(chambers):
        groups, _ = packing.groups(goes, volume, (2200, 1200)[chamber % 2], score, width)
        choices += [Choice(group, chamber, max(days[lot] for lot in group)) for group in groups]
    gaps = tuple(((luck.randrange(0, 8), 40), (43, horizon)) for _ in range(chambers))
    return Problem(lots, gaps, tuple(choices), 31.0, horizon)


def earned(problem, placed):
    return sum(problem.lots[lot].price for row in placed for lot in row.choice.lots)


def broken(problem, placed):
    gone = {lot: row.end for row in placed for lot in row.choice.lots}
    return sum(
        problem.late(lot, gone[lot]) > 0 if lot in gone else problem.left(lot) > 0
        for lot in range(len(problem.lots))
    )


def searched(problem, seconds, exact):
    steps = packing.solve(problem, seconds, exact=exact)
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


@pytest.mark.parametrize(
    ("count", "chambers", "kinds", "seconds", "open_"),
    [(20, 2, 3, 10, 0.01), (40, 2, 4, 20, 0.05), (80, 3, 6, 30, 0.15)],
)
def test_quality_and_time(benchmark, capsys, count, chambers, kinds, seconds, open_):
    problem = shop(count, chambers, kinds)
    plain = packing.Filling(problem).fill([])
    begun = time.process_time()
    step = searched(problem, seconds, False)
    step_s = time.process_time() - begun
    begun = time.process_time()
    best = benchmark.pedantic(searched, args=(problem, seconds, True), rounds=1)
    best_s = time.process_time() - begun
    with capsys.disabled():
        print(f"\n{count} lots, {len(problem.choices)} charges to choose from:")
        for name, placed, spent in (
            ("first filling", plain, 0.0), ("step by step", step.placed, step_s), ("HiGHS", best.placed, best_s)
        ):  # fmt: skip
            print(
                f"  {name:13s} {spent:6.1f} s  quoted {earned(problem, placed):8,.0f}  "
                f"late {broken(problem, placed):2d}  worth {problem.value(placed):10,.0f}"
            )
        print(f"  proven bound {best.bound:10,.0f}: HiGHS within {best.gap / best.bound:.1%}")
    for found in (step, best):
        assert problem.value(plain) <= found.value + 1e-6 <= found.bound + 2e-6
        assert broken(problem, found.placed) <= broken(problem, plain)
    assert step.value >= 0.9 * best.value
    assert best.gap <= open_ * best.bound
