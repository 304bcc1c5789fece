"""One night at one site as it was judged: from the decision, else from forecasts at hand, else the sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.assess import assess
from alerts.darkness import with_darkness
from alerts.errors import BadInput
from alerts.kit import Kit
from alerts.night import Night, name_at
from alerts.site import Site
from alerts.skyview import WindowSky
from alerts.span import Span
from alerts.verdict import Verdict
from alerts.weather.record import Forecast
from alerts.wishes import Wishes
from service.cycle.noting import read_kit
from service.decided import decided_verdict
from service.store import calibrations, tables
from service.store.climates import climate_at
from service.store.codec import from_json
from service.store.decisions import newest_decision
from service.store.forecasts import newest_by_place, place_key
from service.store.packing import unpack_over
from service.store.people import default_wishes
from service.store.sites import stored_site
from service.store.track import stations_now
from service.web.access import SeenSite, Viewer
from service.web.skies import Skies

FORECASTS_REACH = timedelta(days=16)
FIRST_YEAR, LAST_YEAR = 1900, 2052
"""Years that the planetary kernel holds whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedNight:
    """A night, its verdict and what that rests on.

    site: as it was described when the night was judged. decision: None where nobody's wishes were
    judged. subscription: whose wishes these are; None for the usual ones. is_mine: they are the viewer's.
    kit: what the viewer photographs with; None for the usual kit.
    forecasts: hours of this night alone. as_of: when it was judged. skies: of the night's windows.
    """

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    as_of: datetime
    forecasts: tuple[Forecast, ...]
    skies: tuple[WindowSky, ...] = ()
    decision: tables.Decision | None = None
    subscription: tables.Subscription | None = None
    is_mine: bool = False

    @property
    def kit(self) -> Kit | None:
        if self.subscription is None or not self.is_mine:
            return None
        return read_kit(self.subscription.kit, self.subscription.id)

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


def judged_night(
    session: Session, skies: Skies, seen: SeenSite, viewer: Viewer | None, name: date, now: datetime
) -> JudgedNight:
    """The night of that name at the site; BadInput for a date that has none."""
    if not FIRST_YEAR <= name.year <= LAST_YEAR:
        raise BadInput(f"nights are known from {FIRST_YEAR} to {LAST_YEAR}; {name.year} lies outside.")
    watcher = watcher_of(session, seen, viewer)
    is_mine = watcher is not None and viewer is not None and watcher.person_id == viewer.person_id
    decision = newest_decision(session, watcher.id, name) if watcher is not None else None
    if watcher is not None and decision is not None and _is_about(session, decision, seen):
        key = ("decided", decision.id, decision.confirmed_at)
        decided = skies.keep(key, lambda: _decided(session, decision))
        now_wished = from_json(Wishes, watcher.wishes)
        known = replace(
            decided,
            decision=decision,
            subscription=watcher,
            is_mine=is_mine,
            wishes=replace(decided.wishes, units=now_wished.units),
        )
        return _with_skies(skies, known)
    wishes = from_json(Wishes, watcher.wishes) if watcher is not None else default_wishes()
    night = skies.nights(seen.stored.site, name, 1, wishes.sky)[0]
    forecasts = _at_hand(session, seen.stored.site, night, now)
    correct = calibrations.correction(session, seen.row.id, now)
    verdict = assess(
        seen.stored.site,
        night,
        forecasts,
        wishes,
        now=now,
        correct=correct,
        clear_share=climate_at(session, seen.stored.site, now).clear_share(name.month),
        stations=stations_now(session, seen.stored.site, now),
    )
    judged = JudgedNight(
        site=seen.stored.site,
        night=night,
        verdict=verdict,
        wishes=wishes,
        as_of=now,
        forecasts=forecasts,
        subscription=watcher,
        is_mine=is_mine,
    )
    return _with_skies(skies, judged)


def _with_skies(skies: Skies, judged: JudgedNight) -> JudgedNight:
    """How dark the sky is in each window, and that among the reasons."""
    site, night, verdict = judged.site, judged.night, judged.verdict
    found = skies.windows(site, night, verdict)
    return replace(judged, skies=found, verdict=with_darkness(verdict, site, night, found))


def watcher_of(session: Session, seen: SeenSite, viewer: Viewer | None) -> tables.Subscription | None:
    """The subscription whose verdicts are shown: the viewer's own, else that of the site's owner; of a copy
    for others the viewer's own or none."""
    query = (
        select(tables.Subscription)
        .where(tables.Subscription.site_id == seen.row.id, tables.Subscription.ended_at.is_(None))
        .order_by(tables.Subscription.id)
    )
    running = list(session.scalars(query))
    me = viewer.person_id if viewer else None
    mine = [each for each in running if each.person_id == me]
    owners = [each for each in running if each.person_id == seen.row.owner_id]
    return next(iter(mine + owners), None)


def _is_about(session: Session, decision: tables.Decision, seen: SeenSite) -> bool:
    """False for what was decided before there were copies, at the place itself."""
    return session.get_one(tables.SiteRevision, decision.site_revision_id).site_id == seen.row.id


def _decided(session: Session, decision: tables.Decision) -> JudgedNight:
    """The night as it was decided, without rows: it is kept for the next who looks."""
    night_row = session.get_one(tables.Night, decision.night_id)
    night = from_json(Night, night_row.facts)
    revision = session.get_one(tables.SiteRevision, decision.site_revision_id)
    return JudgedNight(
        site=stored_site(revision).site,
        night=night,
        verdict=decided_verdict(session, decision, night),
        wishes=from_json(Wishes, decision.wishes),
        as_of=decision.confirmed_at,
        forecasts=_behind(session, decision, night),
    )


def _behind(session: Session, decision: tables.Decision, night: Night) -> tuple[Forecast, ...]:
    """The forecasts that the decision rests on, those hours that fall into the night."""
    if not decision.forecast_ids:
        return ()
    rows = session.scalars(
        select(tables.Forecast)
        .where(tables.Forecast.id.in_(decision.forecast_ids), tables.Forecast.body.is_not(None))
        .order_by(tables.Forecast.id)
    )
    return tuple(unpack_over(row, dark_hours(night)) for row in rows)


def _at_hand(session: Session, site: Site, night: Night, now: datetime) -> tuple[Forecast, ...]:
    """What forecasts the store holds for the place, if they can reach the night."""
    if not now - timedelta(days=1) < night.span.start < now + FORECASTS_REACH:
        return ()
    place = place_key(site)
    return tuple(each.forecast for each in newest_by_place(session, {place}, now).get(place, ()))


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


def first_after(nights: Sequence[Night], name: date) -> date | None:
    """The first of the nights after that one that has a window."""
    return next((night.name for night in nights if night.name > name and night.windows), None)
