"""A chamber named by a path, by its instance, or not at all where there is only one."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from controller.cli.instances import CONFIG, NEW_CONFIG, Instance, config_and_rest
from controller.cli.main import COMMANDS, coldpin
from controller.cli.requests import ack, stage, swap
from controller.domain import places
from controller.domain.requests import Acknowledge, LogSwap, SetStage

TEXT = '[chamber]\nname = "x"\n'


@click.command()
@CONFIG
def shown(config: Path) -> None:
    click.echo(config)


@click.command()
@NEW_CONFIG
def made(config: Path) -> None:
    click.echo(config)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a configuration folder with one chamber and files that are none."""
    monkeypatch.setattr(places, "CONFIGURATIONS", tmp_path)
    (tmp_path / "loft.toml").write_text(TEXT, encoding="utf-8")
    (tmp_path / "relay-modules.toml").write_text("[modules]\n", encoding="utf-8")
    return tmp_path


def chosen(*words: str) -> tuple[int, str]:
    ran = CliRunner().invoke(shown, words)
    return ran.exit_code, " ".join(ran.output.split())


def test_every_command_takes_the_name_of_a_chamber() -> None:
    """`size` and `plan` took a path alone, against the page of commands."""
    kinds = {
        (name, type(each.type))
        for name in COMMANDS
        for command in [coldpin.get_command(click.Context(coldpin), name)]
        if command is not None
        for each in command.params
        if each.name in {"config", "configs"}
    }

    assert {"size", "plan", "rehearse", "check"} <= {name for name, _ in kinds}
    assert {kind for _, kind in kinds} == {Instance}


def test_a_name_is_the_chamber_in_the_folder(folder: Path) -> None:
    """`coldpin status loft`."""
    assert chosen("loft") == (0, str(folder / "loft.toml"))


def test_a_folder_that_may_not_be_looked_into_hides_no_chamber(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`sudo -u coldpin coldpin status loft`, typed in a home folder."""

    def refused(self: Path) -> bool:
        if not self.is_absolute():
            raise PermissionError(13, "Permission denied", str(self))
        return True

    monkeypatch.setattr(Path, "exists", refused)

    assert chosen("loft") == (0, str(folder / "loft.toml"))


def test_a_command_that_makes_a_chamber_takes_a_name_that_none_has_yet(folder: Path) -> None:
    """`coldpin restore attic FILE` on a new card; a command about a chamber refuses it."""
    ran = CliRunner().invoke(made, ["attic"])

    assert ran.output.strip() == str(folder / "attic.toml")
    assert chosen("attic")[0] == 2
    assert CliRunner().invoke(made, []).exit_code == 2, "never the only one by chance"


def test_a_path_is_taken_as_it_is(folder: Path) -> None:
    """Whether or not there is such a file: whoever reads it says so."""
    assert chosen("none.toml") == (0, "none.toml")
    assert chosen("./loft") == (0, "loft")


def test_the_only_chamber_needs_no_name(folder: Path) -> None:
    """Other files in the folder are no chambers."""
    assert chosen() == (0, str(folder / "loft.toml"))


def test_of_two_chambers_one_must_be_named(folder: Path) -> None:
    """And both are named."""
    (folder / "attic.toml").write_text(TEXT, encoding="utf-8")

    status, words = chosen()

    assert status == 2
    assert "name a chamber: there are 2 on this machine: attic, loft" in words


def test_without_a_chamber_one_must_be_named(folder: Path) -> None:
    """On a laptop, mostly."""
    (folder / "loft.toml").unlink()

    assert "name a configuration: there is no chamber in" in chosen()[1]


def test_a_misspelt_name_is_refused_with_the_nearest(folder: Path) -> None:
    """And with those there are."""
    status, words = chosen("lotf")

    assert status == 2
    assert 'found no chamber "lotf"' in words
    assert "the chambers are loft." in words
    assert 'Did you mean "loft"?' in words


@pytest.mark.parametrize(
    ("words", "most", "wanted"),
    [
        (("loft", "pinning"), 1, ("loft.toml", ("pinning",))),
        (("pinning",), 1, ("loft.toml", ("pinning",))),
        (("loft",), 0, ("loft.toml", ())),
    ],
)
def test_the_chamber_stands_before_other_words_or_is_left_out(
    folder: Path, words: tuple[str, ...], most: int, wanted: tuple[str, tuple[str, ...]]
) -> None:
    """`coldpin stage loft pinning` and `coldpin stage pinning`."""
    config, rest = config_and_rest(words, most=most)

    assert (config.name, rest) == wanted


def test_too_many_words_are_refused(folder: Path) -> None:
    """Not one of them taken for the chamber."""
    with pytest.raises(click.UsageError, match="found 3 words"):
        config_and_rest(("a", "b", "c"), most=1)


@pytest.mark.parametrize(
    ("command", "words", "kind", "wanted"),
    [
        (swap, [], LogSwap, ("packs", 8)),
        (stage, ["pinning"], SetStage, ("name", "pinning")),
        (ack, [], Acknowledge, ("alarm", None)),
        (ack, ["air_high"], Acknowledge, ("alarm", "air_high")),
        (ack, ["loft", "air_high"], Acknowledge, ("alarm", "air_high")),
    ],
)
def test_daily_commands_need_no_configuration(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: click.Command,
    words: list[str],
    kind: type[object],
    wanted: tuple[str, object],
) -> None:
    """`coldpin swap` alone means a full set, now."""
    shipped = Path(__file__).parents[2] / "config" / "larkmoor-laptop.toml"
    text = shipped.read_text(encoding="utf-8").replace("in_reservoir = ", "in_reservoir = 8 #")
    (folder / "loft.toml").write_text(text, encoding="utf-8")
    asked: list[object] = []
    monkeypatch.setattr(
        "controller.cli.requests._request", lambda _config, payload, **_: asked.append(payload)
    )

    ran = CliRunner().invoke(command, words, catch_exceptions=False)

    assert ran.exit_code == 0, ran.output
    (payload,) = asked
    assert isinstance(payload, kind)
    name, value = wanted
    assert getattr(payload, name) == value
