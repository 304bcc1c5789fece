"""Looking only when something can have changed says what looking every few minutes says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from functools import cached_property

from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.clock_times import ClockSpan
from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs, assess
from alerts.judging.verdict import VerdictWord, trip_to
from alerts.notifying.model import (
    AlertKind,
    AlertLevel,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    held_since,
)
from alerts.notifying.next_review import AT_MOST, next_night_start, verdict_may_change, word_may_change
from alerts.notifying.policy import build_seen, what_to_tell
from alerts.sky.night import Night
from alerts.weather.forecast import Forecast
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import (
    EVENING,
    HOUR,
    MINUTE,
    NOON,
    SITE,
    WINDOW,
    forecast,
    night,
    source,
)

CLOUDS = (0.0, 5.0, 20.0, 45.0, 90.0, None)


@dataclass(frozen=True)
class News:
    """A run of some models that comes in at `at`: cloud, wind and age as drawn."""

    at: datetime
    clouds: tuple[float | None, ...]
    wind_ms: float
    age: timedelta
    next_due: timedelta | None
    has_issue: bool

    @cached_property
    def forecasts(self) -> list[Forecast]:
        return [
            self._of(lineage, cloud) for lineage, cloud in zip(("ecmwf", "icon"), self.clouds, strict=False)
        ]

    def _of(self, lineage: str, cloud: float | None) -> Forecast:
        issued_at = self.at - self.age
        due = None if self.next_due is None else issued_at + self.next_due
        given = {
            "issued_at": issued_at if self.has_issue else None,
            "unchanged_since": issued_at,
            "fetched_at": self.at,
            "next_due_at": due,
        }
        made = source(lineage, "MET Norway" if lineage == "ecmwf" else "Open-Meteo", **given)
        return forecast([cloud] * 40, starts=NOON - 6 * HOUR, of=made, wind_ms=self.wind_ms)


news = st.builds(
    News,
    at=st.integers(-26 * 6, 14 * 6).map(lambda tens: NOON + tens * 10 * MINUTE),
    clouds=st.one_of(
        st.sampled_from(CLOUDS[:4]).map(lambda cloud: (cloud, cloud)),
        st.tuples(st.sampled_from(CLOUDS), st.sampled_from(CLOUDS)),
        st.sampled_from(CLOUDS).map(lambda cloud: (cloud,)),
    ),
    wind_ms=st.sampled_from([2.0, 2.0, 2.0, 13.0]),
    age=st.sampled_from([1, 3, 5, 11]).map(lambda hours: hours * HOUR),
    next_due=st.sampled_from([None, 3, 6]).map(lambda hours: hours and hours * HOUR),
    has_issue=st.sampled_from([True, True, True, False]),
)
nights = st.sampled_from(
    [
        night(WINDOW),
        night(Span(WINDOW.start + 4 * HOUR, WINDOW.end + 4 * HOUR)),
        night(WINDOW, Span(WINDOW.end + HOUR, WINDOW.end + 3 * HOUR)),
    ]
)
people = st.builds(
    Wishes,
    quiet=st.sampled_from([None, ClockSpan(time(22), time(7)), ClockSpan(time(17), time(20))]),
    notice=st.sampled_from([0, 2, 9]).map(lambda hours: hours * HOUR),
    drive=st.sampled_from([20, 90, 200]).map(lambda each: each * MINUTE),
    signal_lost_before=st.sampled_from([None, 30 * MINUTE]),
    chance_go_pct=st.sampled_from([60, 70]),
)


@dataclass
class Watcher:
    """Looks at a night now and then, and remembers what it told. may_wait: it heeds when to look again."""

    night: Night
    wishes: Wishes
    cycle: timedelta
    may_wait: bool
    told: list[PastAlert] = field(default_factory=list)
    said: list[tuple[datetime, AlertKind, str]] = field(default_factory=list)
    word: VerdictWord | None = None
    looks: int = 0
    stood: tuple[AlertLevel, datetime] | None = None
    again_at: datetime | None = None

    def pass_by(self, now: datetime, known: Sequence[Forecast], *, is_new: bool) -> None:
        if not self.may_wait or is_new or self.again_at is None or self.again_at <= now:
            self.look(now, known)

    def look(self, now: datetime, known: Sequence[Forecast]) -> None:
        self.looks += 1
        inputs = JudgingInputs(site=SITE, now=now, forecasts=known)
        found = assess(inputs, [self.night], self.wishes)
        verdict = found.verdict
        self.word = verdict.word
        plan = trip_to(verdict, self.wishes, SITE)
        seen = build_seen(verdict, EVENING, now, SITE.tz)
        self.stood = (seen.rung, held_since(self.stood, seen.rung, now))
        seen = replace(seen, held_since=self.stood[1])
        look = NotificationInput(tuple(self.told), seen, now, self.cycle, self.wishes, plan, SITE.tz, 0)
        telling = what_to_tell(look)
        until = verdict_may_change(inputs, found, [self.night], self.wishes)
        changes = [until, word_may_change(look, telling)]
        self.again_at = min([*changes, next_night_start(SITE, now), now + AT_MOST])
        if telling.kind is not None:
            self._tell(telling, telling.kind, look, verdict.chance_pct)

    def _tell(
        self, telling: NotificationDecision, kind: AlertKind, look: NotificationInput, chance_pct: int | None
    ) -> None:
        window, leave_by = (look.plan.window, look.plan.leave_by) if look.plan else (None, None)
        self.told.append(
            PastAlert(
                kind,
                look.now,
                chance_pct,
                window,
                leave_by,
                telling.occurrence,
                telling.why,
                telling.is_last_word,
            )
        )
        self.said.append((look.now, kind, telling.why.value))


@settings(deadline=None, max_examples=30)
@given(
    st.lists(news, min_size=1, max_size=5, unique_by=lambda each: each.at),
    nights,
    people,
    st.sampled_from([10, 30]),
)
def test_looking_when_due_says_the_same_as_looking_all_the_time(
    runs: list[News], watched: Night, wishes: Wishes, cycle_min: int
) -> None:
    cycle = cycle_min * MINUTE
    always, waiting = (Watcher(watched, wishes, cycle, may_wait) for may_wait in (False, True))
    runs = sorted(runs, key=lambda each: each.at)
    now, known = runs[0].at, list[Forecast]()
    while now < watched.windows[-1].span.end + HOUR:
        fresh = [each for each in runs if now - cycle < each.at <= now]
        known = fresh[-1].forecasts if fresh else known
        for watcher in (always, waiting):
            watcher.pass_by(now, known, is_new=bool(fresh))
        assert (waiting.word, waiting.said) == (always.word, always.said), f"as of {now}"
        now += cycle
    assert waiting.looks <= always.looks


def test_a_quiet_day_needs_few_looks() -> None:
    """Clear and calm from the day before on: looked at when a day, a run or a call comes, not each cycle."""
    first = News(NOON - 20 * HOUR, (0.0, 0.0), 2.0, HOUR, None, True)
    always, waiting = (Watcher(night(WINDOW), Wishes(), 30 * MINUTE, may_wait) for may_wait in (False, True))
    now = first.at
    while now < NOON:
        for watcher in (always, waiting):
            watcher.pass_by(now, first.forecasts, is_new=now == first.at)
        now += 30 * MINUTE
    assert waiting.said == always.said
    assert (waiting.looks, always.looks) == (6, 40)
