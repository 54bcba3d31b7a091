"""The picture of forecasts: how many hours the cold was expected to last, as time went on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from controller.pictures.chart import Chart, Line, Mark, Panel, Ribbon, Value

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PastForecast:
    """What was forecast at an instant; all in seconds since 1970, UTC, None for not in sight."""

    at_s: float
    early_s: float | None
    likely_s: float | None
    late_s: float | None


def forecast_chart(
    forecasts: Sequence[PastForecast],
    pack_changes: Sequence[tuple[float, str]],
    *,
    zone: tzinfo | None,
) -> Chart:
    """Return the picture.

    Args:
        forecasts: In the order of time, two or more.
        pack_changes: When packs were changed [s], and what to say of it.
        zone: The zone to show times in.
    """

    def hours_left(each: PastForecast, end_s: float | None) -> Value:
        return None if end_s is None else (end_s - each.at_s) / HOUR_S

    return Chart(
        panels=[
            Panel(
                title="How long the cold was expected to last, hours",
                layers=[
                    Ribbon(
                        style="forecast",
                        name="early to late bound",
                        points=[
                            (
                                each.at_s,
                                hours_left(each, each.early_s),
                                hours_left(each, each.late_s),
                            )
                            for each in forecasts
                        ],
                    ),
                    Line(
                        style="forecast",
                        name="most likely",
                        points=[(each.at_s, hours_left(each, each.likely_s)) for each in forecasts],
                    ),
                ],
                height=150,
                unit=" h",
                at_least=4.0,
            )
        ],
        since_s=forecasts[0].at_s,
        until_s=forecasts[-1].at_s,
        label="How many hours the cold was expected to last, as time went on.",
        zone=zone,
        marks=[Mark(at_s=at_s, style="change", text=text) for at_s, text in pack_changes],
    )
