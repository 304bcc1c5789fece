"""`duskbell cycle`, `serve` and `migrate`: the running thing."""

from __future__ import annotations

import logging
import socket
from datetime import datetime

import click

from alerts.errors import DuskbellError
from service.cli.options import MOMENT


class PortTaken(DuskbellError):
    """The pages can't listen where the settings say."""


@click.command()
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Judge as if it were TIME; default now.")
def cycle(as_of: datetime | None) -> None:
    """Run all stages once: sky, refresh, judge, tell, deliver."""
    from service.bootstrap import build
    from service.cycle.run import run_cycle

    duskbell = build()
    counts = run_cycle(duskbell, as_of or duskbell.clock())
    done = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts.items())
    click.echo(f"Cycle done: {done or 'nothing was due'}.")


@click.command()
def serve() -> None:
    """Run the schedule, the page and /healthz until stopped with Ctrl-C."""
    from service.bootstrap import build
    from service.clockwork import SchedulerLock, build_scheduler
    from service.cycle.run import run_cycle
    from service.web.app import build_app
    from service.web.serving import serve_pages

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    duskbell = build()
    settings = duskbell.settings
    require_free_port(settings.web_host, settings.web_port)
    with SchedulerLock(settings.data_dir):
        _ = duskbell.sessions  # a database that can't be used is said before anything runs
        scheduler = build_scheduler(lambda: run_cycle(duskbell, duskbell.clock()), settings.cycle_minutes)
        scheduler.add_job(lambda: run_cycle(duskbell, duskbell.clock()), id="first cycle")
        scheduler.start()
        click.echo(f"Duskbell is up: http://{settings.web_host}:{settings.web_port}  (stop with Ctrl-C)")
        try:
            app = build_app(duskbell, started_at=duskbell.clock())
            serve_pages(app, settings.web_host, settings.web_port)
        finally:
            scheduler.shutdown(wait=True)


@click.command()
def migrate() -> None:
    """Bring the database up to this version; back it up first."""
    from service.settings import load_settings
    from service.store.engine import open_engine
    from service.store.migrate import head_revision, upgrade

    upgrade(open_engine(load_settings().store_url))
    click.echo(f"The database is at revision {head_revision()}.")


def require_free_port(host: str, port: int) -> None:
    """PortTaken when nothing can listen there, naming the setting that changes it."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise PortTaken(
                f"{host}:{port} can't be listened on ({error.strerror}); stop what uses it or set "
                "DUSKBELL_WEB_PORT to another port."
            ) from None
