"""Probes identified and relays put right, into a file that keeps its other lines."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.commissioning.wiring_in import Bench, pins_in, probes_in, try_relays
from controller.planning.answers import complete
from controller.planning.configuration import configuration_text
from controller.planning.consultation import draft_of
from controller.settings.load import read_settings

AIR, WATER, ROOM = "28-0119a3c4d5e6", "28-0119a3c4d5e7", "28-0119a3c4d5e8"


@pytest.fixture(scope="module")
def written() -> str:
    return configuration_text(draft_of(complete({})))


def bench_of(
    *,
    answers: tuple[str, ...] = (),
    confirms: Callable[[str], bool] = lambda _: True,
    warm: tuple[str, ...] = (),
    try_load: Callable[[str], str | None] = lambda _: None,
    write: Callable[[str], object] = lambda _: None,
    say: Callable[[str], object] = lambda _: None,
) -> Bench:
    typed, warming = iter(answers), iter(warm)
    return Bench(
        ask=lambda _, usual: next(typed, usual),
        confirm=lambda question, usual: usual and confirms(question),
        say=say,
        warmed=lambda left: next(each for each in warming if each in left),
        write=write,
        try_load=try_load,
    )


def test_probes_and_pins_make_a_configuration_for_the_pi(written: str, tmp_path: Path) -> None:
    confirms: Callable[[str], bool] = lambda question: "coil" not in question  # noqa: E731
    bench = bench_of(answers=("17", "17", "27"), confirms=confirms, warm=(WATER, AIR, ROOM))

    text = pins_in(probes_in(written, (AIR, WATER, ROOM), bench), bench)
    file = tmp_path / "c.toml"
    file.write_text(text, encoding="utf-8")
    settings = read_settings(file)

    assert settings.probes.air.id == WATER  # the first that was warmed
    assert settings.probes.reservoir.id == AIR
    assert settings.probes.room is not None
    assert settings.loads.pump.driver_options() == {"pin": 17, "active_low": True}
    assert settings.loads.fan.driver_options()["pin"] == 27
    kept = [line for line in written.splitlines() if line.startswith(("#", "cut_in", "size"))]
    assert [line for line in kept if line not in text.splitlines()] == []


def test_without_a_room_probe_its_table_goes(written: str) -> None:
    bench = bench_of(confirms=lambda _: False, warm=(AIR, WATER))

    probes = tomllib.loads(probes_in(written, (AIR, WATER, ROOM), bench))["probes"]

    assert set(probes) == {"air", "reservoir"}


def test_a_board_of_the_other_polarity_and_exchanged_relays_are_put_right(written: str) -> None:
    """The true board: pump at 6, fan at 5, active-high; the file says the opposite of both."""
    text = [pins_in(written, bench_of())]

    def try_load(load: str) -> str | None:
        wired = tomllib.loads(text[-1])["loads"][load]
        if wired["active_low"]:
            return "on while it should be off: its active_low is the wrong way round"
        return None if wired["pin"] == {"pump": 6, "fan": 5}[load] else "did not run and stop"

    bench = bench_of(try_load=try_load, write=text.append)

    after, right = try_relays(text[0], {"pump": 5, "fan": 6}, True, bench)

    assert right
    loads = tomllib.loads(after)["loads"]
    assert (loads["pump"]["pin"], loads["fan"]["pin"]) == (6, 5)
    assert not loads["pump"]["active_low"]
    assert after == text[-1]


def test_a_load_that_never_runs_is_not_called_right(written: str) -> None:
    text = pins_in(written, bench_of())
    bench = bench_of(try_load=lambda _: "did not run and stop", confirms=lambda _: False)

    assert try_relays(text, {"pump": 5, "fan": 6}, True, bench) == (text, False)


def test_a_line_that_something_else_uses_is_not_taken(written: str) -> None:
    """Neither the bus, nor a level switch, nor the lamp, nor what the header keeps; it says why."""
    said: list[str] = []
    text = written.replace("[probes.air]", "[one_wire]\npin = 22\n\n[probes.air]", 1) + (
        '\n[inputs.level]\npin = 23\n\n[loads.signal]\ndriver = "gpio"\npin = "BOARD18"\n'
    )
    answers = ("0", "22", "23", "24", "nine", "BOARD11", "17", "27")

    after = pins_in(text, bench_of(answers=answers, say=said.append))

    loads = tomllib.loads(after)["loads"]
    assert (loads["pump"]["pin"], loads["fan"]["pin"]) == (17, 27)
    assert said[1:4] == [
        "GPIO22 is the line of the probes' bus: take another one.",
        "GPIO23 is the line of the level switch: take another one.",
        "GPIO24 is the line of the signal: take another one.",
    ]
    assert said[0].startswith("found GPIO0, allowed: a GPIO number 2 to 27")
    assert said[4].startswith("found 'nine', allowed: a GPIO number 2 to 27")
    assert said[5] == "GPIO17 is the line of the pump: take another one."


def test_enter_keeps_the_pins_and_the_polarity_that_the_file_has(written: str) -> None:
    """A second go begins with what the first found out."""
    first = pins_in(written, bench_of(answers=("17", "27"), confirms=lambda _: False))
    assert not tomllib.loads(first)["loads"]["pump"]["active_low"]

    assert pins_in(first, bench_of()) == first


def test_the_polarity_of_a_relay_goes_with_its_line(written: str) -> None:
    """Two boards, exchanged: the fan's at 5 is active-low, the pump's at 6 active-high."""
    text = [pins_in(written, bench_of())]

    def try_load(load: str) -> str | None:
        wired = tomllib.loads(text[-1])["loads"][load]
        if wired["active_low"] is not {5: True, 6: False}[wired["pin"]]:
            return "on while it should be off: its active_low is the wrong way round"
        return None if wired["pin"] == {"pump": 6, "fan": 5}[load] else "did not run and stop"

    bench = bench_of(try_load=try_load, write=text.append)

    after, right = try_relays(text[0], {"pump": 5, "fan": 6}, True, bench)

    loads = tomllib.loads(after)["loads"]
    assert right
    assert (loads["pump"]["active_low"], loads["fan"]["active_low"]) == (False, True)


def test_a_relay_that_may_be_on_at_boot_is_said(written: str) -> None:
    """Before it is written; the person may still say no."""
    said: list[str] = []
    bench = bench_of(answers=("6", "17"), confirms=lambda _: False, say=said.append)

    pins_in(written, bench)

    (pump,) = said
    assert pump.startswith("pump: GPIO6 is pulled up from power-on, so an active-high relay may")
