"""For every test: what it needs of the machine, and random inputs that repeat."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from tests.support.machine import demand
from tests.support.random_inputs import CAMPAIGN, examples

settings.register_profile("repeatable", examples(100), derandomize=True, database=None)
settings.register_profile("campaign", examples(100), derandomize=False, print_blob=True)
settings.load_profile("campaign" if CAMPAIGN in os.environ else "repeatable")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip or fail a test that needs what is not there, before any fixture of it is built."""
    demand(*(name for marker in item.iter_markers("needs") for name in marker.args))
