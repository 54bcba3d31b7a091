"""The control process from start to stop: a chamber built whole, turned until a signal comes."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from time import monotonic as _monotonic

from controller import __version__
from controller.core.state import Decision
from controller.domain.events import REFUSED, STAGE
from controller.domain.places import records_path
from controller.domain.requests import RequestKind, SetStage
from controller.errors import ControllerError, OutputError, words_of
from controller.log import Logger
from controller.records.boot import boot_id, boottime
from controller.records.hours import HourBasis
from controller.records.requests_file import REQUESTS, newest, settle
from controller.records.writer import RecordsWriter
from controller.service.alarm_store import AlarmStore
from controller.service.chamber import (
    Chamber,
    LostOutputsError,
    SharedParts,
    SourceOpener,
    opened_chamber,
    reloaded_chamber,
)
from controller.service.configuration_reading import (
    WIRING_WITHIN_S,
    ConfigurationReading,
    kept_loads,
)
from controller.service.fault_log import FaultLog
from controller.service.journal import Journals, LogJournal
from controller.service.level_input import LevelInput
from controller.service.locks import LineLocks, lock_instance
from controller.service.output_bank import SIGNAL, OutputBank
from controller.service.pending_requests import PendingRequests
from controller.service.reported_swap_due import ReportedSwapDue
from controller.service.signals import Signals
from controller.service.sources import open_source, probe_ids
from controller.service.status_publisher import StatusPublisher, status_line
from controller.service.timer_store import TimerStore
from controller.service.warming_store import WarmingStore
from controller.service.wiring import Plan, open_outputs, plan_of
from controller.service.wiring_store import WiringStore
from controller.service_manager import Notifier
from controller.settings.law_of import first_in_force
from controller.settings.load import Settings

OPEN_TRIES = 5
OPEN_AGAIN_AFTER_S = 1.0
"""A line may stay busy for a moment after a crash of the process that held it."""
REFUSED_EVERY_S = 900.0
"""How often readings that were refused are summed up for the records."""

GIVEN_UP_AFTER_S = 5.0
"""A driver that has not come back for so long never will: its load is left to another process."""

_log = Logger("coldpin")


class DriverHangsError(OutputError):
    """The driver of pump or fan does not come back; this process cannot switch it off any more."""


def serve(
    config: Path,
    place: Path,
    *,
    notifier: Notifier,
    source: SourceOpener = open_source,
) -> bool:
    """Control one chamber until SIGTERM or SIGINT; every output ends off.

    Args:
        config: The configuration.
        place: The state directory.
        notifier: Speaks to the service manager.
        source: Opens what reads the probes.

    Returns:
        Whether every driver let go of its load; one that hangs may hold up the end of the process.

    Raises:
        SettingsError: The configuration cannot be used.
        BusyError: Another process controls this chamber or drives one of its lines.
        OutputError: A relay is not there.
        DriverHangsError: A driver has hung for `GIVEN_UP_AFTER_S`; what can be put off is off.
        ProbeError: The place where temperatures come from is not there.
    """
    signals = Signals()
    with contextlib.ExitStack() as stack:
        stack.enter_context(signals.received())
        plan = plan_of(config)
        stack.enter_context(lock_instance(place))
        process = stack.enter_context(
            _Process.running(config, place, plan, signals=signals, source=source)
        )
        notifier.ready()
        process.turn(notifier)
    notifier.stopping()
    return process.all_let_go


class _Process:
    """What lives as long as the process; the chamber is replaced whole at a reload."""

    def __init__(
        self, config: Path, place: Path, plan: Plan, *, signals: Signals, source: SourceOpener
    ) -> None:
        self._config = config
        self._place = place
        self._signals = signals
        self._faults = FaultLog(_log.warning)
        self._boot = boot_id()
        self._lines = LineLocks()
        self._lines.claim(plan.loads)
        self._wiring = WiringStore(place)
        self._timers = TimerStore(place, boot=self._boot)
        self._alarms = AlarmStore(place)
        self._warming = WarmingStore(place)
        self._reloading: ConfigurationReading | None = None
        self._not_taken: tuple[str, ...] = ()
        """Why the configuration that was read last is not in force."""
        self._sum_up_at = float("-inf")
        self._swap_due = ReportedSwapDue()
        self._stage_request = _stage_asked_for_last(place)
        self.all_let_go = True
        self._hangs_since: float | None = None
        self._wiring.keep(kept_loads(plan))
        self._wiring.wait_written(WIRING_WITHIN_S)  # before a line is opened, if the medium allows
        outputs = self._opened_outputs(plan)
        try:
            self._begin(place, plan, outputs, source)
        except BaseException:
            outputs.close()
            self._lines.close()
            raise

    @classmethod
    @contextlib.contextmanager
    def running(
        cls, config: Path, place: Path, plan: Plan, *, signals: Signals, source: SourceOpener
    ) -> Iterator[_Process]:
        """Open everything, and end off whatever happens; telling and keeping come after that."""
        process = cls(config, place, plan, signals=signals, source=source)
        try:
            yield process
        finally:
            process.close()

    def _begin(self, place: Path, plan: Plan, outputs: OutputBank, source: SourceOpener) -> None:
        settings = plan.settings
        asked = _still_asked_for(self._stage_request, plan)
        stage = asked or settings.chamber.stage
        self._status = StatusPublisher(place, boot=self._boot)
        # the clocks' distance is set again at every tick
        self._records = RecordsWriter(
            records_path(settings.records.path, place),
            chamber=settings.chamber.name,
            boot_id=self._boot or "",
            ahead_s=boottime() - _monotonic(),
            report=lambda text: _log.warning("records", note=text),
            keep_detail_s=settings.records.keep_detail,
            site=_site(settings),
        )
        self._around = SharedParts(
            folder=self._config.parent,
            open_source=source,
            journal=Journals(LogJournal(), self._records),
            before_start=self._timers.before_start,
            level=LevelInput(),
            faults=self._faults,
        )
        now = _monotonic()
        state = self._timers.begun(now, self._alarms.standing())
        state = self._warming.restored(state, probe_ids(settings))
        self._chamber = opened_chamber(plan, stage, outputs, state, self._around)
        self._records.keep_event(now, STAGE, stage)
        self._records.use_probes(now, probe_ids(settings))
        try:
            settle(place)
        except OSError as error:
            _log.warning("requests_not_moved", error=str(error))
        paused_until = state.cooling.paused_until
        self._requests = PendingRequests(
            place / REQUESTS,
            boot_id=self._boot,
            boottime=boottime,
            set_stage=self._set_stage,
            set_swap_due=self._swap_due.take,
            every_s=min(1.0, settings.timing.tick),
            paused_until_boot_s=0.0 if paused_until is None else paused_until + boottime() - now,
        )
        if self._stage_request is not None and asked is None:
            self._requests.keep_stage_of_file(stage)
        _log.info(
            "started",
            version=__version__,
            chamber=settings.chamber.name,
            stage=stage,
            dry=plan.dry,
            rested_s=round(now - state.cooling.pump_since, 1),
            phase=state.cooling.phase.value,
        )
        if not self._timers.keeps:
            _log.error(
                "nothing_kept",
                place=str(place),
                effect="cooling goes on; readings, pack changes and timers do not outlive a power "
                "cut, and the pump rests its whole time after each start",
            )

    def turn(self, notifier: Notifier) -> None:
        """Tick on a grid of monotonic time; a late tick does not shift the ones after it."""
        due = _monotonic()
        self._sum_up_at = due + REFUSED_EVERY_S
        while self._signals.stop is None:
            self._reload(notifier)
            tick_s = self._chamber.settings.timing.tick
            started = _monotonic()
            self._records.ahead_s = boottime() - started  # only one of them stops in a suspend
            self._judge_lateness(started - due, tick_s, started)
            asked = self._requests.take(self._chamber.loop.state)
            chamber = self._chamber  # after the requests, which may have changed the stage
            decision = chamber.tick(
                started,
                asked=asked,
                swap_due=self._swap_due.at(boottime()),
                records_fault=self._records.fault,
            )
            self._timers.keep(chamber.loop.state.cooling, _monotonic())
            self._give_up_a_driver_that_hangs(chamber, started)
            notifier.alive()
            self._publish(chamber, decision, notifier, started, late_s=started - due)
            due += tick_s * max(1, -(-(_monotonic() - due) // tick_s))
            self._wait_until(due, notifier)

    def _give_up_a_driver_that_hangs(self, chamber: Chamber, now: float) -> None:
        """End this process where it can reach pump or fan no more; another one may."""
        names = [name for name in chamber.loop.outputs.hanging if name != SIGNAL]
        if not names:
            self._hangs_since = None
            return
        if self._hangs_since is None:
            self._hangs_since = now
        if now - self._hangs_since >= GIVEN_UP_AFTER_S:
            raise DriverHangsError(
                f"the driver of {' and '.join(names)} has not answered for "
                f"{now - self._hangs_since:.0f} s: this process ends, so that another one can "
                "switch it off; cut its supply by hand if it stays on"
            )

    def _publish(
        self, chamber: Chamber, decision: Decision, notifier: Notifier, now: float, *, late_s: float
    ) -> None:
        """Keep and publish what a tick has done; acting never depends on that.

        Args:
            chamber: It has turned just now.
            decision: What was decided.
            notifier: Speaks to the service manager.
            now: Monotonic instant of the tick [s].
            late_s: How late it came [s].
        """
        try:
            chamber.watch.judge(decision, now)
            self._alarms.keep(chamber.loop.state)
            self._warming.keep(chamber.loop.state, probe_ids(chamber.settings))
            if now >= self._sum_up_at:
                self._sum_up_at = now + REFUSED_EVERY_S
                for name, fault, count in chamber.watch.refused():
                    self._records.keep_event(now, REFUSED, name, f"{count} {fault}")
            if chamber.loop.inputs is not None:
                notifier.status(status_line(decision, chamber.loop.inputs))
            self._status.count(pump=decision.pump, now=now)
            self._status.publish(
                chamber,
                late_s=late_s,
                records_waiting=self._records.waiting,
                supply_fails=self._timers.supply_fails,
                not_kept=not self._timers.keeps,
                requests_fault=self._requests.fault,
                notes=self._notes(),
            )
        except Exception as error:  # noqa: BLE001 - cooling goes on, and the log says what is wrong
            text = f"{type(error).__name__}: {words_of(error)}"
            self._faults.fault("status", f"cannot be published: {text}", now)
        else:
            self._faults.ended("status", now)

    def close(self) -> None:
        """Put every load off first; then keep what must be kept, each part for a limited time."""
        loop = self._chamber.loop
        loop.outputs.close()
        self.all_let_go = not loop.outputs.hanging
        parts: tuple[tuple[str, Callable[[], object]], ...] = (
            ("timers", lambda: self._timers.close(loop.state.cooling, _monotonic())),
            ("source", loop.source.close),
            ("alarms", self._alarms.close),
            ("warming", self._warming.close),
            ("lines", self._lines.close),
            ("wiring", lambda: self._wiring.close(all_off=self.all_let_go)),
            ("status", self._status.close),
            ("requests", self._requests.close),
            ("records", self._records.close),
        )
        for name, close in parts:
            try:
                close()
            except Exception as error:  # noqa: BLE001 - the others still have their turn
                _log.error("not_closed", what=name, error=words_of(error))
        _log.info("stopped", why=self._signals.stop or "an error", outputs="off")

    def _notes(self) -> list[str]:
        """Return what a person should know beside the alarms."""
        notes = []
        if self._timers.ended_with_pump_on is not None:
            notes.append(
                f"The last run ended with the pump on: {self._timers.ended_with_pump_on}. After "
                "that the pump rests its whole time before it starts again."
            )
        if not self._timers.keeps:
            notes.append(
                "The state directory cannot be written: nothing is kept over a power cut, and the "
                "pump rests its whole time after each start."
            )
        if self._records.set_aside is not None:
            notes.append(
                "The records were damaged, so reports and pictures begin anew. What could be read "
                f"of the old ones may still be in {self._records.set_aside}."
            )
        if self._requests.set_aside is not None:
            notes.append(
                "The file of pack changes and other requests was damaged and begins anew; the old "
                f"one is {self._requests.set_aside}. Log again when the packs were last changed, "
                "and see whether the stage is right."
            )
        if self._requests.fault is not None:
            notes.append(f"Requests cannot be read or answered: {self._requests.fault}")
        if self._not_taken:
            more = " (and more: coldpin check lists it)" if len(self._not_taken) > 1 else ""
            notes.append(
                "The configuration was read again and cannot be used, so the one from before "
                f"stays in force: {self._not_taken[0]}{more}."
            )
        return notes

    def _opened_outputs(self, plan: Plan) -> OutputBank:
        for tries_left in range(OPEN_TRIES - 1, -1, -1):
            try:
                return open_outputs(plan)
            except OutputError as error:
                if not tries_left or self._signals.stop:
                    self._lines.close()
                    raise
                _log.warning("outputs_not_open_yet", error=str(error), tries_left=tries_left)
                self._signals.sleep(OPEN_AGAIN_AFTER_S)
        raise AssertionError("the last try returns or raises")

    def _set_stage(self, name: str) -> str:
        stages = self._chamber.settings.stages
        if name not in stages:
            return f'no stage "{name}", allowed: {", ".join(sorted(stages))}'
        self._chamber = self._chamber.in_stage(name)
        self._records.keep_event(_monotonic(), STAGE, name)
        return f"stage {name} in force"

    def _wait_until(self, due: float, notifier: Notifier) -> None:
        """Sleep until the next tick, a signal, or the next ping that the watchdog needs."""
        longest_s = (notifier.watchdog_s or float("inf")) / 3
        while not self._signals.waiting:
            left_s = due - _monotonic()
            if left_s <= 0:
                return
            self._signals.sleep(min(left_s, longest_s))
            if left_s > longest_s:
                notifier.alive()

    def _judge_lateness(self, late_s: float, tick_s: float, now: float) -> None:
        if late_s > tick_s:
            self._faults.fault("loop", "ticks come late", now, late_s=round(late_s, 3))
        else:
            self._faults.ended("loop", now)

    def _reload(self, notifier: Notifier) -> None:
        """Begin to read the configuration where that was asked for, and use one that has been read.

        A thread reads it: a medium that hangs must not keep the loop. The new chamber is taken
        whole, or the old one goes on whole and the log says why.
        """
        if self._signals.take_reload():
            notifier.reloading()
            self._reloading = ConfigurationReading(self._config, self._chamber.plan, self._wiring)
        if self._reloading is None or not self._reloading.done:
            return
        reading, self._reloading = self._reloading, None
        self._take_over(reading)
        notifier.ready()

    def _take_over(self, reading: ConfigurationReading) -> None:
        if reading.plan is None:
            self._unchanged(*reading.problems)
            return
        if (moved := self._moved_records(reading.plan)) is not None:
            self._unchanged(moved)
            return
        try:
            self._lines.claim(reading.plan.loads)
            chamber, problem = reloaded_chamber(self._chamber, reading.plan, self._around)
        except LostOutputsError:
            raise
        except ControllerError as error:
            self._unchanged(str(error))
            return
        stage_changed = chamber.stage != self._chamber.stage
        named_another = chamber.settings.chamber.stage != self._chamber.settings.chamber.stage
        self._chamber = chamber
        if problem is not None:
            self._unchanged(str(problem))
            return
        self._not_taken = ()
        self._records.site = _site(chamber.settings)
        self._records.keep_detail_s = chamber.settings.records.keep_detail
        self._records.use_probes(_monotonic(), probe_ids(chamber.settings))
        if stage_changed:
            self._records.keep_event(_monotonic(), STAGE, chamber.stage)
        if stage_changed or named_another:
            self._requests.keep_stage_of_file(chamber.stage)
        self._keep_wiring_in_force()
        _log.info("config_reloaded", stage=chamber.stage)

    def _moved_records(self, plan: Plan) -> str | None:
        """Return what is wrong where records would be read elsewhere than they are written."""
        before, after = (
            records_path(settings.records.path, self._place)
            for settings in (self._chamber.settings, plan.settings)
        )
        if before == after:
            return None
        return (
            f"records.path: found {after}, allowed while the service runs: {before}; restart it to "
            f"keep its records there: sudo systemctl restart coldpin@{self._config.stem}"
        )

    def _keep_wiring_in_force(self) -> None:
        """End what a reload has kept and claimed for loads that are not wired in the end."""
        plan = self._chamber.plan
        self._wiring.keep(kept_loads(plan))
        self._lines.keep_only(plan.loads)

    def _unchanged(self, *problems: str) -> None:
        self._not_taken = problems
        self._keep_wiring_in_force()
        for problem in problems:
            _log.error("config_kept_as_it_was", problem=problem)


def _site(settings: Settings) -> HourBasis:
    """Return what the records' sums of hours depend on."""
    return HourBasis(zone=settings.site.zone(), first=first_in_force(settings))


def _stage_asked_for_last(place: Path) -> SetStage | None:
    """Return the stage that was asked for last, None where none was."""
    with contextlib.suppress(OSError):  # `PendingRequests` reports what is wrong with the file
        last = newest(place / REQUESTS, RequestKind.STAGE)
        if last is not None and isinstance(last.payload, SetStage):
            return last.payload
    return None


def _still_asked_for(request: SetStage | None, plan: Plan) -> str | None:
    """Return the stage that people asked for, None where the file's own is in force.

    It stays until the configuration itself names another one than when it was asked for.
    """
    settings = plan.settings
    if request is None or request.instead_of != settings.chamber.stage:
        return None
    return request.name if request.name in settings.stages else None
