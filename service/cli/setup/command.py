"""`duskbell setup`: from nothing to a bell, step by step; run again, it changes the answers."""

from __future__ import annotations

import sys
from typing import Any

import click

from alerts.common.phrases import say
from service.app import build
from service.cli.options import LAT_LON
from service.cli.setup.conversation import Talk
from service.cli.setup.prompts import read_answers
from service.store.engine import require_writable


@click.command(help=say("cli-setup.about"))
@click.option("--mail", default=None, metavar="ADDRESS", help=say("cli-setup.help-mail"))
@click.option("--contact", default=None, help=say("cli-setup.help-contact"))
@click.option("--noncommercial", is_flag=True, help=say("cli-setup.help-noncommercial"))
@click.option(
    "--commercial-key",
    "key_file",
    type=click.File("r"),
    default=None,
    help=say("cli-setup.help-commercial-key"),
)
@click.option("--without-open-meteo", is_flag=True, help=say("cli-setup.help-without-open-meteo"))
@click.option("--place", default=None, metavar="NAME", help=say("cli-setup.help-place"))
@click.option("--at", type=LAT_LON, default=None, help=say("cli-setup.help-at"))
@click.option("--elevation", "elevation_m", type=float, default=None, help=say("cli-setup.help-elevation"))
@click.option("--yes", "is_sure", is_flag=True, help=say("cli-setup.help-yes"))
@click.option("--home", "home_at", type=LAT_LON, default=None, help=say("cli-setup.help-home"))
@click.option("--speed", type=float, default=None, metavar="KM/H", help=say("cli-setup.help-speed"))
@click.option("--smtp-host", default=None, help="Mail relay.")
@click.option(
    "--smtp-port", type=click.IntRange(1, 65535), default=None, help=say("cli-setup.help-smtp-port")
)
@click.option(
    "--smtp-security",
    type=click.Choice(["starttls", "tls", "none"]),
    default=None,
    help=say("cli-setup.help-smtp-security"),
)
@click.option("--smtp-user", default=None, help=say("cli-setup.help-smtp-user"))
@click.option(
    "--smtp-password-file", type=click.File("r"), default=None, help=say("cli-setup.help-smtp-password-file")
)
@click.option("--mail-from", default=None, help=say("cli-setup.help-mail-from"))
@click.option(
    "--push",
    "push_file",
    type=click.File("r"),
    default=None,
    help=say("cli-setup.help-push"),
)
@click.option("--push-name", default=None, help=say("cli-setup.help-push-name"))
@click.option("--chat", nargs=2, default=None, metavar="FORM URL", help=say("cli-setup.help-chat"))
@click.option("--chat-token-file", type=click.File("r"), default=None, help=say("cli-setup.help-chat-token"))
@click.option("--only-here", is_flag=True, help=say("cli-setup.help-only-here"))
@click.option("--no-input", is_flag=True, help=say("cli-setup.help-no-input"))
@click.option("--no-try", is_flag=True, help=say("cli-setup.help-no-tries"))
def setup(*, no_input: bool, no_try: bool, **given: Any) -> None:
    answers = read_answers(given)
    duskbell = build()
    talk = Talk(duskbell, answers, asks=has_terminal() and not no_input, tries=not no_try)
    try:
        require_writable(duskbell.engine)
        talk.run()
    except (click.Abort, KeyboardInterrupt):
        click.echo(say("cli-setup.stopped"))
        raise click.exceptions.Exit(130) from None
    finally:
        duskbell.engine.dispose()
    if talk.unwell:
        raise click.exceptions.Exit(1)


def has_terminal() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()
