"""`duskbell tonight`: one night at one place, as it was decided or judged now."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from alerts.briefing.text.event import event_of
from alerts.judging.darkness_rule import with_darkness
from alerts.judging.verdict import trip_to, with_decision_time
from alerts.judging.window_brightness import window_skies
from alerts.sky.ephemeris import Ephemeris
from alerts.wishes.model import Wishes
from service.app import build
from service.cli.forecasts import moment_to_judge, read_weather
from service.cli.night_page import tonight_page
from service.cli.one_night import Asked, ahead_of, look_at_night
from service.cli.options import DAY, MOMENT
from service.cli.sky_options import find_place, place_options
from service.cli.wish_options import night_wish_options, wishes_from
from service.reports.default_reader import usual_for
from service.reports.night_json import night_report
from service.store.repositories.people import default_wishes


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help="Civil date of the evening; default tonight.")
@click.option("--as-of", "as_of", type=MOMENT, default=None, help="Judge as if it were TIME; default now.")
@click.option("--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--ask", is_flag=True, help="Ask the feeds now, whatever was decided of SITE.")
@click.option("--offline", is_flag=True, help="Ask no feed: the sky alone.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the page.")
@night_wish_options
def tonight(
    site: str | None,
    at: tuple[float, float] | None,
    name: str,
    zone: str | None,
    elevation_m: float | None,
    horizon: Path | None,
    day: date | None,
    as_of: datetime | None,
    weather: tuple[str, ...],
    ask: bool,
    offline: bool,
    as_json: bool,
    wish_file: Path | None,
    **wished: Any,
) -> None:
    """Tonight's windows, the weather, the verdict and its reasons, at SITE or at a place given with --at.

    For SITE as it was decided for who watches it. With wishes of yours it is judged by them, the others as
    they are there.
    """
    place = find_place(site, at, name, zone, elevation_m, horizon)
    recorded = read_weather(weather, place, offline=offline)
    now, ephemeris = moment_to_judge(as_of, recorded), Ephemeris.open()
    asked = Asked(
        site_name=site,
        place=place,
        elevation_m=place.elevation_m if site is not None else elevation_m,
        wishes=_wishes(site, wished, wish_file),
        day=day,
        recorded=recorded if weather else None,
        offline=offline,
        ask=ask,
        as_of=as_of,
    )
    found = look_at_night(asked, ephemeris, now)
    night, wishes, ahead = found.night, found.wishes, ahead_of(found, asked, ephemeris, now)
    trip = trip_to(found.verdict, wishes, found.site)
    verdict = found.verdict
    if found.decided is not None:
        verdict = with_decision_time(verdict, trip, wishes, now=found.as_of, site=found.site)
    skies = window_skies(found.site, night, ephemeris, verdict)
    verdict = with_darkness(verdict, found.site, night, skies)
    if as_json:
        report = night_report(
            found.site,
            night,
            verdict,
            skies,
            event=event_of(verdict.outlook, wishes.shortest_window, found.as_of),
            ahead=ahead,
            elevation_known=found.elevation_known,
            wishes=wishes,
            as_of=found.as_of,
            is_decided=found.decided is not None,
        )
        click.echo(json.dumps(report, ensure_ascii=False))
        return

    problems = found.problems or (("Offline: no feed was asked.",) if offline else ())
    shortest = wishes.shortest_window
    page = tonight_page(
        found.site, night, verdict, skies, now=found.as_of, shortest=shortest, ahead=ahead, problems=problems
    )
    click.echo(page)


def _wishes(site: str | None, wished: dict[str, Any], wish_file: Path | None) -> Wishes | None:
    """What the options change of what is wished there; None where they change nothing."""
    known = default_wishes()
    if site is not None:
        with build().sessions() as session:
            known = usual_for(session, site).wishes
    wishes = wishes_from(wished, wish_file, known, default_wishes())
    return None if wishes == known else wishes
