"""A fake 1-Wire tree for every test that asks for one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.w1_tree import W1Tree


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[W1Tree]:
    """An empty tree with one bus; reads that still hang come back at the end."""
    built = W1Tree(tmp_path)
    yield built
    built.release_all()
