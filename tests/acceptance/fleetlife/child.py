"""One process of the fleet, as the command starts it, under weather that follows a file.

    python -m tests.acceptance.fleetlife.child scheduler|worker|web|migrate

Settings come from the environment. `FLEET_WEATHER` names a file with the cloud in percent, `FLEET_EVERY_S`
the seconds from one cycle to the next. `FLEET_HASTE=1` shortens leases and heartbeats, so that a minute
holds what otherwise takes ten.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import service.runtime.fleet.worker
from alerts.common.errors import DuskbellError
from alerts.common.span import Span
from alerts.weather.forecast import Place
from service.app import Duskbell
from service.common.log_setup import configure_logs
from service.demo.play import InventedSky
from service.feeds.shared.model import Gathered
from service.pipeline import refresh_stage
from service.runtime.fleet import cycles
from service.settings import load_settings
from service.store.repositories import messages

HASTY_LEASE = timedelta(seconds=8)
NEVER_FRESH = timedelta(0)


def gather(places: Sequence[Place], hours: Span) -> Gathered:
    cloud_pct = float(Path(os.environ["FLEET_WEATHER"]).read_text())
    return InventedSky({}, default_cloud_pct=cloud_pct).gather(places, hours)


def be_hasty() -> None:
    messages.LEASE = HASTY_LEASE
    cycles.STAGES = {name: replace(stage, lease=HASTY_LEASE) for name, stage in cycles.STAGES.items()}
    service.runtime.fleet.worker.HEARTBEAT_S, service.runtime.fleet.worker.STALLED_AFTER_S = 1.0, 4.0


def run(role: str) -> None:
    duskbell = Duskbell(load_settings(), invented_weather=gather)
    configure_logs(log_format="text", level="info")
    refresh_stage.FRESH_NEAR = refresh_stage.FRESH_FAR = NEVER_FRESH
    if os.environ.get("FLEET_HASTE"):
        be_hasty()
    every = timedelta(seconds=float(os.environ["FLEET_EVERY_S"]))
    if role == "scheduler":
        from service.runtime.fleet.scheduler import run_scheduler

        run_scheduler(duskbell, every=every)
    elif role == "worker":
        service.runtime.fleet.worker.run_worker(duskbell)
    elif role == "web":
        from service.cli.fleet import run_pages

        run_pages(duskbell)
    else:
        from service.store.engine import open_engine
        from service.store.migrate import upgrade

        upgrade(open_engine(duskbell.settings.store_url))


def main() -> None:
    try:
        run(sys.argv[1])
    except DuskbellError as error:
        sys.stderr.write(f"duskbell: {error}\n")
        sys.exit(1)


if __name__ == "__main__":
    main()
