"""What a night at a kept site came to: the one place that says it, to pages, commands, API and feeds alike.

For a subscription it is read: the newest decision that stands. Where there is none (a night beyond, a site
that nobody watches, other wishes) the night is judged here by the rules of a cycle on all that a cycle would
have: the forecasts, ensembles and lines of sight that the store holds, what the nights there have been, the
record's correction and what stations report.

A view never judges what was decided: it would be fresher by minutes and say another figure than the message
did. tests/integration/pipeline/test_one_voice.py asks all views and compares.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.phrases import Phrase
from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.rules import Reason, without_note
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.judging.window_brightness import darkness, window_skies
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night
from alerts.sky.nights.night_builder import night_named
from alerts.track.observations.evidence import PersonReport
from alerts.track.observations.outcome import Outcome
from alerts.track.record.climatology import UNKNOWN_CLIMATE
from alerts.weather.forecast import Forecast
from alerts.weather.outlook import Outlook
from alerts.wishes.model import Wishes
from service.store.json_values import from_json
from service.store.repositories import calibrations, judged_events
from service.store.repositories.alerts import alerts_of_night
from service.store.repositories.climates import climate_at, find_climates
from service.store.repositories.cycles import cycles_between
from service.store.repositories.decisions import (
    find_decisions,
    first_night_kept,
    newest_decision,
    outlooks_by_id,
)
from service.store.repositories.forecasts import (
    EVERYWHERE,
    answers_named,
    newest_at,
    newest_by_place,
    place_key,
    rejected_since,
)
from service.store.repositories.messages import find_attempts
from service.store.repositories.sites import StoredSite, newest_revision, stored_site
from service.store.schema.core_tables import (
    AlertRow,
    AttemptRow,
    DecisionRow,
    ForecastRow,
    MessageRow,
    NightRow,
    SiteRevisionRow,
    SubscriptionRow,
)

STEP_MINUTES = 30
HALF_A_DAY = timedelta(hours=12)


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


def site_then(session: Session, revision_id: int) -> StoredSite:
    """The site as that revision describes it; revisions are kept for good."""
    return stored_site(session.get_one(SiteRevisionRow, revision_id))


def night_then(session: Session, night_id: int) -> Night:
    """The stored night; SQLAlchemy's NoResultFound where it was forgotten."""
    return from_json(Night, session.get_one(NightRow, night_id).facts)


def find_standing(
    session: Session, subscription_id: int, stored: StoredSite, name: date, now: datetime
) -> DecisionRow | None:
    """The newest decision for a subscription's night, if it stands; None where it is still to be judged.

    It stands where it is about the site as it is described now; what is past stands as it was decided, but
    for what was decided of a shared site before there were copies, at the place itself. One made for other
    wishes stands until the next cycle: else pages were blank after each change of a wish.
    """
    decision = newest_decision(session, subscription_id, name)
    if decision is None or decision.site_revision_id == stored.revision_id:
        return decision
    if session.get_one(SiteRevisionRow, decision.site_revision_id).site_id != stored.site_id:
        return None
    return decision if session.get_one(NightRow, decision.night_id).ends <= now else None


def read_decision(session: Session, decision: DecisionRow) -> Decided:
    """The decision as values."""
    night = night_then(session, decision.night_id)
    return Decided(
        site=site_then(session, decision.site_revision_id).site,
        night=night,
        verdict=decided_verdict(session, decision, night),
        wishes=from_json(Wishes, decision.wishes),
        made_at=decision.as_of,
        as_of=decision.confirmed_at,
        forecast_ids=tuple(decision.forecast_ids),
    )


def decided_verdict(session: Session, decision: DecisionRow, night: Night) -> Verdict:
    """The verdict as it was stored, with its window of that night and the outlook over it."""
    usable = decided_span(decision)
    touching = [window for window in night.windows if usable is not None and window.span.overlap(usable)]
    window = next(iter(touching), None)
    outlook = None
    if window is not None and decision.outlook_ids:
        outlooks = outlooks_by_id(session, decision.outlook_ids).values()
        outlook = next((each for each in outlooks if each.window.overlap(window.span)), None)
    word = VerdictWord(decision.verdict)
    return Verdict(word, decided_reasons(decision), window, outlook, usable, night)


def decided_span(decision: DecisionRow) -> Span | None:
    """The part of a window that the decision is about."""
    if decision.window_start is None or decision.window_end is None:
        return None
    return Span(decision.window_start, decision.window_end)


def decided_reasons(decision: DecisionRow) -> tuple[Reason, ...]:
    """Its reasons, the deciding one first."""
    return tuple(from_json(Reason, reason) for reason in decision.reasons)


def settled_moments(session: Session, sites: Iterable[StoredSite], now: datetime) -> dict[int, datetime]:
    """By site the moment as of which it is judged for whoever looks: the last half hour, or when its newest
    forecast came. So all who look within a while are told the same; with its own now each, two pages a minute
    apart told two chances."""
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
            forecasts=list(forecasts.get(place, {}).values()),
            correct=calibrations.correction(session, site_id, moments[site_id]),
            clear_share=climates.get(place, UNKNOWN_CLIMATE).clear_share,
            stations=judged_events.stations_now(session, stored[site_id], moments[site_id])
            if anybody
            else (),
        )
        for site_id, place in places.items()
    }


def inputs_then(
    session: Session, site: Site, forecasts: Iterable[Forecast], moment: datetime
) -> JudgingInputs:
    """What a verdict rested on at a past moment, uncorrected. A forecast may have been confirmed since: it is
    taken as it was known."""
    known = []
    for forecast in forecasts:
        fetched_at = forecast.source.fetched_at
        is_later = fetched_at is not None and fetched_at > moment
        then = replace(forecast.source, fetched_at=moment)
        known.append(replace(forecast, source=then) if is_later else forecast)
    return JudgingInputs(
        site=site,
        now=moment,
        forecasts=known,
        clear_share=climate_at(session, site, moment).clear_share,
        stations=judged_events.stations_now(session, site, moment),
    )


@dataclass(frozen=True, slots=True)
class Sending:
    """An alert on its way: the message that carried it, and every try. dropped: why it left the message."""

    alert: AlertRow
    message: MessageRow
    dropped: str | None
    attempts: tuple[AttemptRow, ...]

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
    night's windows; empty where nobody asked.
    """

    subscription: SubscriptionRow
    site: Site
    night: Night
    wishes: Wishes
    now: datetime
    decisions: Sequence[DecisionRow]
    outlooks: Mapping[int, Outlook]
    forecasts: Sequence[ForecastRow]
    rejected: Sequence[ForecastRow]
    sendings: Sequence[Sending]
    outcomes: Sequence[Outcome]
    reports: Sequence[PersonReport]
    cycles: int
    ran_before_leaving: bool | None
    kept_from: date | None = None
    darkness: Sequence[Phrase] = ()

    @property
    def last(self) -> DecisionRow:
        """The newest decision that is about the night itself and not about its being over."""
        live = [each for each in self.decisions if each.deciding_rule != "over"]
        return (live or list(self.decisions))[-1]

    def reasons_of(self, decision: DecisionRow) -> list[Reason]:
        """Its reasons as whoever is told may read them, the deciding one first; a note is its owner's."""
        reasons = list(decided_reasons(decision))
        is_own = self.subscription.person_id == self.subscription.site.owner_id
        return reasons if is_own else [without_note(each) for each in reasons]

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
    def outlook(self) -> Outlook | None:
        """The outlook that the last decision is about; None without one."""
        return self.outlook_of(self.last) if self.decisions else None

    def outlook_of(self, decision: DecisionRow) -> Outlook | None:
        """The outlook over the window that a decision is about."""
        own = [self.outlooks[number] for number in decision.outlook_ids if number in self.outlooks]
        return next((each for each in own if each.window.start == decision.window_start), None)


def open_case(
    session: Session,
    subscription: SubscriptionRow,
    name: date,
    now: datetime,
    open_ephemeris: Callable[[], Ephemeris],
) -> Case:
    """Everything the store has on the night of that name for that subscription, but for how dark it is.

    open_ephemeris: for a night that was never judged. BadInput for a date without a night there.
    """
    decisions = find_decisions(session, subscription.id, name)
    last = decisions[-1] if decisions else None
    if last is not None:
        site, night = site_then(session, last.site_revision_id).site, night_then(session, last.night_id)
        wishes = from_json(Wishes, last.wishes)
    else:
        site, wishes = (
            newest_revision(session, subscription.site_id).site,
            from_json(Wishes, subscription.wishes),
        )
        night = night_named(site, name, wishes.sky, open_ephemeris())
    ahead = timedelta(days=wishes.days_ahead)
    ran_before_leaving = None
    if last is not None and last.leave_by is not None and last.verdict != VerdictWord.STAY:
        ran_before_leaving = bool(cycles_between(session, last.leave_by - HALF_A_DAY, last.leave_by))
    return Case(
        subscription=subscription,
        site=site,
        night=night,
        wishes=wishes,
        now=now,
        decisions=decisions,
        outlooks=outlooks_by_id(session, {number for each in decisions for number in each.outlook_ids}),
        forecasts=answers_named(session, last.forecast_ids) if last is not None else [],
        rejected=rejected_since(  # failures of whole feeds included
            session, [place_key(site), EVERYWHERE], night.span.start - ahead, min(now, night.span.end)
        ),
        sendings=[
            Sending(each.alert, each.message, each.dropped, tuple(find_attempts(session, each.message.id)))
            for each in alerts_of_night(session, subscription.id, name)
        ],
        outcomes=judged_events.outcomes_of_night(session, subscription.site_id, name),
        reports=judged_events.find_person_reports(session, subscription.site_id, name),
        cycles=len(cycles_between(session, night.span.start - ahead - timedelta(days=1), night.span.end)),
        ran_before_leaving=ran_before_leaving,
        kept_from=first_night_kept(session, subscription.id),
    )


def tell_darkness(session: Session, case: Case, ephemeris: Ephemeris) -> Case:
    """The same case with how dark the sky is in each of the night's windows."""
    last = case.decisions[-1] if case.decisions else None
    verdict = decided_verdict(session, last, case.night) if last is not None else None
    skies = window_skies(case.site, case.night, ephemeris, verdict)
    windows = zip(case.night.windows, skies, strict=True)
    return replace(
        case, darkness=[darkness(window, sky, case.site, case.night.wishes).text for window, sky in windows]
    )
