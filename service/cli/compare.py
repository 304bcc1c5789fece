"""`duskbell compare`: which site on which night, over several sites and dates."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime

import click

from alerts.common.phrases import say
from alerts.field.driving import with_home
from alerts.judging.comparison import Order, rank, tonight_at, usual_span
from service.app import build
from service.cli.options import DAY, MOMENT, hands_over, json_option
from service.reports.comparison_report import (
    Compared,
    compare_stored,
    compared_head,
    compared_json,
    compared_line,
)
from service.reports.default_reader import usual_watchers, wishes_of
from service.store.repositories.people import find_operator
from service.store.repositories.sites import find_sites, get_site, newest_revision

LINES = 30


@dataclass(frozen=True, slots=True)
class NightsAsked:
    """Which nights, and as of when."""

    first: date | None
    last: date | None
    as_of: datetime | None


@dataclass(frozen=True, slots=True)
class RankingForm:
    """How the ranking is shown. everything: all of it, not the best alone."""

    sort: str
    everything: bool
    as_json: bool


@click.command(help=say("cli.about-compare"))
@click.argument("sites", nargs=-1, metavar="SITE...")
@click.option("--from", "first", type=DAY, default=None, help=say("cli.help-compare-from"))
@click.option("--to", "last", type=DAY, default=None, help=say("cli.help-compare-to"))
@click.option(
    "--sort",
    type=click.Choice([each.value for each in Order]),
    default="worth",
    help=say("cli.help-compare-by"),
)
@click.option("--all", "everything", is_flag=True, help=say("cli.help-compare-all"))
@click.option("--as-of", "as_of", type=MOMENT, default=None, help=say("cli.help-compare-as-of"))
@json_option
@hands_over(asked=NightsAsked, form=RankingForm)
def compare(sites: tuple[str, ...], asked: NightsAsked, form: RankingForm) -> None:
    duskbell = build()
    now = asked.as_of or duskbell.clock()
    with duskbell.sessions() as session:
        rows = [get_site(session, name) for name in sites] or find_sites(session)
        watchers = usual_watchers(session) if asked.as_of is None else {}
        operator = find_operator(session)
        home = operator.home if operator else None
        compared = []
        for row in rows:
            stored, watcher = newest_revision(session, row.id), watchers.get(row.id)
            mine = wishes_of(watcher)
            if watcher is None:
                mine = with_home(mine, home, stored.site)
            compared.append(Compared(stored, mine, watcher))
        start, end = usual_span(asked.first, asked.last, tonight_at((each.site for each in compared), now))
        nights = compare_stored(session, compared, (start, end), duskbell.ephemeris, now)
    wishes = {each.site: each.wishes for each in compared}
    order = Order(form.sort)
    found = rank(nights, order, wishes)
    shown = found if form.everything else found[:LINES]
    if form.as_json:
        values = {
            "from": f"{start}",
            "to": f"{end}",
            "sort": form.sort,
            "nights": [compared_json(each) for each in shown],
        }
        click.echo(json.dumps(values, ensure_ascii=False))
        return
    click.echo(say("cli.compare-head", start=start, end=end))
    with_drive = home is not None or order is Order.DRIVE
    for line in compared_head(order, wishes.values(), nights, with_drive=with_drive):
        click.echo(line)
    for each in shown:
        click.echo(compared_line(each, with_drive=with_drive))
    if not shown:
        click.echo(say("cli.compare-no-window"))
    elif len(found) > len(shown):
        click.echo(say("cli.compare-more", count=len(found) - len(shown)))
