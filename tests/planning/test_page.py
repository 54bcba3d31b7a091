"""The page of `coldpin plan` in a real browser, and its form without scripts."""

from __future__ import annotations

import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.settings.load import read_settings
from tests.support.machine import needs, program

CHROMIUM = program("chromium")
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
LONG_MS = 90_000
"""On a machine that does much else a rehearsal takes its time."""
FOAM_BOX = (
    "units=metric&species=king-oyster&walls=foam-50&size=70+x+50+x+100+cm&blocks=8+kg&lights=5+W"
    "&day=26+C&night=22+C&cooler=thick&cooler_volume=40+L&pack=gel-large&packs_in_water=8&packs=20"
    "&freezer=chest&freezer_volume=300+L&food=none&core=120&fan=quiet"
)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The page as a process of its own: its address and the file that Save writes."""
    file = tmp_path_factory.mktemp("plan") / "box.toml"
    with subprocess.Popen(
        [sys.executable, "-m", "controller", "plan", str(file), "--port", "0", "--no-browser"],
        cwd=Path(__file__).parents[2],
        env={"PATH": "/usr/bin:/bin", "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
        assert address is not None
        yield address[0], file
        process.terminate()
        process.wait(10)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright import sync_api

    with sync_api.sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield opened
        opened.close()


@needs("chromium")
@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1280, "light")])
def test_a_control_answers_a_change_applies_and_save_writes(
    served: tuple[str, Path], browser: Any, width: int, scheme: str
) -> None:
    """By keyboard alone; no sideways scrolling, no error in the console."""
    address, file = served
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
    page.set_default_timeout(LONG_MS)
    errors: list[str] = []
    page.on(
        "console", lambda message: errors.append(message.text) if message.type == "error" else None
    )
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{address}/?{FOAM_BOX}")

    assert page.locator(".verdict.well").is_visible()
    assert page.locator("#result svg.chart").count() == 1
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("#better .changes button").first.wait_for()

    page.locator("#q-day").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("41 C")
    page.locator("#result .verdict.alarm").wait_for()
    assert "Does not work yet" in page.title()

    page.keyboard.press("Control+A")
    page.keyboard.type("79 C")
    page.locator("#p-day:has-text('79 F')").wait_for()
    page.keyboard.press("Control+A")
    page.keyboard.type("26 C")
    page.locator("#result .verdict.well").wait_for()
    apply = page.locator("#better .changes button").first
    apply.wait_for()
    apply.focus()
    page.keyboard.press("Enter")
    page.locator("#result .applied button").wait_for()

    replace = page.locator("[name=replace]")
    if replace.count():
        replace.check()
    page.locator("text=Save box.toml").focus()
    page.keyboard.press("Enter")
    page.locator("[role=status]").wait_for()

    assert errors == []
    settings = read_settings(file)
    assert settings.chamber.species == "king-oyster"
    assert "#: changes = [" in file.read_text(encoding="utf-8")
    page.close()


def test_without_scripts_it_is_a_form(served: tuple[str, Path]) -> None:
    """The first answer holds the verdict and a button; nothing is missing but being live."""
    address, _ = served

    with urllib.request.urlopen(f"{address}/?{FOAM_BOX}&better=1", timeout=LONG_MS) as answer:
        text = answer.read().decode()

    assert 'class="verdict well"' in text
    assert '<button class="no-script" name="better"' in text
    assert re.search(r'<button name="apply" value="[a-z-]+">', text)


def test_a_foreign_name_or_site_is_refused(served: tuple[str, Path]) -> None:
    address, file = served
    before = file.read_bytes() if file.exists() else b""
    for headers in ({"Host": "evil.example"}, {"Origin": "https://evil.example"}):
        request = urllib.request.Request(f"{address}/save", data=b"name=x", headers=headers)
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(request, timeout=60)
        refused.value.close()
        assert refused.value.code in {403, 421}
    assert (file.read_bytes() if file.exists() else b"") == before
