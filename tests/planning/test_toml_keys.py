"""Single keys of a TOML text are set; every other byte stays. Held against tomllib and difflib."""

from __future__ import annotations

import difflib
import tomllib

import pytest

from controller.errors import SettingsError
from controller.planning.toml_keys import with_values

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
