"""What a charge can prove: boards tested, degrade, and its plan against what was done."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Sum

from kilnshop.charges import following
from kilnshop.charges.models import BoardTest, Charge, ChargeLot, Degrade, Event, Reading
from kilnshop.science import sampling


def sampled(row: ChargeLot) -> sampling.Sampling | None:
    """What the lot's board tests say of the whole lot; None without a figure."""
    figures, beyond = tested(row.board_tests.all())
    target, tolerance = row.lot.target_mc_pct, row.lot.tolerance_pct
    return sampling.sampled(figures, target, tolerance, beyond=beyond) if figures else None


def tested(tests: Iterable[BoardTest]) -> tuple[list[float], int]:
    """The figures of tested boards, and how many gave none."""
    every = [test.corrected_pct for test in tests]
    figures = [figure for figure in every if figure is not None]
    return figures, len(every) - len(figures)


def prong_words(tests: Iterable[BoardTest]) -> str:
    """Such as "Prong test of 3 boards: none 2, slight 1, strong 0."; empty when none was sawn."""
    found = [test.prong for test in tests if test.prong]
    if not found:
        return ""
    counts = ", ".join(f"{kind.label.lower()} {found.count(kind)}" for kind in BoardTest.Prong)
    return f"Casehardening by prong test of {len(found)} board{'s' * (len(found) != 1)}: {counts}."


def degrade_of(charge: Charge) -> list[Degrade]:
    """What lost grade, by lot and cause."""
    return list(Degrade.objects.filter(charge_lot__charge=charge).select_related("charge_lot__lot__order"))


@dataclass(frozen=True)
class StepRun:
    """A step of the plan and the hours it truly ran; None where it was not entered."""

    step: following.Step
    entered_at: dt.datetime | None
    ran_hours: float | None


def steps_run(charge: Charge, now: dt.datetime) -> list[StepRun]:
    """Planned against actual, step by step, from the changes that were confirmed."""
    entered: dict[int, dt.datetime] = {}
    ran: dict[int, float] = {}
    if charge.started_at:
        changes = charge.events.filter(kind=Event.Kind.STEP).order_by("at", "id")
        marks = [(charge.started_at, 1), *((event.at, event.after["step"]) for event in changes)]
        ends = [at for at, _ in marks[1:]] + [charge.dried_at or now]
        for (at, number), end in zip(marks, ends, strict=True):
            entered.setdefault(number, at)
            ran[number] = ran.get(number, 0.0) + (end - at).total_seconds() / 3600
    return [StepRun(step, entered.get(step.number), ran.get(step.number)) for step in following.steps(charge)]


def water_drawn_lb(charge: Charge) -> float | None:
    """Condensate written down so far [lb]; None without any."""
    return charge.readings.aggregate(total=Sum("condensate_lb"))["total"]


def days_run(charge: Charge, now: dt.datetime) -> float | None:
    """Days from the start until dry, or until now."""
    if not charge.started_at:
        return None
    return ((charge.dried_at or now) - charge.started_at).total_seconds() / 86400


def noted(charge: Charge) -> list[Reading]:
    """Readings with a note or a photo, in order of time."""
    kept = charge.readings.exclude(note="", photo="").filter(logged=None)
    return list(kept.select_related("by").order_by("taken_at"))
