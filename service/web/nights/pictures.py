"""The pictures of a night for pages: drawn when first asked for, and kept by what they show."""

from __future__ import annotations

from dataclasses import replace

from alerts.briefing import collect
from alerts.briefing.collect import NightFindings, build_field_notes
from alerts.briefing.facts import DrawnDome, FieldNotes
from alerts.briefing.pictures.drawing import NARROW, PALETTES, WIDE, Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures
from alerts.common.phrases import phrase, say
from alerts.field.trip_plan import plan_trip
from alerts.judging.verdict import VerdictWord
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import domes
from alerts.weather.chance import cloud_hours
from alerts.wishes.model import units_of
from service.web.nights.judged_night import ShownNight
from service.web.shared.sky_cache import SkyCache

WIDTHS = {"narrow": NARROW, "wide": WIDE}
LOOKS = tuple(PALETTES)


def field_notes(skies: SkyCache, judged: ShownNight) -> FieldNotes | None:
    """The notes for the field; None without a window that one would drive to."""
    verdict = judged.verdict
    window = verdict.window
    if window is None or verdict.word is VerdictWord.STAY:
        return None
    key = ("notes", judged.site, judged.night.name, window.span, judged.wishes, judged.kit, verdict.outlook)

    def build() -> FieldNotes:
        trip = plan_trip(judged.night, verdict.usable or window.span, judged.wishes, judged.site)
        cloud = cloud_hours(judged.shown_span, judged.forecasts, now=judged.as_of)
        found = replace(findings(judged), plan=trip, cloud=cloud)
        return build_field_notes(found, window, skies.ephemeris, judged.kit)

    return skies.keep(key, build)


def findings(judged: ShownNight) -> NightFindings:
    """What is known of the night, without a trip or any notes."""
    return NightFindings(
        site=judged.site,
        night=judged.night,
        verdict=judged.verdict,
        wishes=judged.wishes,
        now=judged.as_of,
    )


def night_pictures(
    skies: SkyCache, judged: ShownNight, *, look: str = "light", width: str = "narrow"
) -> tuple[Picture, ...]:
    """The night, and where one would drive there the view and for an arch the panorama."""
    forecast_times = tuple(each.source.fetched_at for each in judged.forecasts)
    key = (
        "pictures", judged.site, judged.night.name, judged.verdict.window, judged.verdict.word,
        judged.wishes, judged.kit, forecast_times, look, width,
    )  # fmt: skip

    def draw() -> tuple[Picture, ...]:
        drawn = NightToDraw(
            judged.site,
            judged.night,
            judged.verdict.window,
            field_notes(skies, judged),
            cloud_hours(judged.shown_span, judged.forecasts, now=judged.as_of),
            town_glows(skies, judged.site),
        )
        units = units_of(judged.wishes)
        return draw_pictures(drawn, skies.ephemeris, PALETTES[look], width=WIDTHS[width], units=units)

    return skies.keep(key, draw)


def town_glows(skies: SkyCache, site: Site) -> tuple[DrawnDome, ...]:
    """The towns whose light stands over the horizon, as pictures draw them."""
    return skies.keep(("glows", site.lat_deg, site.lon_deg), lambda: collect.town_glows(site))


def town_words(skies: SkyCache, site: Site) -> str:
    """The brightest domes round a site, `a dome at 212°, 41 km (Name); …`, with the credit; "" for none."""
    found = skies.keep(("domes", site.lat_deg, site.lon_deg), lambda: domes(site.lat_deg, site.lon_deg))
    said = [dome.text for dome in found]
    return say("web-nights.town-glow", domes=said, credit=phrase("judging.town-credit")) if said else ""
