"""What the service needs of a 1-Wire bus beside the readings: that it comes, and who is on it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from controller.errors import words_of
from controller.log import Logger
from controller.probes.samples import Sample, SampleSource

TRY_EVERY_S = 10.0
SURVEY_EVERY_S = 60.0

_log = Logger("coldpin.probes")


def started(work: Callable[[], object], name: str) -> threading.Thread | None:
    """Return a thread that does this; None where the machine has none left, and it is tried again.

    Args:
        work: What is done; it keeps its errors to itself.
        name: Of the thread.
    """
    thread = threading.Thread(target=work, name=name, daemon=True)
    try:
        thread.start()
    except RuntimeError as error:
        _log.error("no_thread", wanted=name, error=words_of(error))
        return None
    return thread


class AwaitedBus:
    """A source that opens once the folder of the bus is there; until then nothing is read."""

    def __init__(self, root: Path, opening: Callable[[], SampleSource]) -> None:
        """Begin to wait.

        Args:
            root: Folder where Linux shows 1-Wire devices.
            opening: Opens the probes on it.
        """
        self._root = root
        self._opening = opening
        self._source: SampleSource | None = None
        self._closed = False
        self._next_at = float("-inf")
        self._reported = ""
        self._thread: threading.Thread | None = None

    @property
    def missing(self) -> str | None:
        """What to do where the bus is not there; None once it is."""
        if self._source is not None:
            return None
        return (
            f"There is no 1-Wire bus: {self._root} does not exist. Everything stays off. Add "
            "dtoverlay=w1-gpio to /boot/firmware/config.txt and reboot; the probes are read as "
            "soon as the bus is there."
        )

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        """Return what has been read; has the probes opened where the bus has come."""
        source = self._source
        if source is not None:
            return source.collect(now)
        if now >= self._next_at:
            self._next_at = now + TRY_EVERY_S
            if self._thread is None or not self._thread.is_alive():
                self._thread = started(self._open, "bus-opening")
        return []

    def close(self) -> None:
        """Stop reading."""
        self._closed = True
        if self._source is not None:
            self._source.close()

    def _open(self) -> None:
        """Open the probes, in a thread: a library comes from a card that may hang."""
        try:
            if not self._root.is_dir():
                self._report("one_wire_bus_missing", what_to_do=self.missing)
                return
            source = self._opening()
        except Exception as error:  # noqa: BLE001 - whatever it is, it is tried again
            self._report("one_wire_bus_not_opened", error=words_of(error))
            return
        self._source = source
        if self._closed:
            source.close()
        if self._reported:
            _log.info("one_wire_bus_there", root=str(self._root))

    def _report(self, event: str, **detail: object) -> None:
        if event != self._reported:
            self._reported = event
            _log.error(event, root=str(self._root), **detail)


class StrangerWatch:
    """Looks for thermometers that belong to no place of the chamber, while a probe is lost."""

    def __init__(self, list_ids: Callable[[], Iterable[str]], ours: Iterable[str]) -> None:
        """Prepare to look.

        Args:
            list_ids: Lists the ids on the bus; called in a thread, and may be slow.
            ours: Ids that the configuration names.
        """
        self._list_ids = list_ids
        self._ours = {each.lower() for each in ours}
        self._next_at = float("-inf")
        self._thread: threading.Thread | None = None
        self._reported: frozenset[str] = frozenset()
        self._strangers: frozenset[str] = frozenset()

    def stranger(self, *, lost: bool, now: float) -> str:
        """Return what is known of strangers, as the note of an alarm; empty where there are none.

        Args:
            lost: Whether one of the chamber's probes is lost.
            now: Monotonic instant [s].
        """
        if not lost:
            self._strangers, self._next_at = frozenset(), float("-inf")
            return ""
        busy = self._thread is not None and self._thread.is_alive()
        if now >= self._next_at and not busy:
            self._next_at = now + SURVEY_EVERY_S
            self._thread = started(self._survey, "bus-survey")
        if not self._strangers:
            return ""
        names = ", ".join(sorted(self._strangers))
        return (
            f"A probe that this chamber does not use is on the bus: {names}. If the lost probe was "
            "replaced, write the new id into the configuration."
        )

    def _survey(self) -> None:
        try:
            self._strangers = frozenset(self._list_ids()) - self._ours
        except Exception as error:  # noqa: BLE001 - it is looked at again
            _log.warning("bus_not_surveyed", error=words_of(error))
            return
        if self._strangers - self._reported:
            self._reported |= self._strangers
            _log.warning("unknown_probe_beside_a_lost_one", ids=", ".join(sorted(self._strangers)))
