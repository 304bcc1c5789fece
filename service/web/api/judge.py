"""A verdict on request: nothing is stored, and the feeds are asked, so a key is needed and has a quota."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from fastapi import APIRouter, HTTPException, Response

from alerts.briefing.collect import NightFindings, ground_note
from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.window_brightness import window_skies, with_darkness
from alerts.sites.model import HorizonLine, Site, clean_name
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named, tonight_name
from alerts.wishes.model import DEFAULT_WISHES
from alerts.wishes.shared_sky import nights_as_wished
from service.common.timezones import doubts, zone_at
from service.observations.model import STATIONS_BUDGET_S, Heard, heard_skies, stations_wanted
from service.reports.night_json import night_report
from service.store.repositories import rate_limits
from service.store.repositories.climates import climate_at
from service.web.api.models import JudgeAnswer, JudgeQuestion, PlaceQuestion
from service.web.api.program_keys import Keyed
from service.web.error_pages import NotInvited, documented
from service.web.shared.context import Here, Web
from service.web.shared.sky_cache import ConcurrencyLimit
from service.web.shared.viewer import Viewer
from service.web.sites.edit import viewer_home

ASKING_AT_ONCE = 8
ASKING = ConcurrencyLimit(ASKING_AT_ONCE, present_at_most=ASKING_AT_ONCE)
"""Each may wait seven seconds for the feeds, and holds one of the server's 40 threads meanwhile."""
RESPONSES = documented(400, 401, 403, 413, 422, 429)


router = APIRouter()


@router.post("/judge", response_model=JudgeAnswer, responses=RESPONSES)
def judge(web: Here, question: JudgeQuestion, owner: Keyed) -> Response:
    """Judge one night at a place that isn't kept. Counts against the key's quota."""
    if not owner.may_keep:
        raise NotInvited
    now = web.now()
    site = read_place(question.site)
    home = viewer_home(web, owner)
    doubt = None if question.site.sure else doubts(site.lat_deg, site.lon_deg, home)
    if doubt is not None:
        raise HTTPException(422, say("web-api.place-doubted", doubt=doubt.text))
    night_wished = question.night
    if night_wished is not None:
        web.skies.ephemeris.require_nights(night_wished, night_wished)
    with ASKING.turn():
        spend(web, owner)
        wishes = question.wishes or DEFAULT_WISHES
        ephemeris = web.skies.ephemeris
        name = night_wished or tonight_name(site, now, ephemeris)
        nights = nights_as_wished(wishes, lambda sky: night_named(site, name, sky, ephemeris))
        inputs, problems = ask(web, site, question.site.elevation_m, nights[0], now)
        verdict = inputs.judge(nights, wishes)
        night = verdict.night or nights[0]
        skies = window_skies(site, night, ephemeris, verdict)
        verdict = with_darkness(verdict, site, night, skies)
        report = night_report(
            NightFindings(
                site=site,
                night=night,
                verdict=verdict,
                wishes=wishes,
                now=now,
                ground=ground_note(site, night, ephemeris),
            ),
            skies,
            elevation_known=question.site.elevation_m is not None,
            is_decided=False,
        )
    found = JudgeAnswer(report=report, problems=problems)
    return Response(found.model_dump_json(), media_type="application/json")


def read_place(asked: PlaceQuestion) -> Site:
    """The place as a site; BadInput when it can't be one."""
    lat_deg, lon_deg = asked.lat_lon
    points = sorted({azimuth % 360: altitude for azimuth, altitude in asked.horizon}.items())
    return Site(
        name=clean_name(asked.name),
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=asked.elevation_m or 0.0,
        zone=asked.zone or zone_at(lat_deg, lon_deg),
        horizon=HorizonLine(tuple(each[0] for each in points), tuple(each[1] for each in points)),
    )


def spend(web: Web, owner: Viewer) -> None:
    """Count the question; 429 when the key, its owner or the installation has asked enough for now."""
    now = web.duskbell.clock()
    with web.writing.begin() as session:
        key, person = str(owner.key_id), str(owner.person_id)
        allowed = rate_limits.allow(session, web.duskbell.keys, "judge", now, key=key, person=person)
    if not allowed:
        raise HTTPException(429, say("web-api.quota-used-up"), headers={"Retry-After": "600"})


def ask(
    web: Web, site: Site, elevation_m: float | None, night: Night, now: datetime
) -> tuple[JudgingInputs, list[str]]:
    """What a verdict can rest on: forecasts for the windows that are still ahead, what stations nearby
    report, what the nights there have been; and what couldn't be asked."""
    with web.reading() as session:
        known = JudgingInputs(site=site, now=now, clear_share=climate_at(session, site, now).clear_share)
    ahead = [window.span for window in night.windows if window.span.end > now]
    if not ahead:
        return known, []
    gathered, forecasts = web.duskbell.ask_now(site, night, Span(now, ahead[-1].end), now, elevation_m)
    wanted = stations_wanted(site, night, now)
    heard = web.duskbell.observe([wanted], STATIONS_BUDGET_S) if wanted is not None else Heard()
    found = replace(known, forecasts=forecasts, stations=heard_skies(site, heard, now))
    return found, list(dict.fromkeys(failure.text for failure in gathered.failures))
