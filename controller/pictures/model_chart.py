"""The picture of a model against a record: what was measured, and what the model makes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from controller.pictures.chart import Chart, Line, Panel, Value
from controller.pictures.words import degrees

MOST_POINTS = 1500


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Measured and modelled at one instant; temperatures [°C], None where there is none."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float | None
    air_model_c: float | None
    reservoir_c: float | None
    reservoir_model_c: float | None


def model_chart(compared: Sequence[Compared], *, unit: str, zone: tzinfo | None) -> Chart:
    """Return the picture.

    Args:
        compared: In the order of time, two or more; thinned to `MOST_POINTS`.
        unit: ``C`` or ``F``.
        zone: The zone to show times in.
    """
    kept = compared[:: max(1, -(-len(compared) // MOST_POINTS))]

    def line(key: str, style: str, name: str) -> Line:
        values = ((each.at_s, getattr(each, key)) for each in kept)
        return Line(
            style=style, name=name, points=[(at_s, _shown(value, unit)) for at_s, value in values]
        )

    return Chart(
        panels=[
            Panel(
                title=f"{place.capitalize()}, °{unit}",
                layers=[
                    line(f"{place}_c", place, "measured"),
                    line(f"{place}_model_c", "model", "model"),
                ],
                height=180,
                unit="°",
                at_least=2.0,
            )
            for place in ("air", "reservoir")
        ],
        since_s=kept[0].at_s,
        until_s=kept[-1].at_s,
        label="What the probes showed, and what the fitted model makes of it.",
        zone=zone,
    )


def _shown(value_c: Value, unit: str) -> Value:
    return None if value_c is None else degrees(value_c, unit)
