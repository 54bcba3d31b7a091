"""relay-modules.toml: every problem at once, and what ships serves extra-low voltage only."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from controller.domain.supply import Supply
from controller.errors import SettingsError
from controller.outputs.mains_rule import LoadKind, RatedLoad, RelayModule, judge
from controller.settings.relay_modules import (
    RatingRecord,
    examine_relay_modules,
    read_relay_modules,
)
from tests.support.machine import needs

SHIPPED = Path(__file__).parents[2] / "config" / "relay-modules.toml"

GOOD = """
[modules.shed-box]
description = "relay on a rail"
certification_mark = "VDE"
standard = "EN 61810-1"
file_number = "40012345"
isolation_class = "reinforced"
enclosure = "IP54 box"
[[modules.shed-box.ratings]]
load_kind = "motor"
supply = "250 V AC"
current = "2000 mA"
"""


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "relay-modules.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def problems(folder: Path, text: str | bytes) -> list[str]:
    """What is wrong with a file of this content, without its name."""
    _, result = examine_relay_modules(write(folder, text))
    assert all(problem.startswith("relay-modules.toml: ") for problem in result)
    return [problem.removeprefix("relay-modules.toml: ") for problem in result]


def test_read_when_a_record_is_good(tmp_path: Path) -> None:
    """The record becomes the mains rule's module in one line, and serves."""
    (record,) = read_relay_modules(write(tmp_path, GOOD)).values()

    module = RelayModule.from_record(record.model_dump())

    assert (module.id, module.file_number, module.ratings[0].current_a) == (
        "shed-box", "40012345", 2.0
    )  # fmt: skip
    pump = RatedLoad(
        name="pump", supply=Supply.parse("230 V AC"), current_a=1.6, kind=LoadKind.MOTOR
    )
    assert judge(pump, module).allowed


def test_read_when_the_file_is_empty(tmp_path: Path) -> None:
    """No record is a good list: nothing may go on mains then."""
    assert read_relay_modules(write(tmp_path, "")) == {}


def test_read_when_there_are_problems(tmp_path: Path) -> None:
    """The error carries every problem, each with its place."""
    path = write(tmp_path, "[modules.a]\n[modules.b]\n")

    with pytest.raises(SettingsError) as refusal:
        read_relay_modules(path)
    assert len(refusal.value.problems) == 4
    assert refusal.value.where == str(path)


BAD = """
modles = 1
[modules.Shed]
description = ""
ratings = 3
[modules.shed]
description = "x"
certification_mrak = "VDE"
file_number = 123
override = true
[[modules.shed.ratings]]
load_kind = "moter"
supply = "12,5 V DC"
current = 5
curent = "5 A"
[[modules.shed.ratings]]
load_kind = "motor"
"""


def test_problems_when_much_is_wrong(tmp_path: Path) -> None:
    """All of it at once: path, found, allowed."""
    supply = 'allowed: the highest volts of this rating with AC or DC, such as "30 V DC"'
    keys = (
        "found an unknown key, allowed: description, ratings, certification_mark, standard, "
        "file_number, isolation_class, enclosure"
    )

    result = dict(problem.split(": ", 1) for problem in problems(tmp_path, BAD))

    first, second = "modules.shed.ratings.entry 1", "modules.shed.ratings.entry 2"
    assert result == {
        "modles": "found an unknown key, allowed: modules; did you mean modules?",
        "modules.Shed": 'found "Shed", allowed: an id of small letters, digits and single '
        "dashes, such as mosfet-24v-dc",
        "modules.Shed.description": 'found "", allowed: what the module is, in a few words',
        "modules.Shed.ratings": "found 3, allowed: at least one table [[modules.ID.ratings]]",
        f"{first}.load_kind": 'found "moter", allowed: "resistive", "motor", "electromagnet" or '
        '"lamp"',
        f"{first}.supply": f'found "12,5 V DC", {supply}',
        f"{first}.current": 'found 5, allowed: amperes, such as "5 A"',
        f"{first}.curent": "found an unknown key, allowed: load_kind, supply, current; did you "
        "mean current?",
        f"{second}.supply": f"found nothing, {supply}",
        f"{second}.current": 'found nothing, allowed: amperes, such as "5 A"',
        "modules.shed.file_number": "found 123, allowed: the file number as text, as printed, "
        "or leave the key out",
        "modules.shed.certification_mrak": f"{keys}; did you mean certification_mark?",
        "modules.shed.override": f"{keys}; remove it",
    }


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("modules = 3", "modules: found 3, allowed: tables", id="not-tables"),
        pytest.param("[modules]\na = 1", "modules.a: found 1, allowed: a table", id="not-a-table"),
        pytest.param("[[modules]]", "modules: found a list of 1, allowed", id="list"),
        pytest.param("[modules.a", "is not TOML", id="not-toml"),
        pytest.param(
            b"\xff\xfe\x00", "found bytes that are not UTF-8 text at byte 0", id="not-text"
        ),
        pytest.param("x = " + "[" * 5000, "is nested too deeply", id="nested"),
        pytest.param(b"#" * 10_000_000, "found more than 1000000 bytes", id="ten-megabytes"),
        pytest.param(
            GOOD + "ratings = []\n",
            "modules.shed-box.ratings.entry 1.ratings: found an unknown key",
            id="key-in-the-wrong-table",
        ),
        pytest.param(
            '[modules.a]\ndescription = "x"\nratings = []',
            "modules.a.ratings: found a list of 0, allowed: at least one",
            id="no-ratings",
        ),
    ],
)
def test_problems_when_one_thing_is_wrong(tmp_path: Path, text: str | bytes, says: str) -> None:
    """One clear line."""
    (problem,) = problems(tmp_path, text)

    assert problem.startswith(says)


def test_problems_when_there_is_no_such_file(tmp_path: Path) -> None:
    """A missing file and a directory are named as such."""
    _, missing = examine_relay_modules(tmp_path / "nowhere.toml")
    _, folder = examine_relay_modules(tmp_path)

    assert missing[0].startswith("nowhere.toml: cannot be read (No such file or directory)")
    assert "found a directory, allowed: a TOML file" in folder[0]


@pytest.mark.parametrize("flag", ["override", "force", "allow_mains", "trusted", "listed"])
def test_problems_when_a_flag_would_override(tmp_path: Path, flag: str) -> None:
    """There is no such key."""
    text = GOOD.replace("[[modules", f"{flag} = true\n[[modules")

    (problem,) = problems(tmp_path, text)

    assert problem.startswith(f"modules.shed-box.{flag}: found an unknown key")


def test_load_kinds_when_held_against_the_mains_rule() -> None:
    """Settings may not import outputs, so the words are written twice; they must agree."""
    words = get_args(RatingRecord.model_fields["load_kind"].annotation)

    assert words == tuple(kind.value for kind in LoadKind)


@given(st.from_regex(r"[0-9.,]{0,5} ?V? ?(AC|DC|ac)?", fullmatch=True))
def test_supply_when_held_against_the_mains_rule(text: str) -> None:
    """Whatever the file may say, the mains rule can read."""
    try:
        rating = RatingRecord.model_validate(
            {"load_kind": "motor", "supply": text, "current": "1 A"}
        )
    except ValidationError:
        return
    assert Supply.parse(rating.supply).volts > 0


@pytest.mark.parametrize(
    ("current", "accepted"),
    [("1 mA", True), ("0.9 mA", False), ("200 A", True), ("201 A", False), ("nan A", False)],
)
def test_problems_when_a_current_cannot_be(tmp_path: Path, current: str, accepted: bool) -> None:
    """A rating of a microampere or of a thousand amperes is a slip of the unit."""
    assert (problems(tmp_path, GOOD.replace("2000 mA", current)) == []) is accepted


# --- who may change it -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mode", "refused"), [(0o666, True), (0o602, True), (0o664, False), (0o600, False)]
)
def test_a_list_that_everybody_may_write_is_refused(
    tmp_path: Path, mode: int, refused: bool
) -> None:
    """Whoever may write it decides what goes on mains; no module of it is used."""
    path = write(tmp_path, GOOD)
    path.chmod(mode)

    modules, result = examine_relay_modules(path)

    assert bool(result) is refused
    assert bool(modules) is not refused
    assert not refused or f"found mode {mode:04o}" in result[0]


def test_a_link_to_a_list_is_refused(tmp_path: Path) -> None:
    """The link's owner could point it elsewhere, and its target may lie anywhere."""
    write(tmp_path, GOOD)
    (tmp_path / "link.toml").symlink_to(tmp_path / "relay-modules.toml")

    modules, (result,) = examine_relay_modules(tmp_path / "link.toml")

    assert modules == {}
    assert "found a link" in result
    assert "copy it there" in result


@pytest.mark.parametrize("depth", [0, 2])
def test_a_list_in_an_open_folder_is_refused(tmp_path: Path, depth: int) -> None:
    """Everybody may replace a file in such a folder, unless it is a shared one with its bit set.

    Of a folder further up they may replace the folder below it.
    """
    below = tmp_path / "etc" / "coldpin"
    below.mkdir(parents=True)
    path = write(below, GOOD)
    opened = path.parents[depth]
    opened.chmod(0o777)

    modules, result = examine_relay_modules(path)
    opened.chmod(0o1777)
    in_a_shared_one, none = examine_relay_modules(path)
    opened.chmod(0o700)

    assert modules == {}
    assert f"found the folder {opened}, in which everybody may replace it" in result[0]
    assert f"chmod go-w {opened}" in result[0]
    assert none == []
    assert set(in_a_shared_one) == {"shed-box"}


def test_a_link_among_the_folders_is_followed_to_where_the_list_is(tmp_path: Path) -> None:
    """The folder that it leads to decides, also where the link's own folder is closed."""
    opened = tmp_path / "opened"
    opened.mkdir()
    write(opened, GOOD)
    opened.chmod(0o777)
    (tmp_path / "closed").mkdir(mode=0o700)
    (tmp_path / "closed" / "coldpin").symlink_to(opened)

    modules, (result,) = examine_relay_modules(
        tmp_path / "closed" / "coldpin" / "relay-modules.toml"
    )

    assert modules == {}
    assert f"found the folder {opened}" in result


@needs("root")
@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_list_that_a_group_may_write_is_refused(tmp_path: Path, what: str) -> None:
    """Root's own group and the owner's own one are as good as the owner; another is not."""
    path = write(tmp_path, GOOD)
    opened = path if what == "file" else tmp_path
    opened.chmod(0o660 if what == "file" else 0o770)
    of_its_owner, none = examine_relay_modules(path)
    os.chown(opened, 0, 60_001)

    modules, (result,) = examine_relay_modules(path)

    assert (set(of_its_owner), none) == ({"shed-box"}, [])
    assert modules == {}
    assert "the group 60001 may" in result
    assert f"chmod go-w {opened}" in result


@needs("root")
def test_a_list_of_another_user_is_refused(tmp_path: Path) -> None:
    """Somebody could have put it into a shared folder; the folder's owner could anyway."""
    path = write(tmp_path, GOOD)
    os.chown(path, 60_001, 0)
    modules, (result,) = examine_relay_modules(path)
    os.chown(tmp_path, 60_001, 0)
    in_a_folder_of_the_same, none = examine_relay_modules(path)

    assert modules == {}
    assert "found a file of user 60001" in result
    assert f"chown root {path}" in result
    assert (set(in_a_folder_of_the_same), none) == ({"shed-box"}, [])


def test_a_pipe_in_the_place_of_a_list_is_refused(tmp_path: Path) -> None:
    """Reading it would wait for ever, and a start of the service with it."""
    path = tmp_path / "relay-modules.toml"
    os.mkfifo(path)

    assert "found a pipe" in examine_relay_modules(path)[1][0]


# --- what ships ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", list(LoadKind), ids=lambda kind: kind.value)
@pytest.mark.parametrize("supply", ["26 V AC", "120 V AC", "230 V AC", "61 V DC", "230 V DC"])
def test_shipped_modules_when_a_load_is_mains(kind: LoadKind, supply: str) -> None:
    """None of them may switch mains, however small the load."""
    load = RatedLoad(name="pump", supply=Supply.parse(supply), current_a=0.01, kind=kind)
    records = read_relay_modules(SHIPPED)

    verdicts = [judge(load, RelayModule.from_record(r.model_dump())) for r in records.values()]

    assert len(verdicts) >= 3
    assert not any(verdict.allowed for verdict in verdicts)


def test_shipped_modules_when_the_pump_has_twelve_volts() -> None:
    """Each of them serves a common 12 V pump of 1.5 A."""
    load = RatedLoad(
        name="pump", supply=Supply.parse("12 V DC"), current_a=1.5, kind=LoadKind.MOTOR
    )

    allowed = {
        name: judge(load, RelayModule.from_record(record.model_dump())).allowed
        for name, record in read_relay_modules(SHIPPED).items()
    }

    assert allowed == {
        "relay-board-12v-dc": True,
        "mosfet-24v-dc": True,
        "solid-state-24v-dc": True,
    }


def template() -> str:
    """The commented-out mains record, its marks taken off as the file tells people to."""
    lines = SHIPPED.read_text().splitlines()
    return "\n".join(line[3:] for line in lines if line.startswith("#~"))


def test_template_when_left_as_it_is(tmp_path: Path) -> None:
    """It is a good record in form, and counts as empty until it is filled in."""
    (record,) = read_relay_modules(write(tmp_path, template())).values()
    load = RatedLoad(name="pump", supply=Supply.parse("230 V AC"), current_a=1, kind=LoadKind.MOTOR)

    verdict = judge(load, RelayModule.from_record(record.model_dump()))

    assert len(verdict.refusals) == 6


def test_template_when_filled_in(tmp_path: Path) -> None:
    """With words from an invented nameplate it serves."""
    filled = template()
    for form, words in {
        "<what it is, and where it is mounted>": "relay on the rail by the door",
        "<mark of the testing body>": "VDE",
        "<standard and its number>": "EN 61810-1",
        "<file or certificate number>": "40012345",
        "<double or reinforced, as printed>": "reinforced",
        "<enclosure and its IP code>": "IP54 box",
    }.items():
        assert form in filled
        filled = filled.replace(form, words)
    (record,) = read_relay_modules(write(tmp_path, filled)).values()
    load = RatedLoad(
        name="pump", supply=Supply.parse("230 V AC"), current_a=1.6, kind=LoadKind.MOTOR
    )

    assert "<" not in filled
    assert judge(load, RelayModule.from_record(record.model_dump())).allowed


def test_shipped_file_when_read_as_documentation() -> None:
    """Each key that a record may have is explained in its comments."""
    comments = "\n".join(line for line in SHIPPED.read_text().splitlines() if line.startswith("# "))
    (record,) = tomllib.loads(template())["modules"].values()
    keys = {*record, *record["ratings"][0]}

    assert {key for key in keys if key not in comments} == set()
    assert keys == {
        "description", "certification_mark", "standard", "file_number", "isolation_class",
        "enclosure", "ratings", "load_kind", "supply", "current",
    }  # fmt: skip
