"""Keys of a TOML text are set, every other byte stays, and texts are written as TOML has them.

Held against Python's own reader of TOML, and difflib.
"""

from __future__ import annotations

import difflib
import sys
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import SettingsError
from controller.planning.answers import answers_text, read_answers
from controller.settings.toml_edit import toml_string, with_values, without_table
from tests.support.random_inputs import examples

ODD = """\ufeff# top, with a tab\there
title   =  'x'   # keep me
"quoted key" = 1


[plant . chamber]   # the box
  lights_w=4.0      # strip
\twall   = 'foam-board-50'\t# tabs
text = \"\"\"
[plant.packs]
count = 99
\"\"\"

# about packs
   # and more
[plant.packs]
count=12 # in all

[[notices.to]]
url = "x"
""".removeprefix("\ufeff")


def changed_lines(before: str, after: str) -> list[str]:
    return [
        line
        for line in difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True))
        if line[0] in "+-"
    ]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_only_the_lines_of_the_keys_change(end: str) -> None:
    odd = ODD.replace("\n", end)
    after = with_values(
        odd,
        {
            ("plant", "chamber", "lights_w"): 8.5,
            ("plant", "chamber", "wall"): None,
            ("plant", "chamber", "wall_u_w_m2k"): 0.5,
            ("plant", "packs", "in_reservoir"): 5,
            ("title",): 'say "y"',
            ("plant", "freezer", "litres"): "200 L",
        },
    )

    assert changed_lines(odd, after) == [
        f"- title   =  'x'   # keep me{end}",
        f'+ title   =  "say \\"y\\""   # keep me{end}',
        f"-   lights_w=4.0      # strip{end}",
        f"+   lights_w=8.5      # strip{end}",
        f"- \twall   = 'foam-board-50'\t# tabs{end}",
        f"+ wall_u_w_m2k = 0.5{end}",
        f"+ in_reservoir = 5{end}",
        f"+ {end}",
        f"+ [plant.freezer]{end}",
        f'+ litres = "200 L"{end}',
    ]


@pytest.mark.parametrize(
    "text",
    [
        "plant.packs.count = 12 # dotted\n",
        "plant = { packs = { count = 12 } } # inline\n",
        "[plant]\npacks = { count = 12 }  # half inline\n",
        "[plant.packs]\ncount = 12",
    ],
)
def test_other_ways_to_write_a_table(text: str) -> None:
    after = with_values(text, {("plant", "packs", "count"): 8, ("plant", "packs", "kg"): 0.9})

    assert tomllib.loads(after) == {"plant": {"packs": {"count": 8, "kg": 0.9}}}
    assert "#" not in text or text[text.index("#") :].strip() in after


def test_a_value_that_is_there_already_changes_no_byte() -> None:
    assert with_values(ODD, {("plant", "packs", "count"): 12, ("title",): "x"}) == ODD


def test_what_cannot_be_done_safely_is_refused() -> None:
    with pytest.raises(SettingsError, match="by hand"):
        with_values("plant = 3\n", {("plant", "packs", "count"): 8})


def test_keys_are_set_in_their_own_table_only() -> None:
    text = '[a]\nx = 1  # one\n# of b\n[b]\nx = 2\n\n[c.d]\ny = "k"\n'

    assert with_values(text, {("b", "x"): 5, ("b", "z"): "q"}) == (
        '[a]\nx = 1  # one\n# of b\n[b]\nx = 5\nz = "q"\n\n[c.d]\ny = "k"\n'
    )
    assert tomllib.loads(with_values(text, {("e", "on"): True}))["e"] == {"on": True}
    assert without_table(text, ("b",)) == '[a]\nx = 1  # one\n# of b\n[c.d]\ny = "k"\n'
    assert without_table(text, ("q",)) == text


def test_a_key_of_no_table_stands_above_every_heading() -> None:
    assert with_values("[a]\nx = 1\n", {("top",): True}) == "top = true\n[a]\nx = 1\n"
    assert with_values("one = 1\n\n[a]\n", {("two",): 2}) == "one = 1\ntwo = 2\n\n[a]\n"


@pytest.mark.parametrize("value", [True, -3, 0.5, 1e300, 'a "b" \\ #', "\n"])
def test_a_value_of_any_kind_can_take_the_place_of_another(value: str | float) -> None:
    for old in ("true", "12", "1.5e3", '"a # b"', "'a # \"b'", "2026-01-01"):
        text = f"[t]\nk = {old} # why\n"
        after = with_values(text, {("t", "k"): value})
        assert tomllib.loads(after) == {"t": {"k": value}}
        assert after.endswith(" # why\n")


@pytest.mark.parametrize(
    "text", ["a = { x = 1 }\n", "a.x = 1\n", '[a]\ns = """\nx = 1\n"""\nx.y = 1\n']
)
def test_without_the_extra_what_is_not_plain_is_left_to_the_person(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Inline tables and dotted keys: nothing is guessed."""
    monkeypatch.setitem(sys.modules, "tomlkit", None)
    monkeypatch.setitem(sys.modules, "tomlkit.exceptions", None)
    with pytest.raises(SettingsError, match="by hand"):
        with_values(text, {("a", "x"): 5})
    with pytest.raises(SettingsError, match="by hand"):
        without_table("a = { x = 1 }\n", ("a",))


@examples(100)
@given(st.text(alphabet=st.characters(codec=None)) | st.text('\x00\x7f\\"\r\n\ud800 a'))
def test_any_text_comes_back_as_it_was(text: str) -> None:
    """Reference: Python's own reader of TOML; half a character cannot be kept by any file."""
    kept = text.encode("utf-8", "replace").decode()

    assert tomllib.loads(f"a = {toml_string(text)}") == {"a": kept}


def test_a_change_of_any_name_can_be_kept() -> None:
    """Found by asking the planning page for the change DEL: it answered with a server error."""
    assert read_answers(answers_text({}, ("\x7f", "a\nb")))[1] == ("\x7f", "a\nb")
