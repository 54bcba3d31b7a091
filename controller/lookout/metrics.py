"""Figures for monitoring systems, in OpenMetrics text; what is old is not shown as if it held.

Names follow the conventions of Prometheus: base units, a unit at the end, ``_total`` for counters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.domain.published_forecast import PublishedForecast
from controller.domain.status import LoopFigures, Status
from controller.records.snapshot import Snapshot

_NONE: Mapping[str, float] = MappingProxyType({})


class ProbeSuccesses:
    """When each probe gave a usable reading last, as far as the lookout saw; a listener of it."""

    def __init__(self) -> None:
        """Begin without any."""
        self._at: dict[str, float] = {}

    def __call__(self, snapshot: Snapshot) -> None:
        """Note the readings of a snapshot; a probe that is no longer configured is dropped."""
        if snapshot.status is None or snapshot.silent:
            return
        read_at_s = snapshot.at_utc.timestamp() - (snapshot.age_s or 0.0)
        self._at = {
            place: self._at[place] if probe.reading_c is None else read_at_s
            for place, probe in snapshot.status.probes.fitted()
            if probe.reading_c is not None or place in self._at
        }

    def timestamps(self) -> dict[str, float]:
        """Return the instants by place, in seconds since 1970 UTC."""
        return dict(self._at)


def metrics_route(
    snapshot: Callable[[], Snapshot], successes: Callable[[], Mapping[str, float]] = dict
) -> Route:
    """Return the route that answers a scrape.

    Args:
        snapshot: Gives how the chamber is now.
        successes: Gives when each probe gave a usable reading last.
    """

    def metrics(_request: Request) -> Response:
        return Response(metrics_text(snapshot(), successes()), media_type=CONTENT_TYPE_LATEST)

    return Route("/metrics", metrics, methods=["GET"])


def metrics_text(snapshot: Snapshot, successes: Mapping[str, float] = _NONE) -> bytes:
    """Return the figures of a snapshot as OpenMetrics text."""
    registry = registry_of(snapshot, successes)
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text


def registry_of(snapshot: Snapshot, successes: Mapping[str, float] = _NONE) -> CollectorRegistry:
    """Return the figures of a snapshot, to be written in any format."""
    registry = CollectorRegistry()
    registry.register(_Figures(snapshot, successes))
    return registry


class _Figures(Collector):
    def __init__(self, snapshot: Snapshot, successes: Mapping[str, float]) -> None:
        self._snapshot = snapshot
        self._successes = successes

    def collect(self) -> Iterator[Metric]:
        snapshot = self._snapshot
        up = 0.0 if snapshot.silent else 1.0
        yield _gauge("coldpin_up", "Whether the control process has spoken lately.", up)
        if snapshot.age_s is not None:
            yield _gauge("coldpin_status_age_seconds", "Age of what it last said.", snapshot.age_s)
        # an instant stays true however long ago it was, so it is shown also while all is silent
        if self._successes:
            successes = GaugeMetricFamily(
                "coldpin_probe_last_success_timestamp_seconds",
                "When a probe gave a usable reading last.",
                labels=["place"],
            )
            for place, at_s in self._successes.items():
                successes.add_metric([place], at_s)
            yield successes
        if snapshot.status is None or snapshot.silent:
            return  # series end here, so that nobody takes the last numbers for fresh ones
        yield from _status(snapshot.status)
        if snapshot.forecast is not None:
            yield from _forecast(snapshot.forecast)


def _gauge(name: str, about: str, value: float) -> Metric:
    return GaugeMetricFamily(name, about, value=value)


def _status(status: Status) -> Iterator[Metric]:
    temperatures = GaugeMetricFamily(
        "coldpin_temperature_celsius", "What each probe reads.", labels=["place"]
    )
    lost = GaugeMetricFamily(
        "coldpin_probe_lost", "Whether a probe gives no usable reading.", labels=["place"]
    )
    for place, probe in status.probes.fitted():
        lost.add_metric([place], float(probe.lost is not None))
        if probe.reading_c is not None:
            temperatures.add_metric([place], probe.reading_c)
    yield temperatures
    yield lost
    yield _gauge("coldpin_cut_in_celsius", "Air that starts cooling.", status.cut_in_c)
    yield _gauge("coldpin_cut_out_celsius", "Air that ends cooling.", status.cut_out_c)
    outputs = GaugeMetricFamily("coldpin_output_on", "Whether a load is on.", labels=["load"])
    outputs.add_metric(["pump"], float(status.pump))
    outputs.add_metric(["fan"], float(status.fan))
    yield outputs
    phase = GaugeMetricFamily("coldpin_phase", "The phase that cooling is in.", labels=["phase"])
    phase.add_metric([status.phase], 1.0)
    yield phase
    alarms = GaugeMetricFamily(
        "coldpin_alarm_standing", "An alarm that stands.", labels=["alarm", "about", "seen"]
    )
    for alarm in status.alarms:
        seen = "yes" if alarm.acknowledged else "no"
        alarms.add_metric([alarm.name, alarm.about, seen], 1.0)
    yield alarms
    counts = GaugeMetricFamily("coldpin_alarms", "How many alarms stand.", labels=["seen"])
    acknowledged = sum(alarm.acknowledged for alarm in status.alarms)
    counts.add_metric(["yes"], acknowledged)
    counts.add_metric(["no"], len(status.alarms) - acknowledged)
    yield counts
    yield from _loop(status.figures)


def _loop(figures: LoopFigures) -> Iterator[Metric]:
    if figures.late_s is not None:
        yield _gauge(
            "coldpin_loop_lateness_seconds", "How late the last tick began.", figures.late_s
        )
    if figures.records_waiting is not None:
        yield _gauge(
            "coldpin_records_waiting", "Rows that are not written yet.", figures.records_waiting
        )
    if figures.starts is not None:
        yield CounterMetricFamily(
            "coldpin_pump_starts", "Starts of the pump since the service began.",
            value=figures.starts,
        )  # fmt: skip
    if figures.pump_s is not None:
        yield CounterMetricFamily(
            "coldpin_pump_on_seconds", "Time with the pump on since the service began.",
            value=figures.pump_s,
        )  # fmt: skip
    refused = CounterMetricFamily(
        "coldpin_readings_refused", "Readings that were refused.", labels=["place", "reason"]
    )
    for place, faults in figures.refused.items():
        for reason, count in faults.items():
            refused.add_metric([place, reason], count)
    yield refused


def _forecast(forecast: PublishedForecast) -> Iterator[Metric]:
    if forecast.reserve_kj is not None:
        yield _gauge(
            "coldpin_cold_reserve_joules",
            "Heat that the reservoir still takes before it stops being useful.",
            1000.0 * forecast.reserve_kj,
        )
    due = GaugeMetricFamily(
        "coldpin_swap_due_timestamp_seconds",
        "When packs must be changed: early and late bound, and most likely.",
        labels=["bound"],
    )
    for bound, at in (
        ("early", forecast.early),
        ("likely", forecast.swap_due),
        ("late", forecast.late),
    ):
        if at is not None:
            due.add_metric([bound], at.timestamp())
    yield due
