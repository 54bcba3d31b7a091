"""What a person is told and asked at commissioning: every line, in its order, to the digit."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
from click.testing import CliRunner

from controller.cli import first_run, handover, icepoint, lookout, probes, relays, wire
from controller.cli.first_run import ASKED, DONE, FAILED, SKIPPED, Person
from controller.cli.handover import by_hand, hand_over
from controller.cli.main import coldpin, status_of
from controller.commissioning.ice_point import IcePoint, NotYet
from controller.commissioning.wiring_in import ON_WHILE_OFF
from controller.domain.first_run import CheckedStep
from controller.domain.supply import Supply, SupplyKind
from controller.domain.temperatures import Seen
from controller.errors import OutputError
from controller.outputs.dry import DryOutput
from controller.outputs.mains_rule import LoadKind, RatedLoad
from controller.probes.samples import Fault, Sample
from controller.service.wiring import WiredLoad, plan_of
from controller.settings.shipped import shipped_config
from tests.support.runner import separating_runner
from tests.support.w1_tree import W1Tree

CONFIG = shipped_config("larkmoor-laptop.toml")
AIR, WATER, ROOM = "28-0a1b2c3d4e01", "28-0a1b2c3d4e02", "28-0a1b2c3d4e03"


YES_OR_NO = "(yes, no, or why you leave it out)"
LOOK = "? Look at every joint, hose, the coil and the floor, with a dry cloth: all dry?"
LIFT = (
    "? Lift the air probe into the warm room until the alarm comes, or run `coldpin notify` for a "
    "test: did it reach you?"
)


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Break no line."""
    monkeypatch.setenv("COLUMNS", "300")


class Recorded:
    """A person who answers in turn; what is asked, said, waited and switched is kept in order."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.lines: list[str] = []
        self.now = 0.0

    def ask(self, question: str) -> str:
        self.lines.append(f"? {question}")
        return self.answers.pop(0)

    def say(self, text: object) -> None:
        self.lines.append(str(text))

    def sleep(self, seconds: float) -> None:
        self.lines.append(f"({seconds:g} s)")
        self.now += seconds

    @property
    def person(self) -> Person:
        return Person(ask=self.ask, say=self.say, sleep=self.sleep, clock=lambda: self.now)


class Switched(DryOutput):
    """A load that says what it does."""

    def __init__(self, say: Callable[[str], object]) -> None:
        super().__init__()
        self._say = say

    def switch(self, on: bool) -> None:
        super().switch(on)
        self._say("[on]" if on else "[off]")

    def close(self) -> None:
        super().close()
        self._say("[closed]")


def wired(said: Recorded, supply: Supply, name: str = "pump") -> WiredLoad:
    """Return a load whose driver shows what it does."""
    driver: Any = SimpleNamespace(open=lambda _options: Switched(said.say))
    return WiredLoad(
        name=name, driver_name="dry", options={}, wiring="GPIO5", hardware=False,
        load=RatedLoad(name=name, supply=supply, current_a=0.5, kind=LoadKind.MOTOR),
        relay_module=None, why_allowed="extra-low voltage", resolved_driver=driver,
    )  # fmt: skip


LOW, MAINS = Supply(12, SupplyKind.DC), Supply(230, SupplyKind.AC)
HEAD = "\npump: GPIO5, 12 V DC; extra-low voltage"
TRIAL = ["? it should be off now: is it off? (yes/no)", "on for 3 s ...", "[on]", "(3 s)", "[off]"]


@pytest.mark.parametrize(
    ("supply", "answers", "lines"),
    [
        (
            LOW, ["yes", "y"],
            [HEAD, *TRIAL, "? did it run, and has it stopped? (yes/no)", "[closed]"],
        ),
        (
            LOW, ["no"],
            [
                HEAD, TRIAL[0], "Cut the supply of the pump until that is put right.", "[closed]",
            ],
        ),
        (
            LOW, ["yes", "no"],
            [
                HEAD, *TRIAL, "? did it run, and has it stopped? (yes/no)",
                "If the pump still runs, cut its supply.", "[closed]",
            ],
        ),
        (
            MAINS, ["fan"],
            [
                "\npump: GPIO5, 230 V AC; extra-low voltage",
                "This is mains. The work belongs to a licensed electrician; stand clear.",
                '? type "pump" to switch it on for 3 s',
            ],
        ),
    ],
    ids=["all-well", "on-while-off", "did-not-stop", "mains-not-named"],
)  # fmt: skip
def test_a_load_is_named_before_it_is_tried(
    supply: Supply, answers: list[str], lines: list[str]
) -> None:
    """Nothing is opened before a mains load's name is typed; nothing is on after an answer."""
    said = Recorded(*answers)

    relays.try_load(wired(said, supply), ask=said.ask, sleep=said.sleep, say=said.say)

    assert said.lines == lines


@pytest.mark.parametrize("unit_status", [0, 1, None])
def test_relays_in_a_unit_end_as_that_does(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, unit_status: int | None
) -> None:
    """Its status is the command's; where there is none, one load alone has a status of its own."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    given: list[Any] = []
    monkeypatch.setattr(relays, "run_in_unit", lambda *of: (given.append(of), unit_status)[1])
    tried: list[str] = []
    monkeypatch.setattr(relays, "try_load", lambda load, **_: tried.append(load.name))

    ended = separating_runner().invoke(
        coldpin, ["relays", str(CONFIG), "--only", "fan"], standalone_mode=False
    )

    assert given == [(CONFIG, ["relays", "--only", "fan"])]
    assert ended.return_value == (unit_status or 0)
    assert tried == ([] if unit_status is not None else ["fan"])
    said = relays.STAND_CLEAR if unit_status is None else ""
    assert ended.stdout.strip() == said


@pytest.mark.parametrize(
    ("trouble", "status"),
    [(f"{ON_WHILE_OFF}: turn it", relays.INVERTED), ("did not run", relays.WRONG)],
)
def test_one_load_that_is_wrong_has_its_own_status(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, trouble: str, status: int
) -> None:
    """And its reason on standard error; of all loads it is an error."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(relays, "run_in_unit", lambda *_: None)
    monkeypatch.setattr(
        relays, "try_load", lambda load, **_: trouble if load.name == "fan" else None
    )
    run = separating_runner()

    alone = run.invoke(coldpin, ["relays", str(CONFIG), "--only", "fan"], standalone_mode=False)
    every = run.invoke(coldpin, ["relays", str(CONFIG)], standalone_mode=False)

    assert (alone.return_value, alone.stderr) == (status, f"fan: {trouble}\n")
    assert str(every.exception) == f"fan: {trouble}"
    assert "Every load" not in every.stdout


def test_all_loads_that_do_what_they_should_are_said_to(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At the end, once."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(relays, "run_in_unit", lambda *_: None)
    monkeypatch.setattr(relays, "try_load", lambda *_, **__: None)

    assert status_of(["relays", str(CONFIG)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        relays.STAND_CLEAR, "Every load did what it should. All are off.",
    ]  # fmt: skip


class Readings:
    """What the probes show after so many seconds."""

    def __init__(self, said: Recorded, air: list[float | None], *, outlet: bool) -> None:
        self._said, self._air = said, air
        self.places = ("air", "reservoir", "coil_outlet") if outlet else ("air", "reservoir")

    def now(self) -> dict[str, float | None]:
        value = self._air[min(int(self._said.now), len(self._air) - 1)]
        other = 40.0 if len(self.places) > 2 else value
        return {"air": other, "reservoir": 4.0, "coil_outlet": value}


def primed(
    monkeypatch: pytest.MonkeyPatch,
    air: list[float | None],
    *,
    outlet: bool = False,
    answer: str = "yes",
    obeys: bool = True,
) -> tuple[CheckedStep, list[str]]:
    """Return the step and what was said and switched while the probes showed these readings."""
    said = Recorded(answer)
    readings = Readings(said, air, outlet=outlet)
    monkeypatch.setattr(first_run, "_readings_now", lambda *_: readings.now())

    class Bank:
        def run(self, *, pump: bool, fan: bool) -> None:
            said.say(f"[pump {pump:d} fan {fan:d}]")
            if pump and not obeys:
                raise OutputError("pump does not obey")

    sieves: Any = dict.fromkeys(readings.places)
    bank: Any = Bank()
    step = first_run.prime_step(Any, sieves, bank, said.person)  # type: ignore[arg-type]
    return step, said.lines


ASKED_FOR = "? Cold water in the reservoir, intake under it? (yes, or why not)"
SWITCHED = ["[pump 1 fan 1]", *["(1 s)"] * 7, "[pump 0 fan 0]"]


@pytest.mark.parametrize(
    ("readings", "outlet", "note"),
    [
        ([18.0, 18.2, None, 18.2, 18.1, 18.0, 17.95, 17.9], False, "cold at air after 7 s"),
        (
            [18.0, None, 18.4, 18.0, 17.9, 17.6, 17.5, 17.4], True,
            'cold at coil outlet after 7 s; [timing] prime = "10 s"',
        ),
    ],
)  # fmt: skip
def test_cold_has_come_once_it_has_fallen_from_its_highest(
    monkeypatch: pytest.MonkeyPatch, readings: list[float | None], outlet: bool, note: str
) -> None:
    """By 0.3 K in the air, by 1 K at the outlet; a reading that is missing is passed over.

    Source of the falls: common practice, no source.
    """
    step, lines = primed(monkeypatch, readings, outlet=outlet)

    assert (step.outcome, step.note) == (DONE, note)
    assert lines == [ASKED_FOR, *SWITCHED, f"  {note}"]


def test_a_loop_that_never_answers_runs_for_ten_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not a second longer; then both are off."""
    step, lines = primed(monkeypatch, [18.0, 17.71])

    assert step == CheckedStep(
        name="prime", outcome=FAILED, note="air did not fall by 0.3 °C within 10 min"
    )
    assert lines.count("(1 s)") == 600
    assert lines[-1] == "[pump 0 fan 0]"
    assert primed(monkeypatch, [18.0, 17.5], outlet=True)[0].note == (
        "coil outlet did not fall by 1.0 °C within 10 min"
    )


def test_no_load_runs_without_a_reading_or_against_its_will(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ninety seconds are waited for a reading; a load that does not obey is put off."""
    step, lines = primed(monkeypatch, [None])
    assert step == CheckedStep(name="prime", outcome=FAILED, note="no reading: air")
    assert lines == [ASKED_FOR, *["(1 s)"] * 90]

    step, lines = primed(monkeypatch, [18.0], obeys=False)
    assert step == CheckedStep(name="prime", outcome=FAILED, note="pump does not obey")
    assert lines == [ASKED_FOR, "[pump 1 fan 1]", "[pump 0 fan 0]"]

    step, lines = primed(monkeypatch, [18.0], answer=" ")
    assert step == CheckedStep(name="prime", outcome=SKIPPED, note="no reason given")


@pytest.mark.parametrize(
    ("readings", "answer", "step", "lines"),
    [
        (
            {"air": 0.0, "coil_outlet": -5.0}, "yes",
            (DONE, "yes; air 0.0 °C, coil outlet -5.0 °C"),
            [
                "  air          0.0 °C", "  coil outlet  -5.0 °C",
                f"? Does each reading fit the place where that probe hangs? {YES_OR_NO}",
            ],
        ),
        (
            {"air": 40.01, "reservoir": 40.0, "room": 45.1}, None,
            (FAILED, "not plausible: air, room"),
            ["  air          40.0 °C", "  reservoir    40.0 °C", "  room         45.1 °C"],
        ),
        ({"air": 18.0, "room": None}, None, (FAILED, "no reading: room"), ["(1 s)"] * 90),
    ],
    ids=["at-the-lower-bounds", "beyond-the-upper", "lost"],
)  # fmt: skip
def test_probes_are_shown_and_judged_before_a_person_is_asked(
    monkeypatch: pytest.MonkeyPatch,
    readings: dict[str, float | None],
    answer: str | None,
    step: tuple[str, str],
    lines: list[str],
) -> None:
    """What no room has is no reading of a probe that works; the bounds themselves are taken."""
    said = Recorded(*[] if answer is None else [answer])
    monkeypatch.setattr(first_run, "_readings_now", lambda *_: readings)

    ended = first_run.probes_step(Any, {}, said.person)  # type: ignore[arg-type]

    assert (ended.name, ended.outcome, ended.note) == ("probes", *step)
    assert said.lines == lines


def test_a_chamber_in_fahrenheit_is_tried_in_fahrenheit(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Readings and the fall that was waited for, as its `[display] unit` says."""
    text = CONFIG.read_text(encoding="utf-8") + '\n[display]\nunit = "F"\n'
    config = tmp_path / "c.toml"
    config.write_text(text, encoding="utf-8")
    said = Recorded("yes", "yes", *["left out"] * 9)
    monkeypatch.setattr(
        first_run, "_readings_now", lambda *_: {"air": 20.0, "reservoir": 5.0, "room": 25.0}
    )
    kept = {f"relay of {load}": DONE for load in ("pump", "fan")} | {first_run.POWER_UP: DONE}
    before = {name: CheckedStep(name=name, outcome=done) for name, done in kept.items()}

    steps = {
        step.name: step.note
        for step in first_run.all_steps(plan_of(config), config, said.person, before=before)
    }

    assert steps["probes"] == "yes; air 68.0 °F, reservoir 41.0 °F, room 77.0 °F"
    assert "  reservoir    41.0 °F" in said.lines
    assert steps["prime"] == "air did not fall by 0.5 °F within 10 min"


def test_only_what_a_sieve_believes_is_a_reading() -> None:
    """What came is handed to the sieve of its place first."""
    taken: list[object] = []
    sieve: Any = SimpleNamespace(take=taken.append, reading=lambda _now: Seen(17_250))
    lost: Any = SimpleNamespace(take=taken.append, reading=lambda _now: None)
    source: Any = SimpleNamespace(collect=lambda now: [("air", now), ("room", "sample")])

    readings = first_run._readings_now(source, {"air": sieve, "room": lost}, 5.0)

    assert readings == {"air": 17.25, "room": None}
    assert taken == [5.0, "sample"]


@pytest.mark.parametrize(
    ("answer", "good", "step"),
    [
        ("Yes", "yes", (DONE, "yes")), ("n", "yes", (FAILED, "n")), ("NO", "no", (DONE, "no")),
        ("y", "no", (FAILED, "y")), (" later ", "yes", (SKIPPED, "later")),
        ("", "yes", (SKIPPED, "no reason given")),
    ],
)  # fmt: skip
def test_yes_no_or_a_reason(answer: str, good: str, step: tuple[str, str]) -> None:
    """Whichever of the two is good."""
    said = Recorded(answer)

    ended = said.person.step("leaks", "All dry?", good=good)

    assert (ended.name, ended.outcome, ended.note) == ("leaks", *step)
    assert said.lines == ["? All dry? (yes, no, or why you leave it out)"]


RESTART = (
    "? Next, the computer must be switched off and on while you watch the loads. Type stop: this "
    "ends, and goes on after the restart. (stop, or why you leave it out)"
)
RAN = (
    "? While the computer went off and on: did any load run, even for a moment? "
    "(yes, no, or why you leave it out)"
)


@pytest.mark.parametrize(
    ("before", "boot", "answer", "question", "step"),
    [
        (None, "a", "stop", RESTART, (ASKED, "a")),
        (None, "a", "", RESTART, (SKIPPED, "no reason given")),
        ((ASKED, "a"), "a", "STOP", RESTART, (ASKED, "a")),
        ((ASKED, "a"), "b", "no", RAN, (DONE, "no")),
        ((ASKED, "a"), "b", "yes", RAN, (FAILED, "yes")),
        ((FAILED, "a"), "b", "stop", RESTART, (ASKED, "b")),
    ],
)
def test_what_ran_at_power_up_is_asked_after_a_restart_alone(
    before: tuple[str, str] | None, boot: str, answer: str, question: str, step: tuple[str, str]
) -> None:
    """The boot's own name tells whether there was one."""
    said = Recorded(answer)
    was = None if before is None else CheckedStep(name="", outcome=before[0], note=before[1])

    ended = first_run.power_up_step(said.person, was, boot=boot)

    assert (ended.name, ended.outcome, ended.note) == ("power-up", *step)
    assert said.lines == [question]


def test_the_steps_come_in_their_order_and_what_was_answered_is_not_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was done or left out stands; what failed is asked anew."""
    said = Recorded("no", "yes", "yes")
    opened: list[str] = []
    step = CheckedStep(name="prime", outcome=DONE)

    class Opened:
        def __enter__(self) -> tuple[Any, Any]:
            opened.append("source")
            return Any, Any

        def __exit__(self, *_: object) -> None:
            opened.append("closed")

    monkeypatch.setattr(first_run, "_opened", lambda *_: Opened())
    monkeypatch.setattr(first_run, "try_load", lambda load, **_: said.say(f"[{load.name}]"))
    monkeypatch.setattr(first_run, "prime_step", lambda *_, **__: step)
    before = {
        "relay of fan": CheckedStep(name="relay of fan", outcome=SKIPPED),
        "power-up": CheckedStep(name="power-up", outcome=DONE),
        "probes": CheckedStep(name="probes", outcome=DONE),
        "leaks": CheckedStep(name="leaks", outcome=FAILED),
    }
    plan = plan_of(CONFIG)
    mains = replace(plan.loads[0], load=replace(plan.loads[0].load, supply=MAINS))
    plan = replace(plan, loads=(mains, *plan.loads[1:]))

    steps = list(first_run.all_steps(plan, CONFIG, said.person, before=before))

    assert [(each.name, each.outcome) for each in steps] == [
        ("relay of pump", DONE), ("relay of fan", SKIPPED), ("power-up", DONE), ("probes", DONE),
        ("prime", DONE), ("leaks", FAILED), ("alarm", DONE),
    ]  # fmt: skip
    assert opened == ["source", "closed"]
    assert said.lines[: len(first_run.CAUTIONS)] == [f"- {each}" for each in first_run.CAUTIONS]
    assert said.lines[len(first_run.CAUTIONS) :] == [
        "[pump]",
        "  relay of fan: skipped, as answered before",
        "  power-up: done, as answered before",
        "  probes: done, as answered before",
        "The next step runs pump and fan for some minutes; one is mains.",
        f"{LOOK} {YES_OR_NO}",
        f"{LIFT} {YES_OR_NO}",
    ]


@pytest.fixture(name="root")
def _root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a chamber's file on a machine with systemd, as root."""
    config = tmp_path / "loft.toml"
    config.write_bytes(CONFIG.read_bytes())
    for name, value in (("CONFIGURATIONS", tmp_path), ("MANAGER", tmp_path)):
        monkeypatch.setattr(handover, name, value)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(handover, "state_directory", lambda _: tmp_path)
    return config


def handed_over(config: Path, status: int = 0) -> list[str]:
    """Return what is said and asked where a person says yes to everything."""
    said: list[str] = []

    def confirm(question: str) -> bool:
        said.append(f"? {question}")
        return "password" not in question

    hand_over(
        config, confirm=confirm, say=lambda text: said.append(str(text)),
        run=lambda _: SimpleNamespace(status=status, output="it broke\n"),  # type: ignore[arg-type]
    )  # fmt: skip
    return said


def test_a_chamber_without_an_address_is_told_how_to_name_one(root: Path) -> None:
    """Each sentence, and no question about a notice that nobody would get."""
    said = handed_over(root)

    assert said[:5] == [
        "? Start the service now, and at each start of the computer?",
        "coldpin@loft: started, and starts by itself from now on",
        "? Make the page's password now? It is shown once.",
        "coldpin-lookout@loft: started, and starts by itself from now on",
        said[4],
    ]
    assert said[4].startswith("No notices yet: ")
    assert said[4].endswith(
        " says how to name an address; then sudo coldpin notify loft sends a first one."
    )


def test_without_the_packages_of_the_page_there_is_none(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The chamber runs all the same."""
    monkeypatch.setattr(handover, "missing", lambda _: ["starlette"])

    assert handed_over(root)[1:] == [
        "coldpin@loft: started, and starts by itself from now on",
        "The page's packages are not here, so there is no page: run the installer again.",
    ]
    assert handed_over(root, status=1)[1:] == [
        "coldpin@loft did not start: it broke\nsystemctl status coldpin@loft says why."
    ]


def test_a_file_elsewhere_has_no_service(root: Path, tmp_path: Path) -> None:
    """Nothing is said or done."""
    (tmp_path / "elsewhere").mkdir()

    assert handed_over(tmp_path / "elsewhere" / "loft.toml") == []
    assert by_hand("loft").splitlines() == [
        "Start it: sudo systemctl enable --now coldpin@loft coldpin-lookout@loft",
        "The page's password: sudo coldpin lookout loft --new-password",
    ]


def test_on_a_terminal_enter_means_yes_and_all_goes_to_standard_error(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Standard output may be a script's; a person who presses Enter starts the service."""
    monkeypatch.setattr(handover, "missing", lambda _: ["starlette"])

    @click.command()
    def hand() -> None:
        hand_over(root, run=lambda _: SimpleNamespace(status=0, output=""))  # type: ignore[arg-type]

    ended = separating_runner().invoke(hand, input="\n")

    assert ended.stdout == ""
    assert "computer? [Y/n]: " in ended.stderr
    assert "coldpin@loft: started" in ended.stderr


@pytest.mark.parametrize(
    ("settled", "says"),
    [
        (
            '[lookout]\naddress = "0.0.0.0"\nnames = ["loft.local"]\nport = 8555\n',
            ["Address: http://loft.local:8555/", "██ code of http://loft.local:8555/"],
        ),
        ('[lookout]\naddress = "0.0.0.0"\nport = 8555\n', ["http://localhost:8555/, for this"]),
        ('[lookout]\nnames = ["loft.local"]\n', ["http://localhost:8427/, for this machine"]),
    ],
)
def test_the_password_is_shown_once_with_the_way_to_the_page(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    settled: str,
    says: list[str],
) -> None:
    """The address of the house with its picture; else how to open the page to phones."""
    config = tmp_path / "loft.toml"
    config.write_text(CONFIG.read_text(encoding="utf-8") + "\n" + settled, encoding="utf-8")
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(lookout, "qr_code", lambda text: f"██ code of {text}")

    assert status_of(["lookout", str(config), "--new-password"]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Password: ")
    assert lines[1] == "It is not shown again; whoever has it can act on the chamber."
    assert len(lines) == 2 + len(says)
    for line, part in zip(lines[2:], says, strict=True):
        assert part in line


def test_without_a_password_asked_for_the_page_is_served(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With logs, and only where its packages are."""
    done: list[object] = []
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(lookout, "need", lambda extra, what: done.append((extra, what)))
    monkeypatch.setattr("controller.cli.logs.set_up_logs", lambda: done.append("logs"))
    monkeypatch.setattr("controller.lookout.run.run_lookout", lambda *of: done.append(of))

    assert status_of(["lookout", str(CONFIG)]) == 0

    assert done == [("lookout", "coldpin lookout"), "logs", (CONFIG, tmp_path)]


def test_probes_are_told_apart_place_by_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A place without a probe is passed over; once all are known nobody is asked about more."""
    tree = W1Tree(tmp_path / "w1")
    for probe_id in (AIR, ROOM):
        tree.add_probe(probe_id)
    order, left = iter([AIR, ROOM]), []

    def warmed(read: Callable[[], dict[str, Sample]], *, longest_s: float, **_: object) -> str:
        left.append((sorted(read()), longest_s))
        return next(order)

    monkeypatch.setattr(probes, "warmed", warmed)

    ended = CliRunner().invoke(
        coldpin, ["probes", "--root", str(tree.root), "--tell-apart"], input="\nn\nn\ny\n"
    )

    assert ended.exit_code == 0
    assert left == [([AIR, ROOM], 120.0), ([ROOM], 120.0)]
    assert ended.output.splitlines() == [
        "Is there a probe for air? [Y/n]: ", "Warm that one in your hand.", f"air is {AIR}",
        "Is there a probe for reservoir? [Y/n]: n",
        "Is there a probe for room? [Y/n]: n", "Is there a probe for coil outlet? [Y/n]: y",
        "Warm that one in your hand.", f"coil outlet is {ROOM}",
        "", "[probes.air]", 'kind = "one-wire"', f'id = "{AIR}"',
        "", "[probes.coil_outlet]", 'kind = "one-wire"', f'id = "{ROOM}"', "",
    ]  # fmt: skip


def test_what_hangs_on_the_bus_is_listed_with_what_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Readings, none at all, and ids that no chip has."""
    tree = W1Tree(tmp_path / "w1")
    tree.add_probe(AIR)
    tree.set(AIR, 16.5)

    assert status_of(["probes", "--root", str(tree.root)]) == 0
    assert [line.split() for line in capsys.readouterr().out.splitlines()] == [
        ["id", "reads"], [AIR, "16.5", "°C"],
    ]  # fmt: skip
    (tree.root / "00-800000000000").mkdir()
    assert status_of(["probes", "--root", str(tree.root)]) == 0
    assert "1 id that no chip has: noise on the bus" in capsys.readouterr().out
    (tmp_path / "empty").mkdir()
    for options in ([], ["--tell-apart"]):
        assert status_of(["probes", "--root", str(tmp_path / "empty"), *options]) == 0
        nothing = capsys.readouterr().out.split()
        assert nothing[:4] == ["No", "thermometer", "under", f"{tmp_path / 'empty'}."]
    assert status_of(["probes", "--root", str(tree.root), "--tell-apart", "--json"]) == 64
    assert capsys.readouterr().out == ""


def test_an_ice_bath_is_refused_at_once_for_a_probe_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt id was waited for; now those on the bus are named."""
    tree = W1Tree(tmp_path / "w1")
    tree.add_probe(AIR)

    assert status_of(["icepoint", "--root", str(tree.root), "--id", ROOM]) == 69
    streams = capsys.readouterr()

    assert streams.out == ""
    assert f'found "{ROOM}", which is not on the bus, allowed: {AIR}' in streams.err


def test_an_ice_bath_shows_what_changes_and_reads_each_five_seconds() -> None:
    """A figure alone is no change; a reading that is missing is one."""
    said = Recorded()
    readings = iter([Sample(0.0, 4000), Sample(5.0, 3900), Sample(10.0, None, Fault.EMPTY)])
    judged = iter(
        [*(NotYet(reason=f"falls by {n} K", hopeless=False) for n in (1, 2)),
         IcePoint(offset_mk=-100, uncertainty_mk=10.0, drift_mk_min=1.0, spread_mk=60, readings=9)]
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(icepoint, "judge_bath", lambda _: next(judged))
        point = icepoint.watch_bath(
            lambda: next(readings), longest_s=60, say=said.say, sleep=said.sleep
        )

    assert point.offset_mk == -100
    assert said.lines == ["4.00 °C, falls by 1 K", "(5 s)", "3.90 °C, falls by 2 K", "(5 s)"]


def test_the_load_that_was_asked_for_is_tried_in_this_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not another one: its relay would run without a person at it."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(wire, "run_in_unit", lambda *_: None)
    monkeypatch.setattr(wire, "try_load", lambda load, **_: load.name)

    assert [wire._tried(CONFIG, load) for load in ("fan", "pump")] == ["fan", "pump"]
