"""Random weeks of weather, site edits, pauses, late cycles, clock jumps and messages that fare as they may.

The rules alone, without a store: the machine looks at two nights, raises what they call for, and sends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from alerts.common.clock_times import DAY, ClockSpan
from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan
from alerts.judging.verdict import Verdict, VerdictWord, trip_to
from alerts.notifying.limits import MOST_TOLD, is_first_word, quiet_until, still_stands
from alerts.notifying.model import (
    AlertKind,
    AlertLevel,
    NotificationDecision,
    NotificationInput,
    PastAlert,
    Why,
    held_since,
)
from alerts.notifying.policy import MUST_BE_SAID, answer, build_seen
from alerts.sky.night import Night
from alerts.weather.outlook import HazardLevel
from alerts.wishes.model import Wishes
from tests.unit.alerts.judging.values import (
    EVENING,
    MINUTE,
    NOON,
    SITE,
    WINDOW,
    hazards,
    judge,
    night,
    outlook,
)
from tests.unit.alerts.notifying.phone import CALLS, Fate, Phone, Post

CYCLE = timedelta(minutes=30)
NIGHTS = (EVENING, EVENING + DAY)
QUIET = (None, ClockSpan(time(22), time(7)), ClockSpan(time(17), time(20)), ClockSpan(time(0), time(9)))
CLOCK = SITE.tz


@dataclass(frozen=True, slots=True)
class Sky:
    """What is known of a night: its window, or none, and the weather over it."""

    window: Span | None
    chance_pct: int | None = 82
    lineages: int = 2
    thunder: bool = False

    def night(self, name: date) -> Night:
        made = night(*([self.window] if self.window else []), name=name)
        return replace(made, span=Span(made.span.start + (name - EVENING), made.span.end + (name - EVENING)))

    def verdict(self, name: date, wishes: Wishes, now: datetime) -> Verdict:
        made = self.night(name)
        if self.window is None:
            return judge(made, [], wishes, now=now, site=SITE)
        names = ("ecmwf", "icon")[: self.lineages] if self.chance_pct is not None else ()
        level = HazardLevel.FAIL if self.thunder else HazardLevel.FINE
        view = outlook(self.chance_pct, self.window, lineages=names, hazards=hazards(thunder=(level, 60.0)))
        return judge(made, [view], wishes, now=now, site=SITE)


minutes = st.integers(-40, 40).map(lambda each: each * MINUTE)
skies = st.builds(
    Sky,
    window=st.none(),
    chance_pct=st.one_of(st.sampled_from([82, 90, 76, 71, 69, 55, 45]), st.integers(0, 100), st.none()),
    lineages=st.sampled_from([2, 2, 2, 1]),
    thunder=st.sampled_from([False, False, False, False, True]),
)
people = st.builds(
    Wishes,
    quiet=st.sampled_from(QUIET),
    notice=st.sampled_from([0, 1, 2, 6, 14]).map(lambda hours: timedelta(hours=hours)),
    drive=st.sampled_from([20, 90, 200]).map(lambda each: each * MINUTE),
    shortest_window=st.sampled_from([30, 90]).map(lambda each: each * MINUTE),
    signal_lost_before=st.sampled_from([None, 30 * MINUTE]),
    most_a_week=st.sampled_from([None, None, 2]),
    days_ahead=st.sampled_from([5, 1]),
)
fates = st.sampled_from([Fate.SENT, Fate.SENT, Fate.SENT, Fate.WAITS, None, Fate.FAILED])


class Weeks(RuleBasedStateMachine):
    """Looks and sends as the service does, and holds every look against what a person would say."""

    @initialize(
        wishes=people, start=st.sampled_from([78, 76, 79, 74, 72, 66, 48]), back=st.sampled_from([0, 4, 8])
    )
    def begin(self, wishes: Wishes, start: int, back: int) -> None:
        """Up to three days before; windows in the evening, or before dawn of the next morning."""
        self.wishes = wishes
        self.now = NOON - 3 * DAY + timedelta(hours=start)
        later = timedelta(hours=back)
        self.usual = {
            name: Span(WINDOW.start + (name - EVENING) + later, WINDOW.end + (name - EVENING) + later)
            for name in NIGHTS
        }
        self.skies = {name: Sky(window) for name, window in self.usual.items()}
        self.phone = Phone()
        self.stood: dict[date, tuple[AlertLevel, datetime]] = {}
        self.verdicts: dict[date, Verdict] = {}
        self.is_paused = False

    # what happens in the world

    @rule(name=st.sampled_from(NIGHTS), sky=skies, looks=st.integers(0, 6), fate=fates)
    def the_forecast_turns(self, name: date, sky: Sky, looks: int, fate: Fate | None) -> None:
        self.skies[name] = replace(sky, window=self.skies[name].window)
        self.cycles_run(0, looks, fate)

    @rule(
        name=st.sampled_from(NIGHTS), start=minutes, end=minutes, gone=st.sampled_from([False] * 9 + [True])
    )
    def the_site_is_edited(self, name: date, start: timedelta, end: timedelta, gone: bool) -> None:
        usual = self.usual[name]
        window = None if gone else Span(usual.start + start, usual.end + end)
        self.skies[name] = replace(self.skies[name], window=window)

    @rule(drive=st.sampled_from([20, 60, 90, 200]))
    def the_drive_is_changed(self, drive: int) -> None:
        self.wishes = replace(self.wishes, drive=drive * MINUTE)

    @rule(is_paused=st.sampled_from([False, False, True]))
    def alerts_are_paused_or_resumed(self, is_paused: bool) -> None:
        self.is_paused = is_paused

    @rule(hours=st.sampled_from([3, 1, -1, 9, 20]))
    def the_clock_jumps(self, hours: int) -> None:
        self.now += timedelta(hours=hours)

    # what the service does

    @rule(late=st.sampled_from([0, 0, 0, 4, 17]), looks=st.integers(1, 8), fate=fates)
    def cycles_run(self, late: int, looks: int, fate: Fate | None) -> None:
        for _ in range(looks):
            self.now += CYCLE + late * MINUTE
            for name in NIGHTS:
                self.look(name)
            self.send(fate)

    @rule(wait=st.sampled_from([1, 20, 200]))
    def the_sender_tries_again(self, wait: int) -> None:
        self.now += wait * MINUTE
        self.send(Fate.SENT)

    def look(self, name: date) -> None:
        verdict = self.skies[name].verdict(name, self.wishes, self.now)
        plan = trip_to(verdict, self.wishes, SITE)
        seen = build_seen(verdict, name, self.now, SITE.tz)
        since = held_since(self.stood.get(name), seen.rung, self.now)
        look = NotificationInput(
            self.phone.live(name), replace(seen, held_since=since), self.now, CYCLE, self.wishes, plan,
            CLOCK, self.phone.rang_this_week(self.now),
        )  # fmt: skip
        telling, _ = answer(look, self.phone.arrived(name))
        if self.is_paused and telling.kind is not AlertKind.STAND_DOWN:
            telling = replace(telling, kind=None)
        self.stood[name], self.verdicts[name] = (seen.rung, since), verdict
        self.check_before(name, look, telling)
        if telling.kind is not None:
            self.raise_alert(name, telling, plan)
            self.check_it_is_said_once(name, look, telling)
        self.check_after(name, look)
        self.check_last_word(name, look)

    def raise_alert(self, name: date, telling: NotificationDecision, plan: FieldPlan | None) -> None:
        assert telling.kind is not None
        told = PastAlert(
            telling.kind,
            self.now,
            self.verdicts[name].chance_pct,
            plan.window if plan else None,
            plan.leave_by if plan else None,
            self.phone.next_occurrence(name, telling.kind),
            telling.why,
            telling.is_last_word,
        )
        self.phone.posts.append(Post(name, told, telling, plan))

    def send(self, fate: Fate | None) -> None:
        """Look at what waits as the sender does; `fate` for what it sends, None for an end in doubt."""
        for post in self.phone.waiting:
            verdict, leave_by = self.verdicts[post.night], post.told.leave_by
            is_first = is_first_word(post.told.kind, post.told.occurrence)
            stands = still_stands(
                post.told.kind, verdict.word, verdict.chance_pct, self.wishes, is_first=is_first
            )
            is_muted = self.is_paused and post.told.kind is not AlertKind.STAND_DOWN
            if post.expires_at <= self.now:
                post.fate = Fate.EXPIRED
            elif not stands or is_muted:
                post.fate = Fate.SUPERSEDED
            elif (
                quiet_until(post.told.kind, now=self.now, leave_by=leave_by, wishes=self.wishes, clock=CLOCK)
                is None
            ):
                self.check_ringing(post)
                post.fate = fate or Fate.WAITS
                post.maybe = post.maybe or fate is None

    # what a person would hold against it

    def check_before(self, name: date, look: NotificationInput, telling: NotificationDecision) -> None:
        """What is said is owed, in time, and not too much; what is owed is said."""
        now, kind = self.now, telling.kind
        if kind is None:
            assert not self.is_owed_a_go(name, look), f"a good night passed over: {telling}"
            return
        assert telling.expires_at is not None
        assert telling.expires_at > now, "for the past"
        assert look.plan is None or kind is AlertKind.STAND_DOWN or now < look.plan.window.end, "for the past"
        if kind is AlertKind.STAND_DOWN:
            assert self.phone.called_out(name) is not None, "a stand-down without a go"
        if kind is AlertKind.GO and telling.why is not Why.LAST_WORD:
            assert look.plan is not None
            assert now < look.plan.latest_departure, "a go that can't be reached"
        if self.is_quiet() and telling.why not in MUST_BE_SAID:
            standing = self.phone.live(name)[-1] if self.phone.live(name) else None
            assert kind is AlertKind.CHANGED, "it rang in quiet hours"
            assert standing is not None
            assert standing.leave_by is not None
            assert standing.leave_by <= now, "it rang for who sleeps"
        if kind is AlertKind.HEADS_UP:
            assert not self.phone.live(name), "a heads-up after something else"

    def check_it_is_said_once(
        self, name: date, look: NotificationInput, telling: NotificationDecision
    ) -> None:
        told, rang = self.phone.live(name), self.phone.rang_this_week(self.now)
        again, _ = answer(replace(look, told=told, told_this_week=rang), self.phone.arrived(name))
        assert again.kind is not telling.kind, f"said, and said again at once: {again}"

    def check_after(self, name: date, look: NotificationInput) -> None:
        out, sky = self.phone.called_out(name), self.skies[name]
        if out is None or out.window is None or out.window.end <= self.now:
            return
        is_bad = (
            sky.window is None or sky.thunder or (sky.chance_pct or 100) + 5 <= self.wishes.chance_back_pct
        )
        is_bad = is_bad or sky.chance_pct == 0
        assert not is_bad, "silence when a told night turned bad"

    def is_owed_a_go(self, name: date, look: NotificationInput) -> bool:
        """Surely good, on the day, asked for by now, reachable, and nothing stands against a word."""
        plan, verdict, live = look.plan, self.verdicts[name], self.phone.live(name)
        if plan is None or verdict.word is not VerdictWord.GO or self.is_paused or self.is_quiet():
            return False
        called = [told for told in live if told.kind in CALLS and told.why is not Why.UNSETTLED]
        taken_back = [told for told in live if told.kind is AlertKind.STAND_DOWN]
        if called and not (taken_back and taken_back[-1].at >= called[-1].at):
            return False
        enough = self.wishes.most_a_week is not None and look.told_this_week >= self.wishes.most_a_week
        if enough or (called and self.phone.counted(name) >= MOST_TOLD):
            return False
        sure = (verdict.chance_pct or 0) >= self.wishes.chance_go_pct + 5
        return sure and self.due_from(plan) <= self.now < plan.latest_departure

    def due_from(self, plan: FieldPlan) -> datetime:
        """At the notice asked for, or with half an hour in hand before the quiet hours that it falls into."""
        wanted = plan.leave_by - self.wishes.notice
        quiet = self.wishes.quiet.around(wanted, CLOCK) if self.wishes.quiet else None
        return wanted if quiet is None else quiet.start - CYCLE

    def check_last_word(self, name: date, look: NotificationInput) -> None:
        """Before the phone goes silent each call is confirmed or taken back."""
        live, plan = self.phone.live(name), look.plan
        since = max((k for k, told in enumerate(live) if told.kind is AlertKind.STAND_DOWN), default=-1)
        chain = [told for told in live[since + 1 :] if told.kind in CALLS and told.why is not Why.UNSETTLED]
        if not chain or plan is None or plan.signal_lost_after is None or self.is_paused:
            return
        lost_at = max(chain[-1].leave_by or plan.leave_by, chain[0].at) + plan.signal_lost_after
        is_over = chain[-1].window is None or chain[-1].window.end <= self.now
        if not is_over and lost_at - CYCLE <= self.now < lost_at:
            assert any(told.is_last_word for told in chain), "the phone goes silent without a last word"

    def check_ringing(self, post: Post) -> None:
        assert self.now < post.expires_at, "sent past its use"
        verdict = self.verdicts[post.night]
        is_call = post.told.kind is not AlertKind.STAND_DOWN
        assert not is_call or verdict.word is not VerdictWord.STAY, "called out to a night known to be bad"
        if self.is_quiet() and post.told.kind is not AlertKind.STAND_DOWN:
            assert post.told.kind is not AlertKind.HEADS_UP, "a heads-up rang in quiet hours"
            span = self.wishes.quiet.around(self.now, CLOCK) if self.wishes.quiet else None
            assert span is not None
            assert post.told.leave_by is not None
            assert post.told.leave_by < span.end, "it could have waited for the morning"

    def is_quiet(self) -> bool:
        return self.wishes.quiet is not None and self.wishes.quiet.around(self.now, CLOCK) is not None

    @invariant()
    def nothing_is_told_twice(self) -> None:
        live = [post for post in self.phone.posts if post.is_live]
        keys = [(post.night, post.told.kind, post.telling.occurrence) for post in live]
        assert len(keys) == len(set(keys))

    @invariant()
    def nobody_hears_too_much_of_one_night(self) -> None:
        for name in NIGHTS:
            live = self.phone.live(name)
            assert self.phone.counted(name) <= MOST_TOLD
            assert sum(told.why is Why.UNSETTLED for told in live) <= 1
            assert sum(told.kind is AlertKind.HEADS_UP for told in live) <= 1


TestWeeks = Weeks.TestCase
TestWeeks.settings = settings(max_examples=80, stateful_step_count=30, deadline=None)
