"""The checklists of a charge: each line with its reason, cautions for people first.

Common practice of small kiln shops in our own words; where OSHA or a fire code speaks, the line says so.
They do not replace local codes, the makers' manuals or licensed practice.
"""

from dataclasses import dataclass

from django.core.exceptions import ValidationError

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
        "Trained operators only (OSHA 1910.178). The weights printed here are wood alone, worked out, not weighed.",
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
)
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

LISTS = {"start": START, "finish": FINISH, "unload": UNLOAD}


def signed_lines(kind: str, answers: dict[str, dict], initials: str) -> list[dict]:
    """The lines as they are kept; ValidationError names each line neither done nor skipped with a reason.

    `answers`: line key to {"done": bool, "skipped_why": str}.
    """
    kept, errors = [], []
    for line in LISTS[kind]:
        answer = answers.get(line.key, {})
        done, why = bool(answer.get("done")), str(answer.get("skipped_why", "")).strip()[:200]
        if not done and not why:
            errors.append(f"“{line.text}” is neither done nor skipped. Tick it, or write why it is skipped.")
        kept.append(
            {
                "key": line.key,
                "text": line.text,
                "why": line.why,
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
