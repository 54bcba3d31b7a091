"""``coldpin first-run``: a chamber checked from probe to alarm before its crop, and signed."""

from __future__ import annotations

import contextlib
import math
import os
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import click

from controller.cli import people
from controller.cli.files import reason_of
from controller.cli.first_run_progress import ASKED, Progress
from controller.cli.handover import hand_over
from controller.cli.instances import CONFIG
from controller.cli.relays import loads_in_hand, try_load
from controller.commissioning.load_guard import Energised, still_on, unguarded
from controller.commissioning.tool_unit import INSIDE, run_in_unit
from controller.domain.first_run import (
    DONE,
    FAILED,
    FIRST_RUN_CODEC,
    SKIPPED,
    CheckedStep,
    FirstRun,
)
from controller.domain.places import CONFIGURATIONS, records_path, state_directory
from controller.domain.reading_rows import place_words
from controller.domain.temperatures import Seen
from controller.errors import ControllerError, OutputError, RecordError
from controller.outputs.mains_rule import is_mains
from controller.pictures import words
from controller.probes.samples import SampleSource
from controller.probes.sieve import Sieve
from controller.records.boot import boot_id
from controller.records.first_runs import keep_first_run
from controller.rehearsal.live import open_live_chamber
from controller.service.output_bank import OutputBank
from controller.service.sources import open_source, sieves_of
from controller.service.wiring import Plan, WiredLoad, open_outputs, plan_of

POWER_UP = "power-up"
POLL_S = 1.0
READINGS_WITHIN_S = 90.0
PRIME_WITHIN_S = 600.0
OUTLET_DROP_K, AIR_DROP_K = 1.0, 0.3
"""The fall at the coil's outlet, or of the air, that shows that cold water has come [K]."""
PLAUSIBLE_C = {
    "air": (0.0, 40.0),
    "reservoir": (-5.0, 40.0),
    "room": (0.0, 45.0),
    "coil_outlet": (-5.0, 40.0),
}
CAUTIONS = (
    "Keep hands, cables and water apart, and have a way to cut the supply in reach.",
    "Mains belongs to a licensed electrician; local codes come before anything said here.",
    "Every mains outlet near the chamber stands behind a residual-current device, 30 mA or less.",
    "Plugs and relays are higher than the highest water, and each cord has a drip loop.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Who does it: answers questions, and time passes."""

    ask: Callable[[str], str]
    say: Callable[[str], object]
    sleep: Callable[[float], object]
    clock: Callable[[], float]

    def step(self, name: str, question: str, *, good: str = "yes") -> CheckedStep:
        """Ask a question that is answered with yes, no, or why it is left out."""
        answer = self.ask(f"{question} (yes, no, or why you leave it out)").strip()
        if answer.lower() in {"y", "yes", "n", "no"}:
            fine = answer.lower()[0] == good[0]
            return CheckedStep(name=name, outcome=DONE if fine else FAILED, note=answer.lower())
        return CheckedStep(name=name, outcome=SKIPPED, note=answer or "no reason given")


class FirstRunError(ControllerError):
    """The chamber was not signed off."""


@click.command("first-run")
@CONFIG
@click.option("--anew", is_flag=True, help="Start over instead of going on where it stopped.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def first_run(config: Path, anew: bool, as_json: bool) -> int:
    """Go through the first start of CONFIG step by step, and sign it.

    Stop the service first. The steps: probes, relays, start of the computer, time to prime, leaks,
    alarms. One step asks you to restart the computer; after that, or after an interruption, run
    the same command to go on: each answer is kept. A step that fails or is skipped is recorded
    with the reason; only a run in which nothing failed can be signed. With sudo it runs inside the
    sandbox of the chamber's service, and at the end starts that service and the page if you want.
    """
    options = [f"--{name}" for name, given in (("anew", anew), ("json", as_json)) if given]
    if (ended := run_in_unit(config, ["first-run", *options])) is not None:
        if ended == 0:
            hand_over(config)
        return ended
    plan = plan_of(config)
    place = state_directory(config)
    person = Person(
        ask=lambda question: str(click.prompt(question, prompt_suffix=" ", err=True)),
        say=lambda text: click.echo(text, err=True),
        sleep=time.sleep,
        clock=time.monotonic,
    )
    with loads_in_hand(plan, config, place, say=person.say, sleep=person.sleep) as energised:
        now = datetime.now().astimezone().replace(microsecond=0)
        progress = Progress(place, config, chamber=plan.settings.chamber.name, now=now)
        if anew:
            progress.end()
        try:
            steps = _all_kept(plan, config, person, progress, energised)
            if steps[-1].outcome == ASKED:
                person.say(_until_the_restart(config))
                return os.EX_TEMPFAIL
            run = _ended(plan, progress.config_sha256, person, steps)
            keep_first_run(records_path(plan.settings.records.path, place), run)
            progress.end()
        except ControllerError:
            raise
        except OSError as error:
            raise RecordError(f"The first run is not kept: {reason_of(error)}") from None
    if as_json:
        people.print_json(FIRST_RUN_CODEC.document(run))
    else:
        _print(steps)
    if not run.signed:
        failed = run.named(FAILED)
        why = f"failed: {', '.join(failed)}" if failed else "no name was given"
        raise FirstRunError(f"not signed off, {why}; it is kept, and can be run again")
    click.echo(f"Signed off by {run.who}.", err=True)
    if INSIDE not in os.environ:
        hand_over(config)
    return 0


def _all_kept(
    plan: Plan, config: Path, person: Person, progress: Progress, energised: Energised
) -> list[CheckedStep]:
    """Go through the steps and keep each answer; ends at the restart of the computer."""
    steps: list[CheckedStep] = []
    before = progress.steps
    for step in all_steps(plan, config, person, energised=energised, before=before):
        steps.append(step)
        progress.keep(steps)
        if step.outcome == ASKED:
            break
    return steps


def _ended(plan: Plan, sha256: str, person: Person, steps: list[CheckedStep]) -> FirstRun:
    who = person.ask("your name, to sign with or to keep beside what failed").strip()
    return FirstRun(
        chamber=plan.settings.chamber.name,
        config_sha256=sha256,
        steps=tuple(steps),
        at=datetime.now().astimezone().replace(microsecond=0),
        who=who or "nobody",
        signed=bool(who) and not any(step.outcome == FAILED for step in steps),
    )


def _named(config: Path) -> str:
    return config.stem if config.absolute().parent == CONFIGURATIONS else str(config)


def _until_the_restart(config: Path) -> str:
    return (
        "What was checked so far is kept. Now switch the computer off and on while you watch the "
        f"loads, then give the same command again: sudo coldpin first-run {_named(config)}"
    )


def all_steps(
    plan: Plan,
    config: Path,
    person: Person,
    *,
    energised: Energised = unguarded,
    before: Mapping[str, CheckedStep] | None = None,
) -> Iterator[CheckedStep]:
    """Yield each step as it has been done; the last one may be `ASKED`, then a person must act.

    Args:
        plan: The configuration.
        config: Its file.
        person: Who does it.
        energised: Guards the time in which a load is on; `LoadGuard.energised`.
        before: Steps of an earlier call, by name; what was done or left out then is not asked anew.
    """
    before = before or {}

    def kept(name: str) -> CheckedStep | None:
        step = before.get(name)
        if step is None or step.outcome not in {DONE, SKIPPED}:
            return None
        person.say(f"  {name}: {step.outcome}, as answered before")
        return step

    for line in CAUTIONS:
        person.say(f"- {line}")
    for load in plan.loads:
        name = f"relay of {load.name}"
        yield kept(name) or _relay_step(load, name, person, energised)
    yield kept(POWER_UP) or power_up_step(person, before.get(POWER_UP), boot=boot_id() or "")
    with contextlib.ExitStack() as stack:
        probes, prime = kept("probes"), kept("prime")
        if probes is None or prime is None:
            source, outputs = stack.enter_context(_opened(plan, config))
            sieves, unit = sieves_of(plan.settings), plan.settings.display.unit
            yield probes or probes_step(source, sieves, person, unit=unit)
            if prime is None and any(is_mains(load.load.supply) for load in plan.loads):
                person.say("The next step runs pump and fan for some minutes; one is mains.")
            yield prime or prime_step(
                source, sieves, outputs, person, energised=energised, unit=unit
            )
        else:
            yield probes
            yield prime
    yield kept("leaks") or person.step(
        "leaks", "Look at every joint, hose, the coil and the floor, with a dry cloth: all dry?"
    )
    yield kept("alarm") or person.step(
        "alarm",
        "Lift the air probe into the warm room until the alarm comes, or run `coldpin notify` for "
        "a test: did it reach you?",
    )


def _relay_step(load: WiredLoad, name: str, person: Person, energised: Energised) -> CheckedStep:
    trouble = try_load(
        load, ask=person.ask, sleep=person.sleep, say=person.say, energised=energised
    )
    outcome = DONE if trouble is None else FAILED
    return CheckedStep(name=name, outcome=outcome, note=trouble or "")


def power_up_step(person: Person, before: CheckedStep | None, *, boot: str) -> CheckedStep:
    """Send the person to restart the computer, and ask after it what the loads did.

    Args:
        person: Who does it.
        before: The step of an earlier call, None where there was none.
        boot: This boot; the step is asked about once it is another one than when it was sent.
    """
    if before is not None and before.outcome == ASKED and before.note != boot:
        question = "While the computer went off and on: did any load run, even for a moment?"
        return person.step(POWER_UP, question, good="no")
    answer = person.ask(
        "Next, the computer must be switched off and on while you watch the loads. Type stop: this "
        "ends, and goes on after the restart. (stop, or why you leave it out)"
    ).strip()
    if answer.lower() == "stop":
        return CheckedStep(name=POWER_UP, outcome=ASKED, note=boot)
    return CheckedStep(name=POWER_UP, outcome=SKIPPED, note=answer or "no reason given")


def probes_step(
    source: SampleSource, sieves: dict[str, Sieve], person: Person, *, unit: str = "C"
) -> CheckedStep:
    """Wait for every probe, and have somebody look whether each hangs where it should.

    Args:
        source: Of the readings.
        sieves: By probe.
        person: Who looks.
        unit: In which readings are shown, "C" or "F".
    """
    readings_c = _readings(source, sieves, person, within_s=READINGS_WITHIN_S)
    lost = [place_words(name) for name, value_c in readings_c.items() if value_c is None]
    if lost:
        return CheckedStep(name="probes", outcome=FAILED, note=f"no reading: {', '.join(lost)}")
    shown = {
        place_words(name): words.temperature(round(1000 * value_c), unit)
        for name, value_c in readings_c.items()
        if value_c is not None
    }
    for name, text in shown.items():
        person.say(f"  {name:12} {text}")
    wild = [
        place_words(name)
        for name, value_c in readings_c.items()
        if value_c is not None and not PLAUSIBLE_C[name][0] <= value_c <= PLAUSIBLE_C[name][1]
    ]
    if wild:
        return CheckedStep(name="probes", outcome=FAILED, note=f"not plausible: {', '.join(wild)}")
    step = person.step("probes", "Does each reading fit the place where that probe hangs?")
    note = f"{step.note}; {', '.join(f'{name} {text}' for name, text in shown.items())}"
    return CheckedStep(name="probes", outcome=step.outcome, note=note)


def prime_step(
    source: SampleSource,
    sieves: dict[str, Sieve],
    outputs: OutputBank,
    person: Person,
    *,
    energised: Energised = unguarded,
    unit: str = "C",
) -> CheckedStep:
    """Run pump and fan, and measure how long the cold takes to come.

    Raises:
        StillOnError: One of them could not be switched off.
    """
    answer = person.ask("Cold water in the reservoir, intake under it? (yes, or why not)").strip()
    if answer.lower() not in {"y", "yes"}:
        return CheckedStep(name="prime", outcome=SKIPPED, note=answer or "no reason given")
    place = "coil_outlet" if "coil_outlet" in sieves else "air"
    drop_k = OUTLET_DROP_K if place == "coil_outlet" else AIR_DROP_K
    first_c = _readings(source, sieves, person, within_s=READINGS_WITHIN_S)[place]
    if first_c is None:
        return CheckedStep(name="prime", outcome=FAILED, note=f"no reading: {place_words(place)}")
    with energised("pump", PRIME_WITHIN_S):
        began = person.clock()
        highest_c, took_s = first_c, None
        try:
            try:
                outputs.run(pump=True, fan=True)
            except OutputError as error:
                return CheckedStep(name="prime", outcome=FAILED, note=str(error))
            while person.clock() - began < PRIME_WITHIN_S:
                person.sleep(POLL_S)
                now_c = _readings_now(source, sieves, person.clock())[place]
                if now_c is None:
                    continue
                highest_c = max(highest_c, now_c)
                if now_c <= highest_c - drop_k:
                    took_s = person.clock() - began
                    break
        finally:
            try:
                outputs.run(pump=False, fan=False)
            except OutputError as error:
                raise still_on("pump or fan", error) from error
    if took_s is None:
        fall = words.difference(drop_k, unit)
        note = f"{place_words(place)} did not fall by {fall} within {PRIME_WITHIN_S / 60:.0f} min"
        return CheckedStep(name="prime", outcome=FAILED, note=note)
    proposed_s = 5 * math.ceil(took_s / 5) if place == "coil_outlet" else None
    note = f"cold at {place_words(place)} after {took_s:.0f} s"
    if proposed_s is not None:
        note += f'; [timing] prime = "{proposed_s} s"'
    person.say(f"  {note}")
    return CheckedStep(name="prime", outcome=DONE, note=note)


def _readings(
    source: SampleSource, sieves: dict[str, Sieve], person: Person, *, within_s: float
) -> dict[str, float | None]:
    """Return what each probe reads once all are believed, or what there is after a time."""
    ends = person.clock() + within_s
    while True:
        readings_c = _readings_now(source, sieves, person.clock())
        if None not in readings_c.values() or person.clock() >= ends:
            return readings_c
        person.sleep(POLL_S)


def _readings_now(
    source: SampleSource, sieves: dict[str, Sieve], now: float
) -> dict[str, float | None]:
    for name, sample in source.collect(now):
        sieves[name].take(sample)
    readings = {name: sieve.reading(now) for name, sieve in sieves.items()}
    return {
        name: reading.value_mc / 1000 if isinstance(reading, Seen) else None
        for name, reading in readings.items()
    }


@contextlib.contextmanager
def _opened(plan: Plan, config: Path) -> Iterator[tuple[SampleSource, OutputBank]]:
    outputs = open_outputs(plan)
    try:
        simulated = plan.settings.probes.air.kind == "simulated"
        source = (
            open_live_chamber(plan.settings, outputs)
            if simulated
            else open_source(plan.settings, outputs, config.parent)
        )
        try:
            yield source, outputs
        finally:
            source.close()
    finally:
        outputs.close()


def _print(steps: list[CheckedStep]) -> None:
    console = people.console()
    table = people.table("step", "outcome", "note")
    for step in steps:
        table.add_row(step.name, step.outcome, step.note)
    console.print(table)
