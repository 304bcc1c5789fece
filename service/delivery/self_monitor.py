"""Somebody looks after the service itself: silence, a stopped mail relay, waiting messages.

What is wrong is told to the operator once, and once more when it is over, by a way that the trouble
doesn't touch: mail that doesn't leave is told of by webhook. The notice goes out directly, not through
the store, so that it also gets through when the store is what fails.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.phrases import say
from alerts.common.text import sentence
from service.accounts.notices.text import notice_payload, render_notice_mail, write_notice
from service.channels import host_state
from service.channels.model import Channel, ChannelError, ContentForm, Outgoing
from service.channels.retry_policy import FAILURES_TO_OPEN
from service.common.clock import lies_ahead
from service.settings import Settings
from service.store.engine import StoreError, patient, require_room, require_writable
from service.store.repositories import operator_alerts
from service.store.repositories.cycles import last_finished
from service.store.repositories.messages import NoticeKind, find_overdue

PERIODS_UNTIL_ILL = 2


class CycleSilence:
    """Counted from this process's start at the earliest. Safe for threads.

    Rows bear the wall clock's times, which say nothing of how long ago once it was set. So the rows say only
    that another cycle has finished; how long that is ago the steady clock counts from when it was seen.
    """

    def __init__(self, clock: Callable[[], datetime], steady: Callable[[], float]) -> None:
        self._clock, self._steady = clock, steady
        self._lock = threading.Lock()
        self._since_s = self._looked_s = steady()
        self._newest: tuple[int, datetime] | None = None

    def why_ill(self, session: Session, cycle_minutes: int) -> str:
        """What is wrong with the cycles, in a sentence; "" when nothing is."""
        last = last_finished(session)
        newest = (last.id, last.finished_at) if last is not None and last.finished_at is not None else None
        with self._lock:
            now_s = self._steady()
            if newest is not None and newest != self._newest:
                age_s = (self._clock() - newest[1]).total_seconds()
                self._since_s = now_s - min(max(age_s, 0.0), now_s - self._looked_s)
            self._newest, self._looked_s = newest, now_s
            lasts = timedelta(seconds=now_s - self._since_s)
        if lasts > PERIODS_UNTIL_ILL * timedelta(minutes=cycle_minutes):
            return say("delivery.lasting-cycle", minutes=round(lasts / timedelta(minutes=1)))
        now = self._clock()
        if newest is not None and lies_ahead(newest[1], now):
            minutes = round((newest[1] - now) / timedelta(minutes=1))
            return say("delivery.lasting-ahead", minutes=minutes)
        return ""


log = logging.getLogger(__name__)

OVERDUE_AFTER = timedelta(minutes=15)
OVERDUE_LOOKED_AT = 500
STORE_TOLD_AGAIN_AFTER = timedelta(hours=6)

SINGLE = ("composing", "refused", "unreadable", "address", "bounces")
LASTING = ("cycle", "mail", "delivery", "store")
"""Looked at each time, so that their end is seen as well; what comes before are single events."""


@dataclass(frozen=True, slots=True)
class OperatorWay:
    """One way to the operator."""

    channel: str
    address: str
    secrets: tuple[str, ...] = field(default=(), repr=False)


def ways_from(settings: Settings) -> tuple[OperatorWay, ...]:
    """The ways that are set, mail first."""
    ways = [OperatorWay("email", settings.operator_email)] if settings.operator_email else []
    if settings.operator_way is not None:
        secret = settings.operator_target_secret
        ways.append(OperatorWay(*settings.operator_way, (secret.get_secret_value(),) if secret else ()))
    return tuple(ways)


@dataclass
class SelfMonitor:
    """Looks each minute or so, in one thread."""

    sessions: sessionmaker[Session]
    channels: Mapping[str, Channel]
    ways: Sequence[OperatorWay]
    cycle_minutes: int
    silence: CycleSilence
    clock: Callable[[], datetime]
    _store_told_at: datetime | None = None

    def look(self) -> None:
        """Note what is wrong and what is over, and tell the operator what they haven't heard of."""
        try:
            require_room(self.sessions.kw["bind"])
            with patient():  # a long cycle holds it for a while
                require_writable(self.sessions.kw["bind"])
            self._look_at_rows()
        except StoreError as error:
            log.error("%s", error)
            self._tell_of_store(str(error))
        except SQLAlchemyError as error:
            log.exception("the store can't be looked at")
            self._tell_of_store(say("delivery.store-fails", fault=type(error).__name__))
        else:
            if (since := self._store_told_at) is not None:
                self._store_told_at = None
                self.tell("store", say("delivery.store-well"), since, over=True)

    def _look_at_rows(self) -> None:
        now = self.clock()
        with self.sessions.begin() as session:
            found = self.find_lasting(session, now)
            for key, text in found.items():
                operator_alerts.note_trouble(session, key, text, now)
            operator_alerts.end_troubles(session, found, LASTING, now)
            untold = [
                (row.key, row.text, row.since, row.ended_at) for row in operator_alerts.find_untold(session)
            ]
        for key, text, since, ended_at in untold:
            if self.tell(key, text, since, over=ended_at is not None):
                with self.sessions.begin() as session:
                    operator_alerts.mark_told(session, key, self.clock())

    def find_lasting(self, session: Session, now: datetime) -> dict[str, str]:
        """What is wrong right now, by key, each in a sentence."""
        found = {}
        if why_ill := self.silence.why_ill(session, self.cycle_minutes):
            found["cycle"] = why_ill
        breakers = host_state.find_breakers(session)
        mail = self.channels["email"].destination("")
        if mail in breakers and breakers[mail].is_trying:
            found["mail"] = say("delivery.lasting-mail", failures=breakers[mail].failures)
        # Messages that nobody picks up; those whose host or address rests are waited for on purpose.
        resting = {key for key, each in breakers.items() if each.is_trying}
        rows = find_overdue(session, now - OVERDUE_AFTER, failures=FAILURES_TO_OPEN, most=OVERDUE_LOOKED_AT)
        overdue = sum(
            name not in self.channels or self.channels[name].destination(target) not in resting
            for name, target in rows
        )
        if overdue:
            minutes = round(OVERDUE_AFTER / timedelta(minutes=1))
            found["delivery"] = say("delivery.lasting-overdue", count=overdue, minutes=minutes)
        return found

    def _tell_of_store(self, text: str) -> None:
        """From memory: what is told can't be written down."""
        now = self.clock()
        if self._store_told_at is not None and now - self._store_told_at < STORE_TOLD_AGAIN_AFTER:
            return
        if self.tell("store", sentence(text), now):
            self._store_told_at = now

    def tell(self, key: str, text: str, since: datetime, *, over: bool = False) -> bool:
        """Tell the operator by the first way that takes it; whether one did, or only the log is there."""
        kind = key.split(" ", 1)[0]
        title = say(f"delivery.title-{kind}") if kind in (*SINGLE, *LASTING) else kind
        log.log(logging.INFO if over else logging.ERROR, "%s%s: %s", "over: " if over else "", title, text)
        facts = {"title": title, "text": text, "state": "over" if over else "begun"}
        digest = hashlib.sha256(f"{key}{since.isoformat()}{over}".encode()).hexdigest()
        for way in sorted(self.ways, key=lambda way: kind in ("mail", "refused") and way.channel == "email"):
            if self._send(way, f"msg_{digest[:26]}", facts):
                return True
        return not self.ways

    def _send(self, way: OperatorWay, message_id: str, facts: Mapping[str, str]) -> bool:
        channel = self.channels.get(way.channel)
        if channel is None:
            log.error("operator_target names a channel that isn't there: %s", way.channel)
            return False
        notice, now = write_notice(NoticeKind.OPERATOR, facts), self.clock()
        is_mail = channel.form is ContentForm.MAIL
        outgoing = Outgoing(
            message_id=message_id,
            address=way.address,
            attempted_at=now,
            mail=render_notice_mail(notice) if is_mail else None,
            payload=None if is_mail else notice_payload(notice, message_id, now),
            secrets=way.secrets,
        )
        try:
            channel.send(outgoing)
        except ChannelError as error:
            log.warning("a notice to the operator was not taken by %s: %s", way.channel, error.code)
            return False
        return True
