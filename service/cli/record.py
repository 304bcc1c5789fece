"""`duskbell record` and `duskbell outcome`: how often it was right, and what a night was like."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import click

from alerts.errors import BadInput
from service.cli.options import DAY

if TYPE_CHECKING:
    from alerts.site import Site
    from alerts.span import Span

_SEEN = {"clear": "clear", "partly": "partly", "cloudy": "cloudy", "away": "did_not_go"}


@click.command()
@click.argument("site", required=False)
@click.option("--json", "form", flag_value="json", help="One JSON object.")
@click.option("--csv", "form", flag_value="csv", help="One row a judged night, for a spreadsheet.")
def record(site: str | None, form: str | None) -> None:
    """How often it was right, at SITE or over all sites."""
    from service.bootstrap import build
    from service.recordtable import record_csv
    from service.store.sites import get_site
    from service.trackrecord import load_record, record_json, record_page

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
    from alerts.track.evidence import SeenSky
    from service.bootstrap import build
    from service.cycle.verify import judge_again
    from service.store import people, track
    from service.store.sites import get_site, newest_revision

    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = get_site(session, site)
        stored = newest_revision(session, row.id)
        _require_past(day, stored.site, now)
        track.add_person_report(
            session,
            site_id=row.id,
            night=day,
            person_id=people.get_operator(session, zone=stored.site.zone, now=now).id,
            seen=SeenSky(_SEEN[seen]),
            now=now,
            clear_span=read_times(day, start, end, stored.site),
            toward_deg=toward_deg,
        )
        settled = judge_again(session, row.id, day, now)
    click.echo(f"Kept: {row.name}, the night of {day}, {seen}.")
    for each in settled:
        click.echo(f"So far: {each.state.value.replace('_', ' ')}; {each.why}.")
    if not settled:
        click.echo("No window of that night has been judged; it counts once one is.")


def _require_past(day: date, site: Site, now: datetime) -> None:
    if now.astimezone(site.tz) < datetime.combine(day, time(18), site.tz):
        raise BadInput(f"the night of {day} lies ahead; say what it was like when it has been.")


def read_times(day: date, start: str | None, end: str | None, site: Site) -> Span | None:
    """The span between two clock times of a night, those before noon belonging to its morning. BadInput
    for one time alone, for what is no time, and for an end before the start."""
    from alerts.span import Span

    if start is None and end is None:
        return None
    if start is None or end is None:
        raise BadInput("--from and --to go together; write both, such as --from 23:30 --to 01:00.")
    first, last = (_moment(day, text, site) for text in (start, end))
    if first >= last:
        raise BadInput(f"{start} is not before {end} in the night of {day}; swap them.")
    return Span(first, last)


def _moment(day: date, text: str, site: Site) -> datetime:
    try:
        clock = time.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no time; write HH:MM, such as 23:30.") from None
    if clock.tzinfo is not None:
        raise BadInput(f"{text!r} has a zone; write the time on the site's clock, such as 23:30.")
    on = day if clock.hour >= 12 else day + timedelta(days=1)
    return datetime.combine(on, clock, site.tz).astimezone(UTC)
