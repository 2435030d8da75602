"""Headless Chromium from Debian, signed in to a live server, at both widths."""

import os
import shutil
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client

PICTURES = Path(__file__).resolve().parents[2] / "demo_data" / "pictures"
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
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


@pytest.fixture
def sign_in(page, live_server):
    """The browser, signed in as a person without the sign-in page."""

    def sign_in(person):
        client = Client()
        client.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
        cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
        page.context.add_cookies(
            [{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}]
        )
        page.set_default_timeout(15_000)
        return page

    return sign_in


def fits(page):
    """Nothing sticks out sideways, and axe finds nothing against WCAG 2.2 AA."""
    width = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert width[0] <= width[1], f"{page.url} is {width[0]} px wide in a window of {width[1]}"
    found = Axe().run(page, options=RULES).response["violations"]
    assert not found, [(rule["id"], rule["nodes"][0]["html"]) for rule in found]
