"""What a night at a kept site came to: the one place that says it, to pages, commands, API and feeds alike.

For a subscription it is read: the newest decision that stands. Where there is none (a night beyond, a site
that nobody watches, other wishes) the night is judged here by the rules of a cycle on all that a cycle would
have: the forecasts, ensembles and lines of sight that the store holds, what the nights there have been, the
record's correction and what stations report.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.rules import Reason
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, SkyWishes
from alerts.track.record.place_climate import UNKNOWN_CLIMATE
from alerts.weather.outlook import Outlook
from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.repositories import calibrations, judged_events
from service.store.repositories.climates import find_climates
from service.store.repositories.decisions import newest_decision, outlooks_by_id
from service.store.repositories.forecasts import newest_at, newest_by_place, place_key
from service.store.repositories.people import shared_sky
from service.store.repositories.sites import StoredSite, stored_site
from service.store.schema import core_tables

STEP_MINUTES = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """A stored decision as plain values: it may be kept for the next who looks.

    site: as it was described then. made_at: when it was reached; as_of: when it last held. wishes: as judged.
    """

    site: Site
    night: Night
    verdict: Verdict
    wishes: Wishes
    made_at: datetime
    as_of: datetime
    forecast_ids: tuple[int, ...] = ()


def find_standing(
    session: Session, subscription_id: int, stored: StoredSite, name: date, now: datetime
) -> core_tables.Decision | None:
    """The newest decision for a subscription's night, if it stands; None where it is still to be judged."""
    decision = newest_decision(session, subscription_id, name)
    return decision if decision is not None and stands(session, decision, stored, now) else None


def stands(session: Session, decision: core_tables.Decision, stored: StoredSite, now: datetime) -> bool:
    """Whether a decision is about the site as it is described now; what is past stands as it was decided.

    Not at all for what was decided of a shared site before there were copies, at the place itself.
    """
    if decision.site_revision_id == stored.revision_id:
        return True
    if session.get_one(core_tables.SiteRevision, decision.site_revision_id).site_id != stored.site_id:
        return False
    return session.get_one(core_tables.Night, decision.night_id).ends <= now


def read_decision(session: Session, decision: core_tables.Decision) -> Decided:
    """The decision as values."""
    night = from_json(Night, session.get_one(core_tables.Night, decision.night_id).facts)
    revision = session.get_one(core_tables.SiteRevision, decision.site_revision_id)
    return Decided(
        site=stored_site(revision).site,
        night=night,
        verdict=decided_verdict(session, decision, night),
        wishes=from_json(Wishes, decision.wishes),
        made_at=decision.as_of,
        as_of=decision.confirmed_at,
        forecast_ids=tuple(decision.forecast_ids),
    )


def decided_verdict(session: Session, decision: core_tables.Decision, night: Night) -> Verdict:
    """The verdict as it was stored, with its window of that night and the outlook over it."""
    usable = decided_span(decision)
    touching = [window for window in night.windows if usable is not None and window.span.overlap(usable)]
    window = next(iter(touching), None)
    return Verdict(
        VerdictWord(decision.verdict),
        decided_reasons(decision),
        window,
        _outlook_of(session, decision, window),
        usable,
        night,
    )


def decided_span(decision: core_tables.Decision) -> Span | None:
    """The part of a window that the decision is about."""
    if decision.window_start is None or decision.window_end is None:
        return None
    return Span(decision.window_start, decision.window_end)


def decided_reasons(decision: core_tables.Decision) -> tuple[Reason, ...]:
    """Its reasons, the deciding one first."""
    return tuple(from_json(Reason, reason) for reason in decision.reasons)


def _outlook_of(
    session: Session, decision: core_tables.Decision, window: DarkWindow | None
) -> Outlook | None:
    if window is None or not decision.outlook_ids:
        return None
    outlooks = outlooks_by_id(session, decision.outlook_ids)
    return next((each for each in outlooks.values() if each.window.overlap(window.span)), None)


def settled_moments(session: Session, sites: Iterable[StoredSite], now: datetime) -> dict[int, datetime]:
    """By site the moment as of which it is judged for whoever looks: the last half hour, or when its newest
    forecast came. So all who look within a while are told the same."""
    places = {each.site_id: place_key(each.site) for each in sites}
    step = now.replace(minute=now.minute - now.minute % STEP_MINUTES, second=0, microsecond=0)
    newest = newest_at(session, set(places.values()), now)
    return {site_id: max(step, newest.get(place, step)) for site_id, place in places.items()}


def read_inputs(
    session: Session, sites: Collection[StoredSite], now: datetime, *, settle: bool = True
) -> dict[int, JudgingInputs]:
    """What the store holds for these sites, by their number. settle: as of the moment of `settled_moments`,
    not of `now`."""
    places = {each.site_id: place_key(each.site) for each in sites}
    stored = {each.site_id: each.site for each in sites}
    moments = settled_moments(session, sites, now) if settle else dict.fromkeys(places, now)
    forecasts = newest_by_place(session, set(places.values()), now)
    climates = find_climates(session, set(places.values()), now)
    anybody = judged_events.is_anybody_heard(session, now)
    return {
        site_id: JudgingInputs(
            site=stored[site_id],
            now=moments[site_id],
            forecasts=[each.forecast for each in forecasts.get(place, ())],
            correct=calibrations.correction(session, site_id, moments[site_id]),
            clear_share=climates.get(place, UNKNOWN_CLIMATE).clear_share,
            stations=judged_events.stations_now(session, stored[site_id], moments[site_id])
            if anybody
            else (),
        )
        for site_id, place in places.items()
    }


def nights_as_wished(wishes: Wishes, make: Callable[[SkyWishes], Night]) -> list[Night]:
    """A night as each target of the wishes makes it, under the skies that cycles work out."""
    return [make(shared_sky(sky)) for sky in wishes.skies]
