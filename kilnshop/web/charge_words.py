"""A charge in one sentence: where it is, what comes next, when, and what to set."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

from kilnshop.charges import following, sources
from kilnshop.charges.checklists import Line
from kilnshop.charges.models import Charge
from kilnshop.charges.set_points import HOT
from kilnshop.web import units
from kilnshop.web.templatetags.shopfloor import day, mc, temp, when


def settings_of(step: following.Step) -> str:
    """The air to set and what to switch, the compressor first."""
    switched = ", ".join(
        f"{name} {word}" for name, word in step.switches.items() if word != "none" and name != "humidifier"
    )
    wetted = ", humidifier on" if step.switches["humidifier"] == "on" else ""
    wet = "" if step.kind in HOT else f", wet bulb {temp(step.wet_bulb_f)}"
    air = f"dry bulb {temp(step.dry_bulb_f)}{wet}"
    return f"{switched}, then {air}" if step.kind in HOT else f"{air}; {switched}{wetted}"


def in_own_units(lines: Iterable[Line]) -> list[Line]:
    """Lines of a checklist as the shop reads quantities."""
    return [replace(line, text=units.reworded(line.text), why=units.reworded(line.why)) for line in lines]


SOURCES = {
    sources.BOARDS: "Sample boards",
    sources.PROBES: "Probes",
    sources.PLAN: "The plan",
}


def believed(found: following.Governing | None) -> str:
    """Which source is believed now, since when and why."""
    if found is None:
        return ""
    read = f", {when(found.at)}" if found.measured else ""
    return f"Believed now: {SOURCES[found.source].lower()}{read}: {found.why}."


def moisture_of(found: following.Governing | sources.Round) -> str:
    """The governing moisture as it may be said: a number only when there is one."""
    if found.verdict == following.OVER:
        return "above the pins' range"
    if found.verdict == following.BELOW:
        return "below the pins' range"
    return mc(found.value)


def next_words(change: following.NextChange | None) -> str:
    """What to do next, and when it is expected; empty unless the charge is running."""
    if change is None:
        return ""
    if change.step:
        do = f"set {settings_of(change.step)}"
        if change.step.kind != "dry":
            do = f"start {change.step.name}: {do}"
    else:
        do = "finish the charge"
    if change.due:
        return f"Now due, {change.trigger}: {do}."
    if change.late:
        return f"Next: {do}, {change.trigger}. By the plan that time has passed; take a reading to see."
    return f"Next: {do}, {change.trigger}, expected {day(change.expected_at)}."


def opening(charge: Charge, now: dt.datetime, outlook: following.Outlook | None = None) -> str:
    """The sentence a charge page opens with."""
    outlook = outlook or following.outlook(charge, now)
    state, chamber = charge.state, charge.chamber
    if state == "planned":
        booking = getattr(charge, "booking", None)
        if booking is None:
            return f"Planned in {chamber}."
        return (
            f"Planned in {chamber} from {day(booking.first_day)}, likely ready {day(booking.likely_last_day)}, "
            f"at the latest {day(booking.last_day)}."
        )
    if state == "cancelled":
        return f"Cancelled {when(charge.cancelled_at)}; its lots wait in the yard again."
    if state == "unloaded":
        return f"Unloaded from {chamber} {when(charge.unloaded_at)}, dry since {when(charge.dried_at)}."
    if state == "dry":
        return f"Dry since {when(charge.dried_at)} in {chamber}. Next: test boards, let it cool, and unload."
    step = following.current_step(charge)
    if step is None:
        return f"Running in {chamber} since {when(charge.started_at)}, without a plan of steps."
    count = len(following.steps(charge))
    done = outlook.done
    ready = ""
    if done:
        first, last = day(done[0]), day(done[2])
        ready = f" Dry on {first}." if first == last else f" Dry between {first} and {last}."
    return f"{chamber} is on step {step.number} of {count}, {step.name}. {next_words(outlook.change)}{ready}"
