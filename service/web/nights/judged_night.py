"""One night at one site as it was judged: from the decision, else from forecasts at hand, else the sky; and
its pictures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from alerts.briefing.collect import NightFindings, build_field_notes, ground_note, look_ahead, town_glows
from alerts.briefing.facts import Ahead, FieldNotes, GroundNote
from alerts.briefing.pictures.drawing import NARROW, PALETTES, WIDE, Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import draw_pictures
from alerts.common.clock_times import zone_info
from alerts.common.phrases import Reader, phrase, say
from alerts.field.kit import Kit
from alerts.field.trip_plan import plan_trip
from alerts.judging.verdict import VerdictWord
from alerts.judging.window_brightness import WindowSky, with_darkness
from alerts.sites.model import Site
from alerts.sky.brightness.light_domes import domes
from alerts.sky.night import Night
from alerts.weather.chance import cloud_hours
from alerts.weather.forecast import Forecast
from alerts.wishes.model import DEFAULT_WISHES, units_of
from alerts.wishes.shared_sky import nights_as_wished
from service.explain.stored_verdict import find_standing, read_decision, read_inputs
from service.feeds.feed_wiring import feeds_reach
from service.pipeline.judging.block_alerts import read_kit
from service.reports.briefing_report import BEST_MOMENT, MomentAsked
from service.store.repositories.forecasts import forecasts_by_id
from service.store.schema.core_tables import DecisionRow, SubscriptionRow
from service.web.shared.context import Web
from service.web.shared.site_rows import WatchedSite
from service.web.shared.sky_cache import SkyCache

FIRST_YEAR, LAST_YEAR = 1900, 2052
"""Years that the planetary kernel holds whole."""
WIDTHS = {"narrow": NARROW, "wide": WIDE}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownNight(NightFindings):
    """A night, its verdict and what that rests on.

    site: as it was described when the night was judged. wishes: as judged, in the units that hold now.
    forecasts: hours of this night alone. skies: of the night's windows.
    watcher: whose wishes these are; None for the usual ones. is_mine: they are the viewer's.
    kit: what the viewer photographs with; None for the usual kit.
    decision: which stored decision this is, as of when; None where it was judged for the page.
    """

    forecasts: tuple[Forecast, ...]
    skies: tuple[WindowSky, ...]
    watcher: SubscriptionRow | None = None
    is_mine: bool = False
    kit: Kit | None = None
    decision: tuple[int, datetime] | None = None

    @property
    def reader(self) -> Reader:
        """On the site's clock, in the units of the wishes."""
        return Reader(zone_info(self.site.zone), units_of(self.wishes))


def judged_night(web: Web, session: Session, watched: WatchedSite, name: date) -> ShownNight:
    """The night of that name at the site; BadInput for a date that has none or that the kernel lacks."""
    web.skies.ephemeris.require_nights(name, name)
    now, skies, stored, watcher = web.now(), web.skies, watched.seen.stored, watched.watcher
    decision = find_standing(session, watcher.id, stored, name, now) if watcher is not None else None
    if watched.wishes is not None and decision is not None:
        # As it was decided, kept without rows for the next who looks, in the units that hold now.
        key = ("decided", decision.id, decision.confirmed_at)
        judged = skies.keep(key, lambda: _decided(session, skies, decision))
        judged = replace(judged, wishes=replace(judged.wishes, units=watched.wishes.units))
    else:
        wishes = watched.wishes or DEFAULT_WISHES
        nights = nights_as_wished(wishes, lambda sky: skies.nights(stored.site, name, 1, sky)[0])
        inputs = read_inputs(session, [stored], now)[stored.site_id].about(nights[0])
        verdict = inputs.judge(nights, wishes)
        night = verdict.night or nights[0]
        found = skies.windows(stored.site, night, verdict)
        judged = ShownNight(
            site=stored.site,
            night=night,
            verdict=with_darkness(verdict, stored.site, night, found),
            wishes=wishes,
            now=inputs.now,
            forecasts=tuple(inputs.forecasts),
            skies=found,
        )
    kit = read_kit(watcher.kit, watcher.id) if watcher is not None and watched.is_mine else None
    return replace(judged, watcher=watcher, is_mine=watched.is_mine, kit=kit)


def _decided(session: Session, skies: SkyCache, decision: DecisionRow) -> ShownNight:
    """The night as it was decided; how dark the sky is in each window stands among the reasons."""
    known = read_decision(session, decision)
    found = skies.windows(known.site, known.night, known.verdict)
    return ShownNight(
        site=known.site,
        night=known.night,
        verdict=with_darkness(known.verdict, known.site, known.night, found),
        wishes=known.wishes,
        now=known.as_of,
        forecasts=tuple(forecasts_by_id(session, known.forecast_ids, known.night.sunset_to_sunrise).values()),
        skies=found,
        decision=(decision.id, decision.confirmed_at),
    )


def is_past(night: Night, now: datetime) -> bool:
    return night.sunset_to_sunrise.end <= now


def ahead_of(web: Web, judged: ShownNight) -> Ahead:
    """Of a night without a window it is kept, as it takes looking through a season."""
    site, night, wishes, now = judged.site, judged.night, judged.wishes, web.now()
    reach = timedelta(0) if web.duskbell.invented else feeds_reach(web.duskbell.settings, site)
    look = partial(look_ahead, site, night, wishes, web.skies.ephemeris, now=now, reach=reach)
    return look() if night.windows else web.skies.keep(("ahead", site, night.name, wishes.skies), look)


# what is noted and drawn of it, when first asked for; kept by what it shows


def field_notes(skies: SkyCache, judged: ShownNight, moment: MomentAsked = BEST_MOMENT) -> FieldNotes | None:
    """The notes for the field; None without a window that one would drive to. BadInput for a moment that the
    night hasn't."""
    verdict = judged.verdict
    window = verdict.window
    if window is None or verdict.word is VerdictWord.STAY:
        return None
    seen = (judged.site, judged.night.name, window.span, judged.wishes, judged.kit, verdict.outlook)
    key = ("notes", *seen, moment)

    def build() -> FieldNotes:
        trip = plan_trip(judged.night, verdict.usable or window.span, judged.wishes, judged.site)
        cloud = cloud_hours(judged.night.sunset_to_sunrise, judged.forecasts, now=judged.now)
        found = replace(judged, plan=trip, cloud=cloud)
        at = moment.find(judged.site, judged.night, window, skies.ephemeris)
        return build_field_notes(found, window, skies.ephemeris, judged.kit, at)

    return skies.keep(key, build)


def ground_of(skies: SkyCache, site: Site, night: Night) -> GroundNote:
    """Moonlight on the ground of a night and what it costs, and the horizon."""
    return skies.keep(("ground", site, night), partial(ground_note, site, night, skies.ephemeris))


def night_pictures(
    skies: SkyCache,
    judged: ShownNight,
    *,
    look: str = "light",
    width: str = "narrow",
    moment: MomentAsked = BEST_MOMENT,
) -> tuple[Picture, ...]:
    """The night, and where one would drive there the view and for an arch the panorama."""
    site, forecast_times = judged.site, tuple(each.source.fetched_at for each in judged.forecasts)
    key = (
        "pictures", site, judged.night.name, judged.verdict.window, judged.verdict.word,
        judged.wishes, judged.kit, forecast_times, look, width, moment,
    )  # fmt: skip

    def draw() -> tuple[Picture, ...]:
        drawn = NightToDraw(
            site,
            judged.night,
            judged.verdict.window,
            field_notes(skies, judged, moment),
            cloud_hours(judged.night.sunset_to_sunrise, judged.forecasts, now=judged.now),
            skies.keep(("glows", site.lat_deg, site.lon_deg, site.elevation_m), partial(town_glows, site)),
        )
        units = units_of(judged.wishes)
        return draw_pictures(drawn, skies.ephemeris, PALETTES[look], width=WIDTHS[width], units=units)

    return skies.keep(key, draw)


def town_words(skies: SkyCache, site: Site) -> str:
    """The brightest domes round a site, `a dome at 212°, 41 km (Name); …`, with the credit; "" for none."""
    place = (site.lat_deg, site.lon_deg, site.elevation_m)
    found = skies.keep(("domes", *place), lambda: domes(*place))
    said = [dome.text for dome in found]
    return say("web-nights.town-glow", domes=said, credit=phrase("judging.town-credit")) if said else ""
