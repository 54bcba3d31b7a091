"""The lookout from start to stop: the watch beside the page."""

from __future__ import annotations

import time
from pathlib import Path

import structlog
import uvicorn

from controller.errors import SettingsError
from controller.lookout.access import Access
from controller.lookout.forecasting import Forecaster, guarded
from controller.lookout.page import House, page_app
from controller.lookout.watch import Watch
from controller.settings.load import read_settings

OWN_ADDRESSES = {"127.0.0.1", "::1", "localhost"}

_log = structlog.get_logger("coldpin.lookout")


def run_lookout(config: Path, place: Path) -> None:
    """Serve the page until SIGTERM or SIGINT.

    Args:
        config: The configuration.
        place: The instance's state directory.

    Raises:
        SettingsError: The configuration cannot be used, or the page would be open to the house
            without a secret.
    """
    settings = read_settings(config)
    lookout = settings.lookout
    access = Access(place, clock=time.monotonic)
    if lookout.address not in OWN_ADDRESSES and not access.has_secret:
        problem = (
            f"lookout.address: found {lookout.address}, which others in the house can reach, "
            "but there is no secret yet; make one with coldpin lookout CONFIG --new-secret"
        )
        raise SettingsError(str(config), (problem,))
    forecaster = Forecaster(settings, place)
    watch = Watch(
        place,
        forecast=guarded(forecaster.document, lambda text: _log.warning("forecast", note=text)),
    )
    app = page_app(House(settings=settings, place=place, look=watch.now, access=access))
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            host=lookout.address,
            port=lookout.port,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
            limit_concurrency=100,
            h11_max_incomplete_event_size=16_384,
            lifespan="off",
            loop="asyncio",
            http="h11",
            ws="none",
        )
    )
    _log.info("lookout", chamber=settings.chamber.name, at=f"{lookout.address}:{lookout.port}")
    watch.begin()
    try:
        server.run()
    finally:
        watch.close()
