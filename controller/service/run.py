"""The control process from start to stop: set up, turn the loop, reload, and always end off."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import structlog

from controller.domain.places import lock_instance, records_path
from controller.errors import ControllerError, OutputError, SettingsError
from controller.probes.protocol import SampleSource
from controller.records.boot import boot_id, boottime
from controller.records.requests import REQUESTS, Kind, newest
from controller.records.writer import REFUSED, STAGE, RecordsWriter
from controller.service.clock import Clock, SystemClock
from controller.service.journal import Journal, Journals, LogJournal
from controller.service.kept_wiring import KeptLoad, write_kept_wiring
from controller.service.loop import ControlLoop
from controller.service.notify import Notifier
from controller.service.output_bank import OutputBank
from controller.service.probe_watch import ProbeWatch
from controller.service.request_desk import RequestDesk
from controller.service.sources import open_source, sieves_of
from controller.service.status_teller import StatusTeller, status_line
from controller.service.summons import Summons
from controller.service.timers_keeper import TimersKeeper, stopped
from controller.service.told_once import ToldOnce
from controller.service.wiring import Plan, open_outputs, plan_of
from controller.settings.law_of import law_of, schedule_of, signal_for
from controller.settings.load import Settings

OPEN_TRIES = 5
OPEN_AGAIN_AFTER_S = 1.0
"""A line may stay busy for a moment after a crash of the process that held it."""
REFUSED_EVERY_S = 900.0
"""How often readings that were refused are summed up for the records."""

_log = structlog.get_logger("coldpin")

SourceOpener = Callable[[Settings, OutputBank, Path], SampleSource]
"""Opens what reads the probes; the path is the folder that files are named relative to."""


class Service:
    """One chamber under control."""

    def __init__(
        self,
        config: Path,
        place: Path,
        *,
        notifier: Notifier,
        journal: Journal | None = None,
        source: SourceOpener = open_source,
    ) -> None:
        self._config = config
        self._place = place
        self._notifier = notifier
        self._journal = journal or LogJournal()
        self._open_source = source
        self._summons = Summons()
        self._told = ToldOnce(_log.warning)
        self._boot_id = boot_id()
        self._swap_due_until_s = 0.0
        self._tell_stage: Callable[[str], object] = lambda _: None

    def run(self) -> None:
        """Control until SIGTERM or SIGINT.

        Raises:
            SettingsError: The configuration cannot be used.
            BusyError: Another process controls this chamber.
            OutputError: A relay is not there.
            ProbeError: The place where temperatures come from is not there.
        """
        with contextlib.closing(lock_instance(self._place)), self._summons.heard():
            plan = plan_of(self._config)
            keeper = TimersKeeper(self._place, boot=self._boot_id)
            loop = self._built(plan, keeper)
            teller = StatusTeller(self._place, boot=self._boot_id)
            desk = self._desk(loop, plan)
            records = self._records(loop, plan)
            try:
                self._keep_wiring(plan)
                self._notifier.ready()
                self._turn(loop, plan, keeper, teller, records)
            finally:
                self._notifier.stopping()
                loop.close()  # outputs first
                keeper.close(loop.state.cooling, loop.clock.monotonic())
                teller.close()
                desk.close()
                records.close()
                _log.info("stopped", why=self._summons.stop or "an error", outputs="off")

    def _built(self, plan: Plan, keeper: TimersKeeper) -> ControlLoop:
        settings = plan.settings
        clock = SystemClock(settings.site.zone())
        outputs = self._opened_outputs(plan)
        try:
            source = self._open_source(settings, outputs, self._config.parent)
        except BaseException:
            outputs.close()
            raise
        now = clock.monotonic()
        state = keeper.begun(now)
        _log.info(
            "started",
            chamber=settings.chamber.name,
            stage=settings.chamber.stage,
            dry=plan.dry,
            rested_s=round(now - state.cooling.pump_since, 1),
            phase=state.cooling.phase.value,
        )
        return ControlLoop(
            law=law_of(settings),
            schedule=schedule_of(settings.stages[settings.chamber.stage]),
            source=source,
            sieves=sieves_of(settings),
            outputs=outputs,
            clock=clock,
            journal=self._journal,
            state=state,
            signal_for=signal_for(settings),
        )

    def _opened_outputs(self, plan: Plan) -> OutputBank:
        for tries_left in range(OPEN_TRIES - 1, -1, -1):
            try:
                return open_outputs(plan)
            except OutputError as error:
                if not tries_left or self._summons.stop:
                    raise
                _log.warning("outputs_not_open_yet", error=str(error), tries_left=tries_left)
                self._summons.sleep(OPEN_AGAIN_AFTER_S)
        raise AssertionError("the last try returns or raises")

    def _keep_wiring(self, plan: Plan) -> None:
        """Note down which lines are open; done before the loop turns, and again after a reload."""
        loads = [
            KeptLoad(name=load.name, driver=load.driver_name, options=load.options)
            for load in plan.loads
        ]
        try:
            write_kept_wiring(self._place, loads)
        except OSError as error:
            _log.error("kept_wiring_not_written", error=str(error))

    def _desk(self, loop: ControlLoop, plan: Plan) -> RequestDesk:
        """Open the desk for people's requests, the stage asked for last in force."""
        path = self._place / REQUESTS
        self._stage = plan.settings.chamber.stage
        self._plan = plan
        self._loop = loop
        with contextlib.suppress(OSError):  # the desk itself tells what is wrong with the file
            last = newest(path, Kind.STAGE)
            # a stage that people asked for stays until the file itself names another one
            if last is not None and last.payload.get("instead_of") == self._stage:
                _log.info("stage", answer=self._set_stage(str(last.payload.get("name"))))
        desk = RequestDesk(
            path,
            boot_id=boot_id(),
            boottime=boottime,
            set_stage=self._set_stage,
            set_swap_due=self._set_swap_due,
            every_s=min(1.0, plan.settings.timing.tick),
        )
        loop.asked = desk.asked
        return desk

    def _records(self, loop: ControlLoop, plan: Plan) -> RecordsWriter:
        """Begin to keep records beside the log."""
        now = loop.clock.monotonic()
        records = RecordsWriter(
            records_path(plan.settings.records.path, self._place),
            chamber=plan.settings.chamber.name,
            boot_id=self._boot_id or "",
            ahead_s=boottime() - now,
            told=lambda text: _log.warning("records", note=text),
            keep_detail_s=plan.settings.records.keep_detail,
        )
        records.tell(now, STAGE, self._stage)
        self._tell_stage = lambda name: records.tell(loop.clock.monotonic(), STAGE, name)
        loop.journal = Journals(loop.journal, records)
        return records

    def _set_swap_due(self, due: bool, until_s: float) -> None:
        self._loop.swap_due = due
        self._swap_due_until_s = until_s

    def _set_stage(self, name: str) -> str:
        stages = self._plan.settings.stages
        if name not in stages:
            return f'no stage "{name}", allowed: {", ".join(sorted(stages))}'
        self._stage = name
        self._loop.schedule = schedule_of(stages[name])
        self._loop.look_at_band_again()
        self._tell_stage(name)
        return f"stage {name} in force"

    def _turn(
        self,
        loop: ControlLoop,
        plan: Plan,
        keeper: TimersKeeper,
        teller: StatusTeller,
        records: RecordsWriter,
    ) -> None:
        """Tick on a grid of monotonic time; a late tick does not shift the ones after it."""
        watch = ProbeWatch(loop.sieves, self._told)
        due = loop.clock.monotonic()
        tally_at = due + REFUSED_EVERY_S
        while self._summons.stop is None:
            if self._summons.reload:
                self._summons.reload = False
                plan = self._plan = self._reloaded(loop, plan)
                watch = ProbeWatch(loop.sieves, self._told)
            tick_s = plan.settings.timing.tick
            started = loop.clock.monotonic()
            records.ahead_s = boottime() - started  # a suspended machine stops only one of them
            self._judge_lateness(started - due, tick_s, started)
            decision = loop.tick()
            teller.count(pump=decision.pump, now=started)
            loop.records_fault = records.fault
            if loop.swap_due is not None and boottime() > self._swap_due_until_s:
                loop.swap_due = None  # the lookout has gone quiet: nothing is known any more
            watch.look(decision, started)
            if started >= tally_at:
                tally_at = started + REFUSED_EVERY_S
                for name, fault, count in watch.refused():
                    records.tell(started, REFUSED, name, f"{count} {fault}")
            keeper.keep(loop.state.cooling, loop.clock.monotonic())
            self._notifier.alive()
            if loop.inputs is not None:
                self._notifier.status(status_line(decision, loop.inputs))
            teller.tell(
                loop,
                chamber=plan.settings.chamber.name,
                stage=self._stage,
                tick_s=tick_s,
                late_s=started - due,
                records_waiting=records.waiting,
                stuck=watch.stuck,
                supply_fails=keeper.supply_fails,
            )
            due += tick_s * max(1, -(-(loop.clock.monotonic() - due) // tick_s))
            self._wait_until(due, loop.clock)

    def _wait_until(self, due: float, clock: Clock) -> None:
        """Sleep until the next tick, a signal, or the next ping that the watchdog needs."""
        longest_s = (self._notifier.watchdog_s or float("inf")) / 3
        while not self._summons.waiting:
            left_s = due - clock.monotonic()
            if left_s <= 0:
                return
            self._summons.sleep(min(left_s, longest_s))
            if left_s > longest_s:
                self._notifier.alive()

    def _judge_lateness(self, late_s: float, tick_s: float, now: float) -> None:
        if late_s > tick_s:
            self._told.fault("loop", "ticks come late", now, late_s=round(late_s, 3))
        else:
            self._told.ended("loop")

    def _reloaded(self, loop: ControlLoop, old: Plan) -> Plan:
        """Take the new configuration whole, or keep the old one whole and say why."""
        try:
            plan = plan_of(self._config)
            self._take_probes(loop, old, plan)
            self._take_outputs(loop, old, plan)
        except SettingsError as error:
            for problem in error.problems:
                _log.error("config_kept_as_it_was", problem=problem)
            return old
        except ControllerError as error:
            if loop.outputs.closed:
                raise  # without outputs there is nothing to go on with
            _log.error("config_kept_as_it_was", problem=str(error))
            return old
        settings = plan.settings
        loop.clock = SystemClock(settings.site.zone())
        loop.law = law_of(settings)
        loop.signal_for = signal_for(settings)
        if old.settings.chamber.stage != settings.chamber.stage or (
            self._stage not in settings.stages
        ):
            self._stage = settings.chamber.stage
        loop.schedule = schedule_of(settings.stages[self._stage])
        loop.look_at_band_again()
        _log.info("config_reloaded", stage=self._stage)
        return plan

    def _take_probes(self, loop: ControlLoop, old: Plan, plan: Plan) -> None:
        if all(
            getattr(old.settings, table) == getattr(plan.settings, table)
            for table in ("probes", "one_wire", "readings", "simulation", "plant")
        ):
            return
        source = self._open_source(plan.settings, loop.outputs, self._config.parent)
        loop.source.close()
        loop.take_probes(source, sieves_of(plan.settings))

    def _take_outputs(self, loop: ControlLoop, old: Plan, plan: Plan) -> None:
        """Re-open the outputs only where their wiring changed: an unchanged pin is not touched."""
        if old.loads == plan.loads:
            return
        loop.outputs.close()
        now = loop.clock.monotonic()
        loop.take_outputs(self._opened_outputs(plan), stopped(loop.state.cooling, now))
        self._keep_wiring(plan)
