"""`duskbell cycle`, `serve` and `migrate`: the running thing."""

from __future__ import annotations

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
    from service.store.engine import require_writable

    duskbell = build()
    require_writable(duskbell.engine)
    counts = run_cycle(duskbell, as_of or duskbell.clock())
    done = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts.items())
    click.echo(f"Cycle done: {done or 'nothing was due'}.")


@click.command()
def serve() -> None:
    """Run the schedule, the pages and /healthz until stopped with Ctrl-C."""
    from service.bootstrap import build
    from service.logs import configure_logs
    from service.running import leave, run_service
    from service.web.app import build_app

    duskbell = build()
    settings = duskbell.settings
    configure_logs(log_format=settings.log_format, level=settings.log_level)
    require_free_port(settings.web_host, settings.web_port)
    app = build_app(duskbell, started_at=duskbell.clock())
    run_service(duskbell, app, click.echo)
    leave()


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
