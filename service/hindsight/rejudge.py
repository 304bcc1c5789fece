"""Stored decisions judged again on their stored inputs: by today's rules, or for other wishes.

Nothing is sent. Each decision keeps its site revision, its night, its wishes, its moment and its forecasts;
with the same rules and wishes the same verdict must come of them. On the day of a night the cycles between
its decisions are judged too, to see what would have been told when. With wishes that look further ahead there
is nothing stored of the days before.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import groupby

from sqlalchemy.orm import Session

from alerts.common.phrases import from_row
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sky.ephemeris import Ephemeris
from alerts.wishes.model import Wishes
from service.hindsight.rejudge_inputs import Desk
from service.hindsight.replay_alerts import Moment, Ring, SubscriptionNight, tell_again
from service.store.repositories.alerts import alerts_between
from service.store.repositories.decisions import decisions_between
from service.store.schema import core_tables

Rings = Mapping[SubscriptionNight, list[Ring]]
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
    """The decisions of one subscription on one night, oldest first, and the alerts that came of them."""

    subscription_id: int
    site_name: str
    zone: str
    night: date
    decisions: tuple[Rejudged, ...]
    was_told: tuple[Ring, ...] = ()
    would_tell: tuple[Ring, ...] = ()

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

    @property
    def is_told_otherwise(self) -> bool:
        """Whether other alerts would have been raised, or at other times."""
        was = [(each.kind, each.at) for each in self.was_told]
        return was != [(each.kind, each.at) for each in self.would_tell]


def rejudge(
    session: Session,
    ephemeris: Ephemeris,
    first: date,
    last: date,
    *,
    wishes: Wishes | None = None,
    site_id: int | None = None,
    cycle: timedelta = timedelta(minutes=30),
    progress: Progress = lambda _done, _total: None,
) -> tuple[RejudgedNight, ...]:
    """Judge the decisions on the nights from `first` to `last` again, by night, then subscription.

    wishes: in place of those they were made for; their clock stays the subscriber's. site_id: one site alone.
    cycle: time between two runs.
    """
    rows = decisions_between(session, first, last, site_id)
    desk = Desk(session, ephemeris, wishes)
    found: list[tuple[RejudgedNight, list[Moment]]] = []
    done = 0
    for _, group in groupby(rows, key=lambda row: (row[0].night_name, row[0].subscription_id)):
        own = list(group)
        found.append(_night(desk, own))
        done += len(own)
        progress(done, len(rows))
    rings = tell_again((moment for _, moments in found for moment in moments), cycle)
    told = _told(session, first, last)
    return tuple(_with_rings(night, told, rings) for night, _ in found)


def _with_rings(night: RejudgedNight, told: Rings, rings: Rings) -> RejudgedNight:
    key = (night.subscription_id, night.night)
    return replace(night, was_told=tuple(told.get(key, ())), would_tell=tuple(rings.get(key, ())))


def _told(session: Session, first: date, last: date) -> Rings:
    """The alerts that were raised, by subscription and night, oldest first."""
    found: defaultdict[SubscriptionNight, list[Ring]] = defaultdict(list)
    for each in alerts_between(session, first, last):
        found[each.subscription_id, each.night_name].append(Ring(each.kind, each.raised_at, each.why))
    return found


def _night(
    desk: Desk, rows: Sequence[tuple[core_tables.Decision, str]]
) -> tuple[RejudgedNight, list[Moment]]:
    """One subscription's night: its decisions judged again, and the moments at which it would be told of."""
    again = [(decision, desk.judge_again(decision)) for decision, _ in rows]
    first, site_name = rows[0]
    zone = desk.site_of(first).site.zone
    decisions = tuple(
        Rejudged(
            each.id,
            each.subscription_id,
            site_name,
            zone,
            each.night_name,
            each.as_of,
            was=_word_of_row(each),
            would_be=_word_of(verdict) if verdict is not None else None,
        )
        for each, verdict in again
    )
    night = RejudgedNight(first.subscription_id, site_name, zone, first.night_name, decisions)
    return night, list(desk.moments(again))


def _word_of(verdict: Verdict) -> Word:
    deciding = verdict.deciding
    return Word(verdict.word.value, verdict.chance_pct, deciding.rule, str(deciding.text))


def _word_of_row(decision: core_tables.Decision) -> Word:
    text = str(from_row(decision.reasons[0]["text"])) if decision.reasons else ""
    return Word(decision.verdict, decision.chance_pct, decision.deciding_rule, text)
