"""Charges proposed from the waiting lots: what to load when, so that the chambers earn most and promises are kept.

A quick estimate gives each kind of lot its days; `packing` chooses; every charge chosen is worked out as one made by
hand would be (`planning.plan`), and the choice is made again with what that says until it no longer moves.
"""

import copy
import datetime as dt
import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import combinations

from django.core.cache import cache
from django.db.models import Prefetch, QuerySet

from kilnshop.charges import loading, packing, planning, queries, sharing
from kilnshop.charges.calendar import DAY, LOADING_DAYS, UNLOADING_DAYS, day_text, gaps
from kilnshop.charges.models import Booking
from kilnshop.orders.estimating import chamber_input, estimate_lots, holds, lot_input, outside
from kilnshop.orders.models import Lot, Promise, Quote
from kilnshop.orders.queries import accepted_quote, waiting_lots
from kilnshop.science import stack
from kilnshop.shop.models import ZERO, Chamber, Shop
from kilnshop.shop.queries import learned, rate_card_on

TRIAL_FILL = 0.5  # of the chamber, at which a kind of lot is tried out
WIDTH = 500  # groups of one size looked at in a chamber
ROUNDS = (0.5, 0.2, 0.15, 0.15)  # parts of the time for choosing, and choosing again
TIGHT = 0.6  # a fuller chamber is stacked before it is proposed
LEAST_DAY_PRICE = 1.0  # so that days count for something without a rate card
KEPT_S = 7 * 86400


@dataclass(frozen=True)
class Draft:
    """A charge nobody has booked: which lots, where, from when."""

    chamber: int
    lots: tuple[int, ...]
    first_day: dt.date


@dataclass(frozen=True)
class Suggestion:
    """What is proposed, how it was found, and why the other lots are left over."""

    drafts: tuple[Draft, ...]
    left: tuple[tuple[int, str], ...]
    solver: str
    gap_pct: float  # what another choice can be worth more, in % of what these lots were quoted at
    breaks_open: bool  # not proven that no more promises could be kept
    looked_at: int
    complete: bool
    stopped: bool
    weeks: int


@dataclass(frozen=True)
class Step:
    """How far the search is."""

    share: float
    text: str


Search = Generator[Step, None, Suggestion]


def queue() -> list[Lot]:
    """Waiting lots with what weighing them needs."""
    return _with_papers(waiting_lots())


def _with_papers(lots: QuerySet[Lot]) -> list[Lot]:
    quotes = Quote.objects.filter(decision=Quote.Decision.ACCEPTED).prefetch_related("lines")
    return list(
        lots.select_related("order__customer").prefetch_related(
            "tally",
            Prefetch("order__quotes", queryset=quotes),
            Prefetch("order__promises", queryset=Promise.objects.order_by("-made_at", "-id")),
            "order__lots",
        )
    )


def brings(lot: Lot) -> Decimal:
    """The lot's part of its accepted quote, before tax; lines of the whole order by board feet."""
    quote = accepted_quote(lot.order)
    if quote is None:
        return ZERO
    lines = list(quote.lines.all())
    own = sum((line.amount for line in lines if line.lot_id == lot.pk), ZERO)
    shared = quote.subtotal - sum((line.amount for line in lines if line.lot_id), ZERO)
    volume = sum((other.volume_bf for other in lot.order.lots.all()), ZERO)
    return own + shared * lot.volume_bf / volume


def due_on(lot: Lot) -> dt.date | None:
    """The day the order was last promised for, else the one it is needed by."""
    promise = next(iter(lot.order.promises.all()), None)
    return promise.ready_on if promise else lot.order.needed_by


def _trial(lot: Lot, chamber: Chamber, shop: Shop, day: dt.date) -> tuple[float, float]:
    """High end of the days of this kind of lot filling half the chamber, and how much longer a full one takes."""
    twin = copy.copy(lot)
    twin.start_mc_pct = float(math.ceil(lot.start_mc_pct))
    given, room = lot_input(twin), chamber_input(chamber, shop)
    twin.volume_bf = Decimal(
        f"{float(lot.volume_bf) * TRIAL_FILL * room.capacity_bf / given.stack_share:.2f}"
    )
    own = learned() if shop.learns else None
    alike = replace(given, key="", volume_bf=1.0), room, outside(shop, day.month), lot.schedule_code, own
    key = f"trial-{hashlib.sha256(repr(alike).encode()).hexdigest()}"
    known = cache.get(key)
    if known is None:
        made = estimate_lots([twin], chamber, shop, day)
        known = made.days.high, (made.full.days / made.days.expected if made.full else 1.0)
        cache.set(key, known, KEPT_S)
    return known


@dataclass
class Yard:
    """The problem in the shop's words, and back."""

    shop: Shop
    today: dt.date
    weeks: int
    at_a_cost: bool
    lots: list[Lot]
    chambers: list[Chamber]
    refused: dict[int, str] = field(default_factory=dict)  # lots that go into no chamber, and why
    days: dict[tuple[int, int], tuple[float, float]] = field(
        default_factory=dict
    )  # (lot, chamber): see _trial
    exact: dict[tuple[int, frozenset[int]], int] = field(default_factory=dict)
    banned: set[tuple[int, frozenset[int]]] = field(default_factory=set)
    stood: dict[tuple[int, frozenset[int]], bool] = field(default_factory=dict)
    complete: bool = True
    stopped: bool = False  # before every lot was estimated

    @property
    def horizon(self) -> int:
        return self.weeks * 7

    @property
    def last_day(self) -> dt.date:
        return self.today + self.horizon * DAY

    def measure(self, stopped: Callable[[], bool]) -> Generator[Step, None, None]:
        """Estimate every kind of lot in every chamber; once stopped, the lots not reached are left over."""
        for number, lot in enumerate(self.lots):
            if stopped():
                self.stopped = True
                self.refused[number] = "Not looked at: the search was stopped before its turn."
                continue
            problems = []
            for place, chamber in enumerate(self.chambers):
                try:
                    loading.load(chamber, [lot])
                    self.days[number, place] = _trial(lot, chamber, self.shop, self.today)
                except ValueError as problem:
                    problems.append(str(problem))
            if problems and len(problems) == len(self.chambers):
                self.refused[number] = problems[0]
            yield Step((number + 1) / len(self.lots), f"Estimated {number + 1} of {len(self.lots)} lots")

    def pair_up(self) -> None:
        """Which lots may share a charge, which of those at a cost, and the room they take."""
        inputs = [lot_input(lot) for lot in self.lots]
        self.stacked = [
            [loading.stack_lot(lot, given, chamber) for lot, given in zip(self.lots, inputs, strict=True)]
            for chamber in self.chambers
        ]
        self.room = [given.stack_share for given in inputs]
        self.price = [float(brings(lot)) for lot in self.lots]
        card = rate_card_on(self.today)
        self.day_price = max(float(card.chamber_day_cost) if card else 0.0, LEAST_DAY_PRICE)
        self.goes, known = [0] * len(inputs), holds()
        for one, two in combinations(range(len(inputs)), 2):
            verdict = sharing.verdict(sharing.findings([inputs[one], inputs[two]], known))
            if verdict == sharing.ALLOWED or (verdict == sharing.COST and self.at_a_cost):
                self.goes[one] |= 1 << two
                self.goes[two] |= 1 << one

    def length(self, place: int, lots: frozenset[int]) -> int:
        """Days the chamber is held: what was worked out, else by the slowest lot at this fill."""
        if (place, lots) in self.exact:
            return self.exact[place, lots]
        fill = self.fill(place, lots)
        high = max(
            days * max(0.5, 1 + (longer - 1) * (fill - TRIAL_FILL) / (1 - TRIAL_FILL))
            for days, longer in (self.days[lot, place] for lot in lots)
        )
        return LOADING_DAYS + math.ceil(high) + UNLOADING_DAYS

    def fill(self, place: int, lots: frozenset[int]) -> float:
        return sum(self.room[lot] for lot in lots) / float(self.chambers[place].capacity_bf)

    def stands(self, place: int, lots: frozenset[int]) -> bool:
        """Whether the lots can be stacked, in the order of their promises or the longest first."""
        key = place, lots
        if key not in self.stood:

            def promised(lot: int) -> tuple[dt.date, float]:
                return due_on(self.lots[lot]) or dt.date.max, self.stacked[place][lot].longest_ft

            orders = (
                sorted(lots, key=promised, reverse=True),
                sorted(lots, key=lambda lot: self.stacked[place][lot].longest_ft, reverse=True),
            )
            room = self.chambers[place].geometry
            self.stood[key] = any(
                not stack.load(room, [self.stacked[place][lot] for lot in order]).left_bf for order in orders
            )
        return self.stood[key]

    def choices(self) -> tuple[packing.Choice, ...]:
        found = []
        for place, chamber in enumerate(self.chambers):
            here = [lot for lot in range(len(self.lots)) if (lot, place) in self.days]
            goes = [
                sum(1 << i for i, other in enumerate(here) if self.goes[lot] >> other & 1) for lot in here
            ]

            def score(group: frozenset[int], here=here, place=place) -> float:
                lots = frozenset(here[i] for i in group)
                return sum(self.price[lot] for lot in lots) / self.length(place, lots)

            made, complete = packing.groups(
                goes,
                [self.room[lot] for lot in here],
                float(chamber.capacity_bf) * planning.OVER_FULL,
                score,
                WIDTH,
            )
            self.complete &= complete
            for group in made:
                lots = frozenset(here[i] for i in group)
                if (place, lots) in self.banned:
                    continue
                if self.fill(place, lots) < TIGHT or self.stands(place, lots):
                    found.append(packing.Choice(lots, place, self.length(place, lots)))
        return tuple(found)

    def problem(self) -> packing.Problem:
        margin = self.shop.promise_margin_days
        taken = defaultdict(list)
        for booking in Booking.objects.filter(last_day__gte=self.today):
            taken[booking.chamber_id].append(booking)
        return packing.Problem(
            tuple(
                packing.Wanted(price, due and (due - self.today).days - margin)
                for price, due in zip(self.price, map(due_on, self.lots), strict=True)
            ),
            tuple(
                tuple(
                    ((gap.first_day - self.today).days, (gap.last_day - self.today).days)
                    for gap in gaps(taken[chamber.pk], self.today, self.last_day)
                )
                for chamber in self.chambers
            ),
            self.choices(),
            self.day_price,
            self.horizon,
        )

    def draft(self, placed: packing.Placed) -> Draft:
        return Draft(
            self.chambers[placed.choice.chamber].pk,
            tuple(self.lots[lot].pk for lot in sorted(placed.choice.lots)),
            self.today + placed.start * DAY,
        )

    def check(self, placed: Sequence[packing.Placed]) -> bool:
        """Work out the chosen charges as by hand; True when each holds its chamber for the days it was given."""
        settled = True
        for row in placed:
            key = row.choice.chamber, row.choice.lots
            lots = [self.lots[lot] for lot in sorted(row.choice.lots)]
            chamber = self.chambers[row.choice.chamber]
            try:
                made = planning.plan(
                    chamber=chamber, lots=lots, first_day=self.today + row.start * DAY, shop=self.shop
                )
            except ValueError:
                made = None
            if made is None or made.refusals or not made.estimate.reaches_target or _stands_over(made):
                self.banned.add(key)
                settled = False
            elif made.days.length != row.choice.length:
                self.exact[key] = made.days.length
                settled = False
        return settled

    def why_left(self, problem: packing.Problem, placed: Sequence[packing.Placed]) -> list[tuple[int, str]]:
        gone = {lot for row in placed for lot in row.choice.lots}
        found = []
        for number, lot in enumerate(self.lots):
            if number not in gone:
                found.append((lot.pk, self._why(problem, number)))
        return found

    def _why(self, problem: packing.Problem, number: int) -> str:
        if number in self.refused:
            return self.refused[number]
        own = [choice for choice in problem.choices if number in choice.lots]
        if not own:
            return "It does not fit a chamber, or its charge is refused when worked out. Plan it by hand to see why."
        if not any(problem.starts(choice.chamber, choice.length) for choice in own):
            return f"No chamber is free long enough within {self.weeks} weeks."

        def money(choice: packing.Choice) -> float:
            return sum(problem.lots[lot].price for lot in choice.lots) - problem.day_price * choice.length

        best = max(own, key=money)
        if money(best) <= 0:
            return (
                f"With what it can share with, a charge would hold a chamber {best.length} days and bring less than "
                "those days cost. Let it wait for company."
            )
        return f"Within {self.weeks} weeks the chambers earn more with the charges proposed."


def _stands_over(made: planning.Plan) -> bool:
    return made.load is None or bool(made.load.stack.left_bf)


def suggest(
    *,
    shop: Shop,
    today: dt.date,
    weeks: int,
    seconds: float,
    at_a_cost: bool = True,
    exact: bool | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Search:
    """Look for the best charges of the next weeks; yields how far it is, returns the Suggestion.

    `exact` asks for HiGHS; None takes it where it is installed.
    """
    exact = packing.has_highs() if exact is None else exact
    yard = Yard(shop, today, weeks, at_a_cost, queue(), list(Chamber.objects.filter(active=True)))
    for step in yard.measure(stopped):
        yield replace(step, share=0.3 * step.share)
    yard.pair_up()
    placed: tuple[packing.Placed, ...] = ()
    for number, part in enumerate(ROUNDS):
        done = 0.3 + 0.7 * sum(ROUNDS[:number])
        problem = yard.problem()
        words = f"Choosing among {len(problem.choices):,} possible charges"
        yield Step(done, words)
        steps = packing.solve(problem, seconds * part, begun=placed, exact=exact, stopped=stopped)
        solution = yield from _told(steps, done, 0.7 * part, words)
        placed = solution.placed
        if yard.check(placed) or stopped():
            break
    drafts, gone = [], []
    for row in sorted(placed, key=lambda row: row.start):
        made = settle(yard.draft(row), shop, today, drafts, yard.last_day)
        if made:
            drafts.append(made)
            gone.append(row)
    problem = yard.problem()
    gap = solution.bound - problem.value(gone)
    quoted = sum(yard.price[lot] for row in gone for lot in row.choice.lots)
    return Suggestion(
        tuple(draft for draft, _ in drafts),
        tuple(yard.why_left(problem, gone)),
        solution.solver,
        0.0 if gap < packing.PROVEN else round(100 * gap / max(1.0, quoted), 1),
        gap >= problem.broken,
        len(problem.choices),
        yard.complete,
        solution.stopped or yard.stopped,
        weeks,
    )


def _told(
    steps: packing.Steps, done: float, part: float, words: str
) -> Generator[Step, None, packing.Solution]:
    while True:
        try:
            share, _ = next(steps)
        except StopIteration as end:
            return end.value
        yield Step(done + part * share, words)


Taken = Sequence[tuple[Draft, planning.Plan]]


def settle(
    draft: Draft, shop: Shop, today: dt.date, before: Taken, last_day: dt.date | None = None
) -> tuple[Draft, planning.Plan] | None:
    """The draft on the first days its chamber is free for it, beside charges not booked yet; None without room."""
    chamber = Chamber.objects.get(pk=draft.chamber)
    lots = _lots(draft.lots)
    if len(lots) < len(draft.lots):
        return None
    day, taken = draft.first_day, [_as_booking(made) for other, made in before if other.chamber == chamber.pk]
    for _ in range(5):
        made = planning.plan(chamber=chamber, lots=lots, first_day=day, shop=shop)
        free = queries.first_free([*queries.bookings_of(chamber, today), *taken], day, made.days.length)
        if made.refusals or free is None or (last_day and free > last_day):
            return None
        if free == day:
            return replace(draft, first_day=day), made
        day = free
    return None


def _as_booking(made: planning.Plan) -> Booking:
    return Booking(first_day=made.days.first_day, last_day=made.days.last_day)


def _lots(keys: Iterable[int]) -> list[Lot]:
    return _with_papers(waiting_lots().filter(pk__in=keys))


@dataclass(frozen=True)
class Weighed:
    """A draft worked out: its plan, what it brings, and why it cannot be booked."""

    draft: Draft
    plan: planning.Plan | None
    brings: Decimal
    problems: tuple[str, ...]

    @property
    def needs_note(self) -> bool:
        return bool(self.plan and self.plan.costs)

    @property
    def per_day(self) -> Decimal:
        return self.brings / self.plan.days.length if self.plan else ZERO


@dataclass(frozen=True)
class Scene:
    """The calendar as it would be: what is booked, with drafts beside it."""

    charges: int
    brings: Decimal
    days_held: int
    days_idle: int
    fill_pct: float
    late: tuple[str, ...]  # orders, with why

    @property
    def per_day(self) -> Decimal:
        return self.brings / self.days_held if self.days_held else ZERO


def weigh(drafts: Sequence[Draft], shop: Shop, today: dt.date) -> list[Weighed]:
    """Each draft as it would be booked now, one after the other; what stands in its way in words."""
    found, taken = [], []
    for draft in drafts:
        chamber = Chamber.objects.filter(pk=draft.chamber, active=True).first()
        lots = _lots(draft.lots)
        if chamber is None or len(lots) < len(draft.lots):
            what = (
                "Its chamber is out of use." if chamber is None else "One of its lots does not wait any more."
            )
            found.append(Weighed(draft, None, ZERO, (what,)))
            continue
        try:
            made = planning.plan(chamber=chamber, lots=lots, first_day=draft.first_day, shop=shop)
        except ValueError as problem:
            found.append(Weighed(draft, None, ZERO, (str(problem),)))
            continue
        room = queries.room_problem(chamber, made.days, planning.name_of(lots))
        clash = next(
            (
                f"It would share days with another charge of this list, {day_text(other.days.first_day)} to "
                f"{day_text(other.days.last_day)}."
                for other in taken
                if other.chamber == chamber
                and other.days.first_day <= made.days.last_day
                and made.days.first_day <= other.days.last_day
            ),
            "",
        )
        late = f"{day_text(draft.first_day)} is past." if draft.first_day < today else ""
        problems = (*made.refusals, *filter(None, (room, clash, late)))
        taken.append(made)
        found.append(Weighed(draft, made, sum(map(brings, lots), ZERO), problems))
    return found


def scene(rows: Sequence[Weighed], shop: Shop, today: dt.date, last_day: dt.date) -> Scene:
    """Earnings, days, fill and late promises of the calendar from today to a day with these drafts on it."""
    booked = list(
        Booking.objects.filter(last_day__gte=today, first_day__lte=last_day)
        .select_related("charge")
        .order_by("first_day")
    )
    charges = [booking for booking in booked if booking.charge_id]
    held = _with_papers(Lot.objects.filter(charge_lots__charge__in=[b.charge_id for b in charges], charge_lots__open=True))  # fmt: skip
    plans = [row.plan for row in rows if row.plan]
    free = {lot.pk: lot for row in plans for lot in row.lots}
    spans = [(b.first_day, b.last_day) for b in charges] + [
        (p.days.first_day, p.days.last_day) for p in plans
    ]
    days = sum(_within(first, last, today, last_day) for first, last in spans)
    closed = sum(_within(b.first_day, b.last_day, today, last_day) for b in booked if not b.charge_id)
    whole = Chamber.objects.filter(active=True).count() * ((last_day - today).days + 1)
    fills = [float(b.charge.plan.get("fill", 0)) * 100 for b in charges] + [p.fill_pct for p in plans]
    ends = {lot.pk: p.days.last_day for p in plans for lot in p.lots}
    return Scene(
        len(spans),
        sum((brings(lot) for lot in [*held, *free.values()]), ZERO),
        days,
        max(0, whole - closed - days),
        sum(fills) / len(fills) if fills else 0.0,
        tuple(_late([*queue(), *held], ends, shop, last_day)),
    )


def _within(first: dt.date, last: dt.date, begin: dt.date, end: dt.date) -> int:
    return max(0, (min(last, end) - max(first, begin)).days + 1)


def _late(lots: Sequence[Lot], ends: Mapping[int, dt.date], shop: Shop, last_day: dt.date) -> list[str]:
    orders = {lot.order_id: due_on(lot) for lot in lots}
    found = []
    for move in queries.promise_moves(orders, shop.promise_margin_days, ends):
        due = orders[move.order.pk]
        if due is None:
            continue
        late = max(move.late_days, move.misses_need_days if move.promised is None else 0)
        if late:
            found.append(f"{move.order}, {late} day{'s' if late > 1 else ''} after {day_text(due)}")
        elif move.waiting and due <= last_day:
            found.append(f"{move.order}, due {day_text(due)}, not planned")
    return found
