"""`duskbell setup`: from nothing to a bell, step by step; run again, it changes the answers."""

from __future__ import annotations

import sys
from typing import Any

import click

from service.app import build
from service.cli.options import LAT_LON
from service.cli.setup.conversation import Talk
from service.cli.setup.prompts import read_answers
from service.store.engine import require_writable


@click.command()
@click.option("--mail", default=None, metavar="ADDRESS", help="Your own mail address: it signs in as you.")
@click.option("--contact", default=None, help="Mail address or web page that the feeds are told.")
@click.option("--noncommercial", is_flag=True, help="Declare non-commercial use, which Open-Meteo asks for.")
@click.option(
    "--commercial-key", "key_file", type=click.File("r"), default=None, help="File with your Open-Meteo key."
)
@click.option(
    "--without-open-meteo", is_flag=True, help="Don't ask Open-Meteo: nothing rings then outside the US."
)
@click.option("--place", default=None, metavar="NAME", help="The first place.")
@click.option("--at", type=LAT_LON, default=None, help="Its coordinates, as you have them.")
@click.option("--elevation", "elevation_m", type=float, default=None, help="Its metres above sea level.")
@click.option("--yes", "is_sure", is_flag=True, help="Don't ask whether a place at sea is meant.")
@click.option("--home", "home_at", type=LAT_LON, default=None, help="Where you set out; kept to about 1 km.")
@click.option("--speed", type=float, default=None, metavar="KM/H", help="Your usual speed; default 70.")
@click.option("--smtp-host", default=None, help="Mail relay.")
@click.option("--smtp-port", type=click.IntRange(1, 65535), default=None, help="Its port; default 587.")
@click.option(
    "--smtp-security",
    type=click.Choice(["starttls", "tls", "none"]),
    default=None,
    help="How the line to it is secured; default starttls.",
)
@click.option("--smtp-user", default=None, help="User name at the relay, if it wants one.")
@click.option("--smtp-password-file", type=click.File("r"), default=None, help="File with the password.")
@click.option("--mail-from", default=None, help="Sender of all mail; default your own address.")
@click.option(
    "--push", "push_file", type=click.File("r"), default=None, help="File with a push service's apprise URL."
)
@click.option("--push-name", default=None, help="What to call it; default phone.")
@click.option("--chat", nargs=2, default=None, metavar="FORM URL", help="A group chat, in its own form.")
@click.option("--chat-token-file", type=click.File("r"), default=None, help="File with its access token.")
@click.option("--only-here", is_flag=True, help="Ring on the pages and in the outbox folder alone.")
@click.option("--no-input", is_flag=True, help="Ask nothing; say which options are missing.")
@click.option("--no-try", is_flag=True, help="Keep the answers without trying them.")
def setup(*, no_input: bool, no_try: bool, **given: Any) -> None:
    """Set Duskbell up: who you are, how the feeds may be asked, a place, and where it rings.

    Each answer is tried at once. Run it again to change answers; enter keeps what is. A file named - is the
    standard input. Exit code 1: an answer that was kept didn't pass its try.
    """
    answers = read_answers(given)
    duskbell = build()
    talk = Talk(duskbell, answers, asks=has_terminal() and not no_input, tries=not no_try)
    try:
        require_writable(duskbell.engine)
        talk.run()
    except (click.Abort, KeyboardInterrupt):
        click.echo("\nStopped. What was confirmed is kept; duskbell setup goes on from there.")
        raise click.exceptions.Exit(130) from None
    finally:
        duskbell.engine.dispose()
    if talk.unwell:
        raise click.exceptions.Exit(1)


def has_terminal() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()
