"""`duskbell compare`: which site on which night, over several sites and dates."""

from __future__ import annotations

import json
from datetime import date, datetime

import click

from alerts.common.phrases import say
from alerts.field.trip_plan import with_home
from alerts.judging.comparison import Order, rank, tonight_at, usual_span
from service.app import build
from service.cli.options import DAY, MOMENT, json_option
from service.reports.comparison_report import (
    compare_stored,
    compared_head,
    compared_json,
    compared_line,
)
from service.reports.default_reader import Usual, usual_watchers, wishes_of
from service.store.repositories.people import find_operator
from service.store.repositories.sites import find_sites, get_site, newest_revision

LINES = 30


@click.command(help=say("cli.about-compare"))
@click.argument("sites", nargs=-1, metavar="SITE...")
@click.option("--from", "first", type=DAY, help=say("cli.help-compare-from"))
@click.option("--to", "last", type=DAY, help=say("cli.help-compare-to"))
@click.option(
    "--sort",
    type=click.Choice([each.value for each in Order]),
    default="worth",
    help=say("cli.help-compare-by"),
)
@click.option("--all", "everything", is_flag=True, help=say("cli.help-compare-all"))
@click.option("--as-of", "as_of", type=MOMENT, help=say("cli.help-compare-as-of"))
@json_option
def compare(
    sites: tuple[str, ...],
    first: date | None,
    last: date | None,
    sort: str,
    everything: bool,
    as_of: datetime | None,
    as_json: bool,
) -> None:
    duskbell = build()
    now = as_of or duskbell.clock()
    with duskbell.sessions() as session:
        rows = [get_site(session, name) for name in sites] or find_sites(session)
        watchers = usual_watchers(session) if as_of is None else {}
        operator = find_operator(session)
        home = operator.home if operator else None
        compared = []
        for row in rows:
            stored, watcher = newest_revision(session, row.id), watchers.get(row.id)
            mine = wishes_of(watcher)
            if watcher is None:
                mine = with_home(mine, home, stored.site)
            compared.append(Usual(stored, mine, watcher))
        start, end = usual_span(first, last, tonight_at((each.site for each in compared), now))
        nights = compare_stored(session, compared, (start, end), duskbell.ephemeris, now)
    wishes = {each.site: each.wishes for each in compared}
    order = Order(sort)
    found = rank(nights, order, wishes)
    shown = found if everything else found[:LINES]
    if as_json:
        values = {
            "from": f"{start}",
            "to": f"{end}",
            "sort": sort,
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
