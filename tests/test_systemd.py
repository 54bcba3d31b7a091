"""The unit, its drop-in, the user, the udev rules and the install page hold to what they promise.

Sources named beside the checks are systemd's own manual pages (release 252, the oldest that the
install page supports), its own checker, and the kernel or library source that makes a setting
matter. Each check of a text is named, by its test or its id, after the trap it guards.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.commissioning.installation.steps import WATCHDOG_TEXT
from tests.support.machine import needs

SYSTEMD = Path(__file__).parents[1] / "systemd"
UNIT = SYSTEMD / "coldpin@.service"
LOOKOUT = SYSTEMD / "coldpin-lookout@.service"
DROP_IN = SYSTEMD / "bulk-read.conf"
SYSUSERS = SYSTEMD / "coldpin.sysusers.conf"
RULES = (SYSTEMD / "60-coldpin-gpio.rules", SYSTEMD / "61-coldpin-one-wire.rules")
INSTALL = SYSTEMD / "INSTALL.md"
NOTES = SYSTEMD.parent / "hardware-notes"
PAGES = (INSTALL, NOTES / "service.md", NOTES / "page-and-notices.md")
"""The install page, and the two that it hands details to."""

PROGRAM = "/opt/coldpin/current/bin/coldpin"


def read(file: Path) -> str:
    return file.read_text(encoding="utf-8")


def logical_lines(text: str) -> Iterator[str]:
    """Yield lines without comments and blanks, joined where one ends in a backslash."""
    held = ""
    for line in text.splitlines():
        if not line.strip() or line.lstrip().startswith(("#", ";")):
            continue
        held += line.strip()
        if held.endswith("\\"):
            held = held[:-1]
            continue
        yield held
        held = ""
    assert not held, "the file ends in the middle of a line"


def settings(text: str) -> dict[str, list[str]]:
    """Return ``Section.Key`` with all values given for it, in order."""
    results: dict[str, list[str]] = {}
    section = ""
    for line in logical_lines(text):
        if line.startswith("["):
            section = line.strip("[]")
            continue
        key, _, value = line.partition("=")
        results.setdefault(f"{section}.{key.strip()}", []).append(value.strip())
    return results


@pytest.fixture(scope="module")
def unit() -> dict[str, list[str]]:
    return settings(read(UNIT))


def seconds(text: str) -> float:
    """Read the spans that the unit uses: a number and its unit."""
    number, name = re.fullmatch(r"([\d.]+)(ms|s|min)", text).groups()  # type: ignore[union-attr]
    return float(number) * {"ms": 0.001, "s": 1.0, "min": 60.0}[name]


def environment(unit: dict[str, list[str]]) -> dict[str, str]:
    return dict(pair.split("=", 1) for line in unit["Service.Environment"] for pair in line.split())


# --- systemd's own judgement ----------------------------------------------------------------


def lay_out(
    folder: Path, *, text: str | None = None, drop_in: str | None = None, source: Path = UNIT
) -> Path:
    """Copy the unit with the program's path replaced by one that exists; nothing else changes."""
    text = read(source) if text is None else text
    assert PROGRAM in text
    unit = folder / source.name
    unit.write_text(text.replace(PROGRAM, shutil.which("true") or "/bin/true"), encoding="utf-8")
    if drop_in is not None:
        (folder / f"{UNIT.name}.d").mkdir()
        (folder / f"{UNIT.name}.d" / DROP_IN.name).write_text(drop_in, encoding="utf-8")
    return unit


def run(*command: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, input=stdin, capture_output=True, text=True, check=False, timeout=60
    )


def verify(unit: Path) -> tuple[int, str]:
    output = run("systemd-analyze", "verify", "--man=no", str(unit))
    return output.returncode, output.stdout + output.stderr


def rate(unit: Path) -> subprocess.CompletedProcess[str]:
    options = ("--offline=true", "--no-pager", "--threshold=25")
    return run("systemd-analyze", "security", *options, str(unit))


@needs("systemd-analyze")
def test_unit_verifies_clean(tmp_path: Path) -> None:
    """The checker of systemd has nothing to say about the unit."""
    assert verify(lay_out(tmp_path)) == (0, "")


@needs("systemd-analyze")
def test_unit_verifies_clean_with_bulk_read(tmp_path: Path) -> None:
    """The same with the optional drop-in beside it."""
    assert verify(lay_out(tmp_path, drop_in=read(DROP_IN))) == (0, "")


@needs("systemd-analyze")
@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        pytest.param("unit", "WatchdogSec=", "WatchdogSeconds=", id="unit-unknown-key"),
        pytest.param("unit", "Restart=always", "Restart=ever", id="unit-unknown-value"),
        pytest.param("drop-in", "ReadWritePaths=", "ReadWritePath=", id="drop-in-unknown-key"),
    ],
)
def test_verify_speaks_up_when_a_key_is_wrong(
    tmp_path: Path, file: str, old: str, new: str
) -> None:
    """The two checks above can fail: a slip in either file is noticed."""
    texts = {"unit": read(UNIT), "drop-in": read(DROP_IN)}
    assert old in texts[file]
    texts[file] = texts[file].replace(old, new)

    _, output = verify(lay_out(tmp_path, text=texts["unit"], drop_in=texts["drop-in"]))

    assert output != ""


@needs("systemd-analyze")
def test_exposure_is_2_5_or_below(tmp_path: Path) -> None:
    """The sandbox is rated 2.5 of 10 or better (the threshold counts tenths)."""
    rating = rate(lay_out(tmp_path))

    assert rating.returncode == 0, rating.stdout + rating.stderr
    assert "Overall exposure level" in rating.stdout


@needs("systemd-analyze")
def test_exposure_check_fails_when_the_sandbox_is_gone(tmp_path: Path) -> None:
    """The check above can fail: the same unit without its protections exceeds 2.5."""
    bare = "\n".join(
        line
        for line in read(UNIT).splitlines()
        if not re.match(r"(Protect|Private|Restrict|SystemCall|Capability|NoNew|User)", line)
    )

    rating = rate(lay_out(tmp_path, text=bare))

    assert rating.returncode != 0
    assert "Overall exposure level" in rating.stdout


@needs("systemd-analyze")
def test_lookout_verifies_clean_and_is_shut_in(tmp_path: Path) -> None:
    """The page's unit: nothing to say about it, and 2.5 of 10 or better although it has network."""
    unit = lay_out(tmp_path, source=LOOKOUT)

    assert verify(unit) == (0, "")
    assert rate(unit).returncode == 0


def test_one_reload_is_for_the_page_too() -> None:
    """systemd.unit(5): a reload is passed on, and units that do not run are left alone."""
    control, lookout = settings(read(UNIT)), settings(read(LOOKOUT))

    assert control["Unit.PropagatesReloadTo"] == [LOOKOUT.name.replace("@", "@%i")]
    assert lookout["Service.ExecReload"] == control["Service.ExecReload"]


def test_lookout_cannot_harm_the_control_process() -> None:
    """Not its runtime directory, not its pins, not its place in line for memory or processor."""
    control, lookout = settings(read(UNIT)), settings(read(LOOKOUT))

    assert "Service.RuntimeDirectory" not in lookout
    assert "Service.SupplementaryGroups" not in lookout
    assert not any("coldpin@" in value for key in ("Unit.Requires", "Unit.BindsTo", "Unit.PartOf")
                   for value in lookout.get(key, []))  # fmt: skip
    assert lookout["Service.StateDirectory"] == control["Service.StateDirectory"]
    assert lookout["Service.User"] == control["Service.User"]
    for key in ("Service.Nice", "Service.OOMScoreAdjust"):
        assert int(lookout[key][0]) > int(control[key][0])


def test_a_start_says_whether_the_service_came_up() -> None:
    """Of control process and page: whoever starts or upgrades them waits until they are ready."""
    for unit in (settings(read(UNIT)), settings(read(LOOKOUT))):
        assert unit["Service.Type"] == ["notify"]
        assert unit["Service.NotifyAccess"] == ["main"]


# --- traps, one by one ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value"),
    [
        # systemd.unit(5): 0 disables; the default gives up for good after 5 starts in 10 s,
        # whatever Restart= says
        pytest.param("Unit.StartLimitIntervalSec", "0", id="start-limit-off-and-stated"),
        pytest.param("Service.Restart", "always", id="never-gives-up"),
        # sysexits(3)
        pytest.param(
            "Service.RestartPreventExitStatus", str(os.EX_CONFIG), id="config-error-stays-down"
        ),
        # systemd.service(5): runs after a crash, a watchdog kill and a failed start too; "+" would
        # leave the sandbox, "-" would hide a failure. gpio-v2-get-line-ioctl of the kernel's
        # documentation: nothing is promised of a line after its request is closed
        pytest.param(
            "Service.ExecStopPost", f"{PROGRAM} off /etc/coldpin/%i.toml", id="off-after-every-end"
        ),
        # systemd.service(5): no shell between, and only the main process is heard;
        # notify-reload is new in 253
        pytest.param(
            "Service.ExecStart", f"{PROGRAM} run /etc/coldpin/%i.toml", id="started-without-a-shell"
        ),
        pytest.param("Service.Type", "notify", id="ready-when-it-says-so"),
        pytest.param("Service.NotifyAccess", "main", id="main-process-alone-is-heard"),
        pytest.param("Service.ExecReload", "/bin/kill -HUP $MAINPID", id="reload-is-sighup"),
        pytest.param("Service.KillSignal", "SIGTERM", id="stop-is-sigterm"),
        # systemd.exec(5): the default directory is "/"; RuntimeDirectory= is owned by User= and
        # stays writable under ProtectSystem=strict. lgNotify.c of lgpio 0.2.2.0 makes a FIFO there
        pytest.param("Service.RuntimeDirectory", "coldpin/%i", id="lgpio-has-a-folder"),
        pytest.param("Service.WorkingDirectory", "%t/coldpin/%i", id="lgpio-starts-in-it"),
        # systemd.exec(5): the directory of a stopped unit goes unless it is preserved
        pytest.param("Service.RuntimeDirectoryPreserve", "yes", id="timers-in-memory-stay"),
        pytest.param("Service.PrivateTmp", "yes", id="stale-fifo-goes"),
        pytest.param("Service.StateDirectory", "coldpin/%i", id="kept-timers-stay"),
        # systemd.exec(5) 252: ProtectClock= implies DeviceAllow=char-rtc r and so closes the list;
        # drivers/gpio/gpiolib.c names the class "gpiochip"
        pytest.param("Service.ProtectClock", "yes", id="clock-protected"),
        pytest.param("Service.DeviceAllow", "char-gpiochip rw", id="and-gpio-chips-still-open"),
        # systemd.exec(5): AF_UNIX for READY and the journal
        pytest.param("Service.PrivateNetwork", "yes", id="no-network"),
        pytest.param("Service.RestrictAddressFamilies", "AF_UNIX", id="unix-sockets-alone"),
        # systemd.exec(5): hides /dev/gpiochip*
        pytest.param("Service.PrivateDevices", None, id="gpio-chips-not-hidden"),
        # systemd.exec(5): hides the board's revision and the boot id
        pytest.param("Service.ProcSubset", None, id="board-and-boot-id-not-hidden"),
        # systemd 254 NEWS: new there, so bookworm's 252 would warn
        pytest.param("Service.RestartSteps", None, id="no-growing-pause"),
        pytest.param("Service.RestartMaxDelaySec", None, id="no-growing-pause-limit"),
    ],
)
def test_trap_is_handled(unit: dict[str, list[str]], key: str, value: str | None) -> None:
    """The key is given once with this value, or not at all; the source stands beside each row."""
    assert unit.get(key) == (None if value is None else [value])


@pytest.mark.parametrize(
    ("key", "least_s", "most_s"),
    [
        # systemd.system.conf(5): 5 starts in 10 s are the default limit; 100 ms the default pause
        pytest.param("RestartSec", 2.5, 60, id="crash-loop-does-not-spin"),
        # holds for ExecStopPost= too, which must load Python before it can switch
        pytest.param("TimeoutStopSec", 10, 30, id="off-has-time-to-load"),
        pytest.param("WatchdogSec", 15, 60, id="several-ticks-fit-into-the-watchdog"),
    ],
)
def test_span_is_neither_hasty_nor_endless(
    unit: dict[str, list[str]], key: str, least_s: float, most_s: float
) -> None:
    """Times of the unit lie where they do what they are for."""
    (text,) = unit[f"Service.{key}"]

    assert least_s <= seconds(text) <= most_s


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # lgNotify.c of lgpio 0.2.2.0: where the FIFO goes
        pytest.param("LG_WD", "/tmp", id="lgpio-folder-named"),
        # devices.py of gpiozero 2.0.1.post3: unset, it falls from one back end to the next
        pytest.param("GPIOZERO_PIN_FACTORY", "lgpio", id="pin-factory-named"),
        # __init__.py of w1thermsensor 2.3.0: exactly "1" stops modprobe at import
        pytest.param("W1THERMSENSOR_NO_KERNEL_MODULE", "1", id="no-modprobe"),
        # faulthandler of Python: where it hung, when the watchdog sends SIGABRT
        pytest.param("PYTHONFAULTHANDLER", "1", id="hang-is-explained"),
    ],
)
def test_environment_leaves_nothing_to_chance(
    unit: dict[str, list[str]], name: str, value: str
) -> None:
    """Libraries are told what to do; the source stands beside each row."""
    assert environment(unit)[name] == value


def test_unprivileged_user_is_in_the_gpio_group(unit: dict[str, list[str]]) -> None:
    """The unit's user and group are those that the sysusers file makes."""
    lines = [line.split() for line in logical_lines(read(SYSUSERS))]

    assert unit["Service.User"] == unit["Service.Group"] == ["coldpin"]
    assert unit["Service.SupplementaryGroups"] == ["gpio"]
    assert {tuple(line[:2]) for line in lines} == {
        ("g", "gpio"),
        ("u", "coldpin"),
        ("m", "coldpin"),
    }
    assert ["m", "coldpin", "gpio"] in lines


def test_comments_stand_on_their_own_lines() -> None:
    """A # after a value would be part of the value. Source: systemd.syntax(7)."""
    for file in (UNIT, DROP_IN):
        assert [line for line in logical_lines(read(file)) if "#" in line] == []


# --- user and group -------------------------------------------------------------------------


@needs("systemd-sysusers", "root")
def test_sysusers_makes_user_and_groups(tmp_path: Path) -> None:
    """On an empty root: group gpio, and user coldpin, who is in it and cannot log in."""
    (tmp_path / "etc").mkdir()

    made = run("systemd-sysusers", f"--root={tmp_path}", str(SYSUSERS))

    assert made.returncode == 0, made.stderr
    groups = read(tmp_path / "etc/group").splitlines()
    passwd = read(tmp_path / "etc/passwd").splitlines()
    assert [line.split(":")[3] for line in groups if line.startswith("gpio:")] == ["coldpin"]
    user = next(line.split(":") for line in passwd if line.startswith("coldpin:"))
    assert user[5:] == ["/var/lib/coldpin", "/usr/sbin/nologin"]


# --- udev -----------------------------------------------------------------------------------


TOKEN = re.compile(r'([A-Z]+(?:\{[a-z_]+\})?)(==|!=|\+=|:=|=)"([^"]*)"')


def rules(file: Path) -> list[list[tuple[str, str, str]]]:
    """Split rules into (key, operator, value); what is no such token fails. Source: udev(7)."""
    results = []
    for line in logical_lines(read(file)):
        assert TOKEN.sub("", line).strip(", ") == "", f"not a udev rule: {line}"
        results.append(TOKEN.findall(line))
    return results


def test_gpio_rule_gives_chips_to_the_group() -> None:
    """Debian proper: /dev/gpiochip* to group gpio, read and write, nobody else."""
    assert rules(RULES[0]) == [
        [
            ("SUBSYSTEM", "==", "gpio"),
            ("KERNEL", "==", "gpiochip*"),
            ("GROUP", "=", "gpio"),
            ("MODE", "=", "0660"),
        ]
    ]


def test_root_only_one_wire_files_are_handed_over() -> None:
    """One rule, for real probes alone, opens the bulk trigger and nothing else.

    Source: w1_therm.c of Linux 6.12 (therm_bulk_read is 0644, made when the first capable probe
    is attached); udev(7): RUN needs an absolute path. Family 28 is the DS18B20; phantom devices
    of family 00 do not match.
    """
    (rule,) = rules(RULES[1])
    keys = {key: value for key, _, value in rule if key != "RUN"}
    runs = [value for key, _, value in rule if key == "RUN"]

    assert keys == {
        "ACTION": "add",
        "SUBSYSTEM": "w1",
        "KERNEL": "28-*",
        "TEST": "../therm_bulk_read",
    }
    assert runs == [
        "/bin/chgrp coldpin $sys$devpath/../therm_bulk_read",
        "/bin/chmod 0664 $sys$devpath/../therm_bulk_read",
    ]


def test_bulk_read_opens_the_bus_folder_and_nothing_else() -> None:
    """The drop-in leaves every other protection as it is, and forgives a bus that is not there.

    Source: systemd.exec(5), ReadWritePaths= and its "-" prefix.
    """
    assert settings(read(DROP_IN)) == {"Service.ReadWritePaths": ["-/sys/devices/w1_bus_master1"]}


# --- the install page -----------------------------------------------------------------------


def blocks(language: str) -> list[str]:
    fenced = re.compile(rf"^```{language}\n(.*?)^```", re.MULTILINE | re.DOTALL)
    return [block for page in PAGES for block in fenced.findall(read(page))]


def test_install_page_is_one_page() -> None:
    """What a grower reads before the first command: two sides of A4 at 450 words each."""
    assert len(read(INSTALL).split()) <= 900


def test_install_commands_are_shell() -> None:
    """Every command block parses."""
    shell = shutil.which("bash") or shutil.which("sh")
    assert shell is not None
    results = blocks("sh")
    assert len(results) >= 4
    for block in results:
        parsed = run(shell, "-n", stdin=block)
        assert parsed.returncode == 0, f"{parsed.stderr}\n{block}"


def test_install_names_every_file_of_the_folder() -> None:
    """No file is left lying about without a word on where it goes, and none is invented."""
    text = read(INSTALL)
    shipped = {
        path.name for path in SYSTEMD.iterdir() if path.suffix in {".service", ".conf", ".rules"}
    }

    named = set(re.findall(r"(?<=[ `]systemd/)[\w@.-]+\.(?:service|conf|rules)", text))

    assert named == shipped


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Relative links resolve, to a heading too."""
    links = re.findall(r"\]\(([^)#]*)(?:#([^)]+))?\)", read(page))

    assert links
    for file, anchor in links:
        target = page.parent / file if file else page
        assert target.is_file(), file
        headings = re.findall(r"^#+ (.*)$", read(target), re.MULTILINE)
        slugs = {re.sub(r"[^\w -]", "", each).lower().replace(" ", "-") for each in headings}
        assert not anchor or anchor in slugs, f"{file}#{anchor}"


def test_boot_lines_keep_probe_pin_and_load_pins_apart() -> None:
    """config.txt: a probe pin of its own, released lines let go, and a boot level for each load.

    Source: Raspberry Pi documentation, config.txt "gpio"; overlays README "w1-gpio"; white paper
    "GPIO Usage on Raspberry Pi Devices" for strict_gpiod.
    """
    (block,) = (text for text in blocks("ini") if "dtoverlay" in text)
    lines = list(logical_lines(block))
    (bus_pin,) = (int(line.split("gpiopin=")[1]) for line in lines if "w1-gpio" in line)
    loads = [
        (int(pin), level)
        for line in lines
        if line.startswith("gpio=")
        for pin, level in [re.fullmatch(r"gpio=(\d+)=op,(dh|dl)", line).groups()]  # type: ignore[union-attr]
    ]

    assert "dtparam=strict_gpiod" in lines
    assert len(loads) == 2
    assert bus_pin not in {pin for pin, _ in loads}


def test_hardware_watchdog_stays_below_its_counter() -> None:
    """Above 15 s the Pi reboots for ever: the counter has 20 bits at 65 536 Hz, 15.99 s.

    Source: drivers/watchdog/bcm2835_wdt.c of Linux 6.12.
    """
    results = re.findall(r"^RuntimeWatchdogSec=(\d+)s$", WATCHDOG_TEXT, re.MULTILINE)

    assert results
    assert all(0 < int(value) <= (2**20 - 1) / 65_536 - 0.9 for value in results)
