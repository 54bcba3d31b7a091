"""How many random inputs a property test tries, in the suite and in a campaign.

In the suite the inputs are the same on every run and on every machine. `python -m tests.campaign`
draws others, and more of them.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

CAMPAIGN = "COLDPIN_CAMPAIGN"
"""In the environment of a campaign: how many times the suite's number of inputs is tried."""


def examples(number: int, **more: Any) -> settings:
    """Return settings for so many inputs, times the campaign's factor.

    A slow input is no fault: how long one takes says how busy the machine is.
    """
    times = int(os.environ.get(CAMPAIGN, "1"))
    calm = [HealthCheck.too_slow, *more.pop("suppress_health_check", ())]
    return settings(max_examples=number * times, deadline=None, suppress_health_check=calm, **more)


def draw_alike() -> None:
    """Let what is drawn depend on the test alone.

    By itself the library also draws constants that it reads out of whatever modules of ours are
    loaded, and those are others in every worker process and order of tests.
    """
    if hasattr(providers, "_get_local_constants"):  # older releases read none
        none = providers.Constants()
        providers._get_local_constants = lambda: none  # type: ignore[assignment]
