"""The chamber's level switch: none, one, another one, and one that cannot be opened."""

from __future__ import annotations

from structlog.testing import capture_logs

from controller.errors import OutputError
from controller.service.level_input import LevelInput
from controller.settings.models import Level


class Fake:
    """A switch that remembers whether it was closed."""

    def __init__(self) -> None:
        self.water, self.closed = True, False

    def read(self) -> bool:
        """Return what the test has set."""
        return self.water

    def close(self) -> None:
        """Remember it."""
        self.closed = True


def test_a_switch_is_opened_once_and_let_go_when_its_table_changes() -> None:
    """An unchanged table touches nothing."""
    opened: dict[int, Fake] = {}

    def open_switch(line: int) -> Fake:
        assert line not in opened
        opened[line] = Fake()
        return opened[line]

    level = LevelInput(open_switch)
    assert level.read() is None
    level.configure(Level(pin=22))
    level.configure(Level(pin=22))
    assert level.read() is True
    opened[22].water = False
    assert level.read() is False
    level.configure(Level(pin=23))
    assert opened[22].closed
    assert level.read() is True
    level.configure(None)
    assert opened[23].closed
    assert level.read() is None


def test_a_switch_that_cannot_be_opened_reads_as_empty() -> None:
    """The pump stays off, and the log says why."""

    def open_switch(line: int) -> Fake:
        raise OutputError(f"no line {line}")

    level = LevelInput(open_switch)
    with capture_logs() as logs:
        level.configure(Level(pin=22))

    assert level.read() is False
    assert [(line["event"], line["problem"]) for line in logs] == [
        ("level_switch_not_open", "no line 22")
    ]
