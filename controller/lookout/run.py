"""The lookout from start to stop: the watch and the page."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from controller.domain.json_text import json_text
from controller.domain.places import records_path
from controller.domain.zones import local_time
from controller.errors import BusyError, SettingsError
from controller.log import Logger
from controller.lookout.broker.publisher import MqttPublisher, publisher_of
from controller.lookout.chambers import PAGE
from controller.lookout.forecasting import RecordsForecaster, guarded
from controller.lookout.metrics import ProbeSuccesses, metrics_route
from controller.lookout.notices.heartbeat import Heartbeat, read_heartbeat
from controller.lookout.notices.notice_rules import rules_of
from controller.lookout.notices.sending import Sender
from controller.lookout.notices.services import read_addresses, services_for
from controller.lookout.page.access import Access
from controller.lookout.page.app import PageContext, page_app
from controller.lookout.page.recent_events import recent_events
from controller.lookout.page_address import url_of
from controller.lookout.rereading import Rereading
from controller.lookout.server import server_of
from controller.lookout.watch import Watch, run_in_thread
from controller.records.boot import boot_id
from controller.records.durable import replace_file
from controller.records.requests_file import REQUESTS, report_swap_due
from controller.records.snapshot import Snapshot
from controller.service_manager import Notifier
from controller.settings.load import Settings, examine_settings, read_settings
from controller.settings.lookout_models import OWN_ADDRESSES

REPORTED_AGAIN_AFTER = timedelta(minutes=10)

_log = Logger("coldpin.lookout")


class SwapDueReporter:
    """Reports to the control process whether packs are due, so that its own alarm is raised."""

    def __init__(self, place: Path, settings: Settings) -> None:
        self._path = place / REQUESTS
        self._lead = timedelta(seconds=settings.notices.longest_lead_s)
        self._last: tuple[bool, datetime] | None = None

    def __call__(self, snapshot: Snapshot) -> None:
        """Report it when it changes, and now and then so that it stays known.

        Raises:
            OSError: It cannot be reported.
        """
        now, forecast = snapshot.at_utc, snapshot.forecast
        due = None if forecast is None else forecast.is_due(now, self._lead)
        if due is None:
            return
        if self._last is not None:
            previous, at = self._last
            if previous is due and timedelta() <= now - at < REPORTED_AGAIN_AFTER:
                return
        report_swap_due(self._path, due=due, for_s=3.0 * REPORTED_AGAIN_AFTER.total_seconds())
        self._last = due, now


def _publish_port(place: Path, port: int) -> None:
    """Publish where the page is, for the pages of the other chambers of this machine."""
    try:
        replace_file(place / PAGE, json_text({"port": port}))
    except OSError as error:
        _log.warning("port_not_published", error=str(error))


def sender_of(settings: Settings, folder: Path, place: Path) -> Sender | None:
    """Return what sends notices, None where no service is named.

    Args:
        settings: The configuration.
        folder: The folder that its file names are relative to.
        place: The instance's state directory.

    Raises:
        SettingsError: The file of addresses cannot be used.
    """
    notices = settings.notices
    if notices.addresses is None:
        return None
    services = services_for(read_addresses(folder / notices.addresses))
    zone = settings.site.zone()
    records = records_path(settings.records.path, place)

    def events_since(since: datetime, until: datetime) -> list[str]:
        now = local_time(until, zone)
        events = recent_events(records, place / REQUESTS, since=since, now=now, zone=zone)
        return [f"{at} {what}" for at, what in events]

    return Sender(
        place,
        rules_of(settings),
        services,
        zone=zone,
        boot=boot_id(),
        events_since=events_since,
    )


def heartbeat_of(settings: Settings, folder: Path) -> Heartbeat | None:
    """Return what asks for the heartbeat's address, None where none is named.

    Args:
        settings: The configuration.
        folder: The folder that its file names are relative to.

    Raises:
        SettingsError: The file with the address cannot be used.
    """
    notices = settings.notices
    if notices.heartbeat is None:
        return None
    address = read_heartbeat(folder / notices.heartbeat)
    return Heartbeat(address, every_s=notices.heartbeat_every)


def run_lookout(config: Path, place: Path) -> None:
    """Serve the page until SIGTERM or SIGINT; at SIGHUP begin anew with what `config` says then.

    Args:
        config: The configuration.
        place: The instance's state directory.

    Raises:
        SettingsError: The configuration cannot be used, or the page would be open to the network
            without a password.
        BusyError: The address cannot be listened at.
    """
    notifier = Notifier.from_environment()
    access = Access(place, clock=time.monotonic)  # a reload signs nobody out
    rereading = Rereading(notifier, lambda: _parts_of(config, place, access))
    try:
        with rereading.received():
            _serve(config, place, access, notifier, rereading)
            while rereading.taken():
                _serve(config, place, access, notifier, rereading)
    finally:
        notifier.stopping()


@dataclass(frozen=True, slots=True, kw_only=True)
class _LookoutParts:
    """What one configuration asks for."""

    settings: Settings
    forecaster: RecordsForecaster
    sender: Sender | None
    broker: MqttPublisher | None
    heartbeat: Heartbeat | None


def _parts_of(config: Path, place: Path, access: Access) -> _LookoutParts:
    """Return what a configuration asks for; nothing has begun.

    Raises:
        SettingsError: The configuration cannot be used, or the page would be open to the network
            without a password.
    """
    settings = read_settings(config)
    _require_password(config, settings, access)
    return _LookoutParts(
        settings=settings,
        forecaster=RecordsForecaster(settings, place, folder=config.parent),
        sender=sender_of(settings, config.parent, place),
        broker=publisher_of(settings, config, place),
        heartbeat=heartbeat_of(settings, config.parent),
    )


def _serve(
    config: Path, place: Path, access: Access, notifier: Notifier, rereading: Rereading
) -> None:
    """Serve by one reading of the configuration.

    Its parts are made once nothing else serves: the sender goes on with what was sent until then.
    """
    parts = _parts_of(config, place, access)
    _, problems = examine_settings(config, needs_fit=True)
    for problem in problems:
        _log.warning("fit_not_used", problem=problem)
    settings, sender, broker = parts.settings, parts.sender, parts.broker
    lookout = settings.lookout
    listeners = [each for each in (sender, broker, parts.heartbeat) if each is not None]
    successes = ProbeSuccesses()
    watch = Watch(
        place,
        forecast=guarded(
            parts.forecaster.forecast, lambda text: _log.warning("forecast", note=text)
        ),
        listeners=[SwapDueReporter(place, settings), successes, *listeners],
        runner=run_in_thread,
    )
    app = page_app(
        PageContext(
            settings=settings,
            place=place,
            snapshot=watch.now,
            access=access,
            notices=sender,
            others=None if broker is None or not settings.mqtt.all_chambers else broker.others,
            # a scraper cannot enter: where looking needs the secret, there are no figures for it
            extra_routes=[metrics_route(watch.now, successes.timestamps)]
            if lookout.reading == "open"
            else [],
        )
    )
    server = server_of(
        app,
        address=lookout.address,
        port=lookout.port,
        listening=notifier.ready,
        ends=rereading.ends_this,
    )
    _publish_port(place, lookout.port)
    _log.info("lookout", chamber=settings.chamber.name, url=url_of(lookout.address, lookout.port))
    for each in (watch, *listeners):
        each.begin()
    try:
        server.run()
    except SystemExit:  # how the server says that it could not listen; its log has the reason
        raise BusyError(
            f"nothing can listen at {lookout.address}:{lookout.port}; is it taken, or no address "
            "of this machine? [lookout] address and port name another one"
        ) from None
    finally:
        for each in (watch, *listeners):
            each.close()


def _require_password(config: Path, settings: Settings, access: Access) -> None:
    """Go on only where the page may be served.

    Raises:
        SettingsError: The page would be open to the network without a password.
    """
    address = settings.lookout.address
    if address not in OWN_ADDRESSES and not access.has_secret:
        problem = (
            f"lookout.address: found {address}, which others in the house can reach, "
            "but there is no password yet; make one with coldpin lookout CONFIG --new-password"
        )
        raise SettingsError(str(config), (problem,))
