"""`duskbell subscribe` and `duskbell subscriptions`: who is told about what."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import click

from alerts.errors import BadInput
from alerts.night import SkyWishes
from alerts.wishes import Wishes

if TYPE_CHECKING:
    from service.bootstrap import Duskbell


@click.command()
@click.argument("site")
@click.option("--email", default=None, help="Mail address to tell; adding it here confirms it.")
@click.option("--webhook", default=None, help="https URL that takes alerts as signed JSON.")
@click.option("--chat", nargs=2, default=None, metavar="FORM URL", help="A group chat, in its own form.")
@click.option("--token", default="", help="Access token, for a chat that wants one.")
@click.option("--target", default=None, help="One of named_targets from the settings.")
@click.option("--drive", "drive_minutes", type=int, default=None, help="Minutes of driving to the site.")
@click.option(
    "--shortest", "shortest_minutes", type=int, default=None, help="Shortest window worth it, minutes."
)
@click.option(
    "--core-above", "core_above_deg", type=float, default=None, help="Lowest altitude of the core, degrees."
)
@click.option(
    "--chance", "chance_go_pct", type=click.IntRange(1, 99), default=None, help="Chance for a go, %."
)
def subscribe(
    site: str,
    email: str | None,
    webhook: str | None,
    chat: tuple[str, str] | None,
    token: str,
    target: str | None,
    drive_minutes: int | None,
    shortest_minutes: int | None,
    core_above_deg: float | None,
    chance_go_pct: int | None,
) -> None:
    """Tell an address about SITE."""
    from service.bootstrap import build
    from service.registration import register, shown, vouch_for
    from service.store import people
    from service.store.sites import get_site

    channel, given = _named_address(email, webhook, chat, target)
    wishes = _wishes(drive_minutes, shortest_minutes, core_above_deg, chance_go_pct)
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = get_site(session, site)
        owner = people.get_operator(session, zone="UTC", now=now)
        address = register(session, channel, duskbell.channels[channel], owner, given, now=now, token=token)
        people.subscribe(session, address, row, wishes, now=now)
        if channel in ("email", "named"):
            vouch_for(session, address.id, now)
        number, needs_proof = address.id, address.confirmed_at is None
        told = address.target if channel in ("email", "named") else shown(address)
        click.echo(f"{told} will be told about {row.name}{' once it is confirmed' if needs_proof else ''}.")
        if channel == "webhook":
            click.echo(f"Its signing secret (Standard Webhooks): {address.secrets[0]}")
    if needs_proof:
        _prove(duskbell, number)
    click.echo("Next: duskbell cycle, or leave it running: duskbell serve")


def _named_address(
    email: str | None, webhook: str | None, chat: tuple[str, str] | None, target: str | None
) -> tuple[str, str]:
    """Channel and address as given; BadInput unless exactly one is."""
    from service.channels.chat import CHAT_FORMS

    named = [("email", email), ("webhook", webhook), chat or ("", None), ("named", target)]
    given = [(channel, address) for channel, address in named if address is not None]
    if len(given) != 1:
        raise BadInput("name one address: --email ADDRESS, --webhook URL, --chat FORM URL or --target NAME.")
    if chat is not None and chat[0] not in CHAT_FORMS:
        raise BadInput(f"there is no chat form {chat[0]!r}; there is: {', '.join(CHAT_FORMS)}.")
    return given[0]


def _prove(duskbell: Duskbell, number: int) -> None:
    """Send the receiver a test message, whose answer confirms it."""
    from service.cli.addresses import say_tested
    from service.registration import send_test

    tested = send_test(duskbell.sessions, duskbell.channels, duskbell.keys, number, now=duskbell.clock())
    say_tested(number, tested)


def _wishes(
    drive_minutes: int | None,
    shortest_minutes: int | None,
    core_above_deg: float | None,
    chance_go_pct: int | None,
) -> Wishes:
    """The default wishes with what was given on the command line."""
    plain = Wishes(sky=SkyWishes(lowest_altitude_deg=core_above_deg))
    if drive_minutes is not None:
        plain = replace(plain, drive=timedelta(minutes=drive_minutes))
    if shortest_minutes is not None:
        plain = replace(plain, shortest_window=timedelta(minutes=shortest_minutes))
    if chance_go_pct is not None:
        back_pct = min(plain.chance_back_pct, chance_go_pct)
        plain = replace(plain, chance_go_pct=chance_go_pct, chance_back_pct=back_pct)
    return plain


@click.command()
def subscriptions() -> None:
    """List who is told about what."""
    from service.bootstrap import build
    from service.store.people import find_subscriptions

    with build().sessions() as session:
        rows = find_subscriptions(session)
        if not rows:
            click.echo('No subscriptions yet. Add one: duskbell subscribe "SITE" --email YOU@EXAMPLE.ORG')
        for row in rows:
            off = f"  (off: {row.address.off_reason})" if row.address.off_since else ""
            click.echo(f"{row.id:>4}  {row.site.name:<30}  {row.address.channel}: {row.address.target}{off}")
