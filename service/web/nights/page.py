"""One night at one site, at an address that stays: its page and its pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from statistics import median
from typing import Literal

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse

from alerts.briefing.collect import preview_facts, sky_note
from alerts.briefing.facts import Ahead, AlertFacts
from alerts.briefing.render import line_of
from alerts.briefing.text.alert_lines import CAUTIONS
from alerts.briefing.text.alert_view import AlertView, view_alert
from alerts.common.phrases import Reader, phrase, say
from alerts.common.text import sentence
from alerts.common.time_text import say_clock
from alerts.field.trip_plan import plan_trip
from alerts.judging.rules import Result
from alerts.judging.verdict import VerdictWord
from alerts.sky.night import name_at, shape_label
from alerts.track.record.text import outcome_lines
from alerts.weather.chance import cloud_hours
from alerts.weather.forecast import Source
from alerts.weather.models import source_name
from alerts.wishes.model import units_of
from service.explain.argument import VerdictTurn, argue
from service.explain.stored_verdict import open_case
from service.hindsight.outcome_reports import Voice, find_said
from service.reports.briefing_report import MomentAsked
from service.store.repositories.alerts import SentAlert, alerts_of_night
from service.store.repositories.judged_events import outcomes_of_night
from service.web.error_pages import NothingHere
from service.web.nights.judged_night import (
    ShownNight,
    ahead_of,
    field_notes,
    ground_of,
    is_past,
    judged_night,
    night_pictures,
)
from service.web.nights.outcomes import TOWARD, said_words
from service.web.shared.context import Here, Web
from service.web.shared.filters import as_data, dated_time, headline
from service.web.shared.site_rows import watched_site
from service.web.shared.viewer import Looking

PICTURE_KEPT = "private, max-age=300"
MISSING = "–"


@dataclass(frozen=True, slots=True)
class HourTable:
    """The hours of a night; sources in the order of their figures.

    rows: when an hour begins, whether it is in the window, its figures in words: the chance that cloud spoils
    the frame, total cloud of each source, and the median of the sources for the air, the wind and how far the
    air is above its dew point.
    """

    sources: tuple[Source, ...]
    rows: tuple[tuple[str, bool, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPage:
    """What pages show of a night, but for its pictures and what was told of it.

    headline: the verdict in words; where nobody can forecast the night yet, that.
    reasons: (mark, text), what decided and what stands in the way; passed: the rest.
    is_watched: whether anyone's wishes were judged; is_mine: the viewer's.
    leave: when to leave, with its zone; "" where leaving isn't the viewer's. data: verdict, chance and times
    for programs. shapes: which there are pictures of, each with its name.
    """

    name: date
    verdict: str
    headline: str
    is_past: bool
    is_tonight: bool
    is_watched: bool
    is_mine: bool
    leave: str
    line: str
    words: AlertView
    reasons: tuple[tuple[str, str], ...]
    passed: tuple[str, ...]
    hours: HourTable | None
    credits: tuple[str, ...]
    cautions: tuple[str, ...]
    unused: tuple[str, ...]
    before: date
    after: date
    data: str
    shapes: tuple[tuple[str, str], ...]


router = APIRouter()


@router.get("/sites/{site_id:number}/nights/{name}", response_class=HTMLResponse)
def night(web: Here, site_id: int, name: date, viewer: Looking) -> HTMLResponse:
    with web.reading() as session:
        watched = watched_site(session, site_id, viewer)
        seen, judged = watched.seen, judged_night(web, session, watched, name)
        page = night_page(web, judged)
        reader = judged.reader

        # Why it rang or didn't: how the night stands with the wishes that were judged, and the way there
        argument: list[str] = [say("web-nights.argument-not-told")]
        changes: tuple[VerdictTurn, ...] = ()
        told: list[str] = []
        if judged.watcher is not None:
            known, day = judged.watcher, judged.night.name
            sent = alerts_of_night(session, known.id, day) if judged.is_mine else ()
            told = [told_words(each, reader) for each in sent]
            case = open_case(session, known, day, web.now(), lambda: web.skies.ephemeris)
            found = argue(case)
            argument = [found.answer, *found.lines_of("held"), *found.lines_of("hangs_on")]
            changes = found.turns
        elif seen.is_own:
            argument = [say("web-nights.argument-nobody-told")]
        said = None
        if viewer is not None:
            said = find_said(session, Voice(seen.row.id, name, viewer.person_id))
        came = [
            say(line, reader)
            for each in outcomes_of_night(session, seen.row.id, name)
            for line in outcome_lines(each)
        ]
    return web.page(
        "nights/page.html",
        viewer=viewer,
        seen=seen,
        night=page,
        pictures=night_pictures(web.skies, judged),
        zone=judged.site.zone,
        base=f"/sites/{site_id}/nights/{name}",
        nights=f"/sites/{site_id}/nights",
        this_year=web.now().year,
        told=told,
        argument=argument,
        turns=changes,
        outcome=said_words(said, judged.site, reader.hours),
        came=came,
        toward=TOWARD,
    )


@router.get("/sites/{site_id:number}/nights/{name}/{picture}.svg")
def picture(
    web: Here,
    site_id: int,
    name: date,
    picture: str,
    viewer: Looking,
    look: Literal["light", "dark", "print"] = "light",
    width: Literal["narrow", "wide"] = "narrow",
    at_time: str | None = None,
    shape: str | None = None,
) -> Response:
    """For the night's best moment, for a time on the site's clock, or for when a shape shows best."""
    with web.reading() as session:
        judged = judged_night(web, session, watched_site(session, site_id, viewer), name)
    moment = MomentAsked(at_time, shape)
    drawn = night_pictures(web.skies, judged, look=look, width=width, moment=moment)
    found = next((each for each in drawn if each.name == picture), None)
    if found is None:
        raise NothingHere
    return Response(found.svg, media_type="image/svg+xml", headers={"Cache-Control": PICTURE_KEPT})


def night_page(web: Web, judged: ShownNight) -> NightPage:
    """The page's values; of a decided night they are kept for the next who looks."""
    now, ahead = web.now(), ahead_of(web, judged)
    past = is_past(judged.night, now)
    tonight = not past and name_at(judged.site, now) == judged.night.name
    build = partial(_build_page, web, judged, ahead, is_past=past, is_tonight=tonight)
    if judged.decision is None:
        return build()
    units, kit, mine = units_of(judged.wishes), judged.kit, judged.is_mine
    return web.skies.keep(("page", judged.decision, units, kit, mine, past, tonight, ahead), build)


def _build_page(web: Web, judged: ShownNight, ahead: Ahead, *, is_past: bool, is_tonight: bool) -> NightPage:
    night, verdict, reader = judged.night, judged.verdict, judged.reader
    facts = night_facts(web, judged, ahead)
    words = view_alert(facts, reader.units)
    # on the clock of who leaves
    leave, zone = facts.leave_by, facts.person_zone or facts.zone

    # What decided and what stands in the way; a night too early for weather isn't held against the feeds.
    deciding, *rest = verdict.reasons
    against = [deciding, *(reason for reason in rest if reason.result is not Result.PASS)]
    unused: tuple[str, ...] = ()
    if facts.first_look is not None:
        against = [reason for reason in against if reason.result is not Result.UNKNOWN]
    elif verdict.outlook is not None:
        entries = verdict.outlook.per_source
        unused = tuple(
            f"{source_name(each.source)}: {each.why_not}." for each in entries if each.chance is None
        )

    # Credits of the forecasts in the table, and of all else that the verdict and the sky rest on.
    shown = (each.source.attribution for each in judged.forecasts if each.source.attribution)
    return NightPage(
        name=night.name,
        verdict=verdict.word.value,
        headline=say("web-nights.too-early") if words.first_look else headline(verdict.word.value),
        is_past=is_past,
        is_tonight=is_tonight,
        is_watched=judged.watcher is not None,
        is_mine=judged.is_mine,
        leave=dated_time(leave, zone, facts.night, reader.hours) if leave else "",
        line=sentence(line_of(words, headed=True)),
        words=words,
        reasons=tuple((say("briefing.result", result=r.result), say(r.text, reader)) for r in against),
        passed=tuple(say(r.text, reader) for r in verdict.reasons if r.result is Result.PASS),
        hours=hour_table(judged),
        credits=tuple(dict.fromkeys((*shown, *(credit.text for credit in facts.attributions)))),
        cautions=tuple(map(say, CAUTIONS)) if facts.is_go else (),
        unused=unused,
        before=night.name - timedelta(days=1),
        after=night.name + timedelta(days=1),
        data=as_data(
            {
                "night": night.name,
                "verdict": verdict.word.value,
                "chance": facts.chance_pct,
                "window": facts.window,
                "best": facts.best,
                "leave-by": leave,
                "as-of": judged.now,
            }
        ),
        shapes=_shapes_drawn(judged),
    )


def _shapes_drawn(judged: ShownNight) -> tuple[tuple[str, str], ...]:
    """The shapes of the window that there are notes for."""
    window = judged.verdict.window
    if window is None or judged.verdict.word is VerdictWord.STAY:
        return ()
    standing = dict.fromkeys(shape for piece in window.shapes for shape in piece.standing)
    return tuple((shape.value, shape_label(shape)) for shape in standing)


def night_facts(web: Web, judged: ShownNight, ahead: Ahead) -> AlertFacts:
    """What a message would say of the night; without a trip that isn't the viewer's."""
    window, night = judged.verdict.window, judged.night
    trip = sky = None
    if judged.is_mine and window is not None:
        usable = judged.verdict.usable or window.span
        trip = plan_trip(night, usable, judged.wishes, judged.site)
    if window in night.windows:
        sky = sky_note(window, judged.skies[night.windows.index(window)])
    found = replace(
        judged,
        plan=trip,
        notes=field_notes(web.skies, judged) if judged.is_mine else None,
        sky=sky,
        ground=ground_of(web.skies, judged.site, night),
        invented=web.duskbell.invented,
    )
    return preview_facts(found, ahead)


def told_words(sent: SentAlert, reader: Reader) -> str:
    """What, when, the chance then, what became of its message: `Go, Sat 19:07 CEST, 73 % then; arrived.`"""
    alert = sent.alert
    chance_pct = alert.facts.get("chance_pct")
    return say(
        "web-nights.told" if chance_pct is None else "web-nights.told-with-chance",
        reader,
        kind=phrase("briefing.badge", form=alert.kind),
        raised_at=alert.raised_at,
        chance_pct=chance_pct,
        outcome=phrase("web-nights.message", status=sent.dropped or sent.message.status),
    )


def hour_table(judged: ShownNight) -> HourTable | None:
    """The table from sunset to sunrise; None when no forecast reaches it."""
    span, window = judged.night.sunset_to_sunrise, judged.verdict.window
    reaching = [forecast for forecast in judged.forecasts if forecast.reaches(span)]
    if not reaching:
        return None
    reader = judged.reader
    rows = []
    for cloud in cloud_hours(span, reaching, now=judged.now):
        hours = [forecast.hours.at(cloud.span.middle) for forecast in reaching]
        known = [hour for hour in hours if hour is not None]
        clouds = [cloud.cloud_pct, *(hour.cloud_total_pct if hour else None for hour in hours)]
        air: dict[str, Sequence[float | None]] = {
            "web.temperature": [hour.temperature_c for hour in known],
            "web.speed": [hour.wind_ms for hour in known],
            "web.dew-gap": [
                hour.temperature_c - hour.dew_point_c
                for hour in known
                if hour.temperature_c is not None and hour.dew_point_c is not None
            ],
        }
        figures = [MISSING if pct is None else f"{pct:.0f} %" for pct in clouds]
        for key, values in air.items():
            said = [value for value in values if value is not None]
            figures.append(say(key, reader, figure=median(said)) if said else MISSING)
        at = say_clock(cloud.span.start, reader.zone, reader.hours)
        is_in = window is not None and cloud.span.overlap(window.span) is not None
        rows.append((at, is_in, tuple(figures)))
    return HourTable(tuple(forecast.source for forecast in reaching), tuple(rows))
