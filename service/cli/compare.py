"""`duskbell compare`: which site on which night, over several sites and dates."""

from __future__ import annotations

import json
from datetime import date, datetime

import click

from service.cli.options import DAY, MOMENT

LINES = 30


@click.command()
@click.argument("sites", nargs=-1, metavar="SITE...")
@click.option("--from", "first", type=DAY, default=None, help="First night; default tonight.")
@click.option("--to", "last", type=DAY, default=None, help="Last night; default two weeks in all.")
@click.option("--all", "everything", is_flag=True, help="Every night, not only the best thirty.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="As if it were TIME; default now.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def compare(
    sites: tuple[str, ...],
    first: date | None,
    last: date | None,
    everything: bool,
    as_of: datetime | None,
    as_json: bool,
) -> None:
    """Rank the nights of SITES, or of all sites, best first; judged where forecasts are at hand."""
    from alerts.comparison import tonight_at, usual_span
    from service.bootstrap import build
    from service.comparing import compare_stored, compared_json, compared_line
    from service.store.people import default_wishes
    from service.store.sites import find_sites, get_site, newest_revision

    duskbell = build()
    now = as_of or duskbell.clock()
    with duskbell.sessions() as session:
        rows = [get_site(session, name) for name in sites] or find_sites(session)
        places = {newest_revision(session, row.id).site: row.id for row in rows}
        start, end = usual_span(first, last, tonight_at(places, now))
        usual = default_wishes()
        found = compare_stored(
            session, places, start, end, dict.fromkeys(places, usual), duskbell.ephemeris, now
        )
    shown = found if everything else found[:LINES]
    if as_json:
        nights = [compared_json(each) for each in shown]
        click.echo(json.dumps({"from": f"{start}", "to": f"{end}", "nights": nights}, ensure_ascii=False))
        return
    click.echo(f"Nights from {start} to {end}, best first, for the usual wishes")
    for each in shown:
        click.echo(compared_line(each))
    if not shown:
        click.echo("No night has a dark window.")
    elif len(found) > len(shown):
        click.echo(f"{len(found) - len(shown)} more; --all shows them.")
