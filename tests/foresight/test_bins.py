"""Five-minute means of samples that hold until the next one."""

from __future__ import annotations

import pytest

from controller.foresight.bins import Bin, RecordedSample, bins_of


def minutes(*values: tuple[float, float | None, bool]) -> list[RecordedSample]:
    return [RecordedSample(60.0 * at, air, 4.0, None, cooling) for at, air, cooling in values]


def test_bins_weigh_by_time() -> None:
    """A switch after two minutes counts for three fifths; the mean goes by how long it held."""
    samples = minutes((0, 16.0, False), (2, 17.0, True), (4, 17.0, True), (5, 15.0, False))

    (made,) = bins_of(samples, until_s=300.0)

    assert made == Bin(0.0, pytest.approx(16.6), 4.0, None, pytest.approx(0.6), 16.0)


def test_silence_becomes_bins_without_readings() -> None:
    """A reading holds for three minutes and no longer; a hole keeps its place in time."""
    samples = minutes((0, 16.0, True), (20, 16.0, True), (22, 16.0, True), (24, 16.0, True))

    made = list(bins_of(samples, until_s=1500.0))

    assert [each.start_s for each in made] == [0.0, 300.0, 600.0, 900.0, 1200.0]
    assert [each.air_c for each in made] == [16.0, None, None, None, 16.0]
    assert [each.duty for each in made] == [1.0, None, None, None, 1.0]


def test_a_lost_probe_leaves_the_others() -> None:
    """Air lost for most of the bin is no reading; the water has one."""
    samples = minutes((0, None, True), (2, None, True), (4, 16.0, True), (5, 16.0, True))

    (made,) = bins_of(samples, until_s=300.0)

    assert made.air_c is None
    assert made.water_c == 4.0


def test_nothing_later_is_looked_at() -> None:
    """A bin that has not ended is not there, and nothing after the instant matters."""
    samples = minutes((0, 16.0, True), (2, 16.0, True), (4, 16.0, True), (6, 99.0, True))

    assert list(bins_of(samples, until_s=299.0)) == []
    assert [each.air_c for each in bins_of(samples, until_s=359.0)] == [16.0]
