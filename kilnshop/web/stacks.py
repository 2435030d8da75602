"""The load plan of a charge as a page shows it."""

from kilnshop.charges.loading import LoadPlan
from kilnshop.documents import stacks
from kilnshop.web.templatetags.shopfloor import number, quantity, volume, weight


def shown(load: LoadPlan | None) -> dict | None:
    """Figures with their working, drawings, and where sample boards go, by letter."""
    if load is None:
        return None
    stack, letters, working = load.stack, load.letters, load.workings
    chamber = load.chamber
    known = (
        "entered" if chamber.air_velocity_fpm else "a full stack\u2019s" if chamber.fan_cfm else "as usual"
    )
    taken = f"the estimate takes {quantity(chamber.air_fpm, 'speed_fpm')}, {known}"
    facts = [
        {
            "label": "Stack fill", "value": number(stack.fill_pct), "unit": "%", "kind": "estimate",
            "note": f"by its sizes; room for about {volume(stack.more_4_4_bf)} of 4/4 more, edge to edge",
            "working": working["stack_fill"],
        },
        {
            "label": "Air through the gaps",
            "value": _air(load), "kind": "estimate",
            "note": f"fans will not deliver the {quantity(stack.air_fpm, 'speed_fpm')} so few openings work out at; {taken}"
            if stack.beyond_fans else f"by the fans; {taken}" if stack.air_fpm
            else f"the fans\u2019 air is not entered; {taken}, which needs {quantity(load.cfm_wanted, 'flow_cfm')} here",
            "working": working["air"],
        },
        {
            "label": "Green weight", "value": weight(stack.weight_lb), "kind": "estimate",
            "note": f"heaviest pack {weight(stack.heaviest.weight_lb)}, number {stack.heaviest.number}",
            "working": working["weight"],
        },
        {
            "label": "On the floor", "value": quantity(stack.floor_psf, "load_psf"), "kind": "estimate",
            "note": "under the heaviest pile; bolsters bring it down in strips, so ask what the floor bears",
        },
    ]  # fmt: skip
    return {
        "load": load,
        "facts": facts,
        "drawings": stacks.drawings(stack, letters),
    }


def _air(load: LoadPlan) -> str:
    """By the fans, where fans can; else what the estimate takes."""
    if load.stack.beyond_fans:
        return quantity(load.chamber.air_fpm, "speed_fpm")
    return quantity(load.stack.air_fpm, "speed_fpm") if load.stack.air_fpm else "not known"
