"""The scenario file of a rehearsal: the room, the people, and what goes wrong when."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from controller.domain.units import Difference, Duration, Seconds, between
from controller.errors import InputFileError, SettingsError
from controller.settings.models import LocalTime, Table
from controller.settings.problems import entry, problem_lines
from controller.settings.toml_file import read_toml

_List = Field(strict=False)
"""TOML has arrays only; they become tuples."""

_ANY_TIME = between(0, 31_536_000, "0 s to 365 d")


Answered = Literal["swap_due", "reservoir_warm", "air_high", "flow_not_proved", "probe_lost"]


class RoomScript(Table):
    """[room]: how the days differ from the room of the plant."""

    warmer_by: Annotated[tuple[Difference, ...], _List] = ()
    """One step for each day from the first; the last one goes on."""


class GrowerScript(Table):
    """[grower]: when a person is there, and what that person does."""

    wakes: LocalTime
    sleeps: LocalTime
    packs_ready: Annotated[int, Field(ge=0)] | None = None
    """Packs frozen at the start; default: all that are not in the reservoir."""
    swaps_at: Annotated[tuple[LocalTime, ...], _List] = ()
    """Swaps by habit."""
    keeps_while_frozen: Annotated[float, Field(ge=0, le=1, strict=False)] | None = None
    """By habit this person looks at the packs first and leaves them in while at least this share of
    them is frozen; default: changes them in any case."""
    forgets: Annotated[tuple[Annotated[Duration, _ANY_TIME], ...], _List] = ()
    """Times since the start around which a swap by habit is forgotten (within an hour)."""
    answers: Annotated[tuple[Answered, ...], _List] = ()
    """Alarms after which this person comes."""
    goes_by: Literal["plan", "notices"] = "plan"
    """With a forecast: whether this person keeps to the swap plan, or comes when told."""
    comes_within: Annotated[Duration, between(0, 172_800, "0 s to 2 d")] = Seconds(1800)


class FaultScript(Table):
    """[[faults]]: something that goes wrong for a while."""

    kind: Literal["lost_prime", "dead_probe", "power_cut"]
    at: Annotated[Duration, _ANY_TIME]
    lasts: Annotated[Duration, _ANY_TIME]
    probe: Literal["air", "reservoir", "room", "coil_outlet"] | None = None


class ScenarioFile(Table):
    """A whole scenario."""

    about: str
    days: Annotated[float, Field(gt=0, le=400, strict=False)]
    starts: LocalTime
    room: RoomScript = RoomScript.by_default()
    grower: GrowerScript
    faults: Annotated[tuple[FaultScript, ...], _List] = ()


def read_scenario(path: Path) -> ScenarioFile:
    """Return the scenario in a file.

    Raises:
        InputFileError: The file cannot be used; carries every problem found.
    """
    try:
        scenario = ScenarioFile.model_validate(read_toml(path))
    except ValidationError as error:
        raise InputFileError(str(path), tuple(problem_lines(error, ScenarioFile))) from None
    except SettingsError as error:
        raise InputFileError(error.where, error.problems) from None
    problems = tuple(
        f"faults.{entry(number)}.probe: found nothing, allowed: the probe that dies"
        for number, fault in enumerate(scenario.faults)
        if fault.kind == "dead_probe" and fault.probe is None
    )
    if problems:
        raise InputFileError(str(path), problems)
    return scenario
