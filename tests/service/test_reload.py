"""A configuration that is read again: what goes on as it was, and what is begun anew."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from controller.core.decide import begin
from controller.core.memory import Warming
from controller.core.state import NOTHING_ASKED, Asked, Decision, Inputs
from controller.domain.control_phase import Phase
from controller.domain.temperatures import Seen
from controller.errors import OutputError, ProbeError
from controller.outputs.dry import DryDriver, DryOutput
from controller.probes.samples import Sample
from controller.service.chamber import (
    Chamber,
    LostOutputsError,
    SharedParts,
    opened_chamber,
    reloaded_chamber,
)
from controller.service.clock import SystemClock
from controller.service.configuration_reading import ConfigurationReading
from controller.service.fault_log import FaultLog
from controller.service.kept_wiring import KeptLoad
from controller.service.level_input import LevelInput
from controller.service.output_bank import OutputBank
from controller.service.wiring import Plan, open_outputs, plan_of
from controller.service.wiring_store import WiringStore
from controller.settings.load import Settings
from controller.settings.shipped import shipped_config
from tests.support.waiting import until

WARM_MC, COLD_MC = 25_000, 4000


class Readings:
    """A source with a warm chamber and cold water in it."""

    def __init__(self, outputs: OutputBank) -> None:
        self.outputs, self.closed, self.air_mc = outputs, False, WARM_MC

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        assert not self.closed
        room = ("room", Sample(now, 20_000))
        return [("air", Sample(now, self.air_mc)), ("reservoir", Sample(now, COLD_MC)), room]

    def close(self) -> None:
        self.closed = True


class Unread:
    """A journal that keeps nothing."""

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Nothing."""


@dataclass
class Bench:
    """A chamber that runs dry, and reloads of it."""

    folder: Path
    sources: list[Readings] = field(default_factory=list)
    no_source: bool = False
    chamber: Chamber = field(init=False)
    around: SharedParts = field(init=False)
    now: float = 0.0

    def __post_init__(self) -> None:
        self.around = SharedParts(
            folder=self.folder,
            open_source=self._open,
            journal=Unread(),
            before_start=lambda _cooling, _now: None,
            level=LevelInput(),
            faults=FaultLog(lambda *_, **__: None),
        )

    def _open(self, _settings: Settings, outputs: OutputBank, _folder: Path) -> Readings:
        if self.no_source:
            raise ProbeError("no bus")
        self.sources.append(Readings(outputs))
        return self.sources[-1]

    def plan(self, *changes: tuple[str, str]) -> Plan:
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        for before, after in changes:
            assert before in text
            text = text.replace(before, after, 1)
        path = self.folder / "c.toml"
        path.write_text(text, encoding="utf-8")
        return plan_of(path)

    def turn(self, times: int, asked: Asked = NOTHING_ASKED) -> Decision:
        for _ in range(times):
            self.now += 5.0
            decision = self.chamber.tick(self.now, asked=asked, swap_due=None, records_fault=None)
        return decision

    def reload(self, *changes: tuple[str, str]) -> OutputError | None:
        self.chamber, problem = reloaded_chamber(self.chamber, self.plan(*changes), self.around)
        return problem

    def dry(self, name: str) -> DryOutput:
        output = self.chamber.loop.outputs.output(name)
        assert isinstance(output, DryOutput)
        return output


@pytest.fixture(name="bench")
def _bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Return a chamber whose pump and fan run, on a clock that `turn` moves."""
    bench = Bench(tmp_path)

    class TestClock(SystemClock):
        def monotonic(self) -> float:
            return bench.now

    monkeypatch.setattr("controller.service.chamber.SystemClock", TestClock)
    plan, state = bench.plan(), begin(bench.now, last_stop=-10_000.0)
    bench.chamber = opened_chamber(plan, "fruiting", open_outputs(plan), state, bench.around)
    assert bench.turn(5).phase is Phase.COOL
    return bench


WIDER = ('cut_in = "17 C"', 'cut_in = "18 C"')
REWIRED_PUMP = ('current = "0.6 A"', 'current = "0.7 A"')
REWIRED_FAN = ('current = "0.25 A"', 'current = "0.3 A"')
OFFSET = ('[probes.air]\nkind = "simulated"', '[probes.air]\nkind = "simulated"\noffset = "1 K"')
PINNING = ('stage = "fruiting"', 'stage = "pinning"')


def test_a_new_band_leaves_pump_probes_and_readings_alone(bench: Bench) -> None:
    """The relay is not touched, and the pump cools on."""
    pump, source = bench.dry("pump"), bench.chamber.loop.source
    bank = bench.chamber.loop.outputs

    assert bench.reload(WIDER) is None

    assert bench.chamber.loop.outputs is bank
    assert bench.chamber.loop.source is source
    assert not bench.sources[0].closed
    assert bench.turn(1).phase is Phase.COOL
    inputs = bench.chamber.loop.inputs
    assert inputs is not None
    assert inputs.air == Seen(WARM_MC)
    assert pump.history == (True,)


def test_a_probe_with_another_offset_keeps_its_readings(bench: Bench) -> None:
    """It is seen at once, with the new offset."""
    bench.reload(OFFSET)
    bench.turn(1)

    inputs = bench.chamber.loop.inputs
    assert inputs is not None
    assert inputs.air == Seen(WARM_MC + 1000)


def test_a_rewired_pump_is_off_and_rests_and_the_fan_is_not_touched(bench: Bench) -> None:
    """Its timers go on from now; the fan of another line runs on as it is decided."""
    old_pump, fan = bench.dry("pump"), bench.dry("fan")

    assert bench.reload(REWIRED_PUMP) is None

    assert not old_pump.on
    assert bench.dry("pump") is not old_pump
    assert bench.dry("fan") is fan
    assert bench.chamber.loop.state.cooling.phase is not Phase.COOL
    assert not bench.turn(1).pump
    assert bench.turn(30).phase is Phase.HELD  # 3 min of rest are not over
    assert bench.turn(10).pump
    # a simulated chamber follows the loads that are open now
    assert [source.closed for source in bench.sources] == [True, False]
    assert bench.sources[-1].outputs is bench.chamber.loop.outputs


def test_a_rewired_fan_ends_no_run(bench: Bench) -> None:
    """The pump's line stays as it is, on."""
    pump, old_fan = bench.dry("pump"), bench.dry("fan")

    assert bench.reload(REWIRED_FAN) is None

    assert bench.dry("pump") is pump
    assert pump.on
    assert not old_fan.on
    assert bench.turn(1).phase is Phase.COOL
    assert bench.dry("fan").on


def test_a_pause_outlives_another_wiring(bench: Bench) -> None:
    """Hands are in the chamber, whatever relay the pump hangs on."""
    bench.turn(1, Asked(pause_s=3600.0))
    paused_until = bench.chamber.loop.state.cooling.paused_until

    bench.reload(REWIRED_PUMP)

    assert paused_until == bench.now + 3600.0
    assert bench.chamber.loop.state.cooling.paused_until == paused_until


@pytest.fixture(name="unopened")
def _unopened(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """Return a function after which so many loads cannot be opened."""
    real = DryDriver.open

    def unopened(number: int) -> None:
        left = [number]

        def open_or_not(driver: DryDriver, options: dict[str, object]) -> DryOutput:
            left[0] -= 1
            if left[0] >= 0:
                raise OutputError("line busy")
            return real(driver, options)

        monkeypatch.setattr(DryDriver, "open", open_or_not)

    return unopened


def test_a_wiring_that_cannot_be_opened_leaves_the_old_one_in_force(
    bench: Bench, unopened: Callable[[int], None]
) -> None:
    """The old load is open again and off; its configuration, probes and stage hold."""
    unopened(1)
    old_plan, source = bench.chamber.plan, bench.chamber.loop.source

    problem = bench.reload(REWIRED_PUMP, WIDER)

    assert problem is not None
    assert "line busy" in str(problem)
    assert bench.chamber.plan is old_plan
    assert bench.chamber.loop.source is source
    assert [each.closed for each in bench.sources] == [False]
    assert not bench.dry("pump").on
    bench.turn(1)
    inputs = bench.chamber.loop.inputs
    assert inputs is not None
    assert inputs.air == Seen(WARM_MC)  # read before, and still
    assert bench.turn(41).pump


def test_a_source_for_a_wiring_that_cannot_be_opened_is_closed_again(
    bench: Bench, unopened: Callable[[int], None]
) -> None:
    """The old one goes on, and nothing else reads the probes beside it."""
    unopened(1)

    assert bench.reload(REWIRED_PUMP, ("volume_m3 = 0.35", "volume_m3 = 0.4")) is not None

    assert [each.closed for each in bench.sources] == [False, True]


@pytest.mark.parametrize(("rewired", "load"), [(REWIRED_PUMP, "pump"), (REWIRED_FAN, "fan")])
def test_a_load_that_cannot_be_put_off_is_not_forgotten(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, rewired: tuple[str, str], load: str
) -> None:
    """The new wiring does not name what is on: the process ends, and `coldpin off` is next."""
    monkeypatch.setattr(bench.dry(load), "close", _refused)

    with pytest.raises(LostOutputsError, match=f"may still be on .*: {load}: stuck; .* by hand"):
        bench.reload(rewired)


def test_a_signal_that_cannot_be_put_off_ends_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lamp that stays on harms no crop."""
    assert bench.reload(("[loads.fan]", f"{SIGNAL}\n[loads.fan]")) is None
    monkeypatch.setattr(bench.dry("signal"), "close", _refused)

    assert bench.reload() is None
    assert "signal" not in bench.chamber.loop.outputs.names


SIGNAL = """[loads.signal]
driver = "dry"
supply = "12 V DC"
current = "0.1 A"
load_kind = "lamp"
"""


def _refused() -> None:
    raise OutputError("stuck")


def test_a_wiring_that_is_lost_both_ways_says_what_happened(
    bench: Bench, unopened: Callable[[int], None]
) -> None:
    """Neither the new line nor the old one."""
    unopened(2)

    with pytest.raises(LostOutputsError, match="line busy; and the old wiring cannot be opened"):
        bench.reload(REWIRED_PUMP)


def test_probes_that_are_not_there_change_nothing(bench: Bench) -> None:
    """The new source is opened before anything is closed."""
    bench.no_source = True
    pump = bench.dry("pump")

    with pytest.raises(ProbeError, match="no bus"):
        bench.reload(("volume_m3 = 0.35", "volume_m3 = 0.4"), REWIRED_PUMP)

    assert pump.on
    assert bench.turn(1).phase is Phase.COOL


def test_another_simulated_chamber_is_another_source(bench: Bench) -> None:
    """And the old one is closed, once the loads are sorted out."""
    bench.reload(("volume_m3 = 0.35", "volume_m3 = 0.4"))

    assert [source.closed for source in bench.sources] == [True, False]
    assert bench.turn(1).phase is Phase.COOL


@pytest.mark.parametrize(
    ("room_id", "learned"), [("28-0a1b2c3d4e03", True), ("28-0a1b2c3d4e04", False)]
)
def test_what_is_learned_of_the_warming_belongs_to_its_probes(
    bench: Bench, room_id: str, learned: bool
) -> None:
    """With another air or room probe it is learned anew; with another band it is kept."""

    def with_probes(third: str) -> list[tuple[str, str]]:
        ids = {"air": "28-0a1b2c3d4e01", "reservoir": "28-0a1b2c3d4e02", "room": third}
        return [
            (
                f'[probes.{name}]\nkind = "simulated"',
                f'[probes.{name}]\nkind = "one-wire"\nid = "{each}"',
            )
            for name, each in ids.items()
        ]

    bench.reload(*with_probes("28-0a1b2c3d4e03"))
    state = bench.chamber.loop.state
    known = Warming(slow=1)
    bench.chamber.loop._state = replace(
        state, expectations=state.expectations._replace(warming=known)
    )

    bench.reload(*with_probes(room_id), WIDER)

    state = bench.chamber.loop.state
    assert state.expectations.warming == (known if learned else Warming())
    assert state.cooling.phase is Phase.COOL, "the run goes on"


def test_off_can_find_a_new_wiring_before_its_lines_are_opened(bench: Bench) -> None:
    """It is on the medium, beside the old one, when the plan is handed over."""
    done = []

    class Wiring(WiringStore):
        def keep(self, loads: Iterable[KeptLoad]) -> None:
            done.append(sorted({load.name for load in loads}))

        def wait_written(self, within_s: float) -> bool:
            done.append("written")
            return True

    old = bench.chamber.plan
    signal = '[loads.signal]\ndriver = "dry"\nsupply = "12 V DC"\ncurrent = "0.1 A"\n'
    bench.plan(("[loads.fan]", signal + 'load_kind = "resistive"\n\n[loads.fan]'))
    reading = ConfigurationReading(bench.folder / "c.toml", old, Wiring(bench.folder))
    until(lambda: reading.done)

    assert reading.problems == ()
    assert reading.plan is not None
    assert done == [["fan", "pump", "signal"], "written"]


def test_a_stage_that_a_person_set_holds_until_the_file_names_another(bench: Bench) -> None:
    """Or until its table has gone."""
    bench.chamber = bench.chamber.in_stage("pinning")
    bench.turn(1)
    inputs = bench.chamber.loop.inputs
    assert inputs is not None
    assert inputs.band.cut_in_mc == 14_500

    bench.reload(WIDER)
    assert bench.chamber.stage == "pinning"

    bench.chamber = bench.chamber.in_stage("fruiting")
    bench.reload(PINNING)
    assert bench.chamber.stage == "pinning"


def test_a_stage_whose_table_has_gone_is_left(bench: Bench) -> None:
    """For the one that the file names."""
    bench.chamber = bench.chamber.in_stage("pinning")

    bench.reload(("[stages.pinning]", "[stages.resting]"))

    assert bench.chamber.stage == "fruiting"
