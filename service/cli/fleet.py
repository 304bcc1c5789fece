"""`duskbell scheduler`, `worker` and `web`: the processes of a fleet on PostgreSQL."""

from __future__ import annotations

from pathlib import Path

import click
from prometheus_client import start_http_server

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say
from service.app import Duskbell, build
from service.cli.options import NEW_FILE
from service.cli.service import require_free_port
from service.common.log_setup import configure_logs
from service.common.secret_key import FILE_NAME
from service.runtime.fleet.scheduler import run_scheduler
from service.runtime.fleet.worker import run_worker
from service.runtime.fleet.worker_sessions import attach
from service.runtime.single_process import Pages, PagesStopped, leave, stop_on_signals
from service.settings import page_address
from service.store.migrate import require_queue
from service.store.repositories.job_queue import QUEUES
from service.web.app import build_app
from service.web.server import STOP_WITHIN_S

LOOK_EVERY_S = 1.0
"""Whether the web server still runs."""
ALIVE = click.option("--alive-file", "alive", type=NEW_FILE, help=say("cli.help-alive-file"))


class NotAFleet(DuskbellError):
    """The settings don't describe a fleet."""


@click.command(help=say("cli.about-scheduler"))
@ALIVE
def scheduler(alive: Path | None) -> None:
    duskbell = _build_fleet()
    click.echo(say("cli.scheduler-up", cycle_minutes=duskbell.settings.cycle_minutes))
    run_scheduler(duskbell, alive=alive)
    leave()


@click.command(help=say("cli.about-worker"))
@click.option("--queues", metavar="LIST", help=say("cli.help-queues"))
@click.option(
    "--senders", default=8, show_default=True, type=click.IntRange(1, 64), help=say("cli.help-senders")
)
@click.option("--metrics-port", type=click.IntRange(1, 65535), help=say("cli.help-metrics-port"))
@ALIVE
def worker(queues: str | None, senders: int, metrics_port: int | None, alive: Path | None) -> None:
    names = QUEUES if queues is None else tuple(filter(None, map(str.strip, queues.split(","))))
    unknown = [name for name in names if name not in QUEUES]
    if unknown or not names:
        text = say("cli.no-such-queue", unknown=", ".join(unknown), known=QUEUES)
        raise click.BadParameter(text, param_hint="--queues")
    duskbell = _build_fleet()
    if metrics_port is not None:
        start_http_server(metrics_port, registry=duskbell.delivery.metrics.registry)
    click.echo(say("cli.worker-up", names=", ".join(names)))
    run_worker(duskbell, names, senders=senders, alive=alive)
    leave()


@click.command(help=say("cli.about-web"))
def web() -> None:
    duskbell = _build_fleet()
    settings = duskbell.settings
    require_free_port(settings.web_host, settings.web_port)
    click.echo(say("cli.pages-up", page_address=page_address(settings.web_host, settings.web_port)))
    click.echo(say("cli.link-lets-in"))
    run_pages(duskbell)
    leave()


def _build_fleet() -> Duskbell:
    """The installation, if several processes can share it."""
    duskbell = build()
    settings = duskbell.settings
    configure_logs(log_format=settings.log_format, level=settings.log_level)
    if settings.secret_key is None and not (settings.data_dir / FILE_NAME).exists():
        raise NotAFleet(phrase("cli.fleet-one-key", file_name=FILE_NAME, data_dir=settings.data_dir))
    require_queue(duskbell.engine)
    _ = duskbell.keys  # a damaged key is refused here, not at the first link
    return duskbell


def run_pages(duskbell: Duskbell) -> None:
    """Serve until SIGINT or SIGTERM; then answer what is being asked, and return.

    PagesStopped when the web server ends by itself.
    """
    attach(duskbell.sessions, duskbell.channels, duskbell.clock)
    settings, stopping = duskbell.settings, duskbell.delivery.stopping
    app = build_app(duskbell)
    pages = Pages(app, settings.web_host, settings.web_port)
    with stop_on_signals(stopping):
        pages.start()
        while not stopping.wait(LOOK_EVERY_S):
            if not pages.is_alive:
                raise PagesStopped(phrase("runtime.pages-ended"))
        pages.stop(STOP_WITHIN_S)
