"""The `duskbell` command. Heavy modules are imported inside the commands, so that --help is quick."""

from __future__ import annotations

import sys

import click

from alerts.errors import DuskbellError

_COMMANDS = {
    "tonight": ("service.cli.tonight", "Judge one night at one place, now."),
    "compare": ("service.cli.compare", "Which site on which night: several sites ranked."),
    "season": ("service.cli.season", "Every night of a year with a dark window."),
    "briefing": ("service.cli.briefing", "All that the field needs about one night."),
    "site": ("service.cli.sites", "Add, edit and list sites."),
    "subscribe": ("service.cli.subscriptions", "Tell an address about a site."),
    "subscriptions": ("service.cli.subscriptions", "List who is told about what."),
    "subscription": ("service.cli.subscription", "Change, pause, resume or end a subscription."),
    "address": ("service.cli.addresses", "List, test, confirm and switch addresses."),
    "messages": ("service.cli.messages", "List, show, resend and cancel messages."),
    "cycle": ("service.cli.running", "Run all stages once."),
    "serve": ("service.cli.running", "Run the schedule, the page and /healthz until stopped."),
    "link": ("service.cli.running", "Print a link that signs you in on the pages."),
    "scheduler": ("service.cli.worker", "In a fleet on PostgreSQL: begin cycles and sweep up."),
    "worker": ("service.cli.worker", "In a fleet: do what the schedulers put into the queue."),
    "web": ("service.cli.worker", "In a fleet: serve the pages only."),
    "weather": ("service.cli.weather", "A night's weather hour by hour, source by source."),
    "feeds": ("service.cli.feeds", "How the weather feeds fare; ask one again."),
    "explain": ("service.cli.explain", "Say why a night rang, or why it didn't."),
    "outcome": ("service.cli.record", "Say what a night was like."),
    "record": ("service.cli.record", "How often it was right."),
    "calibration": ("service.cli.calibration", "How chances are corrected by what came."),
    "rejudge": ("service.cli.rejudge", "What other wishes, or today's rules, would have said."),
    "backtest": ("service.cli.backtest", "The record that today's rules would have had."),
    "doctor": ("service.cli.doctor", "Check settings, database, mail and feeds."),
    "migrate": ("service.cli.running", "Bring an older database up to this version."),
    "move": ("service.cli.move", "Move everything to a PostgreSQL, and compare."),
    "backup": ("service.cli.backup", "Write everything to one file."),
    "restore": ("service.cli.backup", "Put a backup in place of the database."),
    "person": ("service.cli.people", "Hand out or erase what is stored about a person."),
    "key": ("service.cli.people", "Make, list and revoke keys for programs."),
    "demo": ("service.cli.demo", "Play an invented week, offline, from forecast to stand-down."),
}


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
    """Run the command; an error Duskbell raises on purpose is one sentence and exit code 1."""
    try:
        duskbell()
    except DuskbellError as error:
        click.echo(f"duskbell: {error}", err=True)
        sys.exit(1)
