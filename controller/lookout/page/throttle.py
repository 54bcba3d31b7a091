"""Patience with wrong passwords: each address waits for its own, and all together have a limit.

One wait for everybody would let a single wrong guesser keep the right password out; one for each
address alone would let a network of them guess on and on. An address that signed in lately is not
held up by the others.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from controller.domain.backoff import backoff_s

FREE_TRIES = 3
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
FORGOTTEN_AFTER_S = 3600.0
"""An address that made no wrong try for so long begins anew."""
MOST_ADDRESSES = 1000
ACCOUNT_TRIES, ACCOUNT_WAIT_S = 60, 60.0
"""Wrong tries of all addresses together before strangers wait; one more is allowed each minute."""
KNOWN_FOR_S = 30 * 86_400.0


@dataclass(slots=True)
class _Address:
    wrong: int = 0
    closed_until_s: float = 0.0
    last_s: float = 0.0


class Throttle:
    """Counts wrong tries; not safe for several threads at once."""

    def __init__(self, clock: Callable[[], float]) -> None:
        """Begin without a wrong try.

        Args:
            clock: Monotonic seconds.
        """
        self._clock = clock
        self._addresses: OrderedDict[str, _Address] = OrderedDict()
        self._known: OrderedDict[str, float] = OrderedDict()
        self._of_all = 0.0
        self._of_all_at_s = clock()

    def wait_s(self, peer: str) -> float:
        """Return how long no try of an address is accepted [s]; 0 where one may be made."""
        now_s, key = self._clock(), _key(peer)
        address = self._addresses.get(key)
        own_s = 0.0 if address is None else address.closed_until_s - now_s
        if now_s - self._known.get(key, -KNOWN_FOR_S) < KNOWN_FOR_S:
            return max(0.0, own_s)
        over = self._wrong_of_all(now_s) - ACCOUNT_TRIES + 1.0
        return max(0.0, own_s, over * ACCOUNT_WAIT_S)

    def failed(self, peer: str) -> None:
        """Note a wrong try."""
        now_s, key = self._clock(), _key(peer)
        self._of_all = self._wrong_of_all(now_s) + 1.0
        self._of_all_at_s = now_s
        address = self._addresses.pop(key, None)
        if address is None or now_s - address.last_s > FORGOTTEN_AFTER_S:
            address = _Address()
        self._addresses[key] = address
        while len(self._addresses) > MOST_ADDRESSES:
            self._addresses.popitem(last=False)
        address.wrong += 1
        address.last_s = now_s
        wait_s = backoff_s(
            address.wrong - FREE_TRIES + 1, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S
        )
        if wait_s > 0.0:
            address.closed_until_s = now_s + wait_s

    def succeeded(self, peer: str) -> None:
        """Note a right try: the address begins anew, and strangers no longer hold it up."""
        key = _key(peer)
        self._addresses.pop(key, None)
        self._known.pop(key, None)
        self._known[key] = self._clock()
        while len(self._known) > MOST_ADDRESSES:
            self._known.popitem(last=False)

    def _wrong_of_all(self, now_s: float) -> float:
        return max(0.0, self._of_all - (now_s - self._of_all_at_s) / ACCOUNT_WAIT_S)


def _key(peer: str) -> str:
    """Return what counts as one address: of IPv6 a whole /64, which one machine may use freely."""
    try:
        address = ipaddress.ip_address(peer.partition("%")[0])
    except ValueError:
        return peer[:64]
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False).network_address)
    return str(address)
