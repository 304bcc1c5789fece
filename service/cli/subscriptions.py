"""`duskbell subscribe` and `duskbell subscriptions`: who is told about what."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import click

from alerts.errors import BadInput
from alerts.night import SkyWishes
from alerts.wishes import Wishes


@click.command()
@click.argument("site")
@click.option("--email", default=None, help="Mail address to tell; adding it here confirms it.")
@click.option("--webhook", default=None, help="https URL that takes alerts as signed JSON.")
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
    drive_minutes: int | None,
    shortest_minutes: int | None,
    core_above_deg: float | None,
    chance_go_pct: int | None,
) -> None:
    """Tell an address about SITE."""
    from service.bootstrap import build
    from service.channels.netguard import SafeClient
    from service.channels.webhook import new_secret
    from service.store import people
    from service.store.sites import get_site

    if (email is None) == (webhook is None):
        raise BadInput("name one address: --email ADDRESS or --webhook URL.")
    wishes = _wishes(drive_minutes, shortest_minutes, core_above_deg, chance_go_pct)
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = get_site(session, site)
        owner = people.get_operator(session, zone="UTC", now=now)
        if email is not None:
            target, channel, secrets = people.checked_email(email), "email", []
        else:
            assert webhook is not None, "one of the two is given"
            SafeClient(allow=duskbell.settings.webhook_allow).check_url(webhook)
            target, channel, secrets = webhook, "webhook", [new_secret()]
        address = people.add_address(session, owner, channel, target, secrets=secrets, now=now)
        people.subscribe(session, address, row, wishes, now=now)
        click.echo(f"{target} will be told about {row.name}.")
        if channel == "webhook":
            click.echo(f"Its signing secret (Standard Webhooks): {address.secrets[0]}")
    click.echo("Next: duskbell cycle, or leave it running: duskbell serve")


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
