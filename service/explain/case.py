"""All rows on one night for one subscription: what was seen, decided, told and answered, and what came."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.clock_times import zone_info
from alerts.common.text import Clock
from alerts.judging.access_rules import without_note
from alerts.judging.darkness_rule import darkness
from alerts.judging.rules import Reason
from alerts.judging.verdict import VerdictWord
from alerts.judging.window_brightness import window_skies
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.track.observations.evidence import PersonReport
from alerts.track.observations.outcome import Outcome
from alerts.weather.outlook import Outlook
from alerts.wishes.model import Wishes
from service.explain.stored_verdict import decided_verdict
from service.store.json_values import from_json
from service.store.repositories import judged_events
from service.store.repositories.alerts import alerts_of_night
from service.store.repositories.cycles import cycles_between
from service.store.repositories.decisions import find_decisions, first_night_kept, outlooks_by_id
from service.store.repositories.forecasts import EVERYWHERE, answers_named, place_key, rejected_since
from service.store.repositories.messages import find_attempts
from service.store.repositories.sites import newest_revision, stored_site
from service.store.schema import core_tables


@dataclass(frozen=True, slots=True)
class Sending:
    """An alert on its way: the message that carried it, and every try. dropped: why it left the message."""

    alert: core_tables.Alert
    message: core_tables.Message
    dropped: str | None
    attempts: tuple[core_tables.Attempt, ...]

    @property
    def state(self) -> str:
        """What became of it, in the message's words."""
        return self.dropped or self.message.status


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One night for one subscription.

    site, night, wishes: as it was judged last; as they are now where it never was. decisions: oldest first.
    outlooks: by id. forecasts: behind the last decision; rejected: what came and couldn't be used.
    cycles: how many ran while the night was to be looked at; ran_before_leaving: whether one did in the
    half day before one must leave; None where that isn't known. kept_from: the first night of which decisions
    are kept for this subscription, None where there are none. darkness: how dark the sky is in each of the
    night's windows, in a sentence; empty where nobody asked.
    """

    subscription: core_tables.Subscription
    site: Site
    night: Night
    wishes: Wishes
    now: datetime
    decisions: Sequence[core_tables.Decision]
    outlooks: Mapping[int, Outlook]
    forecasts: Sequence[core_tables.Forecast]
    rejected: Sequence[core_tables.Forecast]
    sendings: Sequence[Sending]
    outcomes: Sequence[Outcome]
    reports: Sequence[PersonReport]
    cycles: int
    ran_before_leaving: bool | None
    kept_from: date | None = None
    darkness: Sequence[str] = ()

    @property
    def last(self) -> core_tables.Decision:
        """The newest decision that is about the night itself and not about its being over."""
        live = [each for each in self.decisions if each.deciding_rule != "over"]
        return (live or list(self.decisions))[-1]

    @property
    def is_own(self) -> bool:
        """Whether whoever is told owns the site, so that its note is theirs to read."""
        return self.subscription.person_id == self.subscription.site.owner_id

    def reasons_of(self, decision: core_tables.Decision) -> list[Reason]:
        """Its reasons as whoever is told may read them, the deciding one first."""
        reasons = [from_json(Reason, each) for each in decision.reasons]
        return reasons if self.is_own else [without_note(each) for each in reasons]

    @property
    def first_looked_at(self) -> date:
        """The day from which on it is looked at."""
        return self.night.name - timedelta(days=self.wishes.days_ahead)

    @property
    def is_past(self) -> bool:
        """Whether its windows are over; without any, the night itself."""
        ends = [window.span.end for window in self.night.windows]
        return max(ends, default=self.night.span.end) <= self.now

    @property
    def clock(self) -> Clock:
        """The clock that the person lives by."""
        return Clock(zone_info(self.wishes.clock_zone or self.site.zone))

    @property
    def outlook(self) -> Outlook | None:
        """The outlook that the last decision is about; None without one."""
        return self.outlook_of(self.last) if self.decisions else None

    def outlook_of(self, decision: core_tables.Decision) -> Outlook | None:
        """The outlook over the window that a decision is about."""
        own = [self.outlooks[number] for number in decision.outlook_ids if number in self.outlooks]
        return next((each for each in own if each.window.start == decision.window_start), None)


def open_case(
    session: Session,
    subscription: core_tables.Subscription,
    night_name: date,
    now: datetime,
    open_ephemeris: Callable[[], Ephemeris],
    *,
    tell_darkness: bool = True,
) -> Case:
    """Everything the store has on that night for that subscription.

    open_ephemeris: for a night that was never judged, and for its darkness. BadInput for a date without a
    night there.
    """
    decisions = find_decisions(session, subscription.id, night_name)
    last = decisions[-1] if decisions else None
    site, night, wishes = _as_judged(session, subscription, last, night_name, open_ephemeris)
    return Case(
        subscription=subscription,
        site=site,
        night=night,
        wishes=wishes,
        now=now,
        decisions=decisions,
        outlooks=outlooks_by_id(session, {number for each in decisions for number in each.outlook_ids}),
        forecasts=answers_named(session, last.forecast_ids) if last is not None else [],
        rejected=_rejected(session, site, night, wishes, now),
        sendings=_sendings(session, subscription.id, night_name),
        outcomes=_outcomes(session, subscription.site_id, night_name),
        reports=judged_events.find_person_reports(session, subscription.site_id, night_name),
        cycles=len(
            cycles_between(session, night.span.start - timedelta(days=wishes.days_ahead + 1), night.span.end)
        ),
        ran_before_leaving=_ran_before(session, last),
        kept_from=first_night_kept(session, subscription.id),
        darkness=_darkness(session, site, night, last, open_ephemeris()) if tell_darkness else (),
    )


def _as_judged(
    session: Session,
    subscription: core_tables.Subscription,
    last: core_tables.Decision | None,
    night_name: date,
    open_ephemeris: Callable[[], Ephemeris],
) -> tuple[Site, Night, Wishes]:
    if last is not None:
        facts = session.get_one(core_tables.Night, last.night_id).facts
        site = stored_site(session.get_one(core_tables.SiteRevision, last.site_revision_id)).site
        return site, from_json(Night, facts), from_json(Wishes, last.wishes)
    site = newest_revision(session, subscription.site_id).site
    wishes = from_json(Wishes, subscription.wishes)
    return site, night_named(site, night_name, wishes.sky, open_ephemeris()), wishes


def _darkness(
    session: Session, site: Site, night: Night, last: core_tables.Decision | None, ephemeris: Ephemeris
) -> list[str]:
    verdict = decided_verdict(session, last, night) if last is not None else None
    skies = window_skies(site, night, ephemeris, verdict)
    return [
        darkness(window, sky, site, night.wishes).text
        for window, sky in zip(night.windows, skies, strict=True)
    ]


def _rejected(
    session: Session, site: Site, night: Night, wishes: Wishes, now: datetime
) -> list[core_tables.Forecast]:
    """What couldn't be used there, failures of whole feeds included."""
    since = night.span.start - timedelta(days=wishes.days_ahead)
    return rejected_since(session, [place_key(site), EVERYWHERE], since, min(now, night.span.end))


def _sendings(session: Session, subscription_id: int, night_name: date) -> list[Sending]:
    return [
        Sending(each.alert, each.message, each.dropped, tuple(find_attempts(session, each.message.id)))
        for each in alerts_of_night(session, subscription_id, night_name)
    ]


def _outcomes(session: Session, site_id: int, night_name: date) -> list[Outcome]:
    return [
        judged_events.read_outcome(row)
        for row in judged_events.find_outcomes(session, site_id, night_name, night_name)
    ]


def _ran_before(session: Session, last: core_tables.Decision | None) -> bool | None:
    if last is None or last.leave_by is None or last.verdict == VerdictWord.STAY:
        return None
    return bool(cycles_between(session, last.leave_by - timedelta(hours=12), last.leave_by))
