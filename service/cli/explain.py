"""`duskbell explain`: why a night rang, or why it didn't."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime

import click

from alerts.briefing.text.obstacle_text import lines_of, values_of
from alerts.common.phrases import say
from alerts.common.time_text import long_day
from alerts.judging.obstacles import Level, Obstacle
from service.accounts.receivers import shown
from service.app import build
from service.cli.options import DAY, MOMENT, json_option
from service.explain.argument import Argument, argue
from service.explain.stored_verdict import open_case, tell_darkness
from service.reports.ring_check import RingCheck
from service.store.json_values import to_json
from service.store.repositories.sites import get_site
from service.store.repositories.subscriptions import told_of_night
from service.store.schema.core_tables import SiteRow, SubscriptionRow

Argued = tuple[SubscriptionRow, tuple[Obstacle, ...], Argument]


@click.command(help=say("cli.about-explain"))
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help=say("cli.help-date"))
@click.option("--subscription", "number", type=int, help=say("cli.help-subscription-number"))
@click.option("--as-of", "as_of", type=MOMENT, help=say("cli.help-explain-as-of"))
@json_option
def explain(site: str, day: date, number: int | None, as_of: datetime | None, as_json: bool) -> None:
    duskbell = build()
    now = as_of or duskbell.clock()
    with duskbell.sessions() as session:
        row = get_site(session, site)
        watching = [each for each in told_of_night(session, row.id, day) if number in (None, each.id)]
        check = RingCheck(duskbell, session, duskbell.clock())
        found = []
        for each in watching:
            case = open_case(session, each, day, now, lambda: duskbell.ephemeris)
            argument = argue(tell_darkness(session, case, duskbell.ephemeris))
            found.append((each, check.of_subscription(each.id, check.year_of(each.id)), argument))
        alone = () if found else check.of_site(row.id)
        if as_json:
            subscriptions = [
                {
                    "number": each.id,
                    "address": _who(each),
                    "obstacles": values_of(obstacles, site=row.name),
                    **to_json(argument),
                }
                for each, obstacles, argument in found
            ]
            in_the_way = values_of(alone, site=row.name)
            values = {
                "site": row.name,
                "night": day.isoformat(),
                "subscriptions": subscriptions,
                "obstacles": in_the_way,
            }
            click.echo(json.dumps(values, ensure_ascii=False))
            return
        for line in _page(row, day, found, alone):
            click.echo(line)


def _page(site: SiteRow, day: date, found: list[Argued], alone: tuple[Obstacle, ...]) -> Iterator[str]:
    """alone: what is in the way where nobody is told of the site."""
    yield say("cli.explain-head", name=site.name, long_day=long_day(day), year=day.year)
    if not found:
        yield ""
        yield say("cli.explain-nobody")
        yield from lines_of(alone, site=site.name)
    for subscription, obstacles, argument in found:
        yield ""
        ended = subscription.ended_at is not None
        why = (subscription.ended_why or say("cli.explain-ended")) if ended else ""
        yield say("cli.explain-subscription", who=_who(subscription), number=subscription.id, ended=why)
        in_the_way = [each for each in obstacles if each.level is not Level.NOTE]
        yield from lines_of(in_the_way, site=site.name)
        yield argument.answer
        if argument.turns:
            yield ""
            yield say("cli.explain-way")
        for turn in argument.turns:
            verdict = turn.verdict
            if turn.chance_pct is not None:
                verdict = say("cli.verdict-chance", verdict=verdict, chance_pct=turn.chance_pct)
            yield say("cli.explain-turn", at=turn.at, until=turn.until, verdict=verdict)
            yield from (f"    {line}" for line in (turn.why, turn.sources, turn.told) if line)
        for paragraph in argument.paragraphs:
            yield ""
            yield paragraph.heading
            yield from (f"  {line}" for line in paragraph.lines)


def _who(subscription: SubscriptionRow) -> str:
    address = subscription.address
    return f"email: {address.target}" if address.channel == "email" else shown(address)
