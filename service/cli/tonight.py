"""`duskbell tonight`: one night at one place, as it was decided or judged now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace

import click

from alerts.briefing.collect import ground_note
from alerts.briefing.facts import Ahead, GroundNote, ground_to_the_minute, track_to_the_minute
from alerts.briefing.text.alert_lines import say_horizon, say_moonlit
from alerts.common.clock_times import clock_in
from alerts.common.phrases import Reader, phrase, say
from alerts.common.text import direction_letters
from alerts.common.time_text import (
    long_day,
    nearest_minute,
    say_clock,
    say_lasting,
    say_span,
    whole_minutes,
    zone_word,
)
from alerts.judging.rules import Result
from alerts.judging.verdict import Verdict, VerdictWord, trip_to, with_decision_time
from alerts.judging.window_brightness import WindowSky, say_sky, window_skies, with_darkness
from alerts.sites.model import Site
from alerts.sky.night import BodyEvents, Night, piece_phrase, told_pieces
from alerts.weather.models import name_with_family, source_name
from alerts.weather.outlook import Outlook
from service.cli.one_night import NightAsked, OneNight, look_at_night
from service.cli.options import (
    PlaceAsked,
    WishesAsked,
    as_of_option,
    day_option,
    hands_over,
    json_page_option,
    offline_option,
    place_options,
    weather_option,
    wish_options,
)
from service.common.kept_sky import open_ephemeris
from service.reports.night_json import night_report
from service.reports.weather_page import chance_lines, hazard_lines


@click.command(help=say("cli.about-tonight"))
@place_options
@day_option
@as_of_option
@weather_option
@click.option("--ask", is_flag=True, help=say("cli.help-tonight-ask"))
@offline_option
@json_page_option
@wish_options
@hands_over(place=PlaceAsked, night=NightAsked)
def tonight(place: PlaceAsked, night: NightAsked, wishes: WishesAsked, as_json: bool) -> None:
    ephemeris = open_ephemeris()
    found = look_at_night(place, night, ephemeris, wishes)
    ahead = found.ahead(night, ephemeris)
    verdict = found.verdict
    if found.decided is not None:
        trip = trip_to(verdict, found.wishes, found.site)
        verdict = with_decision_time(verdict, trip, found.wishes, now=found.as_of, site=found.site)
    skies = window_skies(found.site, found.night, ephemeris, verdict)
    verdict = with_darkness(verdict, found.site, found.night, skies)
    ground = ground_note(found.site, found.night, ephemeris)
    if as_json:
        report = night_report(
            replace(found.findings, verdict=verdict, ground=ground),
            skies,
            ahead=ahead,
            elevation_known=found.elevation_known,
            is_decided=found.decided is not None,
        )
        click.echo(json.dumps(report, ensure_ascii=False))
        return
    problems = found.problems or ((say("cli.tonight-offline"),) if night.offline else ())
    click.echo(tonight_page(found, verdict, skies, ground, ahead, problems))


def tonight_page(
    found: OneNight,
    verdict: Verdict,
    skies: Sequence[WindowSky],
    ground: GroundNote,
    ahead: Ahead,
    problems: Sequence[str],
) -> str:
    """The page: the word and why, the sky's times, the windows, the weather, the reasons, the credits.

    ahead: of a night that no forecast reaches yet, or that has no window."""
    site, night, outlook = found.site, found.night, verdict.outlook
    first_look = ahead.first_look if verdict.word is VerdictWord.UNKNOWN else None

    # where, when, and the word
    lat = f"{abs(site.lat_deg):.4f}° {'N' if site.lat_deg >= 0 else 'S'}"
    lon = f"{abs(site.lon_deg):.4f}° {'E' if site.lon_deg >= 0 else 'W'}"
    lines = [
        f"{site.name}   {lat}  {lon}   {site.zone}",
        say("cli.tonight-night", long_day=long_day(night.name), year=night.name.year),
        "",
    ]
    if first_look is not None:
        is_this_year = first_look.year == found.as_of.astimezone(site.tz).year
        year = "" if is_this_year else first_look.year
        lines.append(say("cli.tonight-too-early", day=first_look, year=year))
    else:
        lines.append(f"{say('briefing.verdict', verdict=verdict.word)}: {verdict.deciding.text}.")
    lines += [*_sky(site, night, ground), *_windows(site, night, skies, ahead)]

    lines += ["", say("cli.tonight-weather")]
    if outlook is None:
        lines.append(say("cli.tonight-no-weather"))
    else:
        shortest = found.wishes.shortest_window
        chance = chance_lines(outlook, site, shortest=shortest, now=found.as_of, night_name=night.name)
        lines += [f"  {line}" for line in (*chance, *hazard_lines(outlook, site.tz))]
        unused = (each for each in outlook.per_source if each.chance is None)
        lines += [
            say("cli.tonight-unused", source=source_name(each.source), why=each.why_not) for each in unused
        ]
    lines += [f"  {problem}" for problem in problems]

    # the reasons, without what nobody can know yet where it is too early
    lines += ["", say("cli.tonight-why")]
    for reason in verdict.reasons:
        if first_look is None or reason.result is not Result.UNKNOWN:
            lines.append(f"  {say('briefing.result', result=reason.result):<8} {reason.text}")

    lines += [*_credits(outlook, skies), "", say("cli.tonight-judged", Reader(site.tz), as_of=found.as_of)]
    return "\n".join(lines)


def _sky(site: Site, night: Night, ground: GroundNote) -> Iterator[str]:
    yield ""
    yield say("cli.tonight-sky", zone_word=zone_word(night.span.middle.astimezone(site.tz)))
    yield say("cli.tonight-sun", events=_events(site, night.sun))
    yield say("cli.tonight-dark", spans=", ".join(say_span(span, site.tz) for span in night.dark))
    yield say("cli.tonight-moon", events=_events(site, night.moon), lit_pct=100 * night.moon_lit)
    reader, edges = Reader(site.tz), (night.span.start, night.span.end)
    clock, ground = clock_in(site.zone, edges), ground_to_the_minute(ground)
    yield say("cli.tonight-ground", moonlit=say_moonlit(ground, clock, reader))
    if ground.is_assumed:
        yield say("cli.tonight-horizon-assumed")
    elif horizon := say_horizon(ground, clock, reader):
        yield say("cli.tonight-horizon", horizon=horizon)


def _events(site: Site, body: BodyEvents) -> str:
    events = sorted([*((at, True) for at in body.sets), *((at, False) for at in body.rises)])
    if not events:
        return say("cli.tonight-up-always" if body.up_at_start else "cli.tonight-down-always")
    return ", ".join(
        say("cli.tonight-event", Reader(site.tz), sets=sets, at=nearest_minute(at)) for at, sets in events
    )


def _windows(site: Site, night: Night, skies: Sequence[WindowSky], ahead: Ahead) -> Iterator[str]:
    """Each window; where there is none, when the next one is, and what other targets would give then."""
    yield ""
    yield say("cli.tonight-windows" if night.windows else "cli.tonight-no-window")
    for window, sky in zip(night.windows, skies, strict=True):
        yield f"  {say_span(window.span, site.tz)}   {say_lasting(window.span)}"
        track = "   ".join(
            f"{say_clock(point.at, site.tz)} {direction_letters(point.azimuth_deg)} {point.altitude_deg:.0f}°"
            for point in track_to_the_minute(window.track)
        )
        yield f"    core   {track}"
        if window.shapes:
            pieces = [
                (say(piece_phrase(each)), whole_minutes(each.span)) for each in told_pieces(window.shapes)
            ]
            shapes = ", ".join(
                f"{shape} {say_clock(span.start, site.tz)}–{say_clock(span.end, site.tz)}"
                for shape, span in pieces
            )
            yield f"    shape  {shapes}"
        for number, line in enumerate(say_sky(window, sky)):
            yield f"    {'sky' if number == 0 else '':<6} {line}"
    if night.windows:
        return
    if ahead.next_window is None:
        yield say("cli.tonight-none-in-year")
    else:
        day = ahead.next_window
        yield say("cli.tonight-next", long_day=long_day(day), year=day.year)
    if ahead.instead:
        yield say("cli.tonight-other-targets")
    for each in ahead.instead:
        yield f"  {each.target:<7} {say_span(each.span, site.tz)}   {say_lasting(each.span)}"


def _credits(outlook: Outlook | None, skies: Sequence[WindowSky]) -> Iterator[str]:
    sources = outlook.sources if outlook else ()
    glows = any(sky.domes for sky in skies)
    if not sources and not glows:
        return
    yield ""
    yield say("cli.tonight-sources")
    for source in sources:
        name = name_with_family(source.feed, source.model, source.lineage)
        key = "cli.tonight-source" if source.issued_at else "cli.tonight-source-unknown"
        yield say(key, source=name, issued_at=source.issued_at, attribution=source.attribution)
    if glows:
        yield say("cli.tonight-town-credit", town_credit=phrase("judging.town-credit"))
