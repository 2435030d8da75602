"""Which charges to run when, in plain numbers: one model of the choice and two ways to solve it.

Days are counted from today (0). A choice is a charge that could be run: lots that go together, a chamber, and the days
it holds it. Chosen are charges that share no lot and no chamber-day, so that what the lots bring, less the price of
the days held, is most, where a broken promise outweighs all that could be earned. Every day a choice may begin is
worth no more than an earlier one, so it is enough to match choices to beginnings by the last day each may begin.
"""

from __future__ import annotations

import math
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csc_matrix

POLL_S = 0.25
LP_SECONDS = 20.0
PATIENCE = 1500  # tries without a gain before step by step ends
LOOSE = 0.05  # of all lots' prices: what is readily lost for a while
STEPWISE = 0.25  # of the time, at most, before HiGHS joins in
LATE_STEP = 28  # days: each four weeks begun after a promise count as a chamber held for four weeks
PROVEN = 0.5  # money; a gap below it is rounding


@dataclass(frozen=True)
class Wanted:
    """A lot: what it brings, and the last day its charge may hold a chamber; None where nothing was promised."""

    price: float
    due: int | None = None


@dataclass(frozen=True)
class Choice:
    """Lots that could be dried together in a chamber, and the days that takes."""

    lots: frozenset[int]
    chamber: int
    length: int


@dataclass(frozen=True)
class Placed:
    choice: Choice
    start: int

    @property
    def end(self) -> int:
        return self.start + self.choice.length - 1


@dataclass(frozen=True)
class Problem:
    """What there is to choose from. `gaps` are each chamber's free days (first, last), all within `horizon`."""

    lots: tuple[Wanted, ...]
    gaps: tuple[tuple[tuple[int, int], ...], ...]
    choices: tuple[Choice, ...]
    day_price: float
    horizon: int

    @cached_property
    def broken(self) -> float:
        """What a broken promise counts: more than all lots together bring."""
        return sum(lot.price for lot in self.lots) + 1.0

    def late(self, lot: int, end: int) -> float:
        """What it counts that a lot's charge holds its chamber to a day: nothing, or the promise and every step."""
        due = self.lots[lot].due
        if due is None or end <= due:
            return 0.0
        return self.broken + LATE_STEP * self.day_price * math.ceil((end - due) / LATE_STEP)

    def left(self, lot: int) -> float:
        """What it counts that a lot is left over: as late as can be if its promise falls within the horizon."""
        due = self.lots[lot].due
        return 0.0 if due is None or due > self.horizon else self.late(lot, self.horizon + LATE_STEP)

    def worth(self, choice: Choice, start: int) -> float:
        """What a charge begun on a day is better than leaving its lots."""
        end = start + choice.length - 1
        return (
            sum(self.lots[lot].price + self.left(lot) - self.late(lot, end) for lot in choice.lots)
            - self.day_price * choice.length
        )

    def starts(self, chamber: int, length: int) -> list[int]:
        """The days a charge of this length can begin."""
        return [day for first, last in self.gaps[chamber] for day in range(first, last - length + 2)]

    def value(self, placed: Sequence[Placed]) -> float:
        return sum(self.worth(row.choice, row.start) for row in placed)


@dataclass(frozen=True)
class Solution:
    """Charges with their first days, what they are worth, and what no other selection can be worth more than."""

    placed: tuple[Placed, ...]
    value: float
    bound: float
    solver: str
    stopped: bool = False

    @property
    def gap(self) -> float:
        return max(0.0, self.bound - self.value)

    @property
    def proven(self) -> bool:
        return self.gap < PROVEN


def groups(
    goes: Sequence[int],
    sizes: Sequence[float],
    room: float,
    score: Callable[[frozenset[int]], float],
    width: int,
) -> tuple[list[frozenset[int]], bool]:
    """Lots that go together (`goes`: bit masks) and fit; True when these are all there are.

    Built one lot larger at a time. Where more than `width` are of one size, each lot keeps its best by `score`.
    """
    level = [(1 << i, goes[i] >> (i + 1) << (i + 1), size) for i, size in enumerate(sizes) if size <= room]
    found, complete = [], True
    while level:
        if len(level) > width:
            level, complete = _best(level, score, width, len(sizes)), False
        found += [_members(mask) for mask, _, _ in level]
        larger = []
        for mask, fellows, size in level:
            rest = fellows
            while rest:
                bit = rest & -rest
                rest ^= bit
                i = bit.bit_length() - 1
                if size + sizes[i] <= room:
                    larger.append((mask | bit, fellows & goes[i] >> (i + 1) << (i + 1), size + sizes[i]))
        level = larger
    return found, complete


def _members(mask: int) -> frozenset[int]:
    return frozenset(i for i in range(mask.bit_length()) if mask >> i & 1)


def _best(level: list, score: Callable[[frozenset[int]], float], width: int, count: int) -> list:
    ranked = sorted(level, key=lambda row: score(_members(row[0])), reverse=True)
    quota, held, kept = max(1, width // count), defaultdict(int), []
    for row in ranked:
        lots = _members(row[0])
        if any(held[lot] < quota for lot in lots):
            kept.append(row)
            for lot in lots:
                held[lot] += 1
    return kept


class Filling:
    """Fills chambers step by step: always the charge worth most per chamber-day, on its first free days."""

    def __init__(self, problem: Problem):
        self.problem = problem
        choices, lots = problem.choices, range(len(problem.lots))
        self.length = np.array([choice.length for choice in choices], int)
        self.members = np.zeros((len(choices), len(problem.lots)), bool)
        for i, choice in enumerate(choices):
            self.members[i, list(choice.lots)] = True
        gain = np.array([problem.lots[lot].price + problem.left(lot) for lot in lots])
        late = np.array([[problem.late(lot, end) for end in range(problem.horizon + 1)] for lot in lots])
        whole = self.members.astype(float)
        self.gain = whole @ gain - problem.day_price * self.length
        self.late = whole @ late.reshape(len(lots), -1)  # of each choice by its last day
        self.kinds = sorted({(choice.chamber, choice.length) for choice in choices})
        where = {kind: i for i, kind in enumerate(self.kinds)}
        self.kind = np.array([where[choice.chamber, choice.length] for choice in choices], int)

    def fill(
        self, placed: Sequence[Placed], noise: Callable[[int], np.ndarray] | None = None
    ) -> list[Placed]:
        """Charges added to those placed, on days these leave free, until none is worth its days."""
        placed, every = list(placed), np.arange(len(self.length))
        open_ = np.ones(len(self.length), bool)
        for row in placed:
            open_ &= ~self.members[:, list(row.choice.lots)].any(axis=1)
        luck = noise(len(self.length)) if noise else 1.0
        while open_.any():
            starts = [self._first_free(placed, chamber, length) for chamber, length in self.kinds]
            start = np.array([self.problem.horizon + 1 if day is None else day for day in starts])[self.kind]
            end = start + self.length - 1
            fits = open_ & (end <= self.problem.horizon)
            worth = self.gain - self.late[every, np.where(fits, end, 0)]
            score = np.where(fits & (worth > 1e-9), worth * luck / self.length, -1.0)
            best = int(np.argmax(score))
            if score[best] <= 0:
                break
            placed.append(Placed(self.problem.choices[best], int(start[best])))
            open_ &= ~(self.members & self.members[best]).any(axis=1)
        return placed

    def _first_free(self, placed: Sequence[Placed], chamber: int, length: int) -> int | None:
        held = sorted((row.start, row.end) for row in placed if row.choice.chamber == chamber)
        for day, last in self.problem.gaps[chamber]:
            for start, end in held:
                if start - day >= length:
                    break
                day = max(day, end + 1)
            if last - day + 1 >= length:
                return day
        return None


def improving(problem: Problem, begun: Sequence[Placed] = ()) -> Iterator[tuple[Placed, ...]]:
    """The best selection so far, try by try, until PATIENCE tries have brought nothing.

    Fills step by step; then takes charges out, anywhere, of some weeks or of the end of a chamber, and fills again
    with luck. A little worth may be lost on the way, or what is good as it stands would never be left. `begun` is
    a selection to start from, if it is the better one.
    """
    if not problem.choices:
        return
    filling, luck = Filling(problem), np.random.default_rng(0)
    now = max(
        (moved_up(problem, filling.fill(moved_up(problem, start))) for start in ((), begun)),
        key=problem.value,
    )
    best, stale = now, 0
    while stale < PATIENCE:
        yield best
        stale += 1
        way, day = luck.random(), luck.integers(problem.horizon)
        if way < 1 / 3:
            share = luck.uniform(0.1, 0.9)
            kept = [row for row in now if luck.random() > share]
        elif way < 2 / 3:
            until = day + luck.integers(10, 60)
            kept = [row for row in now if row.end < day or row.start > until]
        else:
            chamber = luck.integers(len(problem.gaps))
            kept = [row for row in now if row.choice.chamber != chamber or row.end < day]
        if luck.random() < 0.5:
            kept = list(moved_up(problem, kept))
        spread = luck.uniform(0.05, 0.6)
        made = moved_up(
            problem, filling.fill(kept, lambda n, spread=spread: np.exp(spread * luck.standard_normal(n)))
        )
        gain = problem.value(made) - problem.value(now)
        if gain > 0 or luck.random() < math.exp(gain / (LOOSE * problem.broken)):
            now = made
        if problem.value(now) > problem.value(best) + 1e-9:
            best, stale = now, 0
    yield best


class Model:
    """The problem as a mixed-integer programme: maximise `worth @ x` with `low <= rows @ x <= high`.

    Columns: a choice with a last day to begin (one for each step of its worth); a charge of some length beginning on
    some day; and how many beginnings up to a day are not yet used by choices that had to begin by then.
    """

    def __init__(self, problem: Problem):
        self.problem = problem
        self.versions: list[tuple[Choice, int]] = []
        self.begins: dict[tuple[int, int], list[int]] = {}
        worths, by_length = [], defaultdict(list)
        for choice in problem.choices:
            group = choice.chamber, choice.length
            if group not in self.begins:
                self.begins[group] = problem.starts(*group)
            for latest in self._steps(choice, self.begins[group]):
                worth = problem.worth(choice, latest)
                if worth > 1e-9:
                    by_length[group].append(len(self.versions))
                    self.versions.append((choice, latest))
                    worths.append(worth)
        self.begins = {group: self.begins[group] for group in by_length}
        self.first_begin, column = {}, len(self.versions)
        for group, days in self.begins.items():
            self.first_begin[group] = column
            column += 2 * len(days)  # beginnings, then the unused of each day
        self.columns = column
        self.worth = np.zeros(column)
        self.worth[: len(worths)] = worths
        self._rows(by_length)

    def _steps(self, choice: Choice, days: list[int]) -> list[int]:
        """The last day of each stretch on which the choice is worth the same."""
        if not days:
            return []
        ends = {days[-1]}
        for lot in choice.lots:
            due = self.problem.lots[lot].due
            if due is not None:
                ends.update(range(due - choice.length + 1, days[-1], LATE_STEP))
        known = np.array(days)
        last = {int(known[known <= end][-1]) for end in ends if end >= days[0]}
        return sorted(last)

    def _rows(self, by_length: dict[tuple[int, int], list[int]]) -> None:
        entries: list[tuple[int, int, float]] = []
        low, high = [], []

        def row(cells: list[tuple[int, float]], least: float, most: float) -> None:
            entries.extend((len(low), column, value) for column, value in cells)
            low.append(least)
            high.append(most)

        by_lot, by_day = defaultdict(list), defaultdict(list)
        for column, (choice, _) in enumerate(self.versions):
            for lot in choice.lots:
                by_lot[lot].append((column, 1.0))
        for group, days in self.begins.items():
            chamber, length = group
            first = self.first_begin[group]
            unused = first + len(days)
            due = defaultdict(list)
            for column in by_length[group]:
                due[self.versions[column][1]].append(column)
            for i, day in enumerate(days):
                for held in range(day, day + length):
                    by_day[chamber, held].append((first + i, 1.0))
                cells = [(first + i, 1.0), (unused + i, -1.0)]
                cells += [(column, -1.0) for column in due[day]]
                cells += [(unused + i - 1, 1.0)] if i else []
                row(cells, 0.0, 0.0)
            row([(unused + len(days) - 1, 1.0)], 0.0, 0.0)
        for cells in (*by_lot.values(), *by_day.values()):
            row(cells, -np.inf, 1.0)
        at = np.array([(r, c) for r, c, _ in entries], int).reshape(-1, 2)
        values = np.array([value for _, _, value in entries])
        self.rows = csc_matrix((values, (at[:, 0], at[:, 1])), shape=(len(low), self.columns))
        self.low, self.high = np.array(low), np.array(high)
        self.upper = np.ones(self.columns)
        self.whole = np.ones(self.columns, bool)
        for group, days in self.begins.items():
            unused = self.first_begin[group] + len(days)
            self.upper[unused : unused + len(days)] = len(days)
            self.whole[unused : unused + len(days)] = False

    def point(self, placed: Sequence[Placed]) -> np.ndarray:
        """The columns of a selection."""
        x = np.zeros(self.columns)
        for row in placed:
            group = row.choice.chamber, row.choice.length
            column = next(
                i for i, (choice, latest) in enumerate(self.versions) if choice == row.choice and latest >= row.start
            )  # fmt: skip
            days, first = self.begins[group], self.first_begin[group]
            begin, latest = days.index(row.start), days.index(self.versions[column][1])
            x[column] = x[first + begin] = 1.0
            x[first + len(days) + begin : first + len(days) + latest] += 1.0
        return x

    def selection(self, x: np.ndarray) -> tuple[Placed, ...]:
        """Charges with their first days, moved up as early as the chamber is free."""
        found = []
        for group, days in self.begins.items():
            first = self.first_begin[group]
            begins = [day for i, day in enumerate(days) if x[first + i] > 0.5]
            chosen = [
                version
                for column, version in enumerate(self.versions)
                if x[column] > 0.5 and (version[0].chamber, version[0].length) == group
            ]
            chosen.sort(key=lambda version: version[1])
            found += [
                Placed(choice, day)
                for (choice, _), day in zip(chosen, begins[: len(chosen)], strict=True)
            ]  # fmt: skip
        return moved_up(self.problem, found)

    def bound(self) -> float:
        """What no selection is worth more than, by leaving out that charges are whole."""
        if not self.versions:
            return 0.0
        equal = self.low == self.high
        answer = linprog(
            -self.worth,
            A_ub=self.rows[~equal],
            b_ub=self.high[~equal],
            A_eq=self.rows[equal],
            b_eq=self.high[equal],
            bounds=np.column_stack([np.zeros(self.columns), self.upper]),
            method="highs-ipm",
            options={"time_limit": LP_SECONDS},
        )
        if answer.status == 0:
            return -float(answer.fun)
        best = defaultdict(float)
        for column, (choice, _) in enumerate(self.versions):
            for lot in choice.lots:
                share = self.worth[column] / len(choice.lots)
                best[lot] = max(best[lot], share)
        return sum(best.values())


def moved_up(problem: Problem, placed: Sequence[Placed]) -> tuple[Placed, ...]:
    """The same charges in the same order, each as early as its chamber is free; without those that find no room."""
    found, free_from = [], defaultdict(int)
    for row in sorted(placed, key=lambda row: row.start):
        chamber, length = row.choice.chamber, row.choice.length
        for first, last in problem.gaps[chamber]:
            start = max(first, free_from[chamber])
            if start + length - 1 <= last:
                found.append(Placed(row.choice, start))
                free_from[chamber] = start + length
                break
    return tuple(found)


def again(problem: Problem, placed: Sequence[Placed]) -> tuple[Placed, ...]:
    """Charges chosen for a like problem, as far as this one has them."""
    known = {(choice.chamber, choice.lots): choice for choice in problem.choices}
    same = [(known.get((row.choice.chamber, row.choice.lots)), row.start) for row in placed]
    return moved_up(problem, [Placed(choice, start) for choice, start in same if choice])


def has_highs() -> bool:
    try:
        import highspy  # noqa: F401
    except ImportError:
        return False
    return True


Steps = Generator[tuple[float, float], None, Solution]  # share of the time used, gap in money


def solve(
    problem: Problem,
    seconds: float,
    *,
    begun: Sequence[Placed] = (),
    exact: bool = True,
    stopped: Callable[[], bool] = lambda: False,
) -> Steps:
    """Solve step by step, then, where `exact` and HiGHS is there, as well as the time allows."""
    start = told = time.monotonic()
    first: tuple[Placed, ...] = ()
    cut, tries = False, improving(problem, again(problem, begun))
    for best in tries:
        first, now = best, time.monotonic()
        if now - told >= POLL_S:
            cut, told = stopped(), now
            if cut or now - start >= seconds * (STEPWISE if exact else 1):
                break
            yield (now - start) / seconds, math.inf
    model = Model(problem)
    if exact and model.versions and not cut:
        return (yield from _by_highs(model, first, tries, seconds, start, stopped))
    value = problem.value(first)
    return Solution(first, value, max(model.bound(), value), "step by step", cut)


def _by_highs(
    model: Model,
    first: tuple[Placed, ...],
    tries: Iterator[tuple[Placed, ...]],
    seconds: float,
    start: float,
    stopped: Callable[[], bool],
) -> Steps:
    import highspy

    highs = highspy.Highs()
    highs.silent()
    highs.setOptionValue("time_limit", max(1.0, start + seconds - time.monotonic()))
    highs.setOptionValue("mip_rel_gap", 0.0)
    highs.setOptionValue("mip_abs_gap", PROVEN / 2)
    highs.setOptionValue("threads", 1)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = model.columns, len(model.low)
    lp.sense_ = highspy.ObjSense.kMaximize
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = model.worth, np.zeros(model.columns), model.upper
    lp.row_lower_, lp.row_upper_ = model.low, model.high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_, lp.a_matrix_.index_ = model.rows.indptr, model.rows.indices
    lp.a_matrix_.value_ = model.rows.data
    kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
    lp.integrality_ = [kinds[int(whole)] for whole in model.whole]
    highs.passModel(lp)
    begun = highspy.HighsSolution()
    begun.col_value = model.point(first).tolist()
    highs.setSolution(begun)
    highs.HandleUserInterrupt = True
    gap = [math.inf]
    highs.cbMipInterrupt += lambda event: gap.__setitem__(
        0, event.data_out.mip_dual_bound - event.data_out.mip_primal_bound
    )
    run, cut = threading.Thread(target=highs.run, daemon=True), False
    run.start()
    try:
        while run.is_alive():
            turn = time.monotonic()
            for best in tries:  # goes on step by step beside HiGHS
                first = best
                if time.monotonic() - turn >= POLL_S:
                    break
            else:
                run.join(POLL_S)
            if not cut and stopped():
                cut = True
                highs.cancelSolve()
            yield min(1.0, (time.monotonic() - start) / seconds), gap[0]
    finally:
        if run.is_alive():
            highs.cancelSolve()
            run.join()
    problem, found = model.problem, first
    info = highs.getInfo()
    if info.primal_solution_status == highspy.kSolutionStatusFeasible:
        found = max(first, model.selection(np.array(highs.getSolution().col_value)), key=problem.value)
    value = problem.value(found)
    bound = max(info.mip_dual_bound, value)
    if bound - value >= PROVEN:  # the time may have run out before HiGHS had a bound worth the name
        bound = min(bound, model.bound())
    return Solution(found, value, max(bound, value), "HiGHS", cut)
