"""Wrong passwords: each address waits for its own, all together have a limit."""

from __future__ import annotations

import pytest

from controller.lookout.page.throttle import (
    ACCOUNT_TRIES,
    ACCOUNT_WAIT_S,
    FORGOTTEN_AFTER_S,
    FREE_TRIES,
    MOST_ADDRESSES,
    Throttle,
)


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def throttle(clock: Clock) -> Throttle:
    return Throttle(clock)


def test_one_wrong_guesser_holds_up_nobody_else(throttle: Throttle) -> None:
    """The attack: a wrong try now and then kept the right password out for a quarter of an hour."""
    for _ in range(30):
        throttle.failed("192.0.2.9")

    assert throttle.wait_s("192.0.2.9") == 900.0
    assert throttle.wait_s("192.0.2.1") == 0.0


def test_many_addresses_have_a_limit_together(throttle: Throttle, clock: Clock) -> None:
    """A guess from each of many addresses: strangers wait, one more a minute is let through."""
    for number in range(ACCOUNT_TRIES):
        assert throttle.wait_s(f"198.51.100.{number}") == 0.0
        throttle.failed(f"198.51.100.{number}")

    assert throttle.wait_s("203.0.113.1") == ACCOUNT_WAIT_S
    clock.now_s += ACCOUNT_WAIT_S
    assert throttle.wait_s("203.0.113.1") == 0.0
    throttle.failed("203.0.113.1")
    assert throttle.wait_s("203.0.113.2") == ACCOUNT_WAIT_S


def test_who_signed_in_lately_is_held_up_by_no_stranger(throttle: Throttle) -> None:
    """The grower's phone is known by its address; its own wrong tries still count."""
    throttle.succeeded("192.0.2.1")
    for number in range(3 * ACCOUNT_TRIES):
        throttle.failed(f"198.51.100.{number}")

    assert throttle.wait_s("192.0.2.1") == 0.0
    for _ in range(FREE_TRIES):
        throttle.failed("192.0.2.1")
    assert throttle.wait_s("192.0.2.1") == 2.0


@pytest.mark.parametrize(
    ("first", "second", "same"),
    [
        ("2001:db8::1", "2001:db8::ffff:1", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("::ffff:192.0.2.1", "192.0.2.1", True),
        ("fe80::1%eth0", "fe80::2", True),
        ("192.0.2.1", "192.0.2.2", False),
    ],
)
def test_a_machine_with_many_addresses_is_one(
    throttle: Throttle, first: str, second: str, same: bool
) -> None:
    """A /64 of IPv6 belongs to one subscriber or one network segment (RFC 4291, RFC 6177)."""
    for _ in range(FREE_TRIES):
        throttle.failed(first)

    assert (throttle.wait_s(second) > 0.0) is same


def test_old_wrong_tries_are_forgotten(throttle: Throttle, clock: Clock) -> None:
    """Somebody who mistypes now and then begins anew each time."""
    for _ in range(FREE_TRIES - 1):
        throttle.failed("192.0.2.1")
    clock.now_s += FORGOTTEN_AFTER_S + 1.0
    throttle.failed("192.0.2.1")

    assert throttle.wait_s("192.0.2.1") == 0.0


def test_any_number_of_addresses_takes_bounded_memory(throttle: Throttle) -> None:
    """The oldest are dropped; the limit of all together still holds."""
    for number in range(3 * MOST_ADDRESSES):
        throttle.failed(f"10.0.{number // 250}.{number % 250}")

    assert len(throttle._addresses) == MOST_ADDRESSES
    assert throttle.wait_s("203.0.113.1") > 0.0
