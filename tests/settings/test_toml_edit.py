"""Texts as TOML writes them."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from controller.planning.answers import answers_text, read_answers
from controller.settings.toml_edit import toml_string
from tests.support.random_inputs import examples


@examples(100)
@given(st.text(alphabet=st.characters(codec=None)) | st.text('\x00\x7f\\"\r\n\ud800 a'))
def test_any_text_comes_back_as_it_was(text: str) -> None:
    """Reference: Python's own reader of TOML; half a character cannot be kept by any file."""
    kept = text.encode("utf-8", "replace").decode()

    assert tomllib.loads(f"a = {toml_string(text)}") == {"a": kept}


def test_a_change_of_any_name_can_be_kept() -> None:
    """Found by asking the planning page for the change DEL: it answered with a server error."""
    assert read_answers(answers_text({}, ("\x7f", "a\nb")))[1] == ("\x7f", "a\nb")
