"""The checklists of a charge: each line with its reason, cautions for people first.

Common practice of small kiln shops in our own words; where OSHA or a fire code speaks, the line says so.
They do not replace local codes, the makers' manuals or licensed practice. The shop's own lines, order and hidden
lines (models.ListLine) are laid over them by `lines_of`.
"""

from dataclasses import dataclass, replace

from django.core.exceptions import ValidationError

from kilnshop.charges.models import ListLine

DEFER = (
    "This list does not replace local codes, the makers' manuals or licensed practice. Where they ask for more, "
    "do more."
)

BEFORE_ENTRY = (
    "fans, compressor and heat off and locked, chamber cooled and aired, a second person outside, before anybody enters. "
    "Local codes and the makers' manuals come first."
)


@dataclass(frozen=True)
class Line:
    key: str
    text: str
    why: str
    caution: bool = False  # for people: shown first and marked
    place: int = 0
    hidden_why: str = ""
    own: bool = False  # added by the shop


LOADING = (
    Line(
        "lift_alone",
        "Nobody lifts more than they should",
        "51 lb is the best case of the NIOSH lifting equation; green 8/4 planks pass it: two people or a machine.",
        True,
    ),
    Line(
        "fork_lift",
        "Fork lift within its plate, forks level and low, nobody near or under the pack",
        "Trained operators only (OSHA 1910.178). The weights on the load sheet are wood alone, worked out, not weighed.",
        True,
    ),
    Line(
        "way_out",
        "The way along the stack and to the door stays free",
        "Where people go in to look at samples they must not be caught between load and wall; some states set a width.",
        True,
    ),
    Line(
        "bands",
        "Stand aside and wear glasses and gloves when a band is cut",
        "It springs back; do not leave banding or stickers lying in the chamber.",
        True,
    ),
    Line(
        "locked_out",
        "Fans, compressor and heat off and locked while anybody is inside",
        "They start by themselves on a timer or controller; a lock is the only sure off (OSHA 1910.147).",
        True,
    ),
    Line("floor", "Floor or bunks solid, level and clear of scrap", "A stack leans as its floor does; scrap feeds a fire."),
    Line("sizes", "One thickness to a course, long boards at the sides and below", "A loose board dries crooked."),
    Line("stickers", "Stickers dry, of one thickness, in line above a bolster", "Wet ones stain; out of line they bend boards."),
    Line("ends", "Ends even, coated where the wood checks", "Ends dry many times faster than faces and split first."),
    Line("samples", "Sample boards of the wettest and driest wood where they can be pulled", "They say when the air may change."),
    Line("weights", "Top courses weighted or strapped", "They have nothing on them that holds them flat."),
    Line("tally_in", "Pieces and volume counted in, each lot tagged", "What comes out is counted against it."),
)  # fmt: skip
START = (
    Line(
        "nobody_inside",
        "Walk the chamber: nobody inside, and the door opens from within",
        "Fans and heat start at once. OSHA 1910.265(f) asks for an escape way where people go inside.",
        True,
    ),
    Line(
        "guards",
        "Fan and belt guards on, wiring dry and whole, cut-out for too much heat tried",
        "Wet hot air finds every bad joint; an electrician does repairs, with the power locked off "
        "(OSHA 1910.147).",
        True,
    ),
    Line(
        "clear_of_heat",
        "No sawdust, bark, stickers or boards against the heater or hot ducts",
        "Wood left long against a warm surface, from about 170 °F, can catch fire by itself.",
        True,
    ),
    Line(
        "stack_stable",
        "Stack plumb, stickers in line over bolsters, weights or straps on",
        "A leaning stack can fall when it shrinks, and boards dry to the shape they are held in.",
        True,
    ),
    Line("fans", "All fans turn, and the right way", "One fan backwards leaves a dead side that stays wet."),
    Line("baffles", "Top, end and floor baffles closed", "Air takes the easiest way; round the stack it dries nothing."),
    Line("door", "Door gasket whole and door closing tight", "A leak is heat lost and a wet streak beside it."),
    Line("coil", "Coil and filter clean", "A choked coil takes out less water for the same power."),
    Line("drain", "Drain clear and condensate running to the bucket or meter", "Water that cannot leave dries twice."),
    Line("wick", "New wick, wet, reservoir full", "A dry or crusted wick reads warm, and the kiln dries too hard."),
    Line(
        "bulbs",
        "Both bulbs in moving air and agreeing with a hand instrument",
        "Every step is set by these two; in still air the wet bulb reads warm.",
    ),
    Line(
        "probes",
        "Probes driven and each channel written down with its board",
        "A reading that belongs to no board proves nothing later.",
    ),
    Line(
        "lockout",
        "Compressor lock-out set for this schedule",
        "Above its limit the compressor is damaged; below a step's dry bulb it would not run.",
    ),
    Line("heat_plan", "Heat or pitch step planned, or none asked for", "It sets where the core probes go."),
    Line("meter", "Electricity meter read and written down", "Without the first figure the cost is never known."),
    Line("power_cut", "Know what to do in a power cut", "Warm wet wood without moving air moulds within days."),
)  # fmt: skip

DAILY = (
    Line(
        "stay_out",
        "Read from outside; nobody goes in while fans run or it is hot",
        "Fans catch sleeves, and a hot wet chamber can overcome a person in minutes (NIOSH 2016-106).",
        True,
    ),
    Line(
        "surfaces",
        "Hands off heater, ducts and pipes; gloves at the door",
        "They burn, and steam comes out with the door.",
        True,
    ),
    Line(
        "smell_fire",
        "Burning smell, smoke or a scorched spot: heat off, door shut, call the fire service",
        "Opening the door feeds it air. The fire plan of the shop comes first.",
        True,
    ),
    Line(
        "drips",
        "No water near switches, cords or the panel; a tripped breaker is looked into, not just reset",
        "Mains and water kill. An electrician does repairs, with the power locked off (OSHA 1910.147).",
        True,
    ),
    Line("air", "Dry bulb and wet bulb read and compared with the step", "The wet bulb's lag below the dry sets how hard it dries."),
    Line("moisture", "Samples weighed or probes read", "Loss a day is held against the safe rate of the wood."),
    Line("wick_wet", "Wick wet and white, reservoir above its mark", "A dry or crusted wick reads warm: the kiln dries too hard."),
    Line("condensate", "Condensate measured, drain running", "A drop means a fault, or that the wood is nearly done."),
    Line("machines", "Fans, compressor and heater sound as yesterday", "A new noise is the cheapest warning there is."),
    Line("faces", "Faces and ends looked at through the door: checks, mould, stain, drips", "What is seen on the day can still be mended."),
    Line("meter", "Electricity meter read", "Two figures a day apart show a machine that stopped or never stops."),
)  # fmt: skip
STEP = (
    Line(
        "from_outside",
        "Controls set from outside; fans and heat off and locked before anybody goes in to look",
        "They start by themselves after a change of setting (OSHA 1910.147).",
        True,
    ),
    Line("why_now", "The reading that calls for the step is written down", "A step by the calendar is a guess."),
    Line("wettest", "The wettest samples are there, not only the average", "The wettest and slowest boards check first."),
    Line("checks", "No new checks on face or end", "With checks open, stay on this step and ask."),
    Line("lockout_limit", "The new dry bulb is below the compressor's limit, or the compressor is off", "Above its limit the compressor is damaged."),
    Line("set_both", "Dry bulb and wet bulb both set, as on the set-point sheet", "Raising one alone makes the air far drier or damper."),
    Line("reached", "An hour later: air has reached the setting and not gone past it", "A vent, a leak or a dry wick shows now."),
)  # fmt: skip
HEAT = (
    Line(
        "nobody_hot",
        "Nobody inside from now until it has cooled; door marked, a second person knows",
        "At this heat minutes are enough to overcome a person (NIOSH 2016-106).",
        True,
    ),
    Line(
        "fire_clear",
        "No sawdust, bark, stickers or boards near the heater; extinguisher at hand, cut-out tried",
        "Dry wood long against a surface from about 170 °F can catch fire by itself; ask the fire code and insurer.",
        True,
    ),
    Line(
        "hot_parts",
        "Leads, plugs and lamps inside are made for this heat",
        "Soft insulation is bare wire in the end; wiring is a licensed electrician's work (NEC).",
        True,
    ),
    Line("compressor_off", "Compressor off before the air passes its limit", "It is damaged above; some must also be shut off by valves: see its manual."),
    Line("core_probes", "A core probe in the middle of the thickest, coldest piece of each lot", "Only logged core readings can prove the treatment."),
    Line("probe_checked", "Core probes agree with a checked thermometer; the date is written down", "A probe that reads warm proves nothing."),
    Line("fans_on", "All fans run throughout", "Still air leaves a cold corner, and one cold core breaks the treatment."),
    Line("log_runs", "The recorder logs every channel as often as the treatment asks", "A gap longer than that breaks the record."),
    Line("hold", "Held until the slowest core has had its minutes", "The clock starts at the last core, not at the air."),
    Line("cool_shut", "Cooled shut before anything else is set", "A hot stack opened into cold air can check."),
)  # fmt: skip

FINISH = (
    Line(
        "hot",
        "Nobody goes in while it is hot: heat and fans off, doors open, a second person outside",
        "A hot wet chamber can overcome a person in minutes.",
        True,
    ),
    Line(
        "boards",
        "Several boards tested, shell and core, wettest and driest among them",
        "One number hides the wet board that comes back.",
    ),
    Line("equalized", "Equalizing and conditioning done, or not needed", "Uneven or stressed boards move when sawn."),
    Line("heat_done", "Heat or pitch step logged, or none asked for", "Only logged core readings can prove it later."),
    Line("meter", "Electricity meter read and written down", "First and last figure give the cost of the charge."),
    Line(
        "cooling",
        "Left shut to cool before unloading",
        "A stack opened hot into cold air can check.",
    ),
)  # fmt: skip

UNLOAD = (
    Line(
        "fans_locked",
        "Fans, compressor and heater off and locked before anybody enters",
        "They start by themselves on a timer or controller; a lock is the only sure off (OSHA 1910.147).",
        True,
    ),
    Line(
        "cool",
        "Chamber cooled and aired, a second person near",
        "Heat overcomes fast; leaving a hot room into frost is hard on the heart.",
        True,
    ),
    Line(
        "probes_out",
        "Probes and leads pulled before wood moves",
        "A moving stack tears leads, and a flying pin hurts.",
        True,
    ),
    Line(
        "forklift",
        "People clear of the forklift; trained driver, load low and within the plate",
        "A load hides people from the driver (OSHA 1910.178).",
        True,
    ),
    Line("bands", "Stand aside when straps or bands are cut", "They spring back; wear glasses and gloves.", True),
    Line("counted", "Pieces counted out against the tally in", "A short count found now can still be looked for."),
    Line("looked", "Faces and ends looked at, photos of any degrade", "Shows what happened before, in and after the kiln."),
    Line("tagged", "Lot tags on every bundle, dead-stacked, wrapped, off the floor", "Dry wood takes up water in a shed."),
)  # fmt: skip

LISTS = {
    "loading": LOADING,
    "start": START,
    "daily": DAILY,
    "step": STEP,
    "heat": HEAT,
    "finish": FINISH,
    "unload": UNLOAD,
}
SIGNED_WHEN = {  # the state a charge must be in
    "loading": "planned",
    "start": "planned",
    "daily": "running",
    "step": "running",
    "heat": "running",
    "finish": "running",
    "unload": "dry",
}
ALONE = ("loading", "daily", "step", "heat")  # signed by themselves, as often as they are done
ROUND_DAYS = 7  # columns of the printed daily round


def all_lines(kind: str) -> list[Line]:
    """Every line the shop has or hid: cautions for people first, then the work, each in the shop's order."""
    changed = {row.key: row for row in ListLine.objects.filter(kind=kind)}
    lines = []
    for index, line in enumerate(LISTS[kind]):
        row = changed.pop(line.key, None)
        place, hidden = (row.place, row.hidden_why) if row else (10 * index, "")
        lines.append(replace(line, place=place, hidden_why=hidden))
    lines += [
        Line(row.key, row.text, row.why, row.caution, row.place, row.hidden_why, own=True)
        for row in changed.values()
        if row.text
    ]
    return sorted(lines, key=lambda line: (not line.caution, line.place, line.key))


def lines_of(kind: str) -> list[Line]:
    """The lines that are asked and printed."""
    return [line for line in all_lines(kind) if not line.hidden_why]


def signed_lines(kind: str, answers: dict[str, dict], initials: str) -> list[dict]:
    """The lines as they are kept; ValidationError names each line neither done nor skipped with a reason.

    `answers`: line key to {"done": bool, "skipped_why": str}.
    """
    kept, errors = [], []
    for line in lines_of(kind):
        answer = answers.get(line.key, {})
        done, why = bool(answer.get("done")), str(answer.get("skipped_why", "")).strip()[:200]
        if not done and not why:
            errors.append(f"“{line.text}” is neither done nor skipped. Tick it, or write why it is skipped.")
        kept.append(
            {
                "key": line.key,
                "text": line.text,
                "why": line.why,
                "caution": line.caution,
                "done": done,
                "skipped_why": "" if done else why,
            }
        )
    tidy = initials.strip().upper()
    if not (1 <= len(tidy) <= 4 and tidy.isalpha()):
        errors.append(f"Initials “{initials.strip()[:12]}”: sign with one to four letters.")
    if errors:
        raise ValidationError(errors)
    return kept
