"""From the settings to what reads the probes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.domain.temperatures import Seen
from controller.probes.samples import Sample
from controller.probes.sieve import Sieve
from controller.service.clock import SystemClock
from controller.service.sources import open_source, sieves_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.service.running import AIR, CONFIG, WATER
from tests.support.w1_tree import W1Tree
from tests.support.waiting import until


@pytest.mark.parametrize(
    ("key", "left"),
    [("", b"trigger\n"), ("bulk = true", b"trigger\n"), ("bulk = false", b"0\n")],
    ids=["default", "true", "false"],
)
def test_a_bus_converts_at_once_only_where_the_configuration_wants_it(
    tmp_path: Path, key: str, left: bytes
) -> None:
    """`[one_wire] bulk`: for kernels and probes with which it misbehaves, it can be put off."""
    tree = W1Tree(tmp_path)
    for probe_id in (AIR, WATER):
        tree.add_probe(probe_id)
        tree.set(probe_id, 16.0)
    bulk_file = tree.set_bulk(0)
    config = tmp_path / "c.toml"
    config.write_text(
        CONFIG.format(
            root=f'{tree.root}"\n{key}\n#"', air=AIR, water=WATER, more="", pump="p", fan="f"
        ),
        encoding="utf-8",
    )
    nothing_to_cool: Any = None
    clock = SystemClock()
    source = open_source(read_settings(config), nothing_to_cool, tmp_path)
    answered: set[str] = set()
    try:
        until(
            lambda: answered == {"air", "reservoir"},
            meanwhile=lambda: answered.update(
                name for name, _ in source.collect(clock.monotonic())
            ),
        )
    finally:
        source.close()

    assert bulk_file.read_bytes() == left


def test_recorded_readings_are_played_back_from_the_folder_of_the_configuration(
    tmp_path: Path,
) -> None:
    """One file for all the places that it serves, by its name alone."""
    (tmp_path / "past.csv").write_text(
        "time,air_c,reservoir_c\n2026-07-01T12:00:00+00:00,16.5,4.25\n", encoding="utf-8"
    )
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    for place in ("air", "reservoir"):
        text = text.replace(
            f'[probes.{place}]\nkind = "simulated"',
            f'[probes.{place}]\nkind = "recorded"\nfile = "past.csv"',
        )
    config = tmp_path / "c.toml"
    config.write_text(text.replace('[probes.room]\nkind = "simulated"', ""), encoding="utf-8")
    nothing_to_cool: Any = None

    source = open_source(read_settings(config), nothing_to_cool, tmp_path)

    collected = source.collect(SystemClock().monotonic() + 1.0)
    assert {name: sample.value_mc for name, sample in collected} == {
        "air": 16_500,
        "reservoir": 4_250,
    }


def sieve_with(tmp_path: Path, place: str, keys: str = "", readings: str = "") -> Sieve:
    """Return the sieve of one probe of the laptop's example, with more keys."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    table = f'[probes.{place}]\nkind = "simulated"\n'
    assert table in text
    path = tmp_path / "c.toml"
    path.write_text(f"{text.replace(table, table + keys)}\n[readings]\n{readings}\n", "utf-8")
    return sieves_of(read_settings(path))[place]


def test_each_fitted_probe_has_a_sieve_the_compulsory_ones_first(tmp_path: Path) -> None:
    """The example has three."""
    settings = read_settings(shipped_config("larkmoor-laptop.toml"))

    assert list(sieves_of(settings)) == ["air", "reservoir", "room"]


def test_a_sieve_follows_what_is_configured_for_all_probes(tmp_path: Path) -> None:
    """How many agree, how many make the median, and when a reading is too old."""
    readings = 'every = "5 s"\nagree = 3\nmedian_of = 1\nstale_after = "20 s"'
    sieve = sieve_with(tmp_path, "air", readings=readings)
    for at in (0.0, 5.0):
        sieve.take(Sample(at, 16_000))
        assert not isinstance(sieve.reading(at), Seen)
    sieve.take(Sample(10.0, 16_000))
    assert sieve.reading(10.0) == Seen(16_000)
    sieve.take(Sample(15.0, 16_125))
    assert sieve.reading(15.0) == Seen(16_125)  # a median of one follows at once

    assert sieve.reading(35.0) == Seen(16_125)
    assert not isinstance(sieve.reading(35.1), Seen)


@pytest.mark.parametrize(
    ("keys", "value_mc", "kept"),
    [
        pytest.param('lowest = "10 C"', 10_000, True, id="at-the-lowest"),
        pytest.param('lowest = "10 C"', 9_999, False, id="below-it"),
        pytest.param('highest = "30 C"', 30_000, True, id="at-the-highest"),
        pytest.param('highest = "30 C"', 30_001, False, id="above-it"),
    ],
)
def test_a_sieve_has_the_range_of_its_own_probe(
    tmp_path: Path, keys: str, value_mc: int, kept: bool
) -> None:
    """Ends included."""
    sieve = sieve_with(tmp_path, "air", f"{keys}\n")
    for at in (0.0, 5.0):
        sieve.take(Sample(at, value_mc))

    assert isinstance(sieve.reading(5.0), Seen) is kept


def test_an_offset_is_added_to_what_the_probe_says(tmp_path: Path) -> None:
    """After everything else."""
    sieve = sieve_with(tmp_path, "room", 'offset = "-0.5 K"\n')
    for at in (0.0, 5.0):
        sieve.take(Sample(at, 24_000))

    assert sieve.reading(5.0) == Seen(23_500)


@pytest.mark.parametrize(("step_mk", "held"), [(3000, False), (3001, True)])
def test_the_fastest_course_is_given_by_the_minute(
    tmp_path: Path, step_mk: int, held: bool
) -> None:
    """24 K a minute are 2 K in 5 s, beside the one that is always free; 1 mK more is a jump."""
    sieve = sieve_with(tmp_path, "air", 'fastest = "24 K"\n', readings="median_of = 1")
    for at in (0.0, 5.0):
        sieve.take(Sample(at, 16_000))
    sieve.take(Sample(10.0, 16_000 + step_mk))

    assert (sieve.reading(10.0) == Seen(16_000)) is held


@pytest.mark.parametrize(("place", "stuck"), [("air", True), ("reservoir", False)])
def test_water_over_melting_ice_may_stand_still_for_ever(
    tmp_path: Path, place: str, stuck: bool
) -> None:
    """Whatever time is configured for the others."""
    sieve = sieve_with(tmp_path, place, readings='stuck_after = "1 h"')
    for step in range(80):
        sieve.take(Sample(step * 50.0, 1_000))
        sieve.moved()

    assert sieve.stuck(3950.0) is stuck
