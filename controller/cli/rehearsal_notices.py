"""Notices in a rehearsal: the lookout's own decisions, on what it would have seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from controller.domain.published_forecast import PublishedForecast
from controller.foresight.forecast import Forecast
from controller.foresight.swap_plan import SwapPlan
from controller.lookout.forecasting import published
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.notice_rules import rules_of
from controller.records.snapshot import Snapshot
from controller.rehearsal.notified import Notification, OutsideView
from controller.settings.load import Settings
from controller.settings.scenario_file import GrowerScript

_NO_PLAN = SwapPlan(swaps=(), short=False)


class RehearsedNotices:
    """Notifies the person of a scenario as the lookout would, and lets them sleep as it would."""

    def __init__(self, settings: Settings, script: GrowerScript) -> None:
        """Begin with nothing sent.

        Args:
            settings: The configuration.
            script: The person, whose hours count here and not those of the configuration.
        """
        self._rules = replace(
            rules_of(settings), wakes=script.wakes, sleeps=script.sleeps, repeat_s=0.0
        )  # who is in the scenario knows of an alarm after its first notice
        self._zone = settings.site.zone()
        self._history = NoticeHistory()
        self._written: tuple[Forecast, PublishedForecast] | None = None

    def __call__(self, view: OutsideView) -> Sequence[Notification]:
        """Return what people are notified of at this moment."""
        snapshot = Snapshot(
            at_utc=view.now,
            status=view.status,
            age_s=0.0,
            silent=False,
            last_swap=view.last_swap,
            forecast=self._published(view),
        )
        self._history, notices = notices_due(self._history, snapshot, self._rules, view.now)
        return [
            Notification(about=each.about, text=each.body, urgent=each.urgent) for each in notices
        ]

    def _published(self, view: OutsideView) -> PublishedForecast | None:
        """Return the forecast as it is published, made once for each."""
        forecast = view.forecast
        if forecast is None:
            return None
        if self._written is None or self._written[0] is not forecast:
            made = published(forecast, view.plan or _NO_PLAN, zone=self._zone)
            self._written = forecast, made
        return self._written[1]
