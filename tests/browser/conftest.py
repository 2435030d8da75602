"""Headless Chromium from Debian, signed in to a live server, at both widths."""

import os
import shutil
from pathlib import Path

import pytest

PICTURES = Path(__file__).resolve().parents[2] / "demo_data" / "pictures"
WIDTHS = {1280: {"width": 1280, "height": 900}, 390: {"width": 390, "height": 844}}


@pytest.fixture(scope="session")
def browser_type_launch_args():
    chromium = shutil.which("chromium")
    assert chromium, "Chromium is missing: apt-get install chromium"
    return {
        "executable_path": chromium,
        "args": ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"],
    }


@pytest.fixture
def console(page):
    """Everything the browser complains about; a test ends with it empty."""
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    return said


@pytest.fixture
def snap(page):
    """A picture for README, taken at the width in its name; only when KILNSHOP_PICTURES=yes asks for them."""

    def take(name: str, *, full: bool = False) -> None:
        if os.environ.get("KILNSHOP_PICTURES") != "yes":
            return
        PICTURES.mkdir(exist_ok=True)
        page.screenshot(path=PICTURES / f"{name}.png", full_page=full)

    return take
