"""The first run, with a scripted person and a simulated chamber."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli import first_run
from controller.cli.first_run import (
    CAUTIONS,
    DONE,
    FAILED,
    SKIPPED,
    FirstRunError,
    Person,
    all_steps,
    prime_step,
    probes_step,
)
from controller.cli.first_run_progress import PROGRESS, Progress
from controller.cli.first_run_words import first_run_summary
from controller.cli.main import EX_TEMPFAIL, coldpin, status_of
from controller.commissioning.load_guard import StoppedBySignalError
from controller.domain.first_run import CheckedStep
from controller.domain.places import RECORDS
from controller.domain.supply import Supply, SupplyKind
from controller.errors import StillOnError
from controller.outputs.dry import DryOutput
from controller.records.first_runs import last_first_run
from controller.rehearsal.plant_probes import PlantProbes
from controller.rehearsal.plants import build_chamber
from controller.service.locks import lock_instance
from controller.service.output_bank import OutputBank
from controller.service.sources import sieves_of
from controller.service.wiring import plan_of
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.runner import separating_runner

CONFIG = shipped_config("larkmoor-laptop.toml")
RELAYS = ["yes", "yes", "yes", "yes"]


class SteadyHouse:
    """A house in which nothing changes, and no lights."""

    def __init__(self, room_c: float) -> None:
        self._room_c = room_c

    def room_c(self, instant: float) -> float:
        """Return the room [°C]."""
        del instant
        return self._room_c

    def room_ratio(self, instant: float) -> float | None:
        """Return None: the room's humidity is the plant's own."""
        del instant

    def lights_on(self, instant: float) -> bool:
        """Return False."""
        del instant
        return False


class Stage:
    """A simulated chamber whose time passes when the person waits."""

    def __init__(self, answers: list[str], *, flow: float = 1.0) -> None:
        self.settings = read_settings(CONFIG)
        self.now = 1000.0
        self.answers = list(answers)
        self.shown: list[str] = []
        self.waits_s: set[float] = set()
        self.loads = {"pump": DryOutput(), "fan": DryOutput()}
        self.outputs = OutputBank(self.loads)
        self.source = PlantProbes(
            build_chamber(self.settings, 24.0),
            probes=tuple(self.settings.probes.fitted()),
            simulation=self.settings.simulation,
            every_s=self.settings.readings.every,
            running=lambda: (self.loads["pump"].on, self.loads["fan"].on),
            around=SteadyHouse(24.0),
            now=self.now,
            seed=1,
        )
        self.source.ahead.flow = flow
        self.sieves = sieves_of(self.settings)
        self.person = Person(
            ask=lambda _: self.answers.pop(0),
            say=self.shown.append,
            sleep=self._sleep,
            clock=lambda: self.now,
        )

    def _sleep(self, seconds: float) -> None:
        self.waits_s.add(seconds)
        self.now += seconds


def test_probes_are_waited_for_and_shown() -> None:
    """Somebody says whether each fits its place; the readings are kept."""
    stage = Stage(["yes"])

    step = probes_step(stage.source, stage.sieves, stage.person)

    assert step.outcome == DONE
    assert "air 1" in step.note
    assert any("reservoir" in line for line in stage.shown)


def test_a_probe_that_does_not_answer_fails_without_a_question() -> None:
    """Nobody is asked about a reading that is not there."""
    stage = Stage([])
    stage.source.dead = {"reservoir"}

    step = probes_step(stage.source, stage.sieves, stage.person)

    assert (step.outcome, step.note) == (FAILED, "no reading: reservoir")


def test_the_time_until_the_cold_comes_is_measured() -> None:
    """Pump and fan run until the air falls, to the second, and are off afterwards."""
    stage = Stage(["yes"])

    step = prime_step(stage.source, stage.sieves, stage.outputs, stage.person)

    assert step.outcome == DONE
    assert "cold at air after" in step.note
    assert stage.waits_s == {1.0}
    assert not any(load.on for load in stage.loads.values())


def test_a_loop_without_flow_fails_and_everything_is_off() -> None:
    """After ten minutes of pump without an answer."""
    stage = Stage(["yes"], flow=0.0)

    step = prime_step(stage.source, stage.sieves, stage.outputs, stage.person)

    assert step.outcome == FAILED
    assert "did not fall by" in step.note
    assert not any(load.on for load in stage.loads.values())


class StaysOn(DryOutput):
    """A relay whose contact welds once it is on: told to go off, it reads back on."""

    def switch(self, on: bool) -> None:
        super().switch(self.on or on)


@pytest.mark.parametrize("stopped", [False, True], ids=["measured", "stopped-by-a-signal"])
def test_a_load_that_stays_on_after_the_prime_is_no_step_done(stopped: bool) -> None:
    """Whatever was measured, and whatever ended it: somebody must cut its supply."""
    stage = Stage(["yes"])
    stage.loads["pump"] = StaysOn()
    stage.outputs = OutputBank(stage.loads)

    def sleep(seconds: float) -> None:
        if stopped and stage.loads["pump"].on:
            raise StoppedBySignalError("stopped")
        stage.now += seconds

    person = replace(stage.person, sleep=sleep)
    with pytest.raises(StillOnError, match=r"pump does not obey: reads back on\. Cut the supply"):
        prime_step(stage.source, stage.sieves, stage.outputs, person)

    assert not stage.loads["fan"].on


def test_a_load_that_does_not_go_on_is_named() -> None:
    """And both are off."""
    stage = Stage(["yes"])
    fan = stage.loads["fan"]
    fan.switch = lambda on: None  # type: ignore[method-assign]

    step = prime_step(stage.source, stage.sieves, stage.outputs, stage.person)

    assert (step.outcome, step.note) == (FAILED, "fan does not obey: reads back off")
    assert not any(load.on for load in stage.loads.values())


def test_a_dry_reservoir_is_left_out_with_the_reason() -> None:
    """The pump must not run dry for a checklist."""
    stage = Stage(["no water yet"])

    step = prime_step(stage.source, stage.sieves, stage.outputs, stage.person)

    assert (step.outcome, step.note) == (SKIPPED, "no water yet")
    assert stage.shown == []


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The command on the laptop's configuration, with a stage in place of real time."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("controller.cli.first_run.time.sleep", lambda _: None)

    def stepped(*_: object, **__: object) -> object:
        return CheckedStep(name="prime", outcome=DONE, note="cold after 12 s")

    monkeypatch.setattr("controller.cli.first_run.prime_step", stepped)
    monkeypatch.setattr(
        "controller.cli.first_run.probes_step",
        lambda *_, **__: CheckedStep(name="probes", outcome=DONE),
    )
    return tmp_path


def ran(answers: list[str], *more: str) -> tuple[int, str, BaseException | None]:
    """Run the command with typed answers."""
    result = separating_runner().invoke(
        coldpin, ["first-run", str(CONFIG), *more], input="\n".join(answers) + "\n"
    )
    return result.exit_code, result.stdout, result.exception


def test_a_run_in_which_nothing_failed_is_signed_and_kept(quick: Path) -> None:
    """And shown by report and status afterwards."""
    code, out, _ = ran([*RELAYS, "no time", "yes", "no buzzer yet", "Tove"], "--json")

    assert code == 0
    document = json.loads(out)
    assert document["signed"] is True
    results = last_first_run(quick / RECORDS)
    assert results is not None
    assert results.who == "Tove"
    assert results.named(SKIPPED) == ["power-up", "alarm"]
    assert first_run_summary(results).startswith("signed off by Tove on ")
    assert first_run_summary(results).endswith("left out: power-up, alarm")

    shown = CliRunner().invoke(coldpin, ["report", str(CONFIG)], catch_exceptions=False)
    assert "first run: signed off by Tove" in shown.output


def test_the_restart_that_it_asks_for_loses_no_answer(
    quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends before the computer is switched off, and goes on behind it, on another boot."""
    boot = "first"
    monkeypatch.setattr("controller.cli.first_run.boot_id", lambda: boot)

    ran([*RELAYS, "stop"])
    before = last_first_run(quick / RECORDS)
    boot = "second"
    code, out, _ = ran(["no", "yes", "yes", "Tove"], "--json")

    assert before is None
    assert code == 0
    document = json.loads(out)
    assert document["signed"] is True
    assert [step["name"] for step in document["steps"]][:3] == [
        "relay of pump", "relay of fan", "power-up",
    ]  # fmt: skip
    assert {step["outcome"] for step in document["steps"]} == {DONE}
    assert not (quick / PROGRESS).exists()


def test_the_same_boot_is_no_restart(quick: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever calls it again without a restart is sent to it again."""
    monkeypatch.setattr("controller.cli.first_run.boot_id", lambda: "first")

    ran([*RELAYS, "stop"])
    ran(["stop"])

    assert last_first_run(quick / RECORDS) is None
    assert (quick / PROGRESS).exists()


def test_each_answer_is_kept_as_it_is_given(quick: Path) -> None:
    """The terminal is closed in the middle: the next call asks for the rest only."""
    ran(["yes", "yes"])  # then the input ends
    code, _, _ = ran(["yes", "yes", "no time", "yes", "yes", "Tove"])

    assert code == 0
    results = last_first_run(quick / RECORDS)
    assert results is not None
    assert results.signed


def test_a_changed_configuration_begins_anew(quick: Path, tmp_path: Path) -> None:
    """What was checked was another chamber, or another day's wiring."""
    other = tmp_path / "c.toml"
    other.write_text(CONFIG.read_text(encoding="utf-8"), encoding="utf-8")
    now = datetime.now().astimezone()
    step = CheckedStep(name="relay of pump", outcome=DONE)
    Progress(quick, other, chamber="c", now=now).keep([step])

    same = Progress(quick, other, chamber="c", now=now + timedelta(hours=2)).steps
    late = Progress(quick, other, chamber="c", now=now + timedelta(days=2)).steps
    other.write_text("# changed\n", encoding="utf-8")
    changed = Progress(quick, other, chamber="c", now=now).steps

    assert same == {"relay of pump": step}
    assert late == changed == {}


def test_the_configuration_that_was_tested_is_the_one_that_is_signed(
    quick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever writes the measured prime time into it on the way signs what was checked before."""
    edited = tmp_path / "edited.toml"
    edited.write_bytes(CONFIG.read_bytes())

    def stepped(*_: object, **__: object) -> CheckedStep:
        edited.write_text("# edited\n", encoding="utf-8")
        return CheckedStep(name="prime", outcome=DONE)

    monkeypatch.setattr("controller.cli.first_run.prime_step", stepped)
    CliRunner().invoke(
        coldpin,
        ["first-run", str(edited)],
        input="\n".join([*RELAYS, "no time", "yes", "yes", "Tove"]) + "\n",
    )

    kept = last_first_run(quick / RECORDS)
    assert kept is not None
    assert kept.config_sha256 == hashlib.sha256(CONFIG.read_bytes()).hexdigest()


def test_a_load_that_ran_at_power_up_cannot_be_signed(
    quick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is kept with what failed, and can be done again."""
    boot = "first"
    monkeypatch.setattr("controller.cli.first_run.boot_id", lambda: boot)
    ran([*RELAYS, "stop"])
    boot = "second"
    code, _, error = ran(["yes", "yes", "yes", "Tove"])

    assert code != 0
    assert isinstance(error, FirstRunError)
    assert "failed: power-up" in str(error)
    results = last_first_run(quick / RECORDS)
    assert results is not None
    assert results.signed is False
    assert "not signed off" in first_run_summary(results)


def test_while_the_service_runs_it_is_refused(
    quick: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two masters of one relay."""
    with closing(lock_instance(quick)):
        assert status_of(["first-run", str(CONFIG)]) == EX_TEMPFAIL
    assert "already controls" in capsys.readouterr().err


def test_without_a_record_it_says_how_to_make_one(tmp_path: Path) -> None:
    """No database, one without runs, and one of an older release."""
    assert last_first_run(tmp_path / "none.sqlite") is None
    with closing(sqlite3.connect(tmp_path / "old.sqlite")) as file:
        file.execute("CREATE TABLE readings (id INTEGER)")
        file.commit()
    assert last_first_run(tmp_path / "old.sqlite") is None
    assert "coldpin first-run" in first_run_summary(None)


@pytest.mark.parametrize(("volts", "warned"), [(230.0, True), (12.0, False)])
def test_before_a_mains_load_runs_for_minutes_it_is_said(
    quick: Path, volts: float, warned: bool
) -> None:
    """The step before it and those after it were done earlier."""
    plan = plan_of(CONFIG)
    supply = Supply(volts=volts, kind=SupplyKind.AC if warned else SupplyKind.DC)
    pump, *others = plan.loads
    fed = replace(pump, load=replace(pump.load, supply=supply))
    names = ["relay of pump", "relay of fan", "power-up", "probes", "leaks", "alarm"]
    before = {name: CheckedStep(name=name, outcome=DONE) for name in names}
    shown: list[str] = []
    person = Person(ask=pytest.fail, say=shown.append, sleep=pytest.fail, clock=lambda: 0.0)

    steps = list(all_steps(replace(plan, loads=(fed, *others)), CONFIG, person, before=before))

    assert [step.outcome for step in steps] == [DONE] * 7
    minutes = "The next step runs pump and fan for some minutes; one is mains."
    assert shown == [
        *(f"- {line}" for line in CAUTIONS),
        *(f"  {name}: done, as answered before" for name in names[:4]),
        *([minutes] if warned else []),
        *(f"  {name}: done, as answered before" for name in names[4:]),
    ]


def test_the_command_to_give_again_names_an_installed_chamber_and_any_other_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a person would type it: `loft`, or the path of a file that lies elsewhere."""
    monkeypatch.setattr(first_run, "CONFIGURATIONS", tmp_path)

    for config, named in ((tmp_path / "loft.toml", "loft"), (Path("loft.toml"), "loft.toml")):
        said = first_run._until_the_restart(config)
        assert said.endswith(f"sudo coldpin first-run {named}")


@pytest.mark.parametrize("inside", [True, False])
def test_a_signed_run_offers_the_service_once(
    quick: Path, monkeypatch: pytest.MonkeyPatch, inside: bool
) -> None:
    """Inside the unit of the run nothing is offered: the command that began the unit does it."""
    handed: list[Path] = []
    monkeypatch.setattr(first_run, "hand_over", handed.append)
    if inside:
        monkeypatch.setenv(first_run.INSIDE, "1")

    code, _, _ = ran([*RELAYS, "no time", "yes", "no buzzer yet", "Tove"])

    assert code == 0
    assert handed == ([] if inside else [CONFIG])


@pytest.mark.parametrize(("ended", "offered"), [(0, True), (EX_TEMPFAIL, False)])
def test_the_service_is_offered_after_a_run_that_ended_well_in_its_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ended: int, offered: bool
) -> None:
    """Nobody starts a chamber that was not signed off by a habit of saying yes."""
    handed: list[Path] = []
    monkeypatch.setattr(first_run, "run_in_unit", lambda *_: ended)
    monkeypatch.setattr(first_run, "hand_over", handed.append)
    config = tmp_path / "loft.toml"
    config.touch()

    assert status_of(["first-run", str(config)]) == ended
    assert handed == ([config] if offered else [])
