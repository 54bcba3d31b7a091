"""Commissioning: the ice bath, which probe is which, and one relay at a time."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from controller.cli.icepoint import watch_bath
from controller.cli.main import coldpin, status_of
from controller.cli.probes import warmed
from controller.cli.relays import INVERTED, STAND_CLEAR, WRONG, RelayCheckError, try_load
from controller.cli.wire import _tried, wire
from controller.commissioning.ice_point import IcePoint, NotYet
from controller.commissioning.wiring_in import ON_WHILE_OFF
from controller.domain.supply import Supply, SupplyKind
from controller.errors import BusyError, ProbeError, SettingsError
from controller.outputs.mains_rule import LoadKind, RatedLoad
from controller.probes.samples import Fault, Sample
from controller.service.locks import lock_instance
from controller.service.wiring import WiredLoad
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.w1_tree import W1Tree

CONFIG = shipped_config("larkmoor-laptop.toml")
AIR, WATER, ROOM = "28-0a1b2c3d4e01", "28-0a1b2c3d4e02", "28-0a1b2c3d4e03"


def falling_to(rest_mc: int, *, start_mc: int = 18_000) -> Iterator[Sample]:
    """Samples every 5 s of a probe that falls into a bath and rests there."""
    at, value_mc = 0.0, float(start_mc)
    while True:
        yield Sample(at, round(value_mc / 62.5) * 125 // 2)
        value_mc += (rest_mc - value_mc) * 0.2
        at += 5.0


def test_bath_is_waited_for_and_its_offset_proposed() -> None:
    """The fall is waited out; what changes is shown, the same thing is not shown twice."""
    samples, lines = falling_to(250), []

    result = watch_bath(
        lambda: next(samples), longest_s=1200, say=lines.append, sleep=lambda _: None
    )

    assert isinstance(result, IcePoint)
    assert result.offset_mk == pytest.approx(-250, abs=result.uncertainty_mk)
    assert len(lines) < 60


@pytest.mark.parametrize(
    ("samples", "match"),
    [
        pytest.param(falling_to(6_000), "no ice bath", id="tap-water"),
        pytest.param(
            iter([Sample(5.0 * turn, None, Fault.EMPTY) for turn in range(400)]),
            "has not answered for 30 s: empty read",
            id="silent-probe",
        ),
    ],
)
def test_bath_that_will_never_do_ends_with_the_reason(
    samples: Iterator[Sample], match: str
) -> None:
    """Nobody waits for ever in front of a bowl of tap water."""
    with pytest.raises(ProbeError, match=match):
        watch_bath(lambda: next(samples), longest_s=600, say=str, sleep=lambda _: None)


def test_a_person_is_told_what_must_change_and_not_each_minute_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At one temperature a line for each reason; its figures alone are no news."""
    reasons = ("steady for 1 min of 3", "steady for 2 min of 3", "stir the bath")
    judged = iter([*(NotYet(reason=reason) for reason in reasons), STEADY])
    monkeypatch.setattr("controller.cli.icepoint.judge_bath", lambda _: next(judged))
    lines: list[str] = []

    watch_bath(lambda: Sample(0.0, 400), longest_s=60, say=lines.append, sleep=lambda _: None)

    assert lines == ["0.40 °C, steady for 1 min of 3", "0.40 °C, stir the bath"]


def test_probe_that_is_warmed_in_the_hand_is_found() -> None:
    """The one that rises a kelvin above all others is it, whatever drifts beside it."""
    turns = iter(range(100))

    def read() -> dict[str, Sample]:
        turn = next(turns)
        return {
            "28-00000000000a": Sample(float(turn), 20_000 + 20 * turn),
            "28-00000000000b": Sample(float(turn), 20_000 + 200 * turn),
            "28-00000000000c": Sample(float(turn), None, Fault.EMPTY),
        }

    waits: list[float] = []

    assert warmed(read, longest_s=60, sleep=waits.append) == "28-00000000000b"
    assert waits == [1.0] * (next(turns) - 1)  # a look each second, until it is found


def test_no_probe_warmed_is_reported() -> None:
    """A hand on the wrong end of the cable must not hang the command."""
    turns = iter(range(1000))

    def read() -> dict[str, Sample]:
        return {"28-00000000000a": Sample(float(next(turns)), 20_000)}

    with pytest.raises(ProbeError, match="no probe warmed"):
        warmed(read, longest_s=30, sleep=lambda _: None)


def wired(*, volts: float = 12.0, kind: SupplyKind = SupplyKind.DC) -> WiredLoad:
    """A load on the dry driver."""
    return WiredLoad(
        name="pump",
        driver_name="dry",
        options={},
        wiring="dry: switches nothing",
        hardware=False,
        load=RatedLoad(name="pump", supply=Supply(volts, kind), current_a=0.5, kind=LoadKind.MOTOR),
        relay_module=None,
        why_allowed="test",
    )


@pytest.mark.parametrize(
    ("load", "answers", "wrong"),
    [
        pytest.param(wired(), ["yes", "yes"], None, id="all-well"),
        pytest.param(wired(), ["no"], "active_low", id="on-while-off"),
        pytest.param(wired(), ["yes", "no"], "did not run", id="nothing-ran"),
        pytest.param(
            wired(volts=230, kind=SupplyKind.AC), ["pomp"], "not tried", id="mains-name-mistyped"
        ),
        pytest.param(
            wired(volts=230, kind=SupplyKind.AC), ["pump", "yes", "yes"], None, id="mains-named"
        ),
    ],
)
def test_load_is_tried_by_itself_and_judged_by_the_person(
    load: WiredLoad, answers: list[str], wrong: str | None
) -> None:
    """A wrong polarity shows before anything is switched; mains needs its name typed."""
    given, waited = iter(answers), []

    result = try_load(load, ask=lambda _: next(given), sleep=waited.append)

    assert list(given) == []
    assert (result is None) if wrong is None else (result is not None and wrong in result)
    assert waited == ([3.0] if answers[-1] != "pomp" and len(answers) > 1 else [])


def test_relays_command_goes_through_every_load(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Pump, then fan, then all are off."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("controller.cli.relays.time.sleep", lambda _: None)

    ran = CliRunner().invoke(coldpin, ["relays", str(CONFIG)], input="yes\nyes\nyes\nyes\n")

    assert ran.exit_code == 0
    assert "Every load did what it should" in ran.output


def test_relays_command_leaves_a_running_service_alone(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The lock of the instance keeps the command out: exit 75."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    with lock_instance(tmp_path):
        status = status_of(["relays", str(CONFIG)])

    assert status == 75
    assert "already controls this chamber" in capsys.readouterr().err


STEADY = IcePoint(offset_mk=-190, uncertainty_mk=20.4, drift_mk_min=1.25, spread_mk=63, readings=24)


def test_an_ice_point_is_printed_as_the_line_to_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """How to make the bath first, then what was found and what to do with it."""
    waited_s = []

    def watch(_read: object, *, longest_s: float, **_more: object) -> IcePoint:
        waited_s.append(longest_s)
        return STEADY

    monkeypatch.setattr("controller.cli.icepoint.watch_bath", watch)
    monkeypatch.setenv("COLUMNS", "120")
    tree = W1Tree(tmp_path / "w1")
    tree.add_probe(AIR)
    bus = ["--root", str(tree.root)]
    assert status_of(["icepoint", "--id", AIR, "--minutes", "30", *bus]) == 0

    printed = capsys.readouterr().out.splitlines()
    assert waited_s == [1800]
    assert printed[0].startswith("- ")
    assert printed[-3:] == [
        "steady: offset -0.19 K, give or take 0.04 K (twice the standard uncertainty)",
        "Write under the probe in the configuration:",
        'offset = "-0.19 K"',
    ]


def test_an_ice_point_is_one_document_for_a_script(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing beside it on standard output."""
    monkeypatch.setattr("controller.cli.icepoint.watch_bath", lambda *_, **__: STEADY)
    tree = W1Tree(tmp_path / "w1")
    tree.add_probe(AIR)
    assert status_of(["icepoint", "--id", AIR, "--json", "--root", str(tree.root)]) == 0

    assert json.loads(capsys.readouterr().out) == {
        "id": AIR, "offset_k": -0.19, "uncertainty_k": 0.0204, "drift_k_min": 0.0013,
        "spread_k": 0.063, "readings": 24,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("readings", "match"),
    [
        pytest.param(
            [Sample(0.0, 250), *(Sample(5.0 * turn, None, Fault.EMPTY) for turn in range(1, 9))],
            "has not answered for 30 s: empty read",
            id="silent-since-its-last-reading",
        ),
        pytest.param(
            [Sample(5.0 * turn, 250 + 500 * (turn % 2)) for turn in range(200)],
            "no steady bath within 10 minutes",
            id="never-steady",
        ),
    ],
)
def test_a_bath_is_waited_for_to_the_last_second(readings: list[Sample], match: str) -> None:
    """Thirty seconds of silence, and the time that was asked for, are borne; not one more."""
    given = []

    def read() -> Sample:
        given.append(readings[len(given)])
        return given[-1]

    with pytest.raises(ProbeError, match=match):
        watch_bath(read, longest_s=600, say=str, sleep=lambda _: None)

    assert given[-1].at in {35.0, 605.0}


@pytest.fixture(name="bus")
def _bus(tmp_path: Path) -> W1Tree:
    tree = W1Tree(tmp_path / "w1")
    for probe_id in (WATER, AIR, ROOM):
        tree.add_probe(probe_id)
        tree.set(probe_id, 16.0)
    return tree


@pytest.fixture(name="wiring_file")
def _wiring_file(tmp_path: Path, bus: W1Tree, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a configuration for that bus; each probe is warmed in the order of its place."""
    text = shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
    assert "[one_wire]" in text
    file = tmp_path / "c.toml"
    file.write_text(
        text.replace("[one_wire]", f'[one_wire]\nroot = "{bus.root}"', 1), encoding="utf-8"
    )
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    return file


def answered(file: Path, answers: str) -> Result:
    """Return how `wire` ends where a person types these lines."""

    @click.command()
    def ask() -> None:
        wire(file)

    return CliRunner().invoke(ask, input=answers)


def wired_up(
    file: Path,
    monkeypatch: pytest.MonkeyPatch,
    answers: str,
    outcome: Callable[[Path, str], str | None] = lambda _file, _load: None,
) -> list[str]:
    """Return what a person is shown who warms one probe after another and types these lines."""
    order = iter([AIR, WATER, ROOM])
    monkeypatch.setattr("controller.cli.wire.warmed", lambda *_, **__: next(order))
    monkeypatch.setattr("controller.cli.wire._tried", outcome)
    ended = answered(file, answers)
    assert ended.exception is None, ended.output
    return ended.output.splitlines()


def test_probes_and_pins_are_asked_for_written_and_tried(
    wiring_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each load by itself, after it was said that it runs; then the next step is named."""
    tried = []

    def outcome(_file: Path, load: str) -> None:
        tried.append(load)

    shown = wired_up(wiring_file, monkeypatch, "\n\n22\n" + "\n" * 9, outcome)

    settings = read_settings(wiring_file)
    assert [probe.id for probe in settings.probes.fitted().values()] == [AIR, WATER, ROOM]
    assert 'driver = "gpio"\npin = 22\n' in wiring_file.read_text(encoding="utf-8")
    assert tried == ["pump", "fan"]
    assert "Next each load runs for 3 s. Its supply and current in the file must be right." in shown
    assert STAND_CLEAR in shown
    next_step = f"Next: coldpin first-run {wiring_file}"
    assert shown[-1] == f"Probes and relays are in {wiring_file}. {next_step}"


@pytest.mark.parametrize(
    ("answers", "written", "last"),
    [
        pytest.param("\n\n\n\nn\n", False, "Nothing was changed.", id="not-written"),
        pytest.param(
            "\n\n\n\n\nn\n", True, "Try them later: coldpin relays {file}", id="not-tried"
        ),
    ],
)
def test_a_person_may_write_nothing_or_try_nothing(
    wiring_file: Path, monkeypatch: pytest.MonkeyPatch, answers: str, written: bool, last: str
) -> None:
    """What is left to do is named."""
    before = wiring_file.read_bytes()

    shown = wired_up(wiring_file, monkeypatch, answers, lambda *_: pytest.fail("tried"))

    assert shown[-1] == last.format(file=wiring_file)
    assert (wiring_file.read_bytes() != before) is written


def test_relays_that_are_never_right_are_not_called_right(
    wiring_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The person gives up; the command to try again is named."""
    shown = wired_up(
        wiring_file, monkeypatch, "\n" * 6 + "n\n" * 20, lambda *_: "it did not do what it should"
    )

    again = f"then: coldpin relays {wiring_file}"
    assert shown[-1] == f"The relays are not right yet; see above, {again}"


@pytest.mark.parametrize(
    ("status", "trouble"), [(0, None), (INVERTED, ON_WHILE_OFF), (WRONG, "it did not do what")]
)
def test_a_trial_in_a_unit_of_its_own_says_what_is_wrong_by_its_status(
    monkeypatch: pytest.MonkeyPatch, status: int, trouble: str | None
) -> None:
    """And one that was not made at all is an error."""
    monkeypatch.setattr("controller.cli.wire.run_in_unit", lambda *_: status)
    trouble_shown = _tried(CONFIG, "pump")
    assert trouble_shown == trouble or (
        trouble_shown is not None and trouble_shown.startswith(str(trouble))
    )

    monkeypatch.setattr("controller.cli.wire.run_in_unit", lambda *_: 75)
    with pytest.raises(RelayCheckError, match="not tried"):
        _tried(CONFIG, "pump")


def tried(load: str, answers: str) -> Result:
    """Return how one load is tried in this process where a person types these lines."""

    @click.command()
    def trial() -> None:
        click.echo(f"trouble: {_tried(CONFIG, load)}")

    return CliRunner().invoke(trial, input=answers)


@pytest.mark.parametrize(
    ("answers", "trouble"),
    [("y\ny\n", "None"), ("n\n", ON_WHILE_OFF), ("y\nn\n", "did not run and stop")],
)
def test_a_trial_in_this_process_asks_and_lets_everything_go_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answers: str, trouble: str
) -> None:
    """Where there is no unit to run it in; the load may be tried again at once."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("controller.cli.relays.time.sleep", lambda _: None)

    for _ in range(2):
        ended = tried("fan", answers)
        assert ended.exception is None, ended.output
        assert ended.output.splitlines()[-1].startswith(f"trouble: {trouble}")
    with lock_instance(tmp_path):
        assert isinstance(tried("fan", answers).exception, BusyError)


def test_what_check_refuses_is_known_before_anything_is_asked(wiring_file: Path) -> None:
    """A pump on mains without a listed module: not after every probe was warmed and written."""
    text = wiring_file.read_text(encoding="utf-8").replace('"12 V DC"', '"230 V AC"', 1)
    wiring_file.write_text(text, encoding="utf-8")

    ended = answered(wiring_file, "\n" * 9)

    assert ended.output == ""
    assert isinstance(ended.exception, SettingsError)
    assert "loads.pump.relay_module" in str(ended.exception)


@pytest.mark.parametrize(("probes", "words"), [(None, "run this on the Pi"), (1, "found 1 probe ")])
def test_too_few_probes_are_known_before_anything_is_asked(
    wiring_file: Path, bus: W1Tree, tmp_path: Path, probes: int | None, words: str
) -> None:
    """Air and reservoir at least, on a bus that is there."""
    one = W1Tree(tmp_path / "one")
    one.add_probe(AIR)
    root = tmp_path / "nowhere" if probes is None else one.root
    text = wiring_file.read_text(encoding="utf-8").replace(str(bus.root), str(root))
    wiring_file.write_text(text, encoding="utf-8")

    ended = answered(wiring_file, "\n" * 9)

    assert ended.output == ""
    assert isinstance(ended.exception, ProbeError)
    assert words in str(ended.exception)
