"""The page in a real browser: width, scripts, live words, forms, and what a screen reader gets."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller.domain.places import RECORDS
from controller.domain.requests import LogSwap, RequestKind
from controller.history.importing import add_history, reading_at
from controller.lookout.page.access import new_secret
from controller.records.requests_file import REQUESTS, newest
from tests.lookout.houses import alarm, put_status, settings_with, status
from tests.support.broker import free_port
from tests.support.machine import needs, program
from tests.support.waiting import AT_MOST_S, until

CHROMIUM = program("chromium")
pytestmark = [
    needs("chromium"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path, str]]:
    """The lookout as a process of its own: address, state directory, secret."""
    place = tmp_path_factory.mktemp("lookout")
    port = free_port()
    settings_with(place, f"[lookout]\nport = {port}")
    put_status(place, status())
    secret = new_secret(place)
    with subprocess.Popen(
        [sys.executable, "-m", "controller", "lookout", str(place / "c.toml")],
        env={"STATE_DIRECTORY": str(place), "PATH": "/usr/bin:/bin"},
        cwd=Path(__file__).parents[2],
        stderr=subprocess.DEVNULL,
    ) as process:

        def listens() -> bool:
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", port)) == 0

        until(listens)
        yield f"http://127.0.0.1:{port}", place, secret
        process.terminate()
        process.wait(AT_MOST_S)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright import sync_api

    with sync_api.sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield opened
        opened.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1200])
def test_the_page_fits_and_draws(
    served: tuple[str, Path, str], browser: Any, width: int, scheme: str
) -> None:
    """No sideways scrolling, no error in the console, a drawn figure; readable contrast."""
    address, place, _ = served
    put_status(place, status())
    context = browser.new_context(viewport={"width": width, "height": 760}, color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console",
        lambda message: (
            errors.append(message.text)
            if message.type == "error" and "404" not in message.text  # the browser asks for an icon
            else None
        ),
    )

    page.goto(address)
    page.wait_for_selector("#picture svg.chart")

    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert errors == []
    assert page.evaluate(CONTRAST) >= 4.5, "WCAG 2.2, 1.4.3: contrast of text"
    context.close()


CONTRAST = """
() => {
  const light = (css) => {
    const [r, g, b] = css.match(/[0-9.]+/g).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const paper = light(getComputedStyle(document.body).backgroundColor);
  return Math.min(...[...document.querySelectorAll("main *")]
    .filter((e) => !e.closest("svg") && e.textContent.trim())
    .map((e) => light(getComputedStyle(e).color))
    .map((ink) => (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05)));
}
"""
"""The least contrast of any text, by the formula of WCAG 2.2 (relative luminance)."""


def test_words_change_while_one_looks(served: tuple[str, Path, str], browser: Any) -> None:
    """A raised alarm shows without a reload, and in the page's title."""
    address, place, _ = served
    put_status(place, status())
    page = browser.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.goto(address)

    put_status(place, status(alarms=[alarm("air_high")]))
    page.wait_for_selector(".headline.alarm")

    assert "Air too warm" in page.inner_text("#headline")
    assert page.title().startswith("! ")
    page.close()


def test_new_words_keep_what_a_person_holds(served: tuple[str, Path, str], browser: Any) -> None:
    """The focus stays where it was, and an alarm that was opened stays open, in its new place."""
    address, place, _ = served
    put_status(place, status(alarms=[alarm("air_high")]))
    page = browser.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.goto(address)
    page.locator("#alarm-air_high summary").click()

    more = [alarm("probe_lost", "room"), alarm("probe_lost", "reservoir"), alarm("air_high")]
    put_status(place, status(alarms=more))
    page.wait_for_selector("#alarm-probe_lost-room")

    assert page.evaluate("document.activeElement.parentElement.id") == "alarm-air_high"
    assert page.evaluate("[...document.querySelectorAll('details[open]')].map((e) => e.id)") == [
        "alarm-air_high"
    ]

    put_status(place, status())
    page.wait_for_selector("#alarm-air_high", state="detached")
    assert page.evaluate("document.activeElement.id") == "live"
    page.close()


def test_silence_shows_while_one_looks(served: tuple[str, Path, str], browser: Any) -> None:
    """The control process stops: within its patience the page says so, loudly."""
    address, place, _ = served
    put_status(place, status())
    page = browser.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.goto(address)

    put_status(place, status(boottime_s=time.clock_gettime(time.CLOCK_BOOTTIME) - 300.0))
    page.wait_for_selector(".headline.no-data")

    assert "No data for" in page.inner_text("#headline")
    page.close()


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts-on", "scripts-off"])
def test_a_swap_is_noted_by_hand_and_keyboard(
    served: tuple[str, Path, str], browser: Any, scripts: bool
) -> None:
    """Enter, note, confirm; with scripts off too."""
    address, place, secret = served
    put_status(place, status())
    context = browser.new_context(
        java_script_enabled=scripts, viewport={"width": 360, "height": 700}
    )
    page = context.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.goto(address)

    page.fill("input[name=password]", secret)
    page.press("input[name=password]", "Enter")
    packs = "3" if scripts else "2"
    page.fill("input[name=packs]", packs)
    page.press("input[name=packs]", "Enter")
    page.wait_for_selector(".question")
    page.keyboard.press("Enter") if scripts else page.click("main button")
    page.wait_for_selector("#answer")

    request = newest(place / REQUESTS, RequestKind.SWAP)
    assert request is not None
    assert isinstance(request.payload, LogSwap)
    assert request.payload.packs == int(packs)
    context.close()


def test_everything_has_a_name(served: tuple[str, Path, str], browser: Any) -> None:
    """Each control has an accessible name, each section a heading, levels without a hole."""
    address, place, secret = served
    put_status(place, status())
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.goto(address)
    page.fill("input[name=password]", secret)
    page.press("input[name=password]", "Enter")
    page.wait_for_selector("input[name=packs]")

    nameless = page.evaluate(
        "() => [...document.querySelectorAll('input:not([type=hidden]), select, button, a')]"
        ".filter((e) => !(e.labels?.length || e.textContent.trim())).length"
    )
    levels = page.evaluate(
        "() => [...document.querySelectorAll('h1,h2,h3')].map((e) => +e.tagName[1])"
    )
    unlabelled = page.evaluate(
        "() => [...document.querySelectorAll('section')]"
        ".filter((s) => !document.getElementById(s.getAttribute('aria-labelledby'))).length"
    )
    assert nameless == 0
    assert unlabelled == 0
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert page.get_attribute("html", "lang") == "en"
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_independent_judge_finds_nothing_serious(
    served: tuple[str, Path, str], browser: Any, scheme: str
) -> None:
    """axe-core, the open checker of the WCAG rules, on every page that people see."""
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()
    address, place, secret = served
    put_status(place, status(alarms=[alarm("air_high")]))
    # the checker is put into the page, which our own policy forbids
    context = browser.new_context(color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    violations_found = []
    for path in ("/", "/do/reset", "/entered", "/do/swap?packs=4"):
        if path == "/entered":
            page.goto(address)
            page.fill("input[name=password]", secret)
            page.press("input[name=password]", "Enter")
            page.wait_for_selector("input[name=packs]")
        else:
            page.goto(address + path)
        violations = axe.run(page).response["violations"]
        violations_found += [(path, each["id"], each["impact"]) for each in violations]

    assert [each for each in violations_found if each[2] in {"serious", "critical"}] == []
    context.close()


def test_a_page_that_cannot_reach_the_chamber_says_so(
    served: tuple[str, Path, str], browser: Any
) -> None:
    """The last words were good ones: they must not stay in the place of the verdict."""
    address, place, _ = served
    put_status(place, status())
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.clock.install()
    page.goto(address)
    assert "In band" in page.inner_text("#headline")

    context.set_offline(True)
    page.clock.run_for(40_000)
    page.wait_for_selector(".headline.no-data")

    assert "No contact with the chamber" in page.inner_text("#headline")
    assert "What follows is old" in page.inner_text("#headline")
    assert "Last known" in page.inner_text("#now-title")
    assert page.title().startswith("! ")

    context.set_offline(False)
    page.clock.run_for(10_000)
    page.wait_for_selector(".headline.in-band")
    assert page.inner_text("#now-title") == "Now"
    context.close()


def test_the_picture_is_looked_at_closer_by_keyboard(
    served: tuple[str, Path, str], browser: Any
) -> None:
    """Closer and back; what is closer stays closer when the picture is drawn anew."""
    address, place, _ = served
    put_status(place, status())
    now = datetime.now(UTC)
    rows = [
        reading_at(now - timedelta(minutes=m), (16.0, 4.0, 24.0, None), pump=False, fan=False)
        for m in range(600, 0, -1)
    ]
    add_history(place / RECORDS, rows, name="ten hours", chamber="c")
    page = browser.new_page()
    page.set_default_timeout(1000 * AT_MOST_S)
    page.clock.install()
    page.goto(address)
    page.wait_for_selector("#picture svg.chart")

    page.get_by_role("link", name="Closer").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/*since=*")
    with page.expect_response(lambda answer: "/picture" in answer.url) as drawn:
        page.clock.run_for(61_000)

    assert "since=" in drawn.value.url
    assert "room" in page.inner_text("#picture .extent")
    page.get_by_role("link", name="Up to now").click()
    page.wait_for_url(lambda url: "since=" not in url)
    page.close()
