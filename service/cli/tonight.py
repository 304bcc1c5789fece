"""`duskbell tonight`: one night at one place, as it was decided or judged now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from alerts.briefing.facts.alert import NOTHING_AHEAD, Ahead, track_to_the_minute
from alerts.briefing.text.event import event_of
from alerts.common.phrases import say
from alerts.common.time_text import (
    MONTHS,
    nearest_minute,
    say_clock,
    say_day,
    say_lasting,
    say_span,
    say_time,
    whole_minutes,
    zone_word,
)
from alerts.judging.darkness_rule import with_darkness
from alerts.judging.rules import Result
from alerts.judging.verdict import Verdict, VerdictWord, trip_to, with_decision_time
from alerts.judging.window_brightness import TOWN_CREDIT, WindowSky, say_sky, window_skies
from alerts.sites.great_circle import direction_word
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import BodyEvents, DarkWindow, Night
from alerts.weather.model_names import name_with_family, source_name
from alerts.weather.outlook import Outlook
from alerts.wishes.model import Wishes
from service.app import build
from service.cli.one_night import NightAsked, ahead_of, look_at_night, moment_to_judge, read_weather
from service.cli.options import DAY, MOMENT, find_place, place_options
from service.cli.wish_options import night_wish_options, wishes_from
from service.reports.default_reader import usual_for
from service.reports.night_json import night_report
from service.reports.weather_page import chance_lines, hazard_lines
from service.store.repositories.people import default_wishes


@click.command()
@click.argument("site", required=False)
@place_options
@click.option("--date", "day", type=DAY, default=None, help=say("cli.help-date-tonight"))
@click.option("--as-of", "as_of", type=MOMENT, default=None, help=say("cli.help-as-of"))
@click.option("--weather", "weather", multiple=True, metavar="[FEED/MODEL=]FILE", help="Recorded answer.")
@click.option("--ask", is_flag=True, help=say("cli.help-tonight-ask"))
@click.option("--offline", is_flag=True, help=say("cli.help-offline"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-json-page"))
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
    asked = NightAsked(
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

    problems = found.problems or ((say("cli.tonight-offline"),) if offline else ())
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


_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def tonight_page(
    site: Site,
    night: Night,
    verdict: Verdict,
    skies: Sequence[WindowSky],
    *,
    now: datetime,
    shortest: timedelta,
    ahead: Ahead = NOTHING_AHEAD,
    problems: Sequence[str] = (),
) -> str:
    """The page: the word and why, the sky's times, the windows, the weather, the reasons, the credits.

    shortest: the clear time that the chance is about. ahead: of a night that no forecast reaches yet, or that
    has no window."""
    first_look = ahead.first_look if verdict.word is VerdictWord.UNKNOWN else None
    parts = [
        *_head(site, night, verdict, first_look, now),
        *_sky(site, night),
        *_windows(site, night, skies),
        *_other_nights(site, night, ahead),
        *_weather(site, verdict.outlook, problems, shortest=shortest, now=now, night_name=night.name),
        *_reasons(verdict, first_look),
        *_credits(verdict.outlook, skies),
        "",
        say("cli.tonight-judged", time=say_time(now, site.tz)),
        say("cli.tonight-warnings-first"),
    ]
    return "\n".join(parts)


def _head(
    site: Site, night: Night, verdict: Verdict, first_look: date | None, now: datetime
) -> Iterator[str]:
    place = f"{_degrees(site.lat_deg, 'N', 'S')}  {_degrees(site.lon_deg, 'E', 'W')}"
    yield f"{site.name}   {place}   {site.zone}"
    yield say("cli.tonight-night", long_day=long_day(night.name))
    yield ""
    if first_look is not None:
        year = "" if first_look.year == now.astimezone(site.tz).year else f" {first_look.year}"
        yield say("cli.tonight-too-early", day=say_day(first_look), year=year)
    else:
        yield f"{say('briefing.verdict', verdict=verdict.word)}: {verdict.deciding.text}."


def long_day(day: date) -> str:
    """`Wednesday 15 July 2026`."""
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]} {day.year}"


def _degrees(value_deg: float, positive: str, negative: str) -> str:
    return f"{abs(value_deg):.4f}° {positive if value_deg >= 0 else negative}"


def _sky(site: Site, night: Night) -> Iterator[str]:
    yield ""
    yield say("cli.tonight-sky", zone_word=zone_word(night.span.middle.astimezone(site.tz)))
    yield f"  Sun      {_events(site, night.sun)}"
    dark = ", ".join(say_span(span, site.tz) for span in night.dark)
    yield f"  dark     {dark or 'not at all'}"
    yield f"  Moon     {_events(site, night.moon)}; {100 * night.moon_lit:.0f} % lit"
    if not site.horizon.is_level:
        lit = ", ".join(say_span(span, site.tz) for span in night.foreground_moonlit)
        yield say("cli.tonight-foreground", lit=lit or "not at all")


def _events(site: Site, body: BodyEvents) -> str:
    events = sorted([(at, "sets") for at in body.sets] + [(at, "rises") for at in body.rises])
    if not events:
        return say("cli.tonight-up-always") if body.up_at_start else say("cli.tonight-down-always")
    return ", ".join(f"{word} {say_time(nearest_minute(at), site.tz)}" for at, word in events)


def _windows(site: Site, night: Night, skies: Sequence[WindowSky]) -> Iterator[str]:
    yield ""
    yield "Dark windows" if night.windows else say("cli.tonight-no-window")
    for window, sky in zip(night.windows, skies, strict=True):
        yield f"  {say_span(window.span, site.tz)}   {say_lasting(window.span)}"
        yield f"    core   {_track(site, window)}"
        if window.shapes:
            yield f"    shape  {_shapes(site, window)}"
        for number, line in enumerate(say_sky(window, sky)):
            yield f"    {'sky' if number == 0 else '':<6} {line}"


def _other_nights(site: Site, night: Night, ahead: Ahead) -> Iterator[str]:
    """Of a night without a window: when the next one is, and what other targets would give now."""
    if night.windows:
        return
    if ahead.next_window is None:
        yield say("cli.tonight-none-in-year")
    else:
        yield f"The next: {long_day(ahead.next_window)}."
    if ahead.instead:
        yield say("cli.tonight-other-targets")
    for each in ahead.instead:
        yield f"  {each.target:<7} {say_span(each.span, site.tz)}   {say_lasting(each.span)}"


def _track(site: Site, window: DarkWindow) -> str:
    return "   ".join(
        f"{say_clock(point.at, site.tz)} {direction_word(point.azimuth_deg)} {point.altitude_deg:.0f}°"
        for point in track_to_the_minute(window.track)
    )


def _shapes(site: Site, window: DarkWindow) -> str:
    return ", ".join(
        f"{each.shape.value} {say_clock(whole.start, site.tz)}–{say_clock(whole.end, site.tz)}"
        for each in window.shapes
        for whole in (whole_minutes(each.span),)
    )


def _weather(
    site: Site,
    outlook: Outlook | None,
    problems: Sequence[str],
    *,
    shortest: timedelta,
    now: datetime,
    night_name: date,
) -> Iterator[str]:
    yield ""
    yield say("cli.tonight-weather")
    if outlook is None:
        yield say("cli.tonight-no-weather")
    else:
        chance = chance_lines(outlook, site, shortest=shortest, now=now, night_name=night_name)
        lines = (*chance, *hazard_lines(outlook, site.tz))
        yield from (f"  {line}" for line in lines)
        for entry in outlook.per_source:
            if entry.chance is None:
                yield f"  not used: {source_name(entry.source)}, {entry.why_not}"
    for problem in problems:
        yield f"  {problem}"


def _reasons(verdict: Verdict, first_look: date | None) -> Iterator[str]:
    """Without what nobody can know yet, where it is too early."""
    yield ""
    yield "Why"
    for reason in verdict.reasons:
        if first_look is not None and reason.result is Result.UNKNOWN:
            continue
        yield f"  {say('briefing.result', result=reason.result):<8} {reason.text}"


def _credits(outlook: Outlook | None, skies: Sequence[WindowSky]) -> Iterator[str]:
    sources = outlook.sources if outlook else ()
    glows = any(sky.domes for sky in skies)
    if not sources and not glows:
        return
    yield ""
    yield "Sources"
    for source in sources:
        issued = (
            f"issued {source.issued_at:%Y-%m-%d %H:%M} UTC"
            if source.issued_at
            else say("cli.tonight-unknown-issue")
        )
        name = name_with_family(source.feed, source.model, source.lineage)
        yield f"  {name}, {issued}. {source.attribution}"
    if glows:
        yield say("cli.tonight-town-credit", town_credit=TOWN_CREDIT)
