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
from tests.support.waiting import AT_MOST_S

CHROMIUM = program("chromium")
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
LONG_MS = 300_000
"""On a machine that does much else a rehearsal takes its time."""
NEWEST_CHANGE = "#better:not([aria-busy]) .changes button"
"""One of the answers that are shown, and not of those before them."""
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
        process.wait(AT_MOST_S)


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
    page.locator(NEWEST_CHANGE).first.wait_for()

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
    page.locator("#result:not([aria-busy]) .verdict.well").wait_for()
    apply = page.locator(NEWEST_CHANGE).first
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


def _opened(browser: Any, address: str) -> Any:
    """Return the page with everything answered, by a fresh browser window."""
    page = browser.new_page()
    page.set_default_timeout(LONG_MS)
    page.goto(f"{address}/?{FOAM_BOX}")
    page.locator(NEWEST_CHANGE).first.wait_for()
    return page


@needs("chromium")
def test_enter_in_a_field_keeps_page_and_place(served: tuple[str, Path], browser: Any) -> None:
    """What was typed is being answered already; a page made anew would lose the place in it."""
    page = _opened(browser, served[0])
    address = page.url
    page.evaluate("window.same = true")
    page.locator("#q-lights").focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("6 W")
    page.keyboard.press("Enter")
    page.locator("#better[aria-busy]").wait_for()
    page.locator(NEWEST_CHANGE).first.wait_for()

    assert page.evaluate("window.same") is True
    assert page.url == address
    assert page.evaluate("document.activeElement.id") == "q-lights"
    page.close()


@needs("chromium")
def test_a_new_list_keeps_the_focus_on_the_change_that_a_person_is_at(
    served: tuple[str, Path], browser: Any
) -> None:
    """Or on the list, where that change is gone: Enter never applies another one."""
    page = _opened(browser, served[0])
    held = page.locator(NEWEST_CHANGE).last
    key = held.get_attribute("value")
    page.locator("#result summary").first.click()
    held.focus()

    page.evaluate("number += 1; markWaiting(result, better); renew()")
    page.locator(NEWEST_CHANGE).first.wait_for()
    assert page.evaluate("document.activeElement.value") == key
    assert page.locator("#result details[open]").count() == 1

    page.evaluate("putInPlace(better, '<button value=another>Apply</button>')")
    assert page.evaluate("document.activeElement.id") == "better"
    page.close()


@needs("chromium")
def test_two_open_pages_both_answer(served: tuple[str, Path], browser: Any) -> None:
    """The page that was opened last does not silence the one before it."""
    first = _opened(browser, served[0])
    second = _opened(browser, served[0])

    for page, day, verdict in (
        (second, "41 C", "alarm"), (second, "26 C", "well"), (first, "41 C", "alarm"),
    ):  # fmt: skip
        page.locator("#q-day").fill(day)
        page.locator(f"#result:not([aria-busy]) .verdict.{verdict}").wait_for()
    first.close()
    second.close()


@needs("chromium")
def test_a_part_that_gets_no_answer_says_so_in_its_own_place(
    served: tuple[str, Path], browser: Any
) -> None:
    """The verdict stands where only the list of changes fails."""
    page = _opened(browser, served[0])
    page.route("**/better?*", lambda route: route.fulfill(status=500))

    page.locator("#q-day").fill("25 C")
    page.locator("#better:not([aria-busy]):has-text('does not answer')").wait_for()

    assert page.locator("#result:not([aria-busy]) .verdict.well").count() == 1
    page.route("**/sketch?*", lambda route: route.abort())
    page.locator("#q-day").fill("26 C")
    page.locator("#result:not([aria-busy]):has-text('does not answer')").wait_for()
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
