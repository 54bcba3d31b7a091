"""How many random inputs a property test tries, in the suite and in a campaign.

In the suite the inputs are the same on every run and on every machine. `python -m tests.campaign`
draws others, and more of them.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import settings

CAMPAIGN = "COLDPIN_CAMPAIGN"
"""In the environment of a campaign: how many times the suite's number of inputs is tried."""


def examples(number: int, **more: Any) -> settings:
    """Return settings for so many inputs, times the campaign's factor; no time limit for one."""
    times = int(os.environ.get(CAMPAIGN, "1"))
    return settings(max_examples=number * times, deadline=None, **more)
