"""A rehearsal in plain Python beside the optional build, compiled by mypyc; prints figures.

Run as ``python -m tests.benchmarks.compiled FOLDER [--days 6]``, with pip, a C compiler and
Python's headers at hand. The wheel is built as `pyproject.toml` says (``hooks.mypyc``) and unpacked
in FOLDER; the installed package stays as it is. A command that is started in FOLDER (``python -m
controller rehearse …``) uses the compiled one. There is no second implementation: the C comes from
the typed modules themselves, and the two runs must give the same switches and temperatures to the
last digit.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parents[2]
MEASURE = """
import hashlib, json, sys, time
from controller.core import decide
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
settings = read_settings(shipped_config("larkmoor-laptop.toml"))
scenario = read_scenario(shipped_config("scenarios") / "calm-day.toml")
Rehearsal(settings, scenario, days=0.5).run()
days = float(sys.argv[1])
made = Rehearsal(settings, scenario, days=days, keep_switches=True)
began = time.process_time()
made.run()
lasted_s = time.process_time() - began
tally = made.tally
ran = repr((tally.switches, tally.air_c, tally.reservoir_c, tally.alarms))
digest = hashlib.sha256(ran.encode()).hexdigest()
print(json.dumps([decide.__file__, days / lasted_s, digest]))
"""


def main() -> None:
    """Compile, run both, print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path, help="an empty folder, or one that is not there yet")
    options.add_argument("--days", type=float, default=6.0)
    chosen = options.parse_args()
    folder: Path = chosen.folder.absolute()
    if folder.exists() and any(folder.iterdir()):
        raise SystemExit(f"{folder} is not empty; name a folder that is")
    compile_into(folder)
    plain_file, plain, plain_run = measured(ROOT, chosen.days)
    compiled_file, compiled, compiled_run = measured(folder, chosen.days)
    if plain_run != compiled_run:
        raise SystemExit(f"{plain_file} and {compiled_file} gave different runs")
    if compiled_file.endswith(".py"):
        raise SystemExit(f"{compiled_file} was used, not a compiled one")
    print(f"plain Python  {plain:5.1f} days/s of CPU time")
    print(f"compiled      {compiled:5.1f} days/s, {compiled / plain:.2f} times, the same run")


def compile_into(folder: Path) -> None:
    """Build the compiled wheel and unpack it in a folder.

    Raises:
        SystemExit: There is no pip or no compiler, or it does not take a module.
    """
    with tempfile.TemporaryDirectory() as wheels:
        # of a copy: what is compiled stays beside its source and would be used there from then on
        source = Path(wheels) / "source"
        shutil.copytree(ROOT, source, ignore=shutil.ignore_patterns(".*", "__pycache__", "tests"))
        done = subprocess.run(
            [sys.executable, "-m", "pip", "wheel", "--no-deps", "--wheel-dir", wheels, str(source)],
            env={**os.environ, "HATCH_BUILD_HOOK_ENABLE_MYPYC": "1"},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise SystemExit((done.stdout + done.stderr)[-2000:])
        (wheel,) = Path(wheels).glob("*.whl")
        with ZipFile(wheel) as archive:
            archive.extractall(folder)


def measured(folder: Path, days: float) -> tuple[str, float, str]:
    """Return what the package in a folder is, its days a second, and a digest of the run."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(days)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    file, speed, digest = json.loads(done.stdout)
    return str(file), float(speed), str(digest)


if __name__ == "__main__":
    main()
