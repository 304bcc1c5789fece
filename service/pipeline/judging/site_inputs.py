"""What one run of the judging has read and worked out, shared by all who ask the same.

Sites are read some hundred at a time, with their nights and forecasts.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from alerts.common.plain_values import value
from alerts.judging.assess import AskedOutlooks, Assessment, JudgingInputs, Memo, WindowOutlook, answer, ask
from alerts.judging.rules import Result
from alerts.judging.verdict import Verdict
from alerts.notifying.next_review import verdict_may_change
from alerts.track.calibration.correct import calibrated_outlook, moves_at
from alerts.track.calibration.model import Calibration
from alerts.track.record.climatology import UNKNOWN_CLIMATE, Climate
from alerts.weather.forecast import Forecast
from service.store.engine import in_chunks
from service.store.repositories import judged_events
from service.store.repositories.climates import find_climates
from service.store.repositories.due_reviews import ParsedWishes
from service.store.repositories.forecasts import newest_by_place, place_key
from service.store.repositories.nights import StoredNight, coming_nights
from service.store.repositories.sites import StoredSite, newest_revisions

CHANCE_STEP_PCT = 5
"""A chance that moves by less is no news: 37 % and 38 % share a fingerprint, and a decision is only written
when its fingerprint or its word changes."""
TONIGHT = timedelta(hours=24)
"""Nights that end within it are judged on what stations report now, too."""


@value(frozen=True, slots=True)
class NightVerdict:
    """The verdict on one night for all who ask the same of it. outlooks: each with the number of its stored
    night. may_change_at: see alerts/notifying/next_review.py."""

    verdict: Verdict
    night: StoredNight
    outlooks: tuple[tuple[int, WindowOutlook], ...]
    may_change_at: datetime
    fingerprint: str


def months_read(now: datetime) -> list[int]:
    """The months whose nights a place's usual share rests on: those of last night and of all that a forecast
    reaches, with the one before and the one after."""
    return sorted({(now.month + by - 1) % 12 + 1 for by in (-2, -1, 0, 1, 2)})


def fingerprint(verdict: Verdict) -> str:
    """What matters of a verdict to a person, rounded; the same text means no news."""
    span, chance = verdict.usable, verdict.chance_pct
    stepped = "-" if chance is None else str(CHANCE_STEP_PCT * round(chance / CHANCE_STEP_PCT))
    times = "-"
    if span is not None:
        times = "-".join(f"{at.day:02}{at.hour:02}{at.minute:02}" for at in (span.start, span.end))
    failing = ",".join(reason.rule for reason in verdict.reasons if reason.result is Result.FAIL)
    return f"{verdict.word}|{verdict.deciding.rule}|{stepped}|{times}|{failing}"[:190]


@value(frozen=True, slots=True)
class NightQuestion:
    """What is asked of one night at a site. stored: the night as each target makes it."""

    site: SiteInputs
    stored: list[StoredNight]
    question: AskedOutlooks


@dataclass(slots=True)
class SiteInputs:
    """A site with its coming nights by sky, all that verdicts there rest on, and the verdicts so far."""

    stored: StoredSite
    calibration: Calibration
    inputs: JudgingInputs
    nights: dict[str, dict[date, StoredNight]] = field(default_factory=dict)
    forecast_ids: list[int] = field(default_factory=list)
    memo: Memo = field(default_factory=Memo)
    judged: dict[Assessment, NightVerdict] = field(default_factory=dict)

    def ask(self, name: date, known: ParsedWishes) -> NightQuestion:
        """What is asked of the night of that name."""
        stored = [self.nights[key][name] for key, _ in known.skies if name in self.nights.get(key, {})]
        nights, wishes = [each.night for each in stored], known.wishes
        return NightQuestion(self, stored, ask(self.inputs, nights, wishes, self.memo))

    def judge(self, asked: NightQuestion) -> NightVerdict:
        """The verdict on it."""
        stored, question = asked.stored, asked.question
        found = answer(self.inputs, question, self.memo)
        judged = self.judged.get(found)
        if judged is None:
            until, now = (
                verdict_may_change(self.inputs, found, question.nights, question.wishes),
                self.inputs.now,
            )
            for one in found.outlooks:
                site_id = self.stored.site_id
                until = moves_at(one.outlook, self.calibration, site=site_id, now=now, until=until)
            judged = self.judged[found] = NightVerdict(
                found.verdict,
                next(each for each in stored if each.night is found.verdict.night),
                tuple((stored[one.rank].night_id, one) for one in found.outlooks),
                until,
                fingerprint(found.verdict),
            )
        return judged


def read_sites(
    session: Session, site_ids: set[int], now: datetime, calibration: Calibration
) -> dict[int, SiteInputs]:
    """These sites with their coming nights and the weather there."""
    sites = newest_revisions(session, site_ids)
    nights = coming_nights(session, [each.revision_id for each in sites.values()], now)
    places = {site_id: place_key(stored.site) for site_id, stored in sites.items()}
    forecasts: dict[str, dict[int, Forecast]] = {}
    climates: dict[str, Climate] = {}
    for some in in_chunks(sorted(set(places.values()))):
        forecasts |= newest_by_place(session, set(some), now)
        climates |= find_climates(session, some, now, months_read(now))

    # stations are read where a night is near, if anybody was heard at all
    near = {
        site_id
        for site_id, stored in sites.items()
        for some in nights.get(stored.revision_id, {}).values()
        for night in some.values()
        if night.last_window_end is not None and night.last_window_end <= now + TONIGHT
    }
    if near and not judged_events.is_anybody_heard(session, now):
        near = set()
    found = {}
    for site_id, stored in sites.items():
        known, site = forecasts.get(places[site_id], {}), stored.site
        inputs = JudgingInputs(
            site=site,
            now=now,
            forecasts=list(known.values()),
            correct=partial(calibrated_outlook, calibration=calibration, site=site_id, now=now),
            clear_share=climates.get(places[site_id], UNKNOWN_CLIMATE).clear_share,
            stations=judged_events.stations_now(session, site, now) if site_id in near else (),
        )
        by_sky = nights.get(stored.revision_id, {})
        found[site_id] = SiteInputs(stored, calibration, inputs, by_sky, list(known))
    return found
