"""The `duskbell` command. A command's module, with all that it needs, is loaded when it runs."""

from __future__ import annotations

import errno
import os
import sys
from functools import cache

import click

from alerts.common.errors import DuskbellError

_COMMANDS = {
    "setup": "service.cli.setup.command",
    "tonight": "service.cli.tonight",
    "compare": "service.cli.compare",
    "season": "service.cli.season",
    "briefing": "service.cli.briefing",
    "site": "service.cli.sites",
    "subscribe": "service.cli.subscriptions",
    "subscriptions": "service.cli.subscriptions",
    "subscription": "service.cli.subscriptions",
    "home": "service.cli.people",
    "address": "service.cli.addresses",
    "messages": "service.cli.messages",
    "cycle": "service.cli.service",
    "serve": "service.cli.service",
    "link": "service.cli.service",
    "scheduler": "service.cli.fleet",
    "worker": "service.cli.fleet",
    "web": "service.cli.fleet",
    "weather": "service.cli.weather",
    "feeds": "service.cli.feeds",
    "explain": "service.cli.explain",
    "outcome": "service.cli.hindsight",
    "record": "service.cli.hindsight",
    "calibration": "service.cli.hindsight",
    "rejudge": "service.cli.hindsight",
    "backtest": "service.cli.hindsight",
    "doctor": "service.cli.doctor",
    "migrate": "service.cli.service",
    "move": "service.cli.backup",
    "backup": "service.cli.backup",
    "restore": "service.cli.backup",
    "person": "service.cli.people",
    "key": "service.cli.people",
    "demo": "service.cli.demo",
}
"""In the order of `--help`; what that says of them stands in the catalogue, by their names."""

_QUICK = frozenset({"tonight", "compare", "season", "briefing"})
"""Commands that answer once, often without a store; what they rarely need runs when it is asked for."""
_LATE = (
    "icalendar",
    "pydantic",
    "alerts.briefing.render",
    "service.app",
    "service.explain.stored_verdict",
    "service.feeds.shared.http_client",
    "service.feeds.shared.watched_sockets",
    "service.feeds.sight_requests",
    "service.feeds.store_access",
    "service.observations.station_wiring",
    "service.reports.default_reader",
    "service.store.json_values",
    "service.store.repositories.climates",
    "service.store.repositories.forecasts",
    "service.store.repositories.people",
    "service.store.repositories.sites",
)

OTHERS = 0o077
"""What the group and everybody else may do."""
_DISK_ERRNOS = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS})


class _LazyGroup(click.Group):
    """Knows its commands by name and loads one only when it runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        from importlib import import_module

        if cmd_name in _QUICK:
            from service.common.late_modules import late  # what --help does without

            with late(_LATE):
                import_module(_COMMANDS[cmd_name])
        command = getattr(import_module(_COMMANDS[cmd_name]), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        self.help = _read_lines()["duskbell"]
        super().format_help_text(ctx, formatter)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        lines = _read_lines()
        with formatter.section("Commands"):
            formatter.write_dl([(name, lines[name]) for name in _COMMANDS])


@cache
def _read_lines() -> dict[str, str]:
    """What `--help` says. Each entry of that file is one line and plain, and read as such: loading what reads
    all of TOML, or the catalogue, would make it slower by a tenth, or a half."""
    top = os.path.dirname(os.path.dirname(os.path.dirname(__file__)))
    with open(f"{top}/alerts/common/catalogue/en/cli-commands.toml", encoding="utf-8") as file:
        entries = (line.rstrip().partition(" = ") for line in file if not line.startswith("#"))
        return {name: text.strip('"') for name, _, text in entries}


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="duskbell")
def duskbell() -> None: ...


def main() -> None:
    """Run the command; an error that is foreseen is one sentence and exit code 1.

    Whatever is written meanwhile, the database and its log, messages, backups and exports, can be read by its
    owner alone: addresses and places are in it. A stricter umask stays as it is.
    """
    before = os.umask(OTHERS)
    os.umask(before | OTHERS)
    try:
        duskbell()
    except Exception as error:
        said = _said(error)
        if said is None:
            raise
        click.echo(f"duskbell: {said}", err=True)
        sys.exit(1)
    finally:
        os.umask(before)


def _said(error: Exception) -> str | None:
    """The sentence for an error that Duskbell raises on purpose, or that a full or broken disk makes anything
    raise; None for what nobody foresaw. Databases are loaded already where they raised one."""
    if isinstance(error, DuskbellError):
        return str(error)
    from alerts.common.phrases import say  # what --help does without

    if isinstance(error, OSError) and error.errno in _DISK_ERRNOS:
        return say("cli.disk-fault", file=error.filename or "", reason=error.strerror)
    sqlite = sys.modules.get("sqlite3")
    if sqlite is not None and isinstance(error, sqlite.OperationalError):
        return say("cli.database-unwritable", reason=error)
    faults = sys.modules.get("sqlalchemy.exc")
    if faults is not None and isinstance(error, faults.OperationalError):
        from service.store.engine import say_fault  # heavy, and loaded where SQLAlchemy is

        return say("cli.database-unusable", reason=say_fault(error))
    return None
