"""Random days through the real stages and a real store: weather, pauses, edits, jumps, failing receivers.

A smaller sister of tests/unit/alerts/notifying/test_reviewed_weeks.py: what people got is read off the
payloads that a line took, and what is owed off the rows.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from sqlalchemy import select

from alerts.common.clock_times import ClockSpan, zone_info
from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.forecast import Place
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.app import Duskbell
from service.channels.model import ChannelError, ContentForm, Outgoing, SendResult
from service.delivery import dispatcher
from service.demo.play import FLAT, RIDGE, SATURDAY, ZONE, InventedSky, Turn
from service.feeds.shared.model import FeedFailure, Gathered
from service.pipeline import sky_stage
from service.pipeline.run_cycle import think
from service.settings import Settings
from service.store.json_values import from_json
from service.store.maintenance.invariants import find_broken
from service.store.repositories import people, subscriptions
from service.store.repositories.messages import Status
from service.store.repositories.sites import add_site, revise_site
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.conftest import CopyStore, NewStore

SITES = (FLAT, RIDGE)
MOST_DAYS = 5
CALLS = ("go", "changed")
HALF_HOUR, HOUR = timedelta(minutes=30), timedelta(hours=1)
MORNING = datetime(2027, 7, 3, 7, 7, tzinfo=UTC)
WALL = HorizonLine(tuple(float(each) for each in range(0, 360, 10)), (60.0,) * 36)
SLEEPER = replace(
    DEFAULT_WISHES,
    days_ahead=1,
    signal_lost_before=HALF_HOUR,
    quiet=ClockSpan(time(19, 30), time(21)),
)
"""Quiet in the evening, when the go is due and when one leaves."""
WAKEFUL = replace(DEFAULT_WISHES, days_ahead=1, quiet=None, notice=timedelta(hours=6))


@dataclass
class Skies:
    """Cloud and wind by site; the feeds may be down."""

    cloud_pct: dict[str, float] = field(default_factory=lambda: {site.name: 1.0 for site in SITES})
    wind_ms: float = 3.0
    is_down: bool = False

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        if self.is_down:
            return Gathered(failures=(FeedFailure("invented", "", kept("the invented feed is down.")),))
        since = MORNING - timedelta(days=30)
        script = {
            place: [Turn(since, SATURDAY, self.cloud_pct[_nearest(place).name], self.wind_ms)]
            for place in places
        }
        return InventedSky(script).gather(places, hours)


def _nearest(place: Place) -> Site:
    return min(SITES, key=lambda site: abs(site.lat_deg - place.lat_deg))


@dataclass
class Line:
    """A channel that takes what comes, or fails as it is told. taken: target, site, night, kind and id."""

    form: ContentForm = ContentForm.PAYLOAD
    kind: str = "webhook"
    answers: str = "takes"
    taken: list[tuple[str, str, str, str, str]] = field(default_factory=list)

    def destination(self, address: str) -> str:
        return address

    def check_address(self, address: str) -> str:
        return address

    def send(self, outgoing: Outgoing) -> SendResult:
        if self.answers == "is busy":
            raise ChannelError("503", "later")
        if self.answers == "refuses":
            raise ChannelError("403", "no", permanent=True)
        data: Any = (outgoing.payload or {})["data"]
        for alert in data.get("alerts", ()):  # a notice carries none
            self.taken.append(
                (outgoing.address, alert["site"]["name"], alert["night"], alert["kind"], outgoing.message_id)
            )
        if self.answers == "takes and hangs":
            raise ChannelError("timeout", "no answer", maybe_sent=True)
        return SendResult("204")


def _settle(folder: Path, url: str, ephemeris: Ephemeris) -> None:
    """A store with two sites, one who follows both and one who follows one, and the nights worked out."""
    duskbell = _open(folder, url)
    with duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=ZONE, now=MORNING)
        rows = [add_site(session, owner, site, elevation_known=True, now=MORNING) for site in SITES]
        for target, wishes, mine in (("both", SLEEPER, rows), ("one", WAKEFUL, rows[:1])):
            address = people.add_address(session, owner, "webhook", target, secrets=[], now=MORNING)
            for row in mine:
                subscriptions.subscribe(session, address, row, wishes, now=MORNING)
    sky_stage.run(duskbell.sessions, ephemeris, MORNING)
    duskbell.engine.dispose()


def _open(folder: Path, url: str) -> Duskbell:
    chosen = Settings(data_dir=folder, database_url=url, contact="test@example.org")
    return Duskbell(chosen)


class Days(RuleBasedStateMachine):
    """Cycles through what may happen on one day and the next; all is checked after each."""

    def __init__(self, folder: Path, url: str, ephemeris: Ephemeris) -> None:
        super().__init__()
        self.skies, self.line, self.now = Skies(), Line(), MORNING
        self.duskbell = _open(folder, url)
        self.duskbell.__dict__.update(ephemeris=ephemeris, channels={"webhook": self.line})
        self.duskbell.invented_weather = self.skies.gather
        self.duskbell.clock = lambda: self.now

    @initialize(hours=st.sampled_from([9, 10, 11, 5, 0]))
    def begin(self, hours: int) -> None:
        self.now = MORNING + hours * HOUR
        self.cycles(1, "takes")

    @rule(
        name=st.sampled_from([site.name for site in SITES]),
        cloud_pct=st.sampled_from([1.0, 90.0, 45.0]),
        wind_ms=st.sampled_from([3.0, 3.0, 14.0]),
        is_down=st.sampled_from([False, False, False, True]),
        answers=st.sampled_from(["takes", "takes", "is busy", "refuses", "takes and hangs"]),
    )
    def the_forecast_turns(
        self, name: str, cloud_pct: float, wind_ms: float, is_down: bool, answers: str
    ) -> None:
        self.skies.cloud_pct[name], self.skies.wind_ms, self.skies.is_down = cloud_pct, wind_ms, is_down
        self.now += HALF_HOUR  # so that the place is due to be asked about again
        self.cycles(1, answers)

    @rule(count=st.integers(1, 3), answers=st.sampled_from(["takes", "takes", "is busy", "takes and hangs"]))
    def cycles(self, count: int, answers: str) -> None:
        self.line.answers = answers
        for _ in range(count):
            self.now += HALF_HOUR
            think(self.duskbell, self.now)
            self.check_what_is_owed()
            self.send()

    @rule(minutes=st.sampled_from([1, 20, 90]))
    def the_sender_tries_again(self, minutes: int) -> None:
        self.line.answers = "takes"
        self.now += timedelta(minutes=minutes)
        self.send()

    @rule(hours=st.sampled_from([-1, 2, 9]))
    def the_clock_jumps(self, hours: int) -> None:
        self.now += hours * HOUR

    @rule(number=st.integers(0, 2), is_paused=st.booleans())
    def somebody_pauses_or_resumes(self, number: int, is_paused: bool) -> None:
        with self.duskbell.sessions.begin() as session:
            subscription = subscriptions.running_subscriptions(session)[number]
            if is_paused:
                subscriptions.pause_subscription(session, subscription, self.now + timedelta(days=9))
            else:
                subscriptions.resume_subscription(session, subscription)

    @rule(number=st.sampled_from([0, 1]), edit=st.sampled_from(["east", "walled", "as before"]))
    def a_site_is_edited(self, number: int, edit: str) -> None:
        site = SITES[number]
        made = {"east": replace(site, lon_deg=site.lon_deg + 9), "walled": replace(site, horizon=WALL)}
        with self.duskbell.sessions.begin() as session:
            row = session.scalars(select(SiteRow).order_by(SiteRow.id)).all()[number]
            revise_site(session, row, made.get(edit, site), elevation_known=True, now=self.now)

    def send(self) -> None:
        before = len(self.line.taken)
        dispatcher.run(self.duskbell.delivery, self.now)
        with self.duskbell.sessions() as session:
            assert find_broken(session, now=self.now, wall=self.now) == []
            self.check_what_came(session, self.line.taken[before:])

    def check_what_came(self, session: Any, fresh: Sequence[tuple[str, str, str, str, str]]) -> None:
        """In time, in waking hours, and taken back only where something was called."""
        for message_id in {each[-1] for each in fresh}:
            said = {(night, kind) for *_, night, kind, of in fresh if of == message_id}
            alerts = [
                alert
                for alert in session.scalars(_alerts_of(message_id))
                if (alert.night_name.isoformat(), alert.kind) in said
            ]
            assert all(alert.expires_at > self.now for alert in alerts), "past its use"
            assert not alerts or not all(self._could_wait(alert, session) for alert in alerts), (
                "in quiet hours"
            )
        out: set[tuple[str, str, str]] = set()
        for target, site, night, kind, _ in self.line.taken:
            if kind in CALLS:
                out.add((target, site, night))
            assert kind != "stand_down" or (target, site, night) in out, "taken back what was never called"

    def _could_wait(self, alert: AlertRow, session: Any) -> bool:
        wishes = _wishes_of(session, alert)
        quiet = wishes.quiet.around(self.now, zone_info(ZONE)) if wishes.quiet else None
        if quiet is None or alert.kind == "stand_down":
            return False
        leave_by = alert.facts.get("leave_by")
        return alert.kind == "heads_up" or leave_by is None or datetime.fromisoformat(leave_by) >= quiet.end

    def check_what_is_owed(self) -> None:
        """Nobody stays called out on a night that the newest decision knows to be bad."""
        with self.duskbell.sessions() as session:
            for (subscription_id, night_name), alert in _still_called(session).items():
                window = alert.facts["window"]
                if window is None or datetime.fromisoformat(window["end"]) <= self.now:
                    continue
                newest = session.scalars(
                    select(DecisionRow)
                    .where(
                        DecisionRow.subscription_id == subscription_id,
                        DecisionRow.night_name == night_name,
                    )
                    .order_by(DecisionRow.id.desc())
                ).first()
                assert newest is not None
                limit_pct = _wishes_of(session, alert).chance_back_pct
                is_bad = newest.verdict == "stay" and newest.deciding_rule not in ("over", "chance")
                is_bad = is_bad or (newest.chance_pct is not None and newest.chance_pct + 5 <= limit_pct)
                assert not is_bad, (
                    f"silence: {newest.verdict} by {newest.deciding_rule}, {newest.chance_pct} %"
                )

    def teardown(self) -> None:
        with suppress(AttributeError):
            self.duskbell.engine.dispose()


def _alerts_of(message_id: str) -> Any:
    return (
        select(AlertRow)
        .join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
        .where(MessageAlertRow.message_id == message_id, MessageAlertRow.dropped.is_(None))
    )


def _wishes_of(session: Any, alert: AlertRow) -> Wishes:
    return from_json(Wishes, session.get_one(SubscriptionRow, alert.subscription_id).wishes)


def _still_called(session: Any) -> dict[tuple[int, Any], AlertRow]:
    """By subscription and night the last call that may have arrived and that nothing takes back."""
    rows = session.execute(
        select(AlertRow, MessageRow.status, MessageRow.maybe_sent)
        .join(MessageAlertRow, MessageAlertRow.alert_id == AlertRow.id)
        .join(MessageRow, MessageRow.id == MessageAlertRow.message_id)
        .where(MessageAlertRow.dropped.is_(None))
        .order_by(AlertRow.id)
    )
    out: dict[tuple[int, Any], AlertRow] = {}
    for alert, status, maybe_sent in rows:
        key = (alert.subscription_id, alert.night_name)
        arrived = maybe_sent or status == Status.SENT
        if alert.kind in CALLS and arrived and alert.why != "unsettled":
            out[key] = alert
        elif alert.kind == "stand_down" and (arrived or status in (Status.DUE, Status.RETRY, Status.SENDING)):
            out.pop(key, None)
    return out


def test_over_random_days_the_whole_service_keeps_its_word(
    tmp_path: Path, new_store: NewStore, copy_store: CopyStore
) -> None:
    ephemeris, settled = Ephemeris.open(), new_store(tmp_path)
    _settle(tmp_path, settled, ephemeris)
    numbers = itertools.count()

    def begin() -> Days:
        folder = tmp_path / str(next(numbers))
        folder.mkdir()
        return Days(folder, copy_store(settled, folder), ephemeris)

    run_state_machine_as_test(
        begin,  # type: ignore[arg-type]  # any maker of one will do
        settings=settings(
            max_examples=MOST_DAYS,
            stateful_step_count=12,
            deadline=None,
            phases=[Phase.generate],  # a day costs a second: whoever breaks one shrinks it by hand
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        ),
    )
