"""A long series made short without losing a peak."""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float | None]
"""Instant [s] and value; None is a gap."""


def thinned(points: Sequence[Point], *, columns: int) -> list[Point]:
    """Return a series that draws the same on so many columns of pixels.

    Of each column the first, lowest, highest and last value stay, in the order of time, and so
    does a gap.

    Args:
        points: In the order of time.
        columns: Width of the picture [pixels], 1 or more.

    Raises:
        ValueError: No columns.
    """
    if columns < 1:
        raise ValueError(f"{columns} columns; a picture needs 1 or more")
    if len(points) <= 4 * columns:
        return list(points)
    begins, ends = points[0][0], points[-1][0]
    width = (ends - begins) / columns or 1.0
    kept: list[Point] = []
    part: list[Point] = []
    column = 0
    for point in points:
        here = min(int((point[0] - begins) / width), columns - 1)
        if here != column or (point[1] is None and part):
            kept += _extremes(part)
            part = []
            column = here
        if point[1] is None:
            if not kept or kept[-1][1] is not None:
                kept.append(point)
        else:
            part.append(point)
    return kept + _extremes(part)


def _extremes(part: Sequence[Point]) -> list[Point]:
    if len(part) <= 4:
        return list(part)
    values = [value for _, value in part if value is not None]
    low, high = min(values), max(values)
    at_low = next(i for i, point in enumerate(part) if point[1] == low)
    at_high = next(i for i, point in enumerate(part) if point[1] == high)
    return [part[i] for i in sorted({0, at_low, at_high, len(part) - 1})]
