"""The two charts of a charge: moisture and air, planned against actual. One spec for browser and paper."""

import datetime as dt

from django.utils import timezone

from kilnshop.charges.following import Figures
from kilnshop.web import charts, units


def _clock(at: dt.datetime) -> str:
    """The shop's wall clock written as UTC, drawn on a UTC scale: the same in every browser's zone."""
    return f"{timezone.localtime(at):%Y-%m-%dT%H:%M:%SZ}"


X = {
    "field": "at",
    "type": "temporal",
    "scale": {"type": "utc"},
    "axis": {
        "title": None,
        "format": "%-d %b",
        "tickCount": {"interval": "day", "step": 1},
        "labelOverlap": "greedy",
    },
}
WHEN = {"field": "at", "type": "temporal", "format": "%-d %b %H:%M", "formatType": "utc", "title": "When"}


CROWDED = 150  # from here on points would run into one another


def _measured(rows: list[dict]) -> dict:
    return charts.MEASURED_LINE | {"point": False} if len(rows) > CROWDED else charts.MEASURED_LINE


def _layer(rows: list[dict], mark: dict, y: str, title: str, series: str, tip: str) -> dict:
    return {
        "data": {"values": rows},
        "mark": mark,
        "encoding": {
            "x": X,
            "y": {"field": y, "type": "quantitative", "title": title, "scale": {"zero": False}},
            "detail": {"field": series, "type": "nominal"},
            "tooltip": [
                WHEN,
                {"field": series, "type": "nominal", "title": tip},
                {"field": y, "type": "quantitative", "title": title, "format": ".1f"},
            ],
        },
    }


DRAINED_LINE = charts.ESTIMATE_LINE | {"strokeDash": [1, 4], "strokeWidth": 2, "strokeCap": "round"}
SHAPES = {"Sample board": "square", "Probe": "circle", "Pack": "triangle-up"}


def _shapes(rows: list[dict], title: str) -> dict:
    """A shape for each way of measuring; a long log keeps one point in so many."""
    shown = [source for source in SHAPES if any(row["source"] == source for row in rows)]
    kept = []
    for source in shown:
        own = [row for row in rows if row["source"] == source]
        kept += own[:: len(own) // CROWDED + 1]
    layer = _layer(
        kept,
        {"type": "point", "filled": True, "size": 45, "opacity": 1, "color": charts.MEASURED_COLOUR},
        "value",
        title,
        "name",
        "Board",
    )
    layer["encoding"]["shape"] = {
        "field": "source",
        "type": "nominal",
        "title": None,
        "scale": {"domain": shown, "range": [SHAPES[source] for source in shown]},
        "legend": {"orient": "top", "symbolFillColor": charts.MEASURED_COLOUR, "symbolStrokeWidth": 0},
    }
    return layer


def moisture(figures: Figures) -> dict | None:
    """Estimates dashed (lots) and dotted (water drained), the target thin, each way of measuring its own shape."""
    title = "Moisture (%)"
    layers = []
    if figures.planned_mc:
        rows = [
            {"at": _clock(row["at"]), "name": f"Lot {row['lot']}, estimate", "value": round(row["mc"], 2)}
            for row in figures.planned_mc
        ]
        layers.append(_layer(rows, charts.ESTIMATE_LINE, "value", title, "name", "Line"))
    if figures.drained_mc:
        rows = [
            {"at": _clock(row["at"]), "name": "Water drained, estimate", "value": round(row["mc"], 2)}
            for row in figures.drained_mc
        ]
        layers.append(_layer(rows, DRAINED_LINE, "value", title, "name", "Line"))
    if figures.measured_mc:
        rows = [
            {
                "at": _clock(row["at"]),
                "source": row["source"],
                "name": f"{row['source']} {row['board']}",
                "value": round(row["mc"], 2),
            }
            for row in figures.measured_mc
        ]
        layers += [
            _layer(rows, charts.MEASURED_LINE | {"point": False}, "value", title, "name", "Board"),
            _shapes(rows, title),
        ]
    if not layers:
        return None
    if figures.target_mc is not None:
        layers.append(
            {
                "data": {"values": [{"value": figures.target_mc}]},
                "mark": charts.TARGET_LINE,
                "encoding": {"y": {"field": "value", "type": "quantitative", "title": title}},
            }
        )
    return {"layer": layers}


def air(figures: Figures) -> dict | None:
    """Set points as thin steps, readings as points; dry bulb above wet bulb. None without any."""
    its = units.unit("temp_f")
    title = f"Air ({its.symbol})"

    def rows_of(found: list[dict], word: str) -> list[dict]:
        return [
            {
                "at": _clock(row["at"]),
                "name": f"{row['bulb']}, {word}",
                "value": round(units.shown("temp_f", row["temp_f"]), 1),
            }
            for row in found
        ]

    layers = []
    if figures.planned_air:
        layers.append(
            _layer(
                rows_of(figures.planned_air, "target"), charts.TARGET_STEPS, "value", title, "name", "Line"
            )
        )
    if figures.measured_air:
        rows = rows_of(figures.measured_air, "measured")
        layers.append(_layer(rows, _measured(rows), "value", title, "name", "Line"))
    return {"layer": layers} if layers else None
