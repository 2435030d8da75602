"""Drawings on paper: a lot's curve and the QR code, as data addresses for <img>. Readable without colour."""

import base64
import json
from functools import lru_cache

import segno

from kilnshop.science.psychro import c_from_f

INK, GREY, PALE = "#000000", "#666666", "#bbbbbb"
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
    panels = []
    if chart.get("mc"):
        panels.append(_panel(chart["mc"], "Moisture, % MC", [(lot["target"], "target")], log=False))
    if chart.get("core"):
        metric = units == "metric"
        rows = (
            [{**row, "value": c_from_f(row["value"])} for row in chart["core"]] if metric else chart["core"]
        )
        limits = [
            (c_from_f(limit) if metric else limit, "must reach") for limit in [chart.get("limit_f")] if limit
        ]
        panels.append(_panel(rows, "Core of the wood, " + ("°C" if metric else "°F"), limits, log=True))
    return _address(_svg(json.dumps(panels))) if panels else ""


def _panel(rows: list[dict], title: str, marks: list[tuple[float, str]], log: bool) -> dict:
    names = sorted({row["name"] for row in rows})
    data = [{"at": row["at"] + "Z", "name": row["name"], "value": row["value"]} for row in rows]
    x = {
        "field": "at",
        "type": "temporal",
        "scale": {"type": "utc"},
        "axis": {"title": None, "format": "%-d %b %H:%M" if log else "%-d %b", "tickCount": 4, "grid": False},
    }
    y = {
        "field": "value",
        "type": "quantitative",
        "title": title,
        "scale": {"zero": False, "nice": True},
    }
    shape = {
        "field": "name",
        "type": "nominal",
        "scale": {"domain": names, "range": [SHAPES[i % len(SHAPES)] for i in range(len(names))]},
        "legend": {"title": None, "orient": "bottom", "columns": 2, "labelLimit": 220}
        if len(names) > 1
        else None,
    }
    layers: list[dict] = [
        {
            "mark": {"type": "line", "color": INK, "strokeWidth": 1},
            "encoding": {"x": x, "y": y, "detail": {"field": "name", "type": "nominal"}},
        }
    ]
    if not log:
        layers.append(
            {
                "mark": {"type": "point", "color": INK, "size": 18, "filled": False, "strokeWidth": 0.8},
                "encoding": {"x": x, "y": y, "shape": shape},
            }
        )
    for value, name in marks:
        at = {"datum": value, "type": "quantitative"}
        layers.append({"mark": {"type": "rule", "color": GREY, "strokeWidth": 0.8}, "encoding": {"y": at}})
        layers.append(
            {
                "mark": {
                    "type": "text",
                    "align": "left",
                    "baseline": "bottom",
                    "dx": 2,
                    "dy": -1,
                    "color": GREY,
                    "text": name,
                },
                "encoding": {"y": at, "x": {"value": 0}},
            }
        )
    return {"width": 250, "height": 110, "data": {"values": data}, "layer": layers}


@lru_cache(maxsize=64)
def _svg(panels: str) -> str:
    import vl_convert

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
    }
    return vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
