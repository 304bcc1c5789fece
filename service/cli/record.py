"""`duskbell record` and `duskbell outcome`: how often it was right, and what a night was like."""

from __future__ import annotations

import json
from datetime import date

import click

from alerts.track.observations.evidence import SeenSky
from service.app import build
from service.cli.options import DAY
from service.hindsight.outcome_reports import Said, keep_said, read_times, require_begun
from service.hindsight.record_csv import record_csv
from service.hindsight.track_record import load_record, record_json, record_page
from service.store.repositories import people
from service.store.repositories.sites import get_site, newest_revision

_SEEN = {"clear": "clear", "partly": "partly", "cloudy": "cloudy", "away": "did_not_go"}


@click.command()
@click.argument("site", required=False)
@click.option("--json", "form", flag_value="json", help="One JSON object.")
@click.option("--csv", "form", flag_value="csv", help="One row a judged night, for a spreadsheet.")
def record(site: str | None, form: str | None) -> None:
    """How often it was right, at SITE or over all sites."""
    with build().sessions() as session:
        row = get_site(session, site) if site else None
        if form == "csv":
            click.echo(record_csv(session, [row.id] if row else None), nl=False)
            return
        found = load_record(session, row.id if row else None)
        if form == "json":
            click.echo(json.dumps(record_json(row.name if row else None, found), ensure_ascii=False))
            return
        for line in record_page(row.name if row else "All sites", found):
            click.echo(line)


@click.command()
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help="Civil date of the evening.")
@click.argument("seen", type=click.Choice(list(_SEEN)))
@click.option("--from", "start", default=None, metavar="HH:MM", help="Clear from, on the site's clock.")
@click.option("--to", "end", default=None, metavar="HH:MM", help="Clear until, on the site's clock.")
@click.option("--toward", "toward_deg", type=click.FloatRange(0, 360), help="Where you looked, azimuth.")
def outcome(
    site: str, day: date, seen: str, start: str | None, end: str | None, toward_deg: float | None
) -> None:
    """Say what the night of DATE at SITE was like; your last word counts."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = get_site(session, site)
        site_then = newest_revision(session, row.id).site
        require_begun(day, site_then, now)
        settled = keep_said(
            session,
            Said(SeenSky(_SEEN[seen]), read_times(day, start, end, site_then), toward_deg),
            site_id=row.id,
            night=day,
            person_id=people.get_operator(session, zone=site_then.zone, now=now).id,
            now=now,
        )
    click.echo(f"Kept: {row.name}, the night of {day}, {seen}.")
    for each in settled:
        click.echo(f"So far: {each.state.value.replace('_', ' ')}; {each.why}.")
    if not settled:
        click.echo("No window of that night has been judged; it counts once one is.")
