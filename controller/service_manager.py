"""What a service tells systemd, as one UTF-8 datagram a message.

Source: sd_notify(3). A leading @ in the address means the abstract namespace. The variables are
taken out of the environment, so that no child process speaks or pings in the service's name.
"""

from __future__ import annotations

import os
import socket
import time

from controller.log import Logger

ONCE_PATIENCE_S = 1.0
"""What is said only once may wait this long for a manager whose queue is full."""

_log = Logger("coldpin.notify")


class Notifier:
    """Speaks to the service manager, or to nobody where there is none."""

    def __init__(self, address: str | None, watchdog_s: float | None = None) -> None:
        self.watchdog_s = watchdog_s
        """Longest silence that the manager puts up with [s]; None where it does not watch."""
        self._address = f"\0{address[1:]}" if address and address.startswith("@") else address
        self._status = ""
        self._failed = False

    @classmethod
    def from_environment(cls) -> Notifier:
        """Take the manager's address and watchdog time from the environment."""
        address = os.environ.pop("NOTIFY_SOCKET", None)
        watchdog_usec = os.environ.pop("WATCHDOG_USEC", "")
        for_pid = os.environ.pop("WATCHDOG_PID", str(os.getpid()))
        usec = int(watchdog_usec) if watchdog_usec.isdecimal() else 0
        watched = usec > 0 and for_pid == str(os.getpid())
        return cls(address, usec / 1e6 if watched else None)

    @property
    def has_manager(self) -> bool:
        """Whether a service manager started this process and listens to it."""
        return bool(self._address)

    def ready(self) -> None:
        """Tell that it does its work: the outputs are open and off, or the page is there."""
        self._send("READY=1", patience_s=ONCE_PATIENCE_S)

    def reloading(self) -> None:
        """Tell that the configuration is being read again; `ready` tells the end of it."""
        usec = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        self._send(f"RELOADING=1\nMONOTONIC_USEC={usec}")

    def stopping(self) -> None:
        """Tell that the service is on its way out."""
        self._send("STOPPING=1", patience_s=ONCE_PATIENCE_S)

    def alive(self) -> None:
        """Ping the watchdog; to be called only when the loop has really turned."""
        if self.watchdog_s is not None:
            self._send("WATCHDOG=1")

    def status(self, line: str) -> None:
        """Show one line for people, if it differs from the last one."""
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def _send(self, message: str, *, patience_s: float = 0.0) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.settimeout(patience_s)  # 0: a full queue must not delay the loop
                out.sendto(message.encode("utf-8", "replace"), self._address)
        except OSError as error:
            # never fatal: the manager's own time-outs deal with a silent service
            if not self._failed:
                _log.warning("service_manager_unreachable", error=str(error))
            self._failed = True
