"""Charts: Vega-Lite as plain dicts, drawn by the browser on pages and by vl_convert for paper.

Estimate, target and measurement never look alike: a band or dashes, a thin line, points on a solid line.
"""

import hashlib
import json
import re
from functools import lru_cache

import vl_convert

INK, MUTED, GRID = "#2a2520", "#5e564b", "#ddd5c8"
ESTIMATE_COLOUR, TARGET_COLOUR, MEASURED_COLOUR = "#8a5a12", "#3f6212", "#1b4f82"
ESTIMATE_BAND = {"type": "area", "color": ESTIMATE_COLOUR, "opacity": 0.16}
ESTIMATE_LINE = {"type": "line", "color": ESTIMATE_COLOUR, "strokeDash": [6, 4], "strokeWidth": 1.5}
TARGET_LINE = {"type": "rule", "color": TARGET_COLOUR, "strokeWidth": 1}
TARGET_STEPS = {"type": "line", "color": TARGET_COLOUR, "strokeWidth": 1, "interpolate": "step-after"}
MEASURED_LINE = {
    "type": "line",
    "color": MEASURED_COLOUR,
    "strokeWidth": 2,
    "point": {"filled": True, "size": 28, "color": MEASURED_COLOUR},
}
CONFIG = {
    "font": "Source Sans Pro",
    "background": "transparent",
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "labelColor": INK,
        "titleColor": MUTED,
        "gridColor": GRID,
        "domainColor": MUTED,
        "tickColor": MUTED,
    },
    "legend": {"labelFontSize": 13, "titleFontSize": 13, "labelColor": INK, "titleColor": MUTED},
    "text": {"fontSize": 13, "color": INK},
}


def dressed(spec: dict, *, width: int | None = None) -> dict:
    """The spec in the shop's look; without a width it fills its place on a page."""
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "width": width or "container",
        "height": 260,
        "autosize": {"type": "fit", "contains": "padding"},
        **spec,
        "config": CONFIG | spec.get("config", {}),
    }


@lru_cache(maxsize=1)
def _font() -> None:
    import font_source_sans_pro

    vl_convert.register_font_directory(font_source_sans_pro.font_directory)


@lru_cache(maxsize=64)
def _drawn(text: str) -> str:
    _font()
    drawn = vl_convert.vegalite_to_svg(text, allowed_base_urls=[])
    mark = hashlib.sha256(text.encode()).hexdigest()[:8]
    return re.sub(r"\b(clip|gradient_)(\d+)", rf"\g<1>{mark}-\g<2>", drawn)


def svg(spec: dict, *, width: int = 680) -> str:
    """The chart as an SVG drawing, the same for the same spec."""
    return _drawn(json.dumps(dressed(spec, width=width), sort_keys=True, default=str))
