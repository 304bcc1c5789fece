"""Stored decisions judged again on their stored inputs: by today's rules, or for other wishes.

Nothing is sent. Each decision keeps its site revision, its night, its wishes, its moment and its forecasts;
with the same rules and wishes the same verdict must come of them. Only moments at which something was
decided are judged again: with wishes that look further ahead there is nothing stored of the days before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from itertools import groupby

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.assess import view_night
from alerts.night import Night
from alerts.sky.ephemeris import Ephemeris
from alerts.verdict import Verdict, VerdictWord, weigh
from alerts.weather.record import Forecast
from alerts.wishes import Wishes
from service.replaying import as_known_at, night_of, nights_under, site_of
from service.store import tables
from service.store.codec import from_json
from service.store.packing import unpack
from service.store.people import sky_key
from service.store.sites import StoredSite

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Word:
    """A verdict in short: its word, the chance, and the rule that decided with its sentence."""

    verdict: str
    chance_pct: int | None
    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Rejudged:
    """One stored decision as it was, and as it would be; None where its forecasts were forgotten."""

    decision_id: int
    subscription_id: int
    site_name: str
    zone: str
    night: date
    as_of: datetime
    was: Word
    would_be: Word | None

    @property
    def is_same(self) -> bool:
        """Whether word, chance and deciding rule are the same."""
        new = self.would_be
        return new is not None and (self.was.verdict, self.was.chance_pct, self.was.rule) == (
            new.verdict,
            new.chance_pct,
            new.rule,
        )

    @property
    def is_other_word(self) -> bool:
        return self.would_be is not None and self.would_be.verdict != self.was.verdict


@dataclass(frozen=True, slots=True)
class RejudgedNight:
    """The decisions of one subscription on one night, oldest first."""

    subscription_id: int
    site_name: str
    night: date
    decisions: tuple[Rejudged, ...]

    @property
    def was_go(self) -> bool:
        return any(each.was.verdict == VerdictWord.GO for each in self.decisions)

    @property
    def would_be_go(self) -> bool:
        return any(each.would_be and each.would_be.verdict == VerdictWord.GO for each in self.decisions)

    @property
    def last_other(self) -> Rejudged | None:
        """The last of its decisions that would have had another word; None where none would."""
        return next((each for each in reversed(self.decisions) if each.is_other_word), None)


def rejudge(
    session: Session,
    ephemeris: Ephemeris,
    first: date,
    last: date,
    *,
    wishes: Wishes | None = None,
    site_id: int | None = None,
    progress: Progress = lambda _done, _total: None,
) -> tuple[RejudgedNight, ...]:
    """Judge the decisions on the nights from `first` to `last` again, by night, then subscription.

    wishes: in place of those they were made for; their clock stays the subscriber's. site_id: one site alone.
    """
    rows = _decisions(session, first, last, site_id)
    desk = _Desk(session, ephemeris)
    found = []
    for done, (decision, site_name) in enumerate(rows, start=1):
        found.append(desk.judge_again(decision, site_name, wishes))
        progress(done, len(rows))
    return tuple(_nights(found))


def _decisions(
    session: Session, first: date, last: date, site_id: int | None
) -> list[tuple[tables.Decision, str]]:
    query = (
        select(tables.Decision, tables.Site.name)
        .join(tables.Subscription, tables.Subscription.id == tables.Decision.subscription_id)
        .join(tables.Site, tables.Site.id == tables.Subscription.site_id)
        .where(tables.Decision.night_name.between(first, last))
        .order_by(tables.Decision.night_name, tables.Decision.subscription_id, tables.Decision.id)
    )
    if site_id is not None:
        query = query.where(tables.Subscription.site_id == site_id)
    return [(row[0], row[1]) for row in session.execute(query)]


def _nights(found: Sequence[Rejudged]) -> Iterator[RejudgedNight]:
    for (night, subscription_id), group in groupby(
        found, key=lambda each: (each.night, each.subscription_id)
    ):
        own = tuple(group)
        yield RejudgedNight(subscription_id, own[0].site_name, night, own)


@dataclass(slots=True)
class _Desk:
    """Inputs at hand, those of one night at a time, and verdicts that several subscriptions share."""

    session: Session
    ephemeris: Ephemeris
    _night: date | None = None
    _forecasts: dict[int, Forecast] = field(default_factory=dict)
    _verdicts: dict[object, Verdict] = field(default_factory=dict)

    def judge_again(self, decision: tables.Decision, site_name: str, other: Wishes | None) -> Rejudged:
        self._turn_to(decision.night_name)
        stored = site_of(self.session, decision.site_revision_id)
        would_be = self._again(decision, stored, other)
        return Rejudged(
            decision_id=decision.id,
            subscription_id=decision.subscription_id,
            site_name=site_name,
            zone=stored.site.zone,
            night=decision.night_name,
            as_of=decision.as_of,
            was=_word_of_row(decision),
            would_be=_word_of(would_be) if would_be is not None else None,
        )

    def _turn_to(self, night: date) -> None:
        if night != self._night:
            self._night = night
            self._forecasts.clear()
            self._verdicts.clear()

    def _again(self, decision: tables.Decision, stored: StoredSite, other: Wishes | None) -> Verdict | None:
        forecasts = self._read_forecasts(decision.forecast_ids)
        if forecasts is None:
            return None
        mine = from_json(Wishes, decision.wishes)
        wishes = mine if other is None else _on_clock_of(other, mine)
        key = (decision.night_id, decision.as_of, tuple(decision.forecast_ids), wishes)
        if key not in self._verdicts:
            nights = self._nights(decision, stored, wishes, is_own=other is None)
            known = [as_known_at(each, decision.as_of) for each in forecasts]
            self._verdicts[key] = _judge(stored, nights, known, wishes, decision.as_of)
        return self._verdicts[key]

    def _read_forecasts(self, ids: Sequence[int]) -> list[Forecast] | None:
        """The forecasts under these numbers, in their order; None where one is gone."""
        missing = set(ids) - self._forecasts.keys()
        query = select(tables.Forecast).where(tables.Forecast.id.in_(missing))
        for row in self.session.scalars(query) if missing else ():
            self._forecasts[row.id] = unpack(row)
        if not set(ids) <= self._forecasts.keys():
            return None
        return [self._forecasts[number] for number in ids]

    def _nights(
        self, decision: tables.Decision, stored: StoredSite, wishes: Wishes, *, is_own: bool
    ) -> list[Night]:
        """The night under the sky of each target: as it was stored, computed where other wishes ask."""
        if not is_own:
            return nights_under(stored.site, decision.night_name, wishes, self.ephemeris)
        keys = [sky_key(sky) for sky in wishes.skies]
        query = select(tables.Night.sky_key, tables.Night.id).where(
            tables.Night.site_revision_id == decision.site_revision_id,
            tables.Night.name == decision.night_name,
            tables.Night.sky_key.in_(keys),
        )
        by_key = {row[0]: row[1] for row in self.session.execute(query)}
        return [night_of(self.session, by_key[key]) for key in keys if key in by_key]


def _on_clock_of(other: Wishes, mine: Wishes) -> Wishes:
    return other if other.clock_zone else replace(other, clock_zone=mine.clock_zone)


def _judge(
    stored: StoredSite, nights: Sequence[Night], forecasts: Sequence[Forecast], wishes: Wishes, now: datetime
) -> Verdict:
    views = [view_night(stored.site, night, forecasts, wishes, now=now) for night in nights]
    return weigh(views, wishes.judged, now=now, site=stored.site)


def _word_of(verdict: Verdict) -> Word:
    deciding = verdict.deciding
    return Word(verdict.word.value, verdict.chance_pct, deciding.rule, deciding.text)


def _word_of_row(decision: tables.Decision) -> Word:
    text = decision.reasons[0]["text"] if decision.reasons else ""
    return Word(decision.verdict, decision.chance_pct, decision.deciding_rule, text)
