"""A rehearsal: the service's loop on a simulated clock and chamber, with a person and trouble."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime, tzinfo
from random import Random
from typing import TYPE_CHECKING

from controller.core.decide import begin
from controller.core.law import Law
from controller.core.state import NOTHING_ASKED, Asked, State
from controller.errors import PhysicsError, ScenarioError
from controller.outputs.dry import DryOutput
from controller.rehearsal.dry_lookout import DryLookout
from controller.rehearsal.grower import Freezer, Grower, Visit
from controller.rehearsal.notified import NoticeSource
from controller.rehearsal.plain_switch import PlainSwitch
from controller.rehearsal.plant_probes import PlantProbes
from controller.rehearsal.plants import build_chamber
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.rehearsal.surroundings import Surroundings
from controller.rehearsal.tally import Observer, Tally
from controller.rehearsal.trace_row import TraceRow
from controller.rehearsal.trouble import Faults, Trouble
from controller.service.journal import Journal, Journals
from controller.service.loop import ControlLoop
from controller.service.output_bank import OutputBank
from controller.service.sources import sieves_of
from controller.settings.law_of import BandSchedule, law_of, schedule_of
from controller.settings.lights_of import lights_to_plan_by
from controller.settings.load import Settings
from controller.settings.scenario_file import ScenarioFile
from controller.thermal.freezing import freezer_pace, frozen_queue
from controller.thermal.probe import Course
from controller.thermal.specs import PlantSpec

if TYPE_CHECKING:
    from controller.rehearsal.dry_forecaster import DryForecaster

DAY_S = 86_400.0
HOUR_S = 3600.0
MINUTE_S = 60.0
MOST_TICKS = 1 << 62
SPENT_EVERY_S = 300.0
FASTEST_WARMING_K_H = 6.0
"""A person who watches the water looks at it again after five minutes, or later while it is far
from warm; no reservoir warms faster than this once its packs are spent. Common practice, no
source."""
FIRST_DAY = datetime(2026, 7, 13)  # noqa: DTZ001 - given its zone where it is used
"""A Monday in July; the date matters for nothing but daylight saving and the look of a table."""


class Rehearsal:
    """One dry run. `run` may be called once."""

    def __init__(
        self,
        settings: Settings,
        scenario: ScenarioFile,
        *,
        days: float | None = None,
        seed: int | None = None,
        trace: Callable[[TraceRow], None] | None = None,
        trace_every_s: float = MINUTE_S,
        keep_switches: bool = False,
        plain: bool = False,
        room: RoomSeries | None = None,
        forecaster: DryForecaster | None = None,
        notifier: NoticeSource | None = None,
        journal: Journal | None = None,
        plant: PlantSpec | None = None,
        schedule: BandSchedule | None = None,
        law: Law | None = None,
        swap_at_c: float | None = None,
        fast: bool = True,
        first_day: date | None = None,
    ) -> None:
        """Set the stage.

        Args:
            settings: The chamber; its probes and drivers are replaced by simulated ones.
            scenario: Room, person and faults.
            days: Length [d]; None: the scenario's.
            seed: Seed of noise and person; None: the configuration's.
            trace: Is given a row a minute, or as often as *trace_every_s* says.
            trace_every_s: From row to row: whole minutes [s].
            keep_switches: Keep every switch and not only their number.
            plain: Put a plain on/off switch in the place of the control, to compare with.
            room: The room from a file; None: the plant's daily curve.
            forecaster: Forecasts as the lookout would, and raises the alarm swap_due by it.
            notifier: Decides on notices; None: the person sees every alarm at once.
            journal: Is given every tick that is turned, beside the tally.
            plant: Equipment in the place of the settings' own.
            schedule: Switching points in the place of those of the settings' stage.
            law: Timers and limits in the place of the settings' own.
            swap_at_c: True reservoir temperature at which the person, when awake, changes packs
                beside habit and alarms [°C]; None: never for that.
            fast: Pass over ticks within the window of readings in which the last decision stands;
                the same run comes out, and the journal is not given them.
            first_day: Date of the first day; None: a Monday in July.

        Raises:
            ScenarioError: Length or plant cannot be used.
        """
        self.settings = settings
        self.scenario = scenario
        self.seed = settings.simulation.seed if seed is None else seed
        self.days = scenario.days if days is None else days
        if not (0 < self.days <= 400):
            raise ScenarioError(f"days: found {self.days:g}, allowed: above 0 and up to 400")
        self._zone = settings.site.zone()
        start = datetime.combine(first_day or FIRST_DAY, scenario.starts)
        self.clock = SimulatedClock(_aware(start, self._zone))
        self.started = self.clock.local()
        self.tally = Tally(self.clock.origin, keep_switches=keep_switches)
        self.swaps: list[dict[str, float]] = []
        self.packs_used = 0
        self._journal = self.tally if journal is None else Journals(self.tally, journal)
        self._plain = plain
        self._asked: Asked = NOTHING_ASKED
        self._outputs = {"pump": DryOutput(), "fan": DryOutput()}
        self.lookout = DryLookout(
            settings,
            self.clock,
            scenario.grower,
            running=self._running,
            trace=trace,
            forecaster=forecaster,
            notifier=notifier,
        )
        self.law = law_of(settings) if law is None else law
        self._schedule = schedule or schedule_of(settings.stages[settings.chamber.stage])
        self._fast = fast and not plain
        self._swap_at_c = math.inf if swap_at_c is None else swap_at_c
        self._observer: Observer | None = None
        random = Random(self.seed)  # noqa: S311 - a person's habits, not a secret
        try:
            self._spec = settings.plant_spec() if plant is None else plant
            self.surroundings = Surroundings(
                self.clock,
                room=self._spec.room,
                series=room,
                warmer_by_k=[warmer / 1000 for warmer in scenario.room.warmer_by],
                lights=lights_to_plan_by(settings),
                schedule=self._schedule,
            )
            self.chamber = build_chamber(
                settings, self.surroundings.room_c(self.clock.origin), plant=self._spec
            )
        except PhysicsError as error:
            raise ScenarioError(f"the plant cannot be simulated: {error}") from error
        self.probes = PlantProbes(
            self.chamber,
            probes=tuple(settings.probes.fitted()),
            simulation=settings.simulation,
            every_s=max(settings.readings.every, settings.timing.tick),
            tick_s=settings.timing.tick,
            running=self._running,
            around=self.surroundings,
            now=self.clock.origin,
            seed=random.getrandbits(32),
            moved=self._moved,
            pump_alone_s=self.law.timing.prime_s,
            fan_alone_s=self.law.timing.run_on_s,
        )
        self._grower = self._new_grower(random)
        self._faults = Faults(scenario.faults)
        self._trouble = Trouble(power=True, flow=1.0, dead=frozenset())
        self._band = self.surroundings.band(self.clock.origin)
        self._changes_seen = 0
        self._row_every_s = MINUTE_S if self.lookout.looks_each_minute else trace_every_s
        self._first_events()

    def _first_events(self) -> None:
        """Say when something but the readings first changes."""
        origin = self.clock.origin
        self._faults_at = origin if self.scenario.faults else math.inf
        self._surroundings_at = self.surroundings.next_change(origin)
        self._person_at = origin
        self._row_at = origin if self.lookout.is_there else math.inf
        self._observe_at = math.inf
        self._may_end = False

    def _new_grower(self, random: Random) -> Grower:
        packs = self._spec.packs
        in_freezer = max(0, packs.count - packs.in_reservoir)
        ready = self.scenario.grower.packs_ready
        ready = in_freezer if ready is None else min(ready, in_freezer)
        pace = freezer_pace(self._spec)
        freezer = Freezer(queue=frozen_queue(ready, pace))
        freezer.put(in_freezer - ready, 0.0)  # the others have just gone in
        return Grower(self.scenario.grower, freezer, packs_in_use=packs.in_reservoir, random=random)

    def observe(self, observer: Observer, *, from_s: float = 0.0) -> None:
        """Let *observer* follow the run; call it before `run`.

        Args:
            observer: What follows.
            from_s: When it is first given the account of the plant so far [s since the start].
        """
        self._observer = observer
        self._observe_at = self.clock.origin + from_s
        self.tally.observer = observer

    def run(self, progress: Callable[[float], None] = lambda _: None) -> None:
        """Run to the end.

        Args:
            progress: Is told the share done, about once a simulated hour.

        Raises:
            ScenarioError: The plant left the range of its formulas.
        """
        try:
            self._run(progress)
        except PhysicsError as error:
            raise ScenarioError(
                "the simulated chamber grew far too hot or too cold to be worked out; check the "
                f"figures in [plant] and the room ({error})"
            ) from error

    def _run(self, progress: Callable[[float], None]) -> None:
        clock, tick_s = self.clock, self.settings.timing.tick
        ticks = round(self.days * DAY_S / tick_s)
        self._loop = self._new_loop(begin(clock.origin))
        shown_from = index = 0
        while index < ticks and not self._may_end:
            index = self._next_tick(index, ticks)
            now = clock.origin + index * tick_s
            clock.move_to(now)
            self._events(now)
            if self._trouble.power:
                asked, self._asked = self._asked, NOTHING_ASKED
                self._loop.tick(now, self._band, asked=asked, swap_due=self.lookout.swap_due)
            if self.tally.changes != self._changes_seen:
                self._changes_seen = self.tally.changes
                self._person_at = min(self._person_at, self._on_minute(now + 1e-6))
            if now >= self._row_at:
                self._look(now)
            if (index - shown_from) * tick_s >= HOUR_S:
                shown_from = index
                progress(index / ticks)
        self.probes.move_on(clock.monotonic())
        progress(1.0)

    def _next_tick(self, index: int, ticks: int) -> int:
        """Return the next tick that must be turned: the very next one unless this run is fast."""
        loop = self._loop
        if not self._fast or isinstance(loop, PlainSwitch):
            return index + 1
        limit = min(ticks, self._tick_at(self._next_event()))
        if not self._trouble.power:
            return max(limit, index + 1)
        window = loop.state.window
        if window is None or window.inputs.swap_due is not self.lookout.swap_due or index == 0:
            return index + 1
        limit = min(limit, self._tick_at(window.until))
        return self.probes.quiet_until(index, limit, window, loop.sieves)

    def _tick_at(self, instant: float) -> int:
        """Return the first tick at or after an instant; a tick that no run reaches for infinity."""
        if instant == math.inf:
            return MOST_TICKS
        return math.ceil((instant - self.clock.origin) / self.settings.timing.tick - 1e-9)

    def _next_event(self) -> float:
        """Return the next instant at which something but the readings may change."""
        return min(
            self._surroundings_at, self._faults_at, self._person_at, self._row_at, self._observe_at
        )

    def _events(self, now: float) -> None:
        """Bring about what is due by now, before the loop is turned."""
        at_s = now - self.clock.origin
        if now >= self._observe_at:
            self._observed(now, at_s)
        if now >= self._surroundings_at:
            self.probes.move_on(now)
            self._band = self.surroundings.band(now)
            self._surroundings_at = self.surroundings.next_change(now)
            self._person_at = self._on_minute(now)
        if now >= self._faults_at:
            self._change_faults(now)
        if now >= self._person_at:
            self._person(now, at_s)

    def _observed(self, now: float, at_s: float) -> None:
        """Give the observer the account that it asked for, and end the run if it may end."""
        assert self._observer is not None
        self.probes.move_on(now)
        next_s = self._observer.reached(self.chamber.account(), self._grower.frozen_packs(at_s))
        self._may_end = next_s is None
        self._observe_at = math.inf if next_s is None else self.clock.origin + next_s

    def _on_minute(self, instant: float) -> float:
        """Return the first whole minute of the run at or after an instant: people come on these."""
        origin = self.clock.origin
        if instant == math.inf:
            return instant
        return origin + MINUTE_S * math.ceil((instant - origin) / MINUTE_S - 1e-9)

    def _change_faults(self, now: float) -> None:
        """Let faults begin and end."""
        at_s = now - self.clock.origin
        self.probes.move_on(now)
        had_power, self._trouble = self._trouble.power, self._faults.at(at_s)
        self.probes.ahead.flow = self._trouble.flow
        self.probes.dead = set(self._trouble.dead)
        if had_power is not self._trouble.power:
            self._person_at = self._on_minute(now)
        if had_power and not self._trouble.power:
            self._cut_power(now)
        elif not had_power and self._trouble.power:
            self._loop = self._new_loop(begin(now))
        self.probes.move_on(now)
        self._faults_at = self.clock.origin + self._faults.next_change(at_s)

    def _new_loop(self, state: State) -> ControlLoop | PlainSwitch:
        settings = self.settings
        for output in self._outputs.values():
            output.switch(on=False)
        self.probes.forget_passed()
        self.lookout.power_is_back()
        if self._plain:
            return PlainSwitch(
                reservoir_warm_mc=settings.limits.reservoir_warm,
                clear_by_mk=settings.alarms.clear_by,
                source=self.probes,
                sieves=sieves_of(settings),
                outputs=OutputBank(self._outputs),
                journal=self.tally,
            )
        return ControlLoop(
            law=self.law,
            source=self.probes,
            sieves=sieves_of(settings),
            outputs=OutputBank(self._outputs),
            journal=self._journal,
            state=state,
        )

    def _cut_power(self, now: float) -> None:
        """Everything falls off without a goodbye; the plant goes on by itself."""
        any_on = any(output.on for output in self._outputs.values())
        for output in self._outputs.values():
            output.switch(on=False)
        if any_on:
            at_s = now - self.clock.origin
            self.tally.switched(at_s, pump=False, fan=False, phase="rest", reason="power cut")

    def _person(self, now: float, at_s: float) -> None:
        """Let the person act, and work out when to ask again."""
        standing = self.tally.standing() if self._trouble.power else frozenset()
        woken: frozenset[str] = frozenset()
        if self.lookout.notifies:
            standing, woken = self.lookout.notified.calls(standing)
        local = self.clock.local()
        by_plan = self.scenario.grower.goes_by == "plan"
        planned = self.lookout.is_time(local) if by_plan else None
        spent, next_at = False, math.inf
        if self._swap_at_c < math.inf:
            _, reservoir_c = self.probes.true_c(now)
            spent = reservoir_c >= self._swap_at_c
            warming_s = (self._swap_at_c - reservoir_c) / FASTEST_WARMING_K_H * HOUR_S
            next_at = now + min(max(warming_s, SPENT_EVERY_S), HOUR_S)

        def frozen_share() -> float:
            self.probes.move_on(now)
            return self.chamber.frozen_share()

        visit = self._grower.visit(
            at_s,
            local,
            standing,
            planned=planned,
            woken=woken,
            least_frozen=self.lookout.least_frozen,
            spent=spent,
            frozen_share=frozen_share,
        )
        if visit is not None:
            self._visited(visit, at_s)
        if self.lookout.looks_each_minute:
            self._person_at = self._on_minute(now + 1e-6)
            return
        hour = self.surroundings.hour(now)
        next_at = min(next_at, self.clock.origin + self._grower.next_at(at_s, hour))
        self._person_at = self._on_minute(max(next_at, now + 1e-6))

    def _look(self, now: float) -> None:
        """Let what is outside the control see how things are."""
        self._row_at = self._on_minute(now + self._row_every_s - MINUTE_S + 1e-6)
        self.lookout.look(self._loop, now, powered=self._trouble.power, awake=self._grower.awake)

    def _moved(self, air: Course, reservoir: Course, pump: bool) -> None:
        self.tally.passed(air, reservoir, pump=pump, band=self._band)

    def _visited(self, visit: Visit, at_s: float) -> None:
        if visit.packs:
            self.probes.move_on(self.clock.monotonic())
            left_frozen = self.chamber.swap(packs=visit.packs, frozen_share=visit.frozen_share)
            self._grower.puts_back(visit.packs, at_s, frozen_share=left_frozen)
            self.swaps.append({"t_s": at_s, "packs": visit.packs})
            if self._observer is not None:
                self._observer.swapped(at_s, packs=visit.packs, frozen_share=visit.frozen_share)
            self.packs_used += visit.packs
            self.lookout.swapped(visit.packs, at_s)
        if visit.bleeds_the_pump:
            self._asked = Asked(reset=True)
            self._faults.bleed(at_s)
            self._change_faults(self.clock.monotonic())

    def _running(self) -> tuple[bool, bool]:
        """Return whether pump and fan really run."""
        return self._outputs["pump"].on, self._outputs["fan"].on


def _aware(naive: datetime, zone: tzinfo | None) -> datetime:
    return naive.replace(tzinfo=zone) if zone else naive.astimezone()
