"""What people read where packs are short."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from controller.domain.published_forecast import PackShortage
from controller.pictures.words import shortage

NOW = datetime(2026, 7, 1, 18, 0, tzinfo=UTC)
SHORT = PackShortage(
    warm_from=datetime(2026, 7, 2, 4, 0, tzinfo=UTC), peak_k=1.46, packs=2, freeze_now=True
)


def test_how_many_how_warm_from_when_and_what_to_do() -> None:
    """First the number, then what it means, then what helps, in the people's own unit."""
    assert shortage(SHORT, NOW) == (
        "Short by 2 packs: expect up to 1.5 °C too warm from Thu 04:00. Freeze 2 more now."
    )
    assert "up to 2.6 °F too warm" in shortage(SHORT, NOW, "F")


def test_what_comes_too_late_is_not_advised() -> None:
    """Nor a number that would not help."""
    late = shortage(replace(SHORT, packs=1, freeze_now=False), NOW)
    far = shortage(replace(SHORT, packs=None, freeze_now=False), NOW)

    assert late.startswith("Short by 1 pack:")
    assert late.endswith("comes too late: get 1 pack frozen elsewhere.")
    assert far.startswith("Far too few packs: expect up to 1.5 °C too warm")
