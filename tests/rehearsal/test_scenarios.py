"""Whole rehearsals: every scenario shows what it is about, and equal runs give equal bytes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.rehearsal.document import rehearsal_document
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml")
KEYS = {
    "config", "scenario", "seed", "started", "simulated_s", "wall_s", "starts", "duty",
    "shortest_run_s", "shortest_rest_s", "air_c", "reservoir_c", "in_band_share",
    "degree_hours_above", "degree_hours_below", "packs_used", "ice_melted_kg", "heat_removed_kj",
    "energy_balance_error", "switches", "alarms", "swaps", "forecasts", "notices",
}  # fmt: skip


def rehearsed(name: str, *, days: float | None = None, config: Path = CONFIG) -> dict[str, object]:
    """Return the document of a rehearsal."""
    scenario = read_scenario(shipped_config("scenarios") / f"{name}.toml")
    rehearsal = Rehearsal(read_settings(config), scenario, days=days, keep_switches=True)
    rehearsal.run()
    return rehearsal_document(rehearsal, config="c", scenario=name, wall_s=0.0)


def alarms(document: dict[str, object]) -> dict[str, float]:
    """Return when each alarm was first raised, by name [s]."""
    result: dict[str, float] = {}
    for alarm in document["alarms"]:  # type: ignore[attr-defined]
        result.setdefault(alarm["name"], alarm["raised_t_s"])
    return result


def states(document: dict[str, object], begins_s: float, ends_s: float) -> set[tuple[bool, bool]]:
    """Return the (pump, fan) states that the switches lead to within a time."""
    return {
        (switch["pump"], switch["fan"])
        for switch in document["switches"]  # type: ignore[attr-defined]
        if begins_s <= switch["t_s"] < ends_s
    }


def test_calm_day_is_calm() -> None:
    """The crop stays in its band but for the start, no alarm, and the books close."""
    document = rehearsed("calm-day")

    assert set(document) == KEYS
    assert document["alarms"] == []
    assert document["in_band_share"] > 0.99  # type: ignore[operator]
    assert document["energy_balance_error"] < 1e-6  # type: ignore[operator]
    assert document["shortest_rest_s"] >= 180  # type: ignore[operator]
    assert document["shortest_run_s"] >= 60  # type: ignore[operator]


def test_lost_prime_stops_the_pump_and_says_so_until_a_person_comes() -> None:
    """From hour 5: a run without answer ends, tries again after its wait, and is an alarm."""
    document = rehearsed("lost-prime", days=0.5)
    hour = 3600.0

    assert 5 * hour < alarms(document)["flow_not_proved"] < 6 * hour
    trips = [
        switch
        for switch in document["switches"]  # type: ignore[attr-defined]
        if switch["reason"] == "no flow proved, waiting to try again"
    ]
    assert trips
    assert all(not switch["pump"] and not switch["fan"] for switch in trips)


def test_dead_air_probe_puts_the_pump_off_within_stale_after_and_two_ticks() -> None:
    """Policy off: nothing runs blind; the alarm names the probe; cooling resumes by itself."""
    document = rehearsed("dead-air-probe")
    dies_s, lasts_s = 31 * 3600.0, 2 * 3600.0
    silent_s = dies_s + 60 + 10 + 2 * 5

    assert states(document, silent_s, dies_s + lasts_s) == set()
    before = [s for s in document["switches"] if s["t_s"] < silent_s]  # type: ignore[attr-defined]
    assert (before[-1]["pump"], before[-1]["fan"]) == (False, False)
    (alarm,) = [a for a in document["alarms"] if a["name"] == "probe_lost"]  # type: ignore[attr-defined]
    assert alarm["about"] == "air"
    assert alarm["cleared_t_s"] == pytest.approx(dies_s + lasts_s, abs=120)
    assert (True, True) in states(document, dies_s + lasts_s, dies_s + 2 * lasts_s)


def test_power_cut_is_dark_and_is_followed_by_a_whole_rest() -> None:
    """Nothing runs in the dark, and nothing starts within anti-short-cycle of its end."""
    document = rehearsed("power-cut")
    cut_s, back_s = 32 * 3600.0, 32 * 3600.0 + 40 * 60

    assert states(document, cut_s + 60, back_s + 180) <= {(False, False)}
    assert (True, False) in states(document, back_s + 180, back_s + 3600)


def test_forgotten_swap_warms_the_water_and_then_the_crop() -> None:
    """The reservoir's alarm comes hours before the air's."""
    raised = alarms(rehearsed("forgotten-swap"))

    assert raised["air_high"] - raised["reservoir_warm"] > 2 * 3600


def test_heat_wave_costs_more_ice_and_more_degree_hours_than_calm_days() -> None:
    """Hotter days show in every account."""
    calm, hot = rehearsed("calm-day", days=3), rehearsed("heat-wave", days=3)

    for key in ("ice_melted_kg", "heat_removed_kj", "degree_hours_above", "duty"):
        assert hot[key] > calm[key], key  # type: ignore[operator]


def test_points_in_fahrenheit_come_out_exactly_and_a_day_never_short_cycles(
    tmp_path: Path,
) -> None:
    """Cut in at 65 °F, out at 62 °F, a room of 75 to 80 °F. Common practice, no source."""
    text = CONFIG.read_text(encoding="utf-8")
    text = re.sub(r"\[stages.fruiting.night\].*?\n\n", "", text, flags=re.DOTALL)
    text = text.replace('cut_in = "17 C"\ncut_out = "15.5 C"', 'cut_in = "65 F"\ncut_out = "62 F"')
    text = text.replace("day_c = 26.0\nnight_c = 21.5", "day_c = 26.667\nnight_c = 23.889")
    config = tmp_path / "fahrenheit.toml"
    config.write_text(text, encoding="utf-8")
    stage = read_settings(config).stages["fruiting"]

    document = rehearsed("calm-day", days=1, config=config)

    assert (stage.cut_in, stage.cut_out) == (18_333, 16_667)
    assert document["starts"] > 10  # type: ignore[operator]
    assert document["shortest_rest_s"] >= 180  # type: ignore[operator]


def test_equal_runs_give_equal_bytes_and_another_seed_does_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Same configuration, scenario and seed: the same document and the same CSV."""

    def run(name: str, seed: int) -> tuple[str, bytes]:
        rows = tmp_path / name
        arguments = ["--days", "0.5", "--seed", str(seed), "--csv", str(rows)]
        assert status_of(["rehearse", str(CONFIG), *arguments]) == 0
        capsys.readouterr()
        assert status_of(["rehearse", str(CONFIG), "--json", *arguments]) == 0
        document = json.loads(capsys.readouterr().out)
        del document["wall_s"]
        return json.dumps(document), rows.read_bytes()

    first, again, other = run("a.csv", 5), run("b.csv", 5), run("c.csv", 6)

    assert first == again
    assert first[1] != other[1]
    assert first[1].splitlines()[0] == (
        b"time,air_c,reservoir_c,room_c,coil_outlet_c,pump,fan,swap_packs"
    )


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["--days", "0"], 64, "0<x<=400"),
        (["--days", "1000"], 64, "0<x<=400"),
        (["--scenario", "flood"], 64, "calm-day"),
        (["--scenario", "/nowhere/at/all.toml"], 66, "cannot be read"),
        (["--csv", "/nowhere/at/all.csv"], 64, "found no folder"),
        (["--seed", "-1"], 64, "--seed"),
    ],
    ids=["no-time", "too-long", "no-scenario", "no-file", "no-folder", "negative-seed"],
)
def test_wish_that_cannot_be_met_is_reported(
    arguments: list[str], status: int, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One plain message, an exit status, no traceback."""
    assert status_of(["rehearse", str(CONFIG), *arguments]) == status
    printed = capsys.readouterr().err
    assert message in printed
    assert "Traceback" not in printed


def test_plain_switch_beside_has_no_timers_and_the_same_days(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`--against plain`: the same seed and plant; the plain switch rests as short as it likes."""
    arguments = ["--scenario", "lost-prime", "--days", "0.5", "--against", "plain"]
    assert status_of(["rehearse", str(CONFIG), "--json", *arguments]) == 0
    document = json.loads(capsys.readouterr().out)
    plain = document["against"]

    assert set(document) == KEYS | {"against", "comparison"}
    assert set(document["comparison"]) == {"plain", "alone", "notified"}
    assert set(plain) == KEYS
    assert plain["seed"] == document["seed"]
    assert {(s["pump"], s["fan"]) for s in plain["switches"]} == {(True, True), (False, False)}
    # it pumps air through the coil for hours where the control stops and says so
    assert plain["duty"] > document["duty"]
    assert {alarm["name"] for alarm in plain["alarms"]} <= {"reservoir_warm"}
    assert status_of(["rehearse", str(CONFIG), *arguments]) == 0
    assert "plain switch" in capsys.readouterr().out


def test_swap_waits_for_packs_that_are_ready() -> None:
    """One pack frozen at the start: one goes in; the others follow when they are frozen."""
    path = shipped_config("scenarios") / "calm-day.toml"
    scenario = read_scenario(path)
    grower = scenario.grower.model_copy(update={"packs_ready": 1})
    rehearsal = Rehearsal(
        read_settings(CONFIG), scenario.model_copy(update={"grower": grower}), days=1
    )
    rehearsal.run()

    assert [swap["packs"] for swap in rehearsal.swaps] == [1, 4]
