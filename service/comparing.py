"""Sites of the store compared over a span of dates, as page, command and API show it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from alerts.briefing.wording import clear_words
from alerts.comparison import ComparedNight, compare
from alerts.localtime import say_day, say_minutes, say_span
from alerts.ranking import ORDER_WORDS, Order, RankedNight
from alerts.site import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.wishes import Wishes
from service.report import span_json
from service.store import calibrations
from service.store.climates import find_climates
from service.store.forecasts import newest_by_place, place_key
from service.store.track import stations_now


def compare_stored(
    session: Session,
    sites: Mapping[Site, int],
    first: date,
    last: date,
    wishes: Mapping[Site, Wishes],
    ephemeris: Ephemeris,
    now: datetime,
) -> tuple[ComparedNight, ...]:
    """The nights of those sites, judged on the forecasts that the store holds; errors as `compare`.

    sites: with the number of each in the store.
    """
    places = {site: place_key(site) for site in sites}
    found = newest_by_place(session, set(places.values()), now)
    forecasts = {site: [each.forecast for each in found.get(places[site], ())] for site in sites}
    corrections = {site: calibrations.correction(session, number, now) for site, number in sites.items()}
    known = find_climates(session, set(places.values()), now)
    climates = {site: known[place] for site, place in places.items() if place in known}
    return compare(
        list(sites),
        first,
        last,
        wishes,
        ephemeris,
        now=now,
        forecasts=forecasts,
        corrections=corrections,
        climates=climates,
        stations={site: stations_now(session, site, now) for site in sites},
    )


def compared_json(ranked: RankedNight) -> dict[str, Any]:
    """One night as JSON values."""
    each = ranked.each
    return {
        "site": each.site.name,
        "night": each.night.name.isoformat(),
        "verdict": each.verdict.word.value if each.verdict else None,
        "chance_pct": each.chance_pct,
        "minutes": round(each.minutes),
        "worth": round(each.worth, 1),
        "windows": [span_json(window.span) for window in each.night.windows],
        "why": each.verdict.deciding.text if each.verdict else None,
        "drive_minutes": round(ranked.drive / timedelta(minutes=1)),
        "drive_is_estimate": ranked.is_estimate,
    }


def compared_head(order: Order, wishes: Iterable[Wishes], *, with_drive: bool) -> Iterator[str]:
    """The order in words, what the chance is of, what a drive rests on, and the names of the columns."""
    yield f"Ranked {ORDER_WORDS[order]}."
    shortest = sorted({each.shortest_window for each in wishes})
    yield f"The chance: of {' or '.join(clear_words(each) for each in shortest)} in one piece, at least."
    if with_drive:
        yield 'The drive: one way; "about" is an estimate from home.'
    drive = f"{'drive':<20}" if with_drive else ""
    yield f"{'verdict':<8}{'chance':>6} {'night':<17}{'site':<26}{drive}{'dark in all':<12}windows"


def compared_line(ranked: RankedNight, *, with_drive: bool) -> str:
    """One night as a line for the terminal."""
    each = ranked.each
    about = "about " if ranked.is_estimate else ""
    drive = f"{about + say_minutes(ranked.drive):<20}" if with_drive else ""
    verdict = each.verdict.word.value if each.verdict else "–"
    chance = "" if each.chance_pct is None else f"{each.chance_pct} %"
    spans = ", ".join(say_span(window.span, each.site.tz) for window in each.night.windows)
    length = say_minutes(timedelta(minutes=each.minutes))
    named = f"{say_day(each.night.name):<17}{each.site.name:<26}"
    return f"{verdict:<8}{chance:>6} {named}{drive}{length:<12}{spans}"
