"""From a signed first run to a running chamber, with a scripted person and service manager."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from controller.cli import handover
from controller.cli.handover import hand_over
from controller.commissioning.installation.machine import ProgramResult
from controller.domain.places import SECRET_FILE
from controller.settings.load import Settings
from controller.settings.shipped import shipped_config


@dataclass
class Stage:
    """An installed chamber, what the person answers, and what is run and said."""

    config: Path
    answers: dict[str, bool] = field(default_factory=dict)
    ran: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    passwords: list[Path] = field(default_factory=list)
    failing: str = "nothing"

    def run(self, argv: Sequence[str]) -> ProgramResult:
        self.ran.append(" ".join(argv))
        bad = self.failing in self.ran[-1]
        return ProgramResult(
            status=int(bad), output="it broke" if bad else "address 1 (json): accepted it"
        )

    def make_password(self, config: Path, _settings: Settings, place: Path) -> None:
        self.passwords.append(config)
        self.ran.append("password")
        (place / SECRET_FILE).touch()

    def hand_over(self) -> str:
        hand_over(
            self.config,
            confirm=lambda question: self.answers.get(question.split()[0], True),
            say=lambda text: self.lines.append(str(text)),
            run=self.run,
        )
        return "\n".join(self.lines)


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stage:
    """Root, systemd, and a chamber that names an address for notices."""
    config = tmp_path / "loft.toml"
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    config.write_text(text + '\n[notices]\naddresses = "loft-notices"\n', encoding="utf-8")
    result = Stage(config)
    monkeypatch.setattr(handover, "CONFIGURATIONS", tmp_path)
    monkeypatch.setattr(handover, "MANAGER", tmp_path)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(handover, "state_directory", lambda _: tmp_path)
    monkeypatch.setattr(handover, "make_password", result.make_password)
    return result


def test_service_page_password_and_notice_follow_one_another(stage: Stage) -> None:
    """Each is asked for, done, and said."""
    words = stage.hand_over()

    assert stage.ran == [
        "systemctl enable coldpin@loft",
        "systemctl restart coldpin@loft",
        "password",
        "systemctl enable coldpin-lookout@loft",
        "systemctl restart coldpin-lookout@loft",
        f"runuser -u coldpin -- /usr/local/bin/coldpin notify {stage.config}",
    ]
    assert stage.passwords == [stage.config]
    assert "coldpin@loft: started" in words
    assert "accepted it" in words


def test_a_service_that_does_not_start_is_said_and_nothing_follows(stage: Stage) -> None:
    """A password for a page of a chamber that does not run helps nobody."""
    stage.failing = "coldpin@loft"

    assert "systemctl status coldpin@loft says why" in stage.hand_over()
    assert len(stage.ran) == 1
    assert stage.passwords == []


@pytest.mark.parametrize("address", ["127.0.0.1", "0.0.0.0"])
def test_a_page_open_to_the_house_is_not_started_without_a_password(
    stage: Stage, address: str
) -> None:
    """It would end at once, and "started" would be a lie; the notices come all the same."""
    text = stage.config.read_text(encoding="utf-8")
    stage.config.write_text(f'{text}\n[lookout]\naddress = "{address}"\n', encoding="utf-8")
    stage.answers["Make"] = False

    words = stage.hand_over()

    starts = address == "127.0.0.1"
    assert ("systemctl restart coldpin-lookout@loft" in stage.ran) is starts
    assert ("sudo coldpin lookout loft --new-password" in words) is not starts
    assert "accepted it" in words


def test_who_says_no_reads_how_to_do_it_later(stage: Stage) -> None:
    """Nothing is started."""
    stage.answers["Start"] = False

    assert "sudo systemctl enable --now coldpin@loft" in stage.hand_over()
    assert stage.ran == []


def test_without_root_it_says_how(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A person without sudo cannot start a service."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)

    assert "sudo coldpin lookout loft --new-password" in stage.hand_over()
    assert stage.ran == []
