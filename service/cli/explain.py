"""`duskbell explain`: why a night rang, or why it didn't."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

import click

from service.cli.options import DAY, MOMENT

if TYPE_CHECKING:
    from datetime import datetime

    from service.argue import Argument
    from service.bootstrap import Duskbell
    from service.store import tables


@click.command()
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help="Civil date of the evening.")
@click.option("--subscription", "number", type=int, default=None, help="Only the one of that number.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Argue as if it were then.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def explain(site: str, day: date, number: int | None, as_of: datetime | None, as_json: bool) -> None:
    """Say why the night of DATE at SITE rang, or why it didn't."""
    from service.argue import argue
    from service.bootstrap import build
    from service.store.sites import get_site

    duskbell = build()
    now = as_of or duskbell.clock()
    with duskbell.sessions() as session:
        row = get_site(session, site)
        watching = [each for each in _subscriptions(session, row, day) if number in (None, each.id)]
        found = [(each, argue(session, each, day, now, lambda: duskbell.ephemeris)) for each in watching]
        if as_json:
            click.echo(json.dumps(_values(row, day, found), ensure_ascii=False))
            return
        for line in _page(duskbell, row, day, found):
            click.echo(line)


def _subscriptions(session: object, site: tables.Site, day: date) -> list[tables.Subscription]:
    """The running ones, and those that ended since and were judged for that night."""
    from sqlalchemy import or_, select
    from sqlalchemy.orm import Session

    from service.store import tables
    from service.store.rounded import with_copy

    assert isinstance(session, Session)
    row = tables.Subscription
    judged = select(tables.Decision.subscription_id).where(tables.Decision.night_name == day)
    is_told = row.site_id.in_(with_copy(site.id))
    query = select(row).where(is_told, or_(row.ended_at.is_(None), row.id.in_(judged)))
    return list(session.scalars(query.order_by(row.id)))


def _page(
    duskbell: Duskbell, site: tables.Site, day: date, found: list[tuple[tables.Subscription, Argument]]
) -> Iterator[str]:
    from alerts.briefing.wording import long_day

    yield f"{site.name}, the night of {long_day(day)} {day.year}"
    if not found:
        yield ""
        yield "Nobody is subscribed to this site, so nothing was judged."
        yield f'Next: duskbell subscribe "{site.name}" --email YOU@EXAMPLE.ORG'
    for subscription, argument in found:
        yield ""
        ended = f", {subscription.ended_why or 'ended'}" if subscription.ended_at is not None else ""
        yield f"{_who(subscription)} (subscription {subscription.id}{ended})"
        yield from _lines(argument)


def _who(subscription: tables.Subscription) -> str:
    from service.registration import shown

    address = subscription.address
    return f"email: {address.target}" if address.channel == "email" else shown(address)


def _lines(argument: Argument) -> Iterator[str]:
    yield argument.answer
    if argument.turns:
        yield ""
        yield "How it went"
    for turn in argument.turns:
        until = f", held until {turn.until}" if turn.until else ""
        chance = "" if turn.chance_pct is None else f", {turn.chance_pct} %"
        yield f"  {turn.at}{until}: {turn.verdict}{chance}"
        yield from (f"    {line}" for line in (turn.why, turn.sources, turn.told) if line)
    for paragraph in argument.paragraphs:
        yield ""
        yield paragraph.heading
        yield from (f"  {line}" for line in paragraph.lines)


def _values(
    site: tables.Site, day: date, found: list[tuple[tables.Subscription, Argument]]
) -> dict[str, object]:
    """As JSON values: an argument for each subscription, times in UTC."""
    from service.store.codec import to_json

    return {
        "site": site.name,
        "night": day.isoformat(),
        "subscriptions": [
            {"number": each.id, "address": _who(each), **to_json(argument)} for each, argument in found
        ],
    }
