"""For every test: what it needs of the machine, random inputs that repeat, shared hot days."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

from controller.planning import build
from tests.support.machine import demand
from tests.support.random_inputs import CAMPAIGN, draw_alike, examples
from tests.support.shared_days import SharedDays

settings.register_profile("repeatable", examples(100), derandomize=True, database=None)
settings.register_profile("campaign", examples(100), derandomize=False, print_blob=True)
settings.load_profile("campaign" if CAMPAIGN in os.environ else "repeatable")
if CAMPAIGN not in os.environ:
    draw_alike()


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
