"""Figures for monitoring systems, judged by the format's parser and by Prometheus' checker."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import generate_latest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from controller.domain.status import LoopFigures, ProbesStatus, ProbeStatus
from controller.lookout.metrics import ProbeSuccesses, metrics_text, registry_of
from controller.records.snapshot import Snapshot
from tests.lookout.houses import NOW, alarm, forecast, snapshot
from tests.support.machine import needs, program

RULES = Path(__file__).parents[2] / "config" / "prometheus"
PROMTOOL = program("promtool")
FIGURES = LoopFigures(
    late_s=0.002,
    records_waiting=3,
    starts=12,
    pump_s=3456.0,
    refused={"air": {"checksum wrong": 4}},
)


def samples(of: Snapshot) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(metrics_text(of).decode())
        for sample in family.samples
    }


def full(**changes: Any) -> Snapshot:
    return snapshot(
        forecast=forecast(NOW + timedelta(hours=3)),
        figures=FIGURES,
        alarms=[alarm("probe_lost", "room")],
        probes=ProbesStatus(
            air=ProbeStatus(reading_c=16.2, lost=None),
            room=ProbeStatus(reading_c=None, lost="stale"),
        ),
        **changes,
    )


def test_every_figure_is_there_in_base_units() -> None:
    """Read back by the reference parser of the format, which is strict about it."""
    exported = samples(full())

    assert exported["coldpin_up", ()] == 1.0
    assert exported["coldpin_temperature_celsius", (("place", "air"),)] == 16.2
    assert ("coldpin_temperature_celsius", (("place", "room"),)) not in exported
    assert exported["coldpin_probe_lost", (("place", "room"),)] == 1.0
    assert exported["coldpin_output_on", (("load", "pump"),)] == 0.0
    assert (
        exported[
            "coldpin_alarm_standing", (("about", "room"), ("alarm", "probe_lost"), ("seen", "no"))
        ]
        == 1.0
    )
    assert exported["coldpin_pump_starts_total", ()] == 12.0
    assert exported["coldpin_pump_on_seconds_total", ()] == 3456.0
    assert (
        exported["coldpin_readings_refused_total", (("place", "air"), ("reason", "checksum wrong"))]
        == 4.0
    )
    assert exported["coldpin_cold_reserve_joules", ()] == 900_000.0
    assert (
        exported["coldpin_swap_due_timestamp_seconds", (("bound", "early"),)]
        == (NOW + timedelta(hours=3)).timestamp()
    )


def test_a_silent_controller_leaves_no_number_that_looks_fresh() -> None:
    """Only that it is silent, and since when."""
    exported = samples(full(silent=True))

    assert exported == {("coldpin_up", ()): 0.0, ("coldpin_status_age_seconds", ()): 400.0}


@needs("promtool")
def test_the_checker_has_nothing_to_say() -> None:
    """Promtool judges names, units, help and types."""
    assert PROMTOOL is not None
    checked = subprocess.run(
        [PROMTOOL, "check", "metrics"],
        input=generate_latest(registry_of(full())),  # it reads the older text format only
        capture_output=True,
        check=False,
    )

    assert checked.stderr.decode() == ""


@needs("promtool")
@pytest.mark.parametrize("name", ["coldpin-alerts.yml", "coldpin-records.yml"])
def test_rules_are_rules(name: str) -> None:
    """Promtool takes them."""
    assert PROMTOOL is not None
    checked = subprocess.run(
        [PROMTOOL, "check", "rules", str(RULES / name)], capture_output=True, check=False
    )

    assert checked.returncode == 0, checked.stderr.decode()


def test_the_instant_of_the_last_success_outlives_the_reading() -> None:
    """A dead probe, then a silent control process: the instant stays, and still is one probe's."""
    successes = ProbeSuccesses()
    lost = ProbeStatus(reading_c=None, lost="stale")
    seen = ProbeStatus(reading_c=16.2, lost=None)
    later = NOW + timedelta(minutes=20)
    name = "coldpin_probe_last_success_timestamp_seconds"

    successes(snapshot(probes=ProbesStatus(air=seen, reservoir=seen, room=lost)))
    successes(replace(snapshot(probes=ProbesStatus(air=lost, reservoir=seen)), at_utc=later))
    dead = replace(snapshot(probes=ProbesStatus(air=seen), silent=True), at_utc=later)
    successes(dead)
    text = metrics_text(dead, successes.timestamps()).decode()

    at = {s.labels["place"]: s.value for f in text_string_to_metric_families(text)
          for s in f.samples if s.name == name}  # fmt: skip
    assert set(at) == {"air", "reservoir"}
    assert at["reservoir"] - at["air"] == 1200.0
    assert "coldpin_temperature_celsius" not in text


@needs("promtool")
def test_alerts_neither_clear_with_a_series_nor_fire_for_ever(tmp_path: Path) -> None:
    """A dead probe, a dead service, a dead machine, no target: `tests/lookout/prometheus/`."""
    text = (Path(__file__).parent / "prometheus" / "alerts-test.yml").read_text(encoding="utf-8")
    case = tmp_path / "case.yml"
    case.write_text(text.replace("ALERTS]", f"{RULES}/coldpin-alerts.yml]"), encoding="utf-8")
    ran = subprocess.run(
        [PROMTOOL or "", "test", "rules", str(case)], capture_output=True, check=False
    )

    assert ran.returncode == 0, (ran.stdout + ran.stderr).decode()


@needs("promtool")
def test_alerts_fire_when_they_should(tmp_path: Path) -> None:
    """Prometheus' own unit test of rules: silence, an alarm, packs due within the hour."""
    assert PROMTOOL is not None
    (tmp_path / "rules.yml").write_bytes((RULES / "coldpin-alerts.yml").read_bytes())
    (tmp_path / "test.yml").write_text(
        """
rule_files: [rules.yml]
evaluation_interval: 1m
tests:
  - interval: 1m
    input_series:
      - series: 'coldpin_up{instance="loft",job="coldpin"}'
        values: '1x5 0x20'
      - series: 'coldpin_alarm_standing{instance="loft",alarm="air_high",about="",seen="no"}'
        values: '1x30'
      - series: 'coldpin_swap_due_timestamp_seconds{instance="loft",job="coldpin",bound="early"}'
        values: '5400x90'
    alert_rule_test:
      - eval_time: 8m
        alertname: ColdpinSilent
        exp_alerts: []
      - eval_time: 20m
        alertname: ColdpinSilent
        exp_alerts:
          - exp_labels: {severity: critical, instance: loft, job: coldpin}
            exp_annotations:
              summary: "coldpin has stopped on loft: nothing cools the chamber."
      - eval_time: 15m
        alertname: ColdpinAlarmStands
        exp_alerts:
          - exp_labels: {severity: warning, instance: loft, alarm: air_high, seen: "no"}
            exp_annotations:
              summary: "loft: air_high "
      - eval_time: 20m
        alertname: ColdpinSwapDueSoon
        exp_alerts: []
      - eval_time: 40m
        alertname: ColdpinSwapDueSoon
        exp_alerts:
          - exp_labels: {severity: warning, instance: loft, job: coldpin, bound: early}
            exp_annotations:
              summary: "Packs of loft must be changed within the hour."
""",
        encoding="utf-8",
    )  # fmt: skip
    checked = subprocess.run(
        [PROMTOOL, "test", "rules", "test.yml"], cwd=tmp_path, capture_output=True, check=False
    )

    assert checked.returncode == 0, (checked.stdout + checked.stderr).decode()
