"""Drawings on paper: a lot's curve and the QR code, as data addresses for <img>. Readable without colour."""

import base64
import json
from functools import lru_cache

import segno

from kilnshop.science.psychro import c_from_f

INK, GREY, PALE = "#000000", "#666666", "#bbbbbb"
DASHES = ([1, 0], [5, 3], [1, 2], [7, 2, 1, 2], [10, 4], [3, 3], [2, 6], [9, 2, 2, 2])
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "stroke", "arrow")


def _address(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def qr(text: str) -> str:
    return segno.make(text, error="m", micro=False).svg_data_uri(border=4, dark=INK, light="#ffffff", scale=4)


def lot_chart(lot: dict, units: str) -> str:
    """Moisture and core heat of a ticket's lot, or "" when nothing was logged.

    lot["chart"]: {"mc": [{"at", "name", "value"}], "core": [...], "limit_f"}; `at` is shop wall-clock time in ISO
    form without a zone, temperatures in °F.
    """
    chart = lot.get("chart") or {}
    mc, core, limit_f = chart.get("mc"), chart.get("core"), chart.get("limit_f")
    width = 205 if mc and core else 520
    panels = []
    if mc:
        panels.append(_panel(mc, "Moisture, % MC", [(lot["target"], "target")], width, heat=False))
    if core:
        shown = c_from_f if units == "metric" else float
        rows = [{**row, "value": shown(row["value"])} for row in core]
        marks = [(shown(limit_f), "must reach")] if limit_f else []
        title = "Core of the wood, " + ("°C" if units == "metric" else "°F")
        panels.append(_panel(rows, title, marks, width, heat=True))
    return _address(_svg(json.dumps(panels))) if panels else ""


def _panel(rows: list[dict], title: str, marks: list[tuple[float, str]], width: int, heat: bool) -> dict:
    names = sorted({row["name"] for row in rows})
    data = [{"at": row["at"] + "Z", "name": row["name"], "value": row["value"]} for row in rows]
    x = {
        "field": "at",
        "type": "temporal",
        "scale": {"type": "utc"},
        "axis": {
            "title": None,
            "format": "%-d %b %H:%M" if heat else "%-d %b",
            "tickCount": 4,
            "labelOverlap": "greedy",
            "labelSeparation": 10,
            "grid": False,
        },
    }
    y = {
        "field": "value",
        "type": "quantitative",
        "title": title,
        "scale": {"zero": False, "nice": True},
    }
    legend = {
        "orient": "bottom",
        "columns": 1 if heat else 4,
        "titleFontWeight": "normal",
        "labelLimit": 230,
        "offset": 6,
        "rowPadding": 0,
        "symbolStrokeColor": INK,
    }
    kind, range_ = ("strokeDash", DASHES) if heat else ("shape", SHAPES)
    by_name = {
        "field": "name",
        "type": "nominal",
        "scale": {"domain": names, "range": [range_[i % len(range_)] for i in range(len(names))]},
        "legend": {"title": None, **legend} if len(names) > 1 else None,
    }
    line: dict = {"x": x, "y": y, "detail": {"field": "name", "type": "nominal"}}
    layers: list[dict] = [
        {
            "mark": {"type": "line", "color": INK, "strokeWidth": 1},
            "encoding": {**line, kind: by_name} if heat else line,
        }
    ]
    if not heat:
        point = {"type": "point", "color": INK, "size": 18, "filled": False, "strokeWidth": 0.8}
        layers.append({"mark": point, "encoding": {"x": x, "y": y, kind: by_name}})
    for value, name in marks:
        at = {"datum": value, "type": "quantitative"}
        label = {
            "type": "text",
            "align": "left",
            "baseline": "middle",
            "dx": 3,
            "color": GREY,
            "text": name,
        }
        layers.append(
            {
                "data": {"values": [{}]},
                "layer": [
                    {"mark": {"type": "rule", "color": GREY, "strokeWidth": 0.8}, "encoding": {"y": at}},
                    {"mark": label, "encoding": {"y": at, "x": {"value": width}}},
                ],
            }
        )
    return {"width": width, "height": 66, "data": {"values": data}, "layer": layers}


@lru_cache(maxsize=64)
def _svg(panels: str) -> str:
    import font_source_sans_pro
    import vl_convert

    vl_convert.register_font_directory(font_source_sans_pro.font_directory)
    spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "background": "#ffffff",
        "config": {
            "font": "Source Sans Pro, sans-serif",
            "view": {"stroke": PALE},
            "axis": {
                "labelColor": INK,
                "titleColor": INK,
                "gridColor": "#e5e5e5",
                "titleFontWeight": "normal",
            },
        },
        "hconcat": json.loads(panels),
        "resolve": {"legend": {"shape": "independent", "strokeDash": "independent"}},
    }
    return vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
