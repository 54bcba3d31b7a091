"""Where a browser finds the page."""

from __future__ import annotations

import ipaddress

from controller.settings.load import Settings


def url_of(address: str, port: int) -> str:
    """Return where a browser on this network finds the page."""
    host = f"[{address}]" if ":" in address else address
    return f"http://{host}:{port}/"


def page_address(settings: Settings) -> str:
    """Return the address by which a phone can open the page; empty where it has none.

    The first of the names that people call the machine by, else the address it listens at, unless
    that is only the machine's own or stands for all of them.
    """
    own = settings.lookout
    if own.names:
        return url_of(own.names[0], own.port).rstrip("/")
    try:
        address = ipaddress.ip_address(own.address)
    except ValueError:
        return "" if own.address == "localhost" else url_of(own.address, own.port).rstrip("/")
    if address.is_loopback or address.is_unspecified:
        return ""
    return url_of(own.address, own.port).rstrip("/")
