"""Every input that must get a clear answer: exit 78, every problem at once, found and allowed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli.main import status_of
from controller.settings.load import Settings, examine_settings
from controller.settings.shipped import shipped_config
from tests.support.random_inputs import examples
from tests.support.w1_tree import W1Tree

CONFIG = shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
MODULES = shipped_config("relay-modules.toml").read_text(encoding="utf-8")
FIT_MODULE = """
[modules.panel-relay]
description = "a relay in a closed box, as its nameplate says"
certification_mark = "VDE"
standard = "EN 61810-1"
file_number = "40001234"
isolation_class = "reinforced insulation"
enclosure = "closed plastic box, IP54"

[[modules.panel-relay.ratings]]
load_kind = "motor"
supply = "250 V AC"
current = "2 A"

[[modules.panel-relay.ratings]]
load_kind = "resistive"
supply = "250 V AC"
current = "10 A"
"""
MAINS = {'supply = "12 V DC"                     # <== from the nameplate': 'supply = "230 V AC"'}


def checked(
    folder: Path, capsys: pytest.CaptureFixture[str], text: str, modules: str = MODULES
) -> tuple[int, str]:
    """Return exit status and what `coldpin check` says on standard error."""
    (folder / "relay-modules.toml").write_text(modules, encoding="utf-8")
    config = folder / "chamber.toml"
    config.write_text(text, encoding="utf-8")
    status = status_of(["check", str(config)])
    return status, capsys.readouterr().err


def changed(changes: dict[str, str], text: str = CONFIG) -> str:
    """Return the example with some lines changed; each must be there to be changed."""
    for before, after in changes.items():
        assert before in text, before
        text = text.replace(before, after, 1)
    return text


@pytest.mark.parametrize("example", ["skerrow-pi.toml", "larkmoor-laptop.toml"])
def test_example_passes_check(
    example: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What ships can be used, and its wiring and cautions are shown."""
    monkeypatch.setenv("COLUMNS", "120")
    assert status_of(["check", str(shipped_config(example))]) == 0

    printed = capsys.readouterr().out
    for heading in ("Bands", "Probes", "Wiring", "Cautions", "licensed electrician", "Local codes"):
        assert heading in printed


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        pytest.param(
            {"anti_short_cycle": "anti_short_cycel"},
            ["timing.anti_short_cycel: found an unknown key", "did you mean anti_short_cycle?"],
            id="typo-in-a-key",
        ),
        pytest.param({"[limits]": "[limit]"}, ["limit:", "limits:"], id="misspelt-table"),
        pytest.param(
            {'cut_in = "17 C"': "cut_in = 17"},
            ["stages.fruiting.cut_in: found 17", "with its unit"],
            id="bare-number",
        ),
        pytest.param(
            {'cut_in = "17 C"': 'cut_in = "65 C"'},
            ['found "65 C"', "65 °F would be 18.3 °C"],
            id="fahrenheit-meant",
        ),
        pytest.param(
            {'cut_in = "17 C"': 'cut_in = "14.5 C"'},
            ["stages.fruiting.cut_out", "below stages.fruiting.cut_in"],
            id="cut-out-above-cut-in",
        ),
        pytest.param(
            {'cut_out = "15 C"': 'cut_out = "16.9 C"'},
            ["a band of 0.1 K", "two steps of the probe"],
            id="band-narrower-than-the-probe-sees",
        ),
        pytest.param(
            {'cut_in = "17 C"': 'cut_in = "17,5 C"'},
            ['write "17.5 C"'],
            id="decimal-comma",
        ),
        pytest.param({'cut_in = "17 C"': "cut_in = nan"}, ["found nan"], id="nan"),
        pytest.param({'cut_in = "17 C"': "cut_in = true"}, ["found true"], id="true"),
        pytest.param(
            {"pin = 6": "pin = 5"},
            ["loads.fan: found the line gpio5, which is also used by loads.pump"],
            id="same-pin-twice",
        ),
        pytest.param(
            {"pin = 6": 'pin = "BOARD29"'},
            ["loads.fan: found the line gpio5"],
            id="same-pin-by-another-name",
        ),
        pytest.param(
            {"pin = 6": "pin = 4"}, ["also used by one_wire.pin"], id="pin-of-the-1-wire-bus"
        ),
        pytest.param(
            {"[loads.pump]": "[inputs.level]\npin = 6\n[loads.pump]"},
            ["loads.fan: found the line gpio6, which is also used by inputs.level"],
            id="pin-of-the-level-switch",
        ),
        pytest.param(
            {"[loads.pump]": "[inputs.level]\npin = 4\n[loads.pump]"},
            ["inputs.level.pin: found 4, which is also used by one_wire.pin"],
            id="level-switch-on-the-1-wire-bus",
        ),
        pytest.param({"pin = 6": "pin = 0"}, ["loads.fan.pin"], id="reserved-pin"),
        pytest.param({"pin = 6": "pin = 40"}, ["loads.fan.pin"], id="pin-that-does-not-exist"),
        pytest.param(
            {'driver = "gpio"\npin = 6': 'driver = "gpoi"\npin = 6'},
            ["loads.fan.driver", "gpio"],
            id="unknown-driver",
        ),
        pytest.param(
            {'id = "28-0119a3c4d5e7"': 'id = "28-0119a3c4d5e6"'},
            ["which is also probes.air.id"],
            id="one-probe-for-two-places",
        ),
        pytest.param(
            {'stage = "fruiting"': 'stage = "resting"'},
            ['chamber.stage: found "resting"', "fruiting, pinning"],
            id="stage-that-is-not-there",
        ),
        pytest.param(
            {'run_on = "1 min"': 'run_on = "10 min"'},
            ["timing.run_on", "timing.anti_short_cycle"],
            id="timers-that-do-not-fit",
        ),
        pytest.param(
            {'minimum_run = "2 min"': 'minimum_run = "2"'}, ["timing.minimum_run"], id="no-unit"
        ),
        pytest.param(
            {'low_limit = "10 C"': 'low_limit = "15 C"'},
            ["limits.low_limit", "below stages"],
            id="low-limit-inside-the-band",
        ),
        pytest.param(
            {'time_zone = "Europe/Dublin"': 'time_zone = "Europe/Skerrow"'},
            ["site.time_zone", "IANA"],
            id="time-zone-that-is-not-there",
        ),
    ],
)
def test_config_that_cannot_be_used_is_refused_with_a_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], changes: dict[str, str], message: list[str]
) -> None:
    """Key path, what was found, what is allowed; no traceback."""
    status, printed = checked(tmp_path, capsys, changed(changes))

    assert status == 78
    for words in message:
        assert words in printed
    assert "Traceback" not in printed


def test_a_level_switch_on_a_line_of_its_own_is_accepted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside the bus, pump and fan."""
    level = {"[loads.pump]": "[inputs.level]\npin = 22\n[loads.pump]"}

    status, printed = checked(tmp_path, capsys, changed(level))

    assert status == 0, printed


@pytest.mark.parametrize(
    ("changes", "modules", "message"),
    [
        pytest.param({}, "", "found nothing for 230 V AC, which is mains", id="no-module"),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-rely"'},
            FIT_MODULE,
            "panel-relay",
            id="unknown-id",
        ),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = {mark = "VDE"}'},
            FIT_MODULE,
            "a record written in place",
            id="inline-record",
        ),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"'},
            FIT_MODULE.replace('file_number = "40001234"\n', ""),
            "file_number",
            id="missing-field",
        ),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"'},
            FIT_MODULE.replace('"VDE"', '"unknown"'),
            "certification_mark",
            id="placeholder",
        ),
        pytest.param(
            {
                'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"',
                'current = "0.9 A"': 'current = "1.7 A"',
            },
            FIT_MODULE,
            "its current is too low",
            id="rating-below-125-percent",
        ),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"'},
            FIT_MODULE.split("[[", maxsplit=1)[0] + "[[" + FIT_MODULE.split("[[")[2],
            "no rating for a motor load",
            id="resistive-rating-for-a-motor",
        ),
        pytest.param(
            {'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"'},
            FIT_MODULE.replace("closed plastic box, IP54", "bare board"),
            "enclosure",
            id="bare-board",
        ),
    ],
)
def test_mains_load_without_a_listed_module_is_refused_in_every_wrong_form(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    changes: dict[str, str],
    modules: str,
    message: str,
) -> None:
    """The mains rule, as a grower meets it."""
    status, printed = checked(tmp_path, capsys, changed({**MAINS, **changes}), modules)

    assert status == 78
    assert message in printed


def test_mains_load_with_a_fit_module_is_allowed_and_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2 A motor rating at 250 V AC covers 0.9 A with 125 %."""
    changes = {
        **MAINS,
        'load_kind = "motor"': 'load_kind = "motor"\nrelay_module = "panel-relay"',
    }
    (tmp_path / "relay-modules.toml").write_text(FIT_MODULE, encoding="utf-8")
    config = tmp_path / "chamber.toml"
    config.write_text(changed(changes), encoding="utf-8")

    assert status_of(["check", str(config), "--json"]) == 0
    printed = capsys.readouterr().out
    assert "VDE 40001234" in printed
    assert '"mains": true' in printed


def test_probe_that_is_not_on_the_bus_is_reported_with_those_that_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A typo in an id shows the ids to choose from."""
    tree = W1Tree(tmp_path / "w1")
    tree.add_probe("28-0119a3c4d5e6")
    tree.add_probe("28-00000000beef")
    text = changed({"pin = 4 ": f'root = "{tree.root}"\npin = 4 '})

    status, printed = checked(tmp_path, capsys, text)

    assert status == 78
    assert 'probes.reservoir.id: found "28-0119a3c4d5e7", which is not on the bus' in printed
    assert "28-00000000beef, 28-0119a3c4d5e6" in printed


def test_every_problem_is_reported_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Five mistakes in five tables, five lines."""
    text = changed(
        {
            'cut_in = "14 C"': 'cut_in = "12 C"',
            'prime = "15 s"': 'prime = "15"',
            "pin = 6": "pin = 99",
            'id = "28-0119a3c4d5e8"': 'id = "28-000000000000"',
            "[fallback]": "[falback]",
        }
    )

    _, printed = checked(tmp_path, capsys, text)

    for path in ("stages.pinning.cut_out", "timing.prime", "loads.fan.pin", "probes.room.id",
                 "falback"):  # fmt: skip
        assert re.search(rf"^  {re.escape(path)}: found ", printed, re.MULTILINE), printed


@pytest.mark.parametrize(
    ("content", "message"),
    [
        pytest.param(b"", "empty file", id="empty"),
        pytest.param(b"   \n\n", "empty file", id="blank"),
        pytest.param(b"cut_in: 17 C\n", "not TOML", id="not-toml"),
        pytest.param(b"\xff\xfe\x00c\x00u", "not UTF-8", id="another-encoding"),
        pytest.param(bytes(range(256)) * 40_000, "more than 1000000 bytes", id="ten-megabytes"),
        pytest.param(b"a = " + b"[" * 100_000, "", id="deeply-nested"),
        pytest.param(b"chamber = 3\nprobes = []\n", "a table", id="values-for-tables"),
    ],
)
def test_file_that_is_no_configuration_is_named_for_what_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, message: str
) -> None:
    """Noise of any kind: exit 78 and one plain answer."""
    config = tmp_path / "noise.toml"
    config.write_bytes(content)

    assert status_of(["check", str(config)]) == 78
    printed = capsys.readouterr().err
    assert message in printed
    assert "Traceback" not in printed


def test_folder_missing_file_and_forbidden_file_are_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it is that cannot be read."""
    assert status_of(["check", str(tmp_path)]) == 78
    assert "found no configuration" in capsys.readouterr().err
    assert status_of(["check", str(tmp_path / "no.toml")]) == 78
    assert "cannot be read" in capsys.readouterr().err

    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbidden)
    assert status_of(["check", str(tmp_path / "no.toml")]) == 78
    assert "you are not allowed to use" in capsys.readouterr().err


@examples(150)
@given(
    content=st.one_of(
        st.binary(max_size=400),
        st.text(max_size=400).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.tuples(st.integers(0, len(CONFIG)), st.text(max_size=8)).map(
            lambda cut: (CONFIG[: cut[0]] + cut[1] + CONFIG[cut[0] + len(cut[1]) :]).encode()
        ),
    )
)
def test_no_bytes_end_in_anything_but_settings_or_problems(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    """Fuzzed files, and the example with a few characters overwritten anywhere."""
    path = tmp_path_factory.mktemp("fuzz") / "fuzz.toml"
    path.write_bytes(content)

    result, problems = examine_settings(path)

    assert isinstance(result, Settings) != bool(problems)
