"""What drivers share when they judge a load's own keys."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

LOAD_KEYS = ("driver", "supply", "current", "load_kind", "relay_module")
"""Keys that every load has whatever drives it; a slip in one of them ends up with the driver."""


def unknown_keys(options: Mapping[str, object], known: Iterable[str]) -> list[str]:
    """Return a problem for each key that is not *known*, with the nearest key that is.

    Args:
        options: The load's own keys.
        known: The keys that the driver reads.
    """
    own = tuple(known)
    allowed = ", ".join(own) or "no keys of its own"
    problems = []
    for key in options:
        if key in own:
            continue
        near = get_close_matches(key, (*own, *LOAD_KEYS), n=1)
        advice = f"did you mean {near[0]}?" if near else "remove it"
        problems.append(f"{key}: found an unknown key, allowed: {allowed}; {advice}")
    return problems
