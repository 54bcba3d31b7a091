"""Commissioning: the ice bath, which probe is which, and one relay at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli.icepoint import watch_bath
from controller.cli.main import coldpin, status_of
from controller.cli.probes import warmed
from controller.cli.relays import try_load
from controller.commissioning.ice_point import IcePoint
from controller.domain.supply import Supply, SupplyKind
from controller.errors import ProbeError
from controller.outputs.mains_rule import LoadKind, RatedLoad
from controller.probes.samples import Fault, Sample
from controller.service.locks import lock_instance
from controller.service.wiring import WiredLoad
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml")


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

    assert warmed(read, longest_s=60, sleep=lambda _: None) == "28-00000000000b"


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
