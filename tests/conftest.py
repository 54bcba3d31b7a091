"""For every test: needs of the machine, processes, folders, random inputs, shared hot days."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

from controller.domain import places
from controller.planning import build
from tests.support.in_memory import write_in_memory
from tests.support.machine import demand
from tests.support.random_inputs import CAMPAIGN, draw_alike, examples
from tests.support.shared_days import SharedDays

settings.register_profile("repeatable", examples(100), derandomize=True, database=None)
settings.register_profile("campaign", examples(100), derandomize=False, print_blob=True)
settings.load_profile("campaign" if CAMPAIGN in os.environ else "repeatable")
if CAMPAIGN not in os.environ:
    draw_alike()
write_in_memory()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """Run one process more than there are processors: some tests wait for what they started."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    return len(os.sched_getaffinity(0)) + 1


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip or fail a test that needs what is not there, before any fixture of it is built."""
    demand(*(name for marker in item.iter_markers("needs") for name in marker.args))


@pytest.fixture(scope="session", autouse=True)
def shared_days(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SharedDays]:
    """Hot days that planning rehearses, once for each build in all processes of this run."""
    folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    shared = SharedDays(folder / "hot-days")
    (folder / "hot-days").mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build, "hot_days", shared)
        yield shared


@pytest.fixture(scope="session", autouse=True)
def own_shared_memory(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What services of this process keep in memory for the boot, in a folder of the run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(places, "SHARED_MEMORY", tmp_path_factory.mktemp("shared-memory"))
        yield
