"""A long series made short: peaks and gaps stay."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.pictures.thinning import thinned

values = st.lists(
    st.one_of(st.none(), st.floats(-40.0, 60.0, allow_nan=False)), min_size=1, max_size=400
)


@given(values, st.integers(1, 20))
def test_thinning_keeps_peaks_order_and_ends(found: list[float | None], columns: int) -> None:
    """Lowest and highest are there, times rise, every point is one of the old ones."""
    points = [(float(i), value) for i, value in enumerate(found)]

    short = thinned(points, columns=columns)

    assert set(short) <= set(points)
    assert [at for at, _ in short] == sorted({at for at, _ in short})
    known = [value for _, value in points if value is not None]
    kept = [value for _, value in short if value is not None]
    if known:
        assert (min(kept), max(kept)) == (min(known), max(known))
    if None in found:
        assert None in [value for _, value in short]


def test_thinning_makes_short() -> None:
    """A year of minutes fits a screen: at most four points a column."""
    points = [(60.0 * i, float(i % 977)) for i in range(525_600)]

    assert len(thinned(points, columns=900)) <= 4 * 900


def test_no_columns_are_refused() -> None:
    """There is no picture without a width."""
    with pytest.raises(ValueError, match="0 columns"):
        thinned([(0.0, 1.0)], columns=0)
