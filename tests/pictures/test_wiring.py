"""The wiring diagram: every pin, relay, supply and caution that the configuration stands for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from controller.cli.check import wiring_of
from controller.cli.main import status_of
from controller.pictures.wiring_diagram import WiredLine, WiringPlan, wiring_svg
from controller.service.wiring import plan_of
from controller.settings.shipped import shipped_config

ROOT = Path(__file__).parents[2]
PI = shipped_config("skerrow-pi.toml")
PUMP = WiredLine(
    name="pump", pin="GPIO5, header pin 29", active_low=True, supply="12 V DC", current_a=0.9,
    kind="motor", direct=True, mains=False, relay_module=None,
)  # fmt: skip
PLAN = WiringPlan(
    chamber="a & <b>", lines=(PUMP,), bus_pin="GPIO4, header pin 7", probes=(("air", "28-1"),)
)


def words(svg: str) -> list[str]:
    return [element.text or "" for element in ET.fromstring(svg).iter() if element.text]


def test_example_in_the_notes_is_what_the_program_draws() -> None:
    """The picture beside the text is today's."""
    shown = (ROOT / "hardware-notes" / "wiring-example.svg").read_text(encoding="utf-8")

    assert shown == wiring_svg(wiring_of(plan_of(PI)))


def test_every_line_of_the_plan_is_there() -> None:
    """Pins by both numbers, polarity, supply, current, probes, fuse, flyback and pull-up."""
    message = " | ".join(words(wiring_svg(wiring_of(plan_of(PI)))))

    for expected in (
        "GPIO5, header pin 29", "GPIO6, header pin 31", "GPIO4, header pin 7", "relay for fan",
        "on while the pin is low", "12 V DC, 0.9 A", "fuse", "diode across it, band to plus",
        "4.7 kΩ pull-up, once a bus", "3.3 V, signal supply",
        "5 V for coils, own 0 V", "10 kΩ",
        "air: 28-0119a3c4d5e6", "residual-current device",
    ):  # fmt: skip
        assert expected in message


@pytest.mark.parametrize(
    ("line", "there", "absent"),
    [
        (replace(PUMP, active_low=False), "on while the pin is high", "pin is low"),
        (replace(PUMP, active_low=False), "0 V, shared", "3.3 V, signal supply"),
        (PUMP, "3.3 V, signal supply", "0 V, shared"),
        (replace(PUMP, pin=""), "dry: nothing real is switched", "relay for pump"),
        (replace(PUMP, kind="resistive"), "pump, resistive", "diode"),
        (
            replace(PUMP, supply="230 V AC", direct=False, mains=True, relay_module="box-1"),
            "MAINS: for a licensed electrician",
            "diode",
        ),
        (
            replace(PUMP, supply="230 V AC", direct=False, mains=True, relay_module="box-1"),
            "only through box-1",
            "band to plus",
        ),
    ],
    ids=[
        "active-high",
        "shared-ground",
        "signal-supply",
        "dry",
        "resistive",
        "mains",
        "mains-module",
    ],
)
def test_a_line_says_what_it_is(line: WiredLine, there: str, absent: str) -> None:
    """In words, not by colour alone."""
    message = " | ".join(words(wiring_svg(replace(PLAN, lines=(line,)))))

    assert there in message
    assert absent not in message


def test_a_level_switch_is_drawn_between_its_line_and_ground() -> None:
    """As the notes on the loop say it; without one nothing of it is shown."""
    drawn = wiring_svg(replace(PLAN, level_pin="GPIO22, header pin 15"))
    bare = " | ".join(words(wiring_svg(PLAN)))
    shown = words(drawn)

    at = shown.index("GPIO22, header pin 15")
    assert shown[at + 1] == "0 V"
    assert {"level switch", "closed while there is water", "a broken wire reads as empty"} <= {
        *shown
    }
    assert "level switch" not in bare


def test_names_with_markup_stay_names() -> None:
    """The document is well formed whatever the chamber is called."""
    assert "Wiring of a & <b>" in words(wiring_svg(PLAN))


def test_nothing_is_drawn_outside_the_page() -> None:
    """Boxes, wires and words lie within the view, whatever there is to draw."""
    many = replace(
        PLAN,
        lines=tuple(replace(PUMP, name=f"load {i}") for i in range(3)),
        probes=tuple((f"probe {i}", "28-0119a3c4d5e6") for i in range(4)),
        level_pin="GPIO22, header pin 15",
    )
    root = ET.fromstring(wiring_svg(many))
    width, height = (float(part) for part in root.attrib["viewBox"].split()[2:])

    for element in root.iter():
        result = element.attrib
        for x in ("x", "x1", "x2"):
            assert 0 <= float(result.get(x, 0)) <= width
        for y in ("y", "y1", "y2"):
            assert (
                0
                <= float(result.get(y, 0))
                + (float(result["height"]) if y == "y" and "height" in result else 0)
                <= height
            )


def test_a_drawing_that_cannot_be_written_is_reported(capsys: pytest.CaptureFixture[str]) -> None:
    """One message."""
    assert status_of(["check", str(PI), "--wiring", "/nowhere/at/all.svg"]) == 64
    assert "'--wiring': found no folder /nowhere/at" in capsys.readouterr().err
