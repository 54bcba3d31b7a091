"""The services that carry notices. Their addresses are secrets and never come near a log."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from controller.errors import SettingsError
from controller.log import Logger
from controller.lookout.notices import retry_after
from controller.lookout.notices.message import Notice
from controller.lookout.private_file import read_private

_MAY_LOG_ADDRESSES = ("apprise", "urllib3", "requests")
"""Loggers of libraries that may write an address, or the path in it, at one level or another."""

_log = Logger("coldpin.notices")

Deliver = Callable[[Notice], bool]
"""Hands a notice to a service; True where the service accepted it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """One service, without its secrets."""

    number: int
    """Which address of the file it is, from 1."""
    kind: str
    """What stands before ``://``."""
    deliver: Deliver


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What became of one try to deliver a notice."""

    accepted: bool
    wait_s: float | None = None
    """How long the server asks to be left alone [s]; None: it does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceHealth:
    """How a service does, as people are shown it."""

    number: int
    kind: str
    accepted_at: datetime | None
    """When it accepted a notice last, aware; None: not since the lookout started."""
    failing_since: datetime | None
    """Aware; None: its last try went well, or there was none."""
    waiting: int
    """Notices that it has not accepted yet."""


def read_addresses(path: Path) -> list[str]:
    """Return the addresses of the services, one per line, ``#`` before a remark.

    Raises:
        SettingsError: The file is not there, is empty or no text, or others can read it.
    """
    lines = [line.strip() for line in read_private(path).splitlines()]
    addresses = [line for line in lines if line and not line.startswith("#")]
    if not addresses:
        raise SettingsError(str(path), ("found no address, allowed: one per line",))
    return addresses


def services_for(addresses: Sequence[str]) -> list[Service]:
    """Return the services behind addresses.

    Raises:
        SettingsError: An address is of no service that is known; it is named by its number.
    """
    import apprise  # noqa: PLC0415 - it takes a while, and not everybody wants notices

    for name in _MAY_LOG_ADDRESSES:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    retry_after.note_refusals()
    services, wrong = [], []
    for number, address in enumerate(addresses, 1):
        service = apprise.Apprise()
        if not service.add(address):
            wrong.append(number)
        kind = address.partition("://")[0] if "://" in address else "unknown"
        services.append(Service(number=number, kind=kind, deliver=_deliverer(service)))
    if wrong:
        numbers = ", ".join(str(number) for number in wrong)
        raise SettingsError(
            "the file of addresses", (f"address {numbers}: no known service has such an address",)
        )
    return services


def _deliverer(service: Any) -> Deliver:
    from apprise import NotifyType  # noqa: PLC0415

    def deliver(notice: Notice) -> bool:
        kind = NotifyType.WARNING if notice.urgent else NotifyType.INFO
        return bool(service.notify(title=notice.title, body=notice.text, notify_type=kind))

    return deliver


def delivered(service: Service, notice: Notice) -> Delivery:
    """Hand a notice to a service; return what became of it, whatever its library raises."""
    with retry_after.noting() as noted:
        try:
            accepted = service.deliver(notice)
        except Exception as error:  # noqa: BLE001 - a service's library may raise anything
            # its message may hold the address
            _log.info("service_failed", service=service.number, error=type(error).__name__)
            accepted = False
    return Delivery(accepted=accepted, wait_s=None if accepted else noted.wait_s)
