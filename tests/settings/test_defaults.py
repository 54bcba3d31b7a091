"""What stands for a table that a file leaves out."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from controller.settings.load import Settings
from controller.settings.models import Alarms, Table
from controller.settings.scenario_file import ScenarioFile


def defaults_of(model: type[Table], path: str = "") -> Iterator[tuple[str, Table]]:
    """Yield the tables that stand for those left out, by their path; an alarm's own are values."""
    for name, field in model.model_fields.items():
        given = field.get_default(call_default_factory=True)
        if isinstance(given, Table):
            yield f"{path}{name}", given
            if type(given) is not Alarms:
                yield from defaults_of(type(given), f"{path}{name}.")


LEFT_OUT = dict([*defaults_of(Settings), *defaults_of(ScenarioFile, "scenario.")])


@pytest.mark.parametrize("path", LEFT_OUT)
def test_a_table_left_out_is_what_an_empty_one_is(path: str) -> None:
    """Its defaults are not judged each time; here they are, and nothing becomes of them."""
    default = LEFT_OUT[path]

    assert type(default).model_validate({}) == default


def test_tables_within_tables_are_among_them() -> None:
    """Or what is held above would be less than it seems."""
    assert {"timing", "alarms", "plant", "plant.coil", "scenario.room"} <= LEFT_OUT.keys()
