"""One night at one site as it was judged: from the decision, else from forecasts at hand, else the sky."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.briefing.collect import look_ahead
from alerts.briefing.facts import Ahead
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.field.kit import Kit
from alerts.judging.verdict import Verdict
from alerts.judging.window_brightness import WindowSky, with_darkness
from alerts.sites.model import Site
from alerts.sky.night import Night, name_at
from alerts.weather.forecast import Forecast
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.explain.stored_verdict import (
    find_standing,
    nights_as_wished,
    read_decision,
    read_inputs,
)
from service.feeds.feed_health import feeds_reach
from service.pipeline.judging.block_alerts import read_kit
from service.store.repositories.forecasts import forecasts_by_id
from service.store.schema.core_tables import DecisionRow, SubscriptionRow
from service.web.shared.context import Web
from service.web.shared.site_rows import WatchedSite
from service.web.shared.sky_cache import SkyCache

FIRST_YEAR, LAST_YEAR = 1900, 2052
"""Years that the planetary kernel holds whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownNight:
    """A night, its verdict and what that rests on.

    site: as it was described when the night was judged. wishes: as judged, in the units that hold now.
    forecasts: hours of this night alone. as_of: when it was judged. skies: of the night's windows.
    watcher: whose wishes these are; None for the usual ones. is_mine: they are the viewer's.
    kit: what the viewer photographs with; None for the usual kit.
    decision: which stored decision this is, as of when; None where it was judged for the page.
    """

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    as_of: datetime
    forecasts: tuple[Forecast, ...]
    skies: tuple[WindowSky, ...]
    watcher: SubscriptionRow | None = None
    is_mine: bool = False
    kit: Kit | None = None
    decision: tuple[int, datetime] | None = None

    @property
    def sky(self) -> WindowSky | None:
        """Of the verdict's window; None without one."""
        window = self.verdict.window
        if window is None or window not in self.night.windows:
            return None
        return self.skies[self.night.windows.index(window)]

    @property
    def shown_span(self) -> Span:
        """From sunset to sunrise; the whole night where one is missing."""
        return dark_hours(self.night)


def judged_night(web: Web, session: Session, watched: WatchedSite, name: date) -> ShownNight:
    """The night of that name at the site; BadInput for a date that has none."""
    if not FIRST_YEAR <= name.year <= LAST_YEAR:
        raise BadInput(phrase("web-nights.year-unknown", first=FIRST_YEAR, last=LAST_YEAR, year=name.year))
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
            as_of=inputs.now,
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
        as_of=known.as_of,
        forecasts=tuple(forecasts_by_id(session, known.forecast_ids, dark_hours(known.night)).values()),
        skies=found,
        decision=(decision.id, decision.confirmed_at),
    )


def dark_hours(night: Night) -> Span:
    """From sunset to sunrise; the whole night where one is missing."""
    start = night.sun.sets[0] if night.sun.sets else night.span.start
    end = night.sun.rises[-1] if night.sun.rises else night.span.end
    return Span(start, end) if start < end else night.span


def is_past(night: Night, now: datetime) -> bool:
    return dark_hours(night).end <= now


def is_tonight(site: Site, night: Night, now: datetime) -> bool:
    """Whether it is the night now running or the coming one."""
    return name_at(site, now) == night.name and not is_past(night, now)


def ahead_of(web: Web, judged: ShownNight) -> Ahead:
    """Of a night without a window it is kept, as it takes looking through a season."""
    site, night, wishes, now = judged.site, judged.night, judged.wishes, web.now()
    reach = timedelta(0) if web.duskbell.invented else feeds_reach(web.duskbell.settings, site)

    def look() -> Ahead:
        return look_ahead(site, night, wishes, web.skies.ephemeris, now=now, reach=reach)

    return look() if night.windows else web.skies.keep(("ahead", site, night.name, wishes.skies), look)
