"""The charts of a plan: moisture of a lot, air, EMC and power over days. One spec for browser and paper."""

from kilnshop.science import curves
from kilnshop.web import charts, units

HOURS = 24
CLOSE = 0.05  # of the width; steps nearer than this share a label
CURVES = {"average": [8, 4], "core": [2, 3], "shell": [9, 3, 2, 3], "probe": [4, 2]}
USERS = (("Fans", "#ecdcbf"), ("Compressor", "#c08f45"), ("Heater", "#5f3d0c"))
HEATED = ("heat", "pitch")


def _x(end: float) -> dict:
    return {
        "field": "day",
        "type": "quantitative",
        "scale": {"domain": [0, round(end, 3)], "nice": False},
        "axis": {"title": "Days from the start", "grid": False, "tickMinStep": 1, "tickCount": 10},
    }


def _y(field: str, title: str, **scale) -> dict:
    return {"field": field, "type": "quantitative", "title": title, "scale": scale, "axis": {"tickCount": 6}}


def _rows(hours, values, **more) -> list[dict]:
    return [
        {"day": round(hour / HOURS, 3), "value": round(value, 2), **more}
        for hour, value in zip(hours, values, strict=True)
    ]


def _legend(columns: int) -> dict:
    return {
        "title": None, "orient": "bottom", "columns": columns, "symbolSize": 330, "columnPadding": 8,
            "labelLimit": 260, "offset": 4,
    }  # fmt: skip


def marks(estimate, end: float) -> list[dict]:
    """Where each step starts: a hairline and its number at the top; heat and pitch stages shaded and named."""
    labels: list[dict] = []
    lines, shades = [], []
    at = 0.0
    for number, step in enumerate(estimate.steps, 1):
        start, at = at, at + step.hours / HOURS
        lines.append({"day": round(start, 3)})
        named = f" {step.kind}" if step.kind in HEATED else ""
        if named:
            shades.append({"day": round(start, 3), "until": round(at, 3)})
        if labels and start - labels[-1]["day"] < CLOSE * end:
            labels[-1]["text"] = f"{labels[-1]['text'].split('–')[0]}–{number}{named}"
        else:
            labels.append({"day": round(start, 3), "text": f"{number}{named}"})
    x = _x(end)
    layers: list[dict] = [
        {
            "data": {"values": lines},
            "mark": {"type": "rule", "color": charts.MUTED, "opacity": 0.45, "strokeWidth": 0.7},
            "encoding": {"x": x},
        },
        {
            "data": {"values": labels},
            "mark": {"type": "text", "align": "left", "baseline": "bottom", "dx": 1, "dy": -3,
                     "color": charts.MUTED, "fontSize": 12},
            "encoding": {"x": x, "y": {"value": 0}, "text": {"field": "text"}},
        },
    ]  # fmt: skip
    if shades:
        shade = {"type": "rect", "color": charts.MUTED, "opacity": 0.14}
        layers.insert(
            0, {"data": {"values": shades}, "mark": shade, "encoding": {"x": x, "x2": {"field": "until"}}}
        )
    return layers


def moisture(estimate, lot, target: float | None, end: float) -> dict:
    """Average of a lot with its 80 % band, core and shell, and a shallow probe where the plan knows one."""
    x, title = _x(end), "Moisture (%)"
    hours = lot.curve_hours
    found = {"average": lot.curve_avg, "core": lot.curve_core, "shell": lot.curve_shell}
    names = {"average": "average", "core": "core", "shell": "shell"}
    if probe := getattr(lot, "curve_probe", None):
        found["probe"] = probe
        names["probe"] = f"probe {depth(lot)}"
    keep = every(len(hours))
    rows = [
        row
        for key, values in found.items()
        for row in _rows([hours[i] for i in keep], [values[i] for i in keep], curve=names[key])
    ]
    domain = list(names.values())
    layers = marks(estimate, end)
    if ends := ends_of(lot):
        at, lower, upper = curves.band(hours, lot.curve_avg, ends)
        layers.append(
            {
                "data": {
                    "values": [
                        {"day": round(t / HOURS, 3), "low": round(a, 2), "high": round(b, 2)}
                        for t, a, b in zip(at, lower, upper, strict=True)
                    ]
                },
                "mark": {**charts.ESTIMATE_BAND, "clip": True},
                "encoding": {"x": x, "y": _y("low", title), "y2": {"field": "high"}},
            }
        )
    layers.append(
        {
            "data": {"values": rows},
            "mark": {"type": "line", "color": charts.ESTIMATE_COLOUR},
            "encoding": {
                "x": x,
                "y": _y("value", title),
                "strokeDash": {
                    "field": "curve", "type": "nominal", "legend": _legend(4),
                    "scale": {"domain": domain, "range": [CURVES[key] for key in names]},
                },
                "strokeWidth": {"condition": {"test": "datum.curve === 'average'", "value": 2.2}, "value": 1.4},
                "tooltip": _tips("curve", title),
            },
        }
    )  # fmt: skip
    if target is not None:
        layers += _named_target(float(target))
    return {"layer": layers}


def _named_target(target: float) -> list[dict]:
    y = {"datum": target, "type": "quantitative"}
    label = {"type": "text", "align": "right", "baseline": "bottom", "dy": -2, "color": charts.TARGET_COLOUR}
    return [
        {"data": {"values": [{}]}, "mark": charts.TARGET_LINE, "encoding": {"y": y}},
        {
            "data": {"values": [{"text": f"target {units.plain(target, 1)} %"}]},
            "mark": label,
            "encoding": {"y": y, "x": {"value": "width"}, "text": {"field": "text"}},
        },
    ]


def depth(lot) -> str:
    """How deep the shallow probe of a lot sits."""
    return units.in_words("length_in", lot.probe_depth_in, 2 if units.unit("length_in").symbol == "in" else 0)


def ends_of(lot) -> tuple[float, float, float] | None:
    """The lot's band of days, or None where it has none."""
    days = lot.days
    return (days.low, days.expected, days.high) if 0 < days.low < days.high else None


def every(count: int, most: int = 160) -> list[int]:
    """At most about `most` indices, first and last among them."""
    step = max(1, count // most)
    return sorted({*range(0, count, step), count - 1})


def _tips(series: str, title: str) -> list[dict]:
    return [
        {"field": "day", "type": "quantitative", "title": "Day", "format": ".1f"},
        {"field": series, "type": "nominal", "title": "Line"},
        {"field": "value", "type": "quantitative", "title": title, "format": ".1f"},
    ]


def _set_and_expected(
    estimate, target: list[dict], expected: list[dict], title: str, end: float, stepped: bool
) -> list[dict]:
    encoding = {
        "x": _x(end),
        "y": _y("value", title, zero=False),
        "detail": {"field": "line", "type": "nominal"},
        "tooltip": _tips("line", title),
    }
    dashed = charts.ESTIMATE_LINE | ({"interpolate": "step-after"} if stepped else {})
    return [
        *marks(estimate, end),
        {"data": {"values": target}, "mark": charts.TARGET_STEPS, "encoding": encoding},
        {"data": {"values": expected}, "mark": dashed, "encoding": encoding},
    ]


def _by_step(estimate, name: str, line: str, shown=float) -> list[dict]:
    """A figure of the steps as level stretches."""
    rows, at = [], 0.0
    for step in estimate.steps:
        value = round(shown(getattr(step, name)), 2)
        rows.append({"day": round(at / HOURS, 3), "value": value, "line": line})
        at += step.hours
        rows.append({"day": round(at / HOURS, 3), "value": value, "line": line})
    return rows


def _degrees(value: float) -> float:
    return units.shown("temp_f", value)


def air(estimate, end: float) -> dict:
    """Dry and wet bulb: set as thin steps, expected dashed."""
    title = f"Air ({units.unit('temp_f').symbol})"
    keep = every(len(estimate.hours))
    hours = [estimate.hours[i] for i in keep]
    target, expected, names = [], [], []
    middle, longest = _longest(estimate)
    lowest = min(longest.wet_bulb_f, longest.expected_wet_bulb_f)
    for bulb, field, clear, baseline, off in (
        ("Dry bulb", "dry_bulb_f", longest.dry_bulb_f, "bottom", -4),
        ("Wet bulb", "wet_bulb_f", lowest, "top", 6),
    ):
        target += _by_step(estimate, field, f"{bulb}, set", _degrees)
        values = [_degrees(getattr(estimate, field)[i]) for i in keep]
        expected += _rows(hours, values, line=f"{bulb}, expected")
        at = {"day": middle, "value": _degrees(clear), "text": bulb.lower()}
        names.append(
            {
                "data": {"values": [at]},
                "mark": {"type": "text", "baseline": baseline, "dy": off},
                "encoding": {
                    "x": _x(end),
                    "y": _y("value", title, zero=False),
                    "text": {"field": "text"},
                },
            }
        )
    layers = _set_and_expected(estimate, target, expected, title, end, stepped=False)
    return {"layer": [*layers, *names]}


def _longest(estimate):
    """The day in the middle of the longest step, where a name has room, and that step."""
    at, found = 0.0, []
    for step in estimate.steps:
        found.append((step.hours, (at + step.hours / 2) / HOURS, step))
        at += step.hours
    _, middle, step = max(found, key=lambda row: row[0])
    return middle, step


def emc(estimate, end: float) -> dict:
    """The moisture the air holds wood to, step by step: set, and expected from the air that is reached."""
    target = _by_step(estimate, "emc_pct", "EMC, set")
    expected = _by_step(estimate, "expected_emc_pct", "EMC, expected")
    return {"layer": _set_and_expected(estimate, target, expected, "EMC of the air (%)", end, stepped=True)}


def power(estimate, end: float) -> dict:
    """Fans, compressor and heater stacked, as means of some hours."""
    fields = ("power_fans_kw", "power_compressor_kw", "power_heater_kw")
    rows = []
    for order, ((user, _), field) in enumerate(zip(USERS, fields, strict=True)):
        hours, values = curves.means(estimate.hours, getattr(estimate, field))
        rows += [row | {"order": order} for row in _rows([0.0, *hours], [values[0], *values], user=user)]
    area = {
        "data": {"values": rows},
        "mark": {"type": "area", "interpolate": "step-before", "opacity": 0.85},
        "encoding": {
            "x": _x(end),
            "y": {**_y("value", "Power (kW)"), "stack": "zero"},
            "color": {
                "field": "user", "type": "nominal", "legend": {**_legend(3), "symbolType": "square", "symbolSize": 140},
                "scale": {"domain": [name for name, _ in USERS], "range": [colour for _, colour in USERS]},
            },
            "order": {"field": "order", "type": "quantitative"},
            "tooltip": _tips("user", "kW"),
        },
    }  # fmt: skip
    return {"layer": [area, *marks(estimate, end)]}
