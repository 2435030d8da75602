"""Drawings on paper."""

import base64
import re
from urllib.parse import unquote

import pytest

from kilnshop.documents import figures
from tests.documents import samples


def drawn(address: str) -> str:
    assert address.startswith("data:image/svg+xml;base64,")
    return base64.b64decode(address.partition(",")[2]).decode()


def test_a_lot_with_readings_is_drawn_with_its_target():
    svg = drawn(figures.lot_chart(samples.TICKET["lots"][0], "us"))
    assert "target" in svg
    assert "Moisture, % MC" in svg
    assert "board 11" in svg


def test_core_heat_is_drawn_with_the_limit_in_the_units_of_the_paper():
    lot = samples.TICKET["lots"][1]
    assert "Core of the wood, °F" in drawn(figures.lot_chart(lot, "us"))
    metric = drawn(figures.lot_chart(lot, "metric"))
    assert "Core of the wood, °C" in metric
    assert "must reach" in metric


def test_a_lot_without_readings_has_no_chart():
    assert figures.lot_chart({"target": 7.0, "chart": {"mc": [], "core": []}}, "us") == ""
    assert figures.lot_chart({"target": 7.0}, "us") == ""


def test_charts_use_no_colour():
    svg = drawn(figures.lot_chart(samples.TICKET["lots"][1], "us"))
    for colour in set(re.findall(r"#[0-9a-fA-F]{6}\b", svg)):
        red, green, blue = colour[1:3], colour[3:5], colour[5:7]
        assert red == green == blue, colour


@pytest.mark.parametrize("scheme", ["line", "point"])
def test_the_chart_is_valid_vega_lite(scheme):
    """Against the schema that Altair carries: a misspelt key would be drawn without complaint."""
    import altair

    heat = scheme == "line"
    rows = [{"at": f"2026-12-0{day}T08:00:00", "name": "board 1", "value": 20.0 - day} for day in (1, 2)]
    panel = figures._panel(rows, "Moisture", [(7.0, "target")], 300, heat=heat)
    altair.Chart.from_dict({"$schema": "https://vega.github.io/schema/vega-lite/v6.json", **panel})


def test_the_qr_code_is_black_on_white_with_a_margin_of_four_modules():
    """The margin that ISO/IEC 18004 asks for; a version of n has 17 + 4 n modules a side."""
    svg = unquote(figures.qr(samples.TICKET["confirm_url"]))
    side = int(re.search(r"width=['\"](\d+)", svg)[1]) / 4 - 8
    assert (side - 17) % 4 == 0
    assert 25 <= side <= 45
    assert "#000" in svg
    assert "#fff" in svg
