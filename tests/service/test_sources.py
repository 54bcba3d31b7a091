"""From the settings to what reads the probes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.service.clock import SystemClock
from controller.service.sources import open_source
from controller.settings.load import read_settings
from tests.service.running import AIR, CONFIG, WATER
from tests.support.w1_tree import W1Tree
from tests.support.waiting import until


@pytest.mark.parametrize(
    ("key", "left"),
    [("", b"trigger\n"), ("bulk = true", b"trigger\n"), ("bulk = false", b"0\n")],
    ids=["default", "true", "false"],
)
def test_a_bus_converts_at_once_only_where_the_configuration_wants_it(
    tmp_path: Path, key: str, left: bytes
) -> None:
    """`[one_wire] bulk`: for kernels and probes with which it misbehaves, it can be put off."""
    tree = W1Tree(tmp_path)
    for probe_id in (AIR, WATER):
        tree.add_probe(probe_id)
        tree.set(probe_id, 16.0)
    bulk_file = tree.set_bulk(0)
    config = tmp_path / "c.toml"
    config.write_text(
        CONFIG.format(
            root=f'{tree.root}"\n{key}\n#"', air=AIR, water=WATER, more="", pump="p", fan="f"
        ),
        encoding="utf-8",
    )
    nothing_to_cool: Any = None
    clock = SystemClock()
    source = open_source(read_settings(config), nothing_to_cool, tmp_path)
    answered: set[str] = set()
    try:
        until(
            lambda: answered == {"air", "reservoir"},
            meanwhile=lambda: answered.update(
                name for name, _ in source.collect(clock.monotonic())
            ),
        )
    finally:
        source.close()

    assert bulk_file.read_bytes() == left
