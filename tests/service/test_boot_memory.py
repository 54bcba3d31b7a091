"""What an instance leaves in shared memory: nothing at a good end, all that is needed else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller.core.decide import begin
from controller.domain import places
from controller.domain.places import KEPT_TIMERS
from controller.records.boot import boot_id
from controller.service import boot_memory as memory
from controller.service.kept_wiring import KeptLoad, read_kept_wiring
from controller.service.timer_store import TimerStore
from controller.service.wiring_store import WiringStore

PUMP = KeptLoad(name="pump", driver="gpio", options={"pin": 17})


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return what stands for /dev/shm, without a service manager's own folder."""
    shared = tmp_path / "shm"
    shared.mkdir()
    monkeypatch.setattr(places, "SHARED_MEMORY", shared)
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    return shared


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Return a state directory."""
    place = tmp_path / "state"
    place.mkdir()
    return place


def test_a_good_end_leaves_nothing_in_shared_memory(shared: Path, place: Path) -> None:
    """What `coldpin off` and the next start need is on the medium then."""
    wiring, timers = WiringStore(place), TimerStore(place, boot=boot_id())
    wiring.keep([PUMP])
    cooling = begin(0.0).cooling
    timers.keep(cooling, 0.0)
    (folder,) = shared.iterdir()
    assert {file.name for file in folder.iterdir()} == {"kept-wiring.json", "boot-kept-timers.json"}

    timers.close(cooling, 1.0)
    wiring.close(all_off=True)

    assert list(shared.iterdir()) == []
    assert read_kept_wiring(place) == (PUMP,)


def test_a_load_that_may_be_on_is_kept_in_shared_memory(shared: Path, place: Path) -> None:
    """A driver that hangs at the end: the wiring stays where it is found soonest."""
    wiring = WiringStore(place)
    wiring.keep([PUMP])

    wiring.close(all_off=False)

    (folder,) = shared.iterdir()
    assert read_kept_wiring(folder) == (PUMP,)


def test_a_start_removes_old_empty_folders_of_this_user_and_no_others(
    shared: Path, place: Path
) -> None:
    """Those of killed processes; not what is in use, holds anything, or is another user's."""
    names = {"old": os.getuid(), "full": os.getuid(), "new": os.getuid(), "other": os.getuid() + 1}
    folders = {name: shared / f"coldpin-{user}-{name}" for name, user in names.items()}
    for name, folder in folders.items():
        folder.mkdir()
        if name == "full":
            (folder / "boot-kept-timers.json").touch()
        if name != "new":
            os.utime(folder, (1e9, 1e9))

    WiringStore(place).close(all_off=True)

    assert set(shared.iterdir()) == {folders["full"], folders["new"], folders["other"]}


@pytest.mark.parametrize(("age_s", "stays"), [(3600.0, True), (3601.0, False)])
def test_an_empty_folder_is_left_behind_after_an_hour(
    shared: Path, monkeypatch: pytest.MonkeyPatch, age_s: float, stays: bool
) -> None:
    """An instance that has only just made its folder has put nothing in it yet."""
    folder = shared / f"coldpin-{os.getuid()}-killed"
    folder.mkdir()
    os.utime(folder, (1e9, 1e9))
    monkeypatch.setattr(memory.time, "time", lambda: 1e9 + age_s)

    memory.remove_left_behind()

    assert folder.exists() is stays


def test_without_memory_the_loop_writes_to_no_medium(shared: Path, place: Path) -> None:
    """The thread alone does; a card that hangs would hold up whoever keeps timers in the loop."""
    shared.rmdir()
    timers = TimerStore(place, boot=boot_id())
    cooling = begin(0.0).cooling
    timers.keep(cooling, 0.0)
    timers.close(cooling, 1.0)

    assert {path.name for path in place.iterdir()} == {KEPT_TIMERS}


def test_tests_leave_the_machines_own_memory_alone(tmp_path: Path) -> None:
    """Nothing of a service that a test runs stays behind in it, or meets that of a real one."""
    folder = memory.boot_memory(tmp_path / "state")

    assert folder.parent not in {Path("/dev/shm"), tmp_path}
