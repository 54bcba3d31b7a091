"""Kill the control process at every kind of moment, and hold each rest of the pump against the law.

python -m tests.faults.kills [--times 200] [--at-once 20] [--seed 1]

Each chamber is the service as a subprocess on a fake bus, with a driver that stamps every switch by
the boot-time clock. It is killed at random moments: just after a start or a stop of the pump, while
it rests, while it runs. Then, as the unit does it, `coldpin off` runs, or, as without a unit, the
next start alone puts the loads off. The rest is measured on the tape of the driver, which knows
nothing of what the service believes.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from tests.service.running import AIR, Bench, bench

REST_S = 30.0
"""`[timing] anti_short_cycle` of the bench."""
LATE_S = 90.0
"""Give up waiting for a moment to kill at, and kill anyway."""
STAMP_S = 0.001


@dataclass(slots=True)
class Tally:
    """What came of the kills of one chamber."""

    kills: Counter[str] = field(default_factory=Counter)
    rests_s: list[float] = field(default_factory=list)
    left_on: int = 0


def main() -> int:
    """Print what came of it, and return 1 where a rest was too short or a load stayed on."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=200)
    options.add_argument("--at-once", type=int, default=20)
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    at_once = min(chosen.at_once, chosen.times)
    shares = [chosen.times // at_once + (n < chosen.times % at_once) for n in range(at_once)]
    with ThreadPoolExecutor(at_once) as pool:
        tallies = list(
            pool.map(lambda each: killed(each[1], chosen.seed * 1000 + each[0]), enumerate(shares))
        )
    kills = sum((tally.kills for tally in tallies), Counter[str]())
    rests_s = sorted(rest for tally in tallies for rest in tally.rests_s)
    short = [rest for rest in rests_s if rest < REST_S - STAMP_S]
    left_on = sum(tally.left_on for tally in tallies)
    print(f"kills {kills.total()}: " + ", ".join(f"{n} {what}" for what, n in kills.most_common()))
    print(
        f"starts after a rest {len(rests_s)}; shortest rest {rests_s[0]:.3f} s, "
        f"asked {REST_S:g} s; shorter than asked {len(short)}"
    )
    print(f"loads still on after the kill and `off`: {left_on}")
    return 1 if short or left_on else 0


def killed(times: int, seed: int) -> Tally:
    """Kill one chamber's service so many times and return what came of it."""
    dice, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as folder, bench(Path(folder)) as instance:
        stamps = instance.folder / "stamps"
        instance.write_config(f'stamps = "{stamps}"')
        instance.rest_long_ago()
        for _ in range(times):
            instance.tree.set(AIR, 18.0)
            instance.start()
            tally.kills[_kill_at_some_moment(instance, dice)] += 1
            if dice.random() < 0.7:
                _off(instance)
                tally.left_on += instance.is_on("pump") + instance.is_on("fan")
        instance.start()
        _wait(instance, lambda: instance.is_on("pump"))
        instance.signal(signal.SIGKILL)
        instance.ended()
        tally.rests_s = rests(stamps.read_text(encoding="ascii").splitlines())
    return tally


def _off(instance: Bench) -> None:
    subprocess.run(
        [sys.executable, "-m", "controller", "off", str(instance.config)],
        env=instance.environment, capture_output=True, timeout=10 * LATE_S, check=False,
    )  # fmt: skip


def rests(stamps: list[str]) -> list[float]:
    """Return the time from each end of a run, by whatever, to the next start [s]."""
    rested_s: list[float] = []
    ended_s: float | None = None
    on = False
    for line in stamps:
        at, token = line.split(" ", 1)
        if token == "on":
            if ended_s is not None:
                rested_s.append(float(at) - ended_s)
            on = True
        elif on:
            ended_s, on = float(at), False
    return rested_s


def _kill_at_some_moment(instance: Bench, dice: random.Random) -> str:
    moment = dice.choice(("after a start", "in a run", "after a stop", "in a rest", "at any time"))
    match moment:
        case "after a start":
            _wait(instance, lambda: instance.is_on("pump"))
            time.sleep(dice.uniform(0.0, 0.1))
        case "in a run":
            _wait(instance, lambda: instance.is_on("fan"))
            time.sleep(dice.uniform(0.0, 10.0))
        case "after a stop":
            _wait(instance, lambda: instance.is_on("fan"))
            instance.tree.set(AIR, 10.0)
            _wait(instance, lambda: instance.tape("pump")[-1] == "off")
            time.sleep(dice.uniform(0.0, 0.1))
        case "in a rest":
            time.sleep(dice.uniform(1.0, 25.0))
        case _:
            time.sleep(dice.uniform(0.0, 45.0))
    assert instance.process is not None
    on = "pump on" if instance.is_on("pump") else "pump off"
    instance.process.send_signal(signal.SIGKILL)
    instance.ended()
    return f"{moment} ({on})"


def _wait(instance: Bench, holds: object) -> None:
    ends_s = time.monotonic() + LATE_S
    while not holds() and time.monotonic() < ends_s:  # type: ignore[operator]
        time.sleep(0.005)


if __name__ == "__main__":
    sys.exit(main())
