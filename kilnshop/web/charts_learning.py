"""Estimated against actual: one point a charge, its band as a bar, and the line where they agree."""

from collections.abc import Sequence

from kilnshop.reports.learning import Compared
from kilnshop.web import charts

NEWEST = 200  # more points than this say no more


def against(rows: Sequence[tuple[str, Compared]], unit: str) -> dict:
    """The estimate and its band across, what came of it upward."""
    values = [
        {
            "charge": number,
            "low": round(one.low, 2),
            "expected": round(one.expected, 2),
            "high": round(one.high, 2),
            "actual": round(one.actual, 2),
        }
        for number, one in rows[:NEWEST]
    ]
    most = 1.05 * max(max(row["high"], row["actual"]) for row in values)
    scale = {"domain": [0, round(most, 1)], "nice": False}
    y = {"field": "actual", "type": "quantitative", "title": f"Actual {unit}", "scale": scale}
    across = {"type": "quantitative", "title": f"Estimated {unit}", "scale": scale}
    return {
        "layer": [
            {
                "data": {"values": [{"expected": 0, "actual": 0}, {"expected": most, "actual": most}]},
                "mark": {"type": "line", "color": charts.MUTED, "strokeWidth": 1},
                "encoding": {"x": {"field": "expected", **across}, "y": y},
            },
            {
                "data": {"values": values},
                "mark": {"type": "rule", "color": charts.ESTIMATE_COLOUR, "opacity": 0.45, "strokeWidth": 4},
                "encoding": {"x": {"field": "low", **across}, "x2": {"field": "high"}, "y": y},
            },
            {
                "data": {"values": values},
                "mark": {
                    "type": "point",
                    "filled": True,
                    "size": 60,
                    "opacity": 1,
                    "color": charts.MEASURED_COLOUR,
                },
                "encoding": {
                    "x": {"field": "expected", **across},
                    "y": y,
                    "tooltip": [
                        {"field": "charge", "type": "nominal", "title": "Charge"},
                        {"field": "expected", "type": "quantitative", "title": f"Estimated {unit}"},
                        {"field": "actual", "type": "quantitative", "title": f"Actual {unit}"},
                    ],
                },
            },
        ]
    }
