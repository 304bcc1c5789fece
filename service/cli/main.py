"""The `duskbell` command. A command's module, with all that it needs, is loaded when it runs."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import sys
from collections.abc import Iterator

import click

from alerts.common.errors import DuskbellError

# Not in the catalogue: reading that would make --help half as slow again.
_COMMANDS = {
    "setup": ("service.cli.setup.command", "Set Duskbell up, step by step, or change the answers."),
    "tonight": ("service.cli.tonight", "Judge one night at one place, now."),
    "compare": ("service.cli.compare", "Which site on which night: several sites ranked."),
    "season": ("service.cli.season", "Every night of a year with a dark window."),
    "briefing": ("service.cli.briefing", "All that the field needs about one night."),
    "site": ("service.cli.sites", "Add, edit and list sites."),
    "subscribe": ("service.cli.subscriptions", "Tell an address about a site."),
    "subscriptions": ("service.cli.subscriptions", "List who is told about what."),
    "subscription": ("service.cli.subscriptions", "Change, pause, resume or end a subscription."),
    "home": ("service.cli.people", "Show or set where drives are estimated from."),
    "address": ("service.cli.addresses", "List, test, confirm and switch addresses."),
    "messages": ("service.cli.messages", "List, show, resend and cancel messages."),
    "cycle": ("service.cli.service", "Run all stages once."),
    "serve": ("service.cli.service", "Run the schedule, the page and /healthz until stopped."),
    "link": ("service.cli.service", "Print a link that signs you in on the pages."),
    "scheduler": ("service.cli.fleet", "In a fleet on PostgreSQL: begin cycles and sweep up."),
    "worker": ("service.cli.fleet", "In a fleet: do what the schedulers put into the queue."),
    "web": ("service.cli.fleet", "In a fleet: serve the pages only."),
    "weather": ("service.cli.weather", "A night's weather hour by hour, source by source."),
    "feeds": ("service.cli.feeds", "How the weather feeds fare; ask one again."),
    "explain": ("service.cli.explain", "Say why a night rang, or why it didn't."),
    "outcome": ("service.cli.hindsight", "Say what a night was like."),
    "record": ("service.cli.hindsight", "How often it was right."),
    "calibration": ("service.cli.hindsight", "How chances are corrected by what came."),
    "rejudge": ("service.cli.hindsight", "What other wishes, or today's rules, would have said."),
    "backtest": ("service.cli.hindsight", "The record that today's rules would have had."),
    "doctor": ("service.cli.doctor", "Check settings, database, mail and feeds."),
    "migrate": ("service.cli.service", "Bring an older database up to this version."),
    "move": ("service.cli.backup", "Move everything to a PostgreSQL, and compare."),
    "backup": ("service.cli.backup", "Write everything to one file."),
    "restore": ("service.cli.backup", "Put a backup in place of the database."),
    "person": ("service.cli.people", "Hand out or erase what is stored about a person."),
    "key": ("service.cli.people", "Make, list and revoke keys for programs."),
    "demo": ("service.cli.demo", "Play an invented week, offline, from forecast to stand-down."),
}

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

        command = getattr(import_module(_COMMANDS[cmd_name][0]), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="duskbell")
def duskbell() -> None:
    """Tells landscape photographers of the night sky when a night is worth the drive."""


def main() -> None:
    """Run the command; an error that is foreseen is one sentence and exit code 1."""
    with _files_for_their_owner():
        try:
            duskbell()
        except Exception as error:
            said = _said(error)
            if said is None:
                raise
            click.echo(f"duskbell: {said}", err=True)
            sys.exit(1)


@contextlib.contextmanager
def _files_for_their_owner() -> Iterator[None]:
    """Whatever is written meanwhile, the database and its log, messages, backups and exports, can be read by
    its owner alone: addresses and places are in it. A stricter umask stays as it is."""
    before = os.umask(OTHERS)
    os.umask(before | OTHERS)
    try:
        yield
    finally:
        os.umask(before)


def _said(error: Exception) -> str | None:
    """The sentence for an error that Duskbell raises on purpose, or that a full or broken disk makes anything
    raise; None for what nobody foresaw. SQLAlchemy is loaded already where it raised one."""
    if isinstance(error, DuskbellError):
        return str(error)
    from alerts.common.phrases import say  # what --help does without

    if isinstance(error, OSError) and error.errno in _DISK_ERRNOS:
        return say("cli.disk-fault", file=error.filename or "a file", reason=error.strerror)
    if isinstance(error, sqlite3.OperationalError):
        return say("cli.database-unwritable", reason=error)
    faults = sys.modules.get("sqlalchemy.exc")
    if faults is not None and isinstance(error, faults.OperationalError):
        from service.store.engine import say_fault  # heavy, and loaded where SQLAlchemy is

        return say("cli.database-unusable", reason=say_fault(error))
    return None
