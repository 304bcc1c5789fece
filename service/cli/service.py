"""`duskbell cycle`, `serve`, `link` and `migrate`: the running thing."""

from __future__ import annotations

import socket
from datetime import datetime

import click

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase, say
from alerts.judging.obstacles import Level
from service.accounts.access import make_owner_link
from service.app import Duskbell, build
from service.cli.options import as_of_option
from service.common.log_setup import configure_logs
from service.pipeline.run_cycle import run_cycle
from service.reports.ring_check import RingCheck
from service.settings import load_settings, page_address
from service.setup.steps import is_untouched
from service.store.engine import open_engine, require_writable
from service.store.migrate import head_revision, upgrade


class PortTaken(DuskbellError):
    """The pages can't listen where the settings say."""


@click.command(help=say("cli.about-cycle"))
@as_of_option
def cycle(as_of: datetime | None) -> None:
    duskbell = build()
    require_writable(duskbell.engine)
    counts = run_cycle(duskbell, as_of or duskbell.clock(), tell=click.echo)
    done = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts.items())
    click.echo(say("cli.cycle-done", done=done))
    _say_obstacles(duskbell, as_of or duskbell.clock())


@click.command(help=say("cli.about-serve"))
def serve() -> None:
    # The pages are heavy to load; `cycle`, `link` and `migrate` do without them.
    from service.runtime.single_process import leave, run_service
    from service.setup.settings_file import SettingsWatch
    from service.web.app import build_app

    duskbell = build()
    settings = duskbell.settings
    configure_logs(log_format=settings.log_format, level=settings.log_level)
    _ = duskbell.keys  # a damaged key is refused here, not at the first link
    require_free_port(settings.web_host, settings.web_port)
    app = build_app(duskbell)
    run_service(duskbell, app, lambda: _greet(duskbell), SettingsWatch(duskbell))
    leave()


def _greet(duskbell: Duskbell) -> None:
    settings = duskbell.settings
    click.echo(say("cli.serve-up", page_address=page_address(settings.web_host, settings.web_port)))
    _say_obstacles(duskbell, duskbell.clock())
    click.echo(say("cli.serve-sign-in", owner_link=_owner_link(duskbell)))
    click.echo(say("cli.serve-link-once"))
    with duskbell.sessions() as session:
        if is_untouched(session, settings):
            click.echo(say("cli.serve-nothing-set-up"))


def _say_obstacles(duskbell: Duskbell, now: datetime) -> None:
    """What keeps this installation from ringing, a line for each kind; nothing where nothing does."""
    with duskbell.sessions() as session:
        for tally in RingCheck(duskbell, session, now).of_all():
            if tally.obstacle.level is not Level.NOTE:
                click.echo(tally.line())


@click.command(help=say("cli.about-link"))
def link() -> None:
    duskbell = build()
    require_writable(duskbell.engine)
    click.echo(_owner_link(duskbell))


def _owner_link(duskbell: Duskbell) -> str:
    with duskbell.sessions.begin() as session:
        return make_owner_link(session, duskbell.clock(), public_url=duskbell.settings.public_url)


@click.command(help=say("cli.about-migrate"))
def migrate() -> None:
    upgrade(open_engine(load_settings().store_url))
    click.echo(say("cli.migrated", head_revision=head_revision()))


def require_free_port(host: str, port: int) -> None:
    """PortTaken when nothing can listen there, naming the setting that changes it."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise PortTaken(phrase("cli.port-taken", host=host, port=port, strerror=error.strerror)) from None
