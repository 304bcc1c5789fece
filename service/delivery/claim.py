"""Taking messages to send: under a lease, and only what still may and should go.

In one transaction with the claim it is looked once more whether the address wants messages, whether the
moment has passed, and whether the newest decision still carries each alert.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, kept, phrase, say
from alerts.common.units import Units
from alerts.judging.verdict import VerdictWord
from alerts.notifying.limits import is_first_word, quiet_until, still_stands
from alerts.notifying.model import AlertKind
from alerts.wishes.model import Wishes, units_of
from service.channels.model import Channel
from service.common.clock import Moment
from service.common.secret_key import Keys
from service.store.json_values import from_json
from service.store.repositories import decisions, messages, suppression, tokens
from service.store.repositories.alerts import Scene, calendar_key, count_words, find_scenes
from service.store.repositories.messages import Lease, NoticeKind, Status
from service.store.repositories.operator_alerts import note_trouble
from service.store.repositories.subscriptions import is_left, subscriptions_by_id
from service.store.repositories.suppression import BarReason
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    MessageRow,
)
from service.store.schema.delivery_tables import NoticeRow

log = logging.getLogger(__name__)

UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, BadInput)
"""What stored values that another version wrote, or that were damaged, raise when they are read."""


@dataclass(frozen=True, slots=True)
class Links:
    """Makes the links of messages. public_url: where people reach the pages."""

    keys: Keys
    public_url: str

    def url(self, path: str) -> str:
        return f"{self.public_url.rstrip('/')}/{path}"


@dataclass(frozen=True, slots=True)
class AlertToSend:
    """An alert of a claimed message: what composing needs of its row.

    facts: as stored, with the links of this message. sequence: the how manieth word it is on that night
    there. calendar_key: the same for all of them, and no one else's anywhere; "" where no calendar goes
    along. scene: to draw pictures from.
    """

    kind: str
    night_name: date
    facts: dict[str, Any]
    sequence: int = 0
    calendar_key: str = ""
    scene: Scene | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A message in hand, with all that is needed to compose, send and record it.

    units: the person's, by the wishes of the first alert's subscription.
    """

    message_id: str
    token: str
    attempts: int
    maybe_sent: bool
    created_at: datetime
    expires_at: datetime
    address_id: int
    address_hash: str
    channel_name: str
    channel: Channel
    target: str
    secrets: tuple[str, ...]
    alerts: tuple[AlertToSend, ...] = ()
    notice: NoticeKind | None = None
    notice_facts: Mapping[str, str]
    link: str = ""
    unsubscribe_url: str | None = None
    manage_url: str | None = None
    units: Units = Units.METRIC

    @property
    def lease(self) -> Lease:
        return Lease(self.message_id, self.token)


@dataclass(frozen=True, slots=True)
class Ended:
    """A claimed message that isn't sent, and why."""

    status: Status
    note: Phrase


@dataclass(frozen=True, slots=True)
class HeldBack:
    """A claimed message that must not ring yet."""

    until: datetime


class _ClaimInputs:
    """What one claim needs for all its messages together, read in a fixed number of queries."""

    def __init__(
        self, session: Session, links: Links, rows: Sequence[tuple[MessageRow, AddressRow]], at: Moment
    ) -> None:
        self.at, self.links = at, links
        self._read: dict[int, Wishes] = {}
        ids = [message.id for message, _ in rows]
        self.carried = messages.carried_by(session, ids)
        self.notices = messages.notices_of(session, ids)
        alerts = [alert for pairs in self.carried.values() for _, alert in pairs]
        self.subscriptions = subscriptions_by_id(session, {alert.subscription_id for alert in alerts})
        nights = {(alert.subscription_id, alert.night_name) for alert in alerts}
        self.newest = decisions.newest_verdicts(session, nights)
        self.hashes = {
            address.id: suppression.address_hash(links.keys, address.channel, address.target)
            for _, address in rows
        }
        self.suppressed = suppression.find_suppressed(session, self.hashes.values())
        # what mails that carry alerts hold besides
        mailed = [
            (message.id, address.id)
            for message, address in rows
            if address.channel == "email" and message.id in self.carried
        ]
        readers = {address_id for _, address_id in mailed}
        self.unsubscribe, self.manage, self.outcome = (
            tokens.standing_links(session, links.keys, purpose, readers, at.wall)
            for purpose in (Purpose.UNSUBSCRIBE, Purpose.MANAGE, Purpose.OUTCOME)
        )
        enclosing = [alert for message_id, _ in mailed for _, alert in self.carried[message_id]]
        self.words = count_words(session, {alert.id for alert in enclosing})
        self.scenes = find_scenes(session, {alert.decision_id for alert in enclosing})

    def wishes(self, subscription_id: int) -> Wishes:
        """Read once for all that is asked of them; one of UNREADABLE when they can't be."""
        if subscription_id not in self._read:
            self._read[subscription_id] = from_json(Wishes, self.subscriptions[subscription_id].wishes)
        return self._read[subscription_id]

    def why_drop(self, alert: AlertRow) -> Status | None:
        """Why it isn't worth saying any more; None when it is: its moment isn't past, its reader hasn't left,
        and the newest decision still carries it."""
        if alert.expires_at <= self.at.now:
            return Status.EXPIRED
        kind = AlertKind(alert.kind)
        if kind is not AlertKind.STAND_DOWN and is_left(
            self.subscriptions[alert.subscription_id], self.at.now
        ):
            return Status.SUPERSEDED
        verdict, chance_pct = self.newest.get((alert.subscription_id, alert.night_name), (None, None))
        stands = still_stands(
            kind,
            VerdictWord(verdict) if verdict else None,
            chance_pct,
            self.wishes(alert.subscription_id),
            is_first=is_first_word(kind, alert.occurrence),
        )
        return None if stands else Status.SUPERSEDED

    def quiet_until(self, alert: AlertRow) -> datetime | None:
        """Until when it can wait for the end of quiet hours; None when it can't."""
        wishes, leave_by = self.wishes(alert.subscription_id), alert.facts.get("leave_by")
        return quiet_until(
            AlertKind(alert.kind),
            now=self.at.now,
            leave_by=datetime.fromisoformat(leave_by) if leave_by else None,
            wishes=wishes,
            clock=wishes.clock(zone_info(alert.facts.get("zone", "UTC"))),
        )

    def told(self, alert: AlertRow, address_id: int) -> AlertToSend:
        """What composing needs of an alert; pictures and calendar only for those that are mailed."""
        is_mailed = alert.decision_id in self.scenes
        watch, name = self.subscriptions[alert.subscription_id], alert.night_name
        token, keys = self.outcome.get(address_id), self.links.keys
        page = self.links.url(f"sites/{watch.site_id}/nights/{name}")
        # a mail's reader has a page of their own; in a group each speaks for themselves once signed in
        outcome = self.links.url(f"how-was-it/{token}/{watch.site_id}/{name}") if token else page
        return AlertToSend(
            alert.kind,
            name,
            {**alert.facts, "outcome_url": outcome, "night_url": page},
            sequence=self.words[alert.id] if is_mailed else 0,
            calendar_key=calendar_key(keys, watch.person_id, watch.site_id, name) if is_mailed else "",
            scene=self.scenes.get(alert.decision_id),
        )


def claim_batch(
    session: Session, channels: Mapping[str, Channel], links: Links, message_ids: Sequence[str], at: Moment
) -> tuple[list[Claimed], list[Status]]:
    """The messages to send, and how those ended that aren't."""
    rows = messages.claim_many(session, message_ids, at.wall)
    inputs = _ClaimInputs(session, links, rows, at)
    claimed: list[Claimed] = []
    ended: list[Status] = []
    for message, address in rows:
        try:
            outcome = _look(session, inputs, channels.get(address.channel), message, address)
        except UNREADABLE:
            log.exception("message %s can't be read", message.id)
            note_trouble(session, "unreadable", say("delivery.trouble-unreadable"), at.wall)
            outcome = Ended(Status.FAILED, phrase("delivery.unreadable"))
        if isinstance(outcome, Claimed):
            claimed.append(outcome)
            continue
        if isinstance(outcome, HeldBack):
            messages.hold(session, message, at.wall + (outcome.until - at.now), note=phrase("delivery.held"))
            continue
        lease = Lease(message.id, message.lease_token)
        messages.settle(session, lease, outcome.status, wall=at.wall, note=outcome.note)
        ended.append(outcome.status)
    return claimed, ended


def _look(
    session: Session, inputs: _ClaimInputs, channel: Channel | None, message: MessageRow, address: AddressRow
) -> Claimed | HeldBack | Ended:
    """The message ready to send, or why it isn't sent now; one of UNREADABLE where that can't be told."""
    if channel is None:
        return Ended(Status.FAILED, phrase("delivery.no-channel", channel=address.channel))
    if message.expires_at <= inputs.at.now:
        return Ended(Status.EXPIRED, phrase("delivery.too-late"))
    notice = inputs.notices.get(message.id)
    barred = _barred(address, inputs.suppressed.get(inputs.hashes[address.id]), notice)
    if barred is not None:
        return barred

    # what is no longer true is dropped, unless an earlier attempt may have carried it to the reader
    kept, dropped = [], set()
    for link, alert in inputs.carried.get(message.id, []):
        reason = inputs.why_drop(alert)
        if reason is None:
            kept.append(alert)
            continue
        dropped.add(reason)
        if not message.maybe_sent:
            link.dropped = reason
    if notice is None and not kept:
        over = Status.EXPIRED if dropped == {Status.EXPIRED} else Status.SUPERSEDED
        return Ended(over, phrase("delivery.superseded"))

    # quiet hours hold the whole message, if all of it can wait
    quiet = [inputs.quiet_until(alert) for alert in kept]
    waits = [ends for ends in quiet if ends is not None]
    if waits and len(waits) == len(quiet):
        return HeldBack(min(waits))

    links, carried = inputs.links, inputs.carried.get(message.id, [])
    unsubscribe, manage = inputs.unsubscribe.get(address.id), inputs.manage.get(address.id)
    assert message.lease_token is not None, "claimed under a lease"
    return Claimed(
        message_id=message.id,
        token=message.lease_token,
        attempts=message.attempts,
        maybe_sent=message.maybe_sent,
        created_at=message.created_at,
        expires_at=message.expires_at,
        address_id=address.id,
        address_hash=inputs.hashes[address.id],
        channel_name=address.channel,
        channel=channel,
        target=address.target,
        secrets=tuple(address.secrets),
        alerts=tuple(inputs.told(alert, message.address_id) for alert in kept),
        notice=NoticeKind(notice.kind) if notice else None,
        notice_facts=notice.facts if notice else {},
        link=_notice_link(session, links, notice, address, inputs.at.wall) if notice else "",
        unsubscribe_url=links.url(f"unsubscribe/{unsubscribe}") if unsubscribe else None,
        manage_url=links.url(f"manage/{manage}") if manage else None,
        units=units_of(inputs.wishes(carried[0][1].subscription_id)) if carried else Units.METRIC,
    )


def _barred(address: AddressRow, suppressed: BarReason | None, notice: NoticeRow | None) -> Ended | None:
    """Why nothing may go there. Who asked to confirm or to sign in has asked for that one mail."""
    kind = notice.kind if notice else None
    if kind == NoticeKind.CONFIRM and address.confirmed_at is not None and address.off_since is None:
        return Ended(Status.SUPERSEDED, phrase("delivery.confirmed-by-now"))
    asked_for = kind in (NoticeKind.CONFIRM, NoticeKind.SIGN_IN)
    if suppressed is not None and not (asked_for and suppressed is BarReason.OPTED_OUT):
        return Ended(Status.SUPPRESSED, phrase("delivery.suppressed", reason=suppressed))
    if asked_for:
        return None
    if address.confirmed_at is None or address.off_since is not None:
        off = kept(address.off_reason) if address.off_reason else phrase("delivery.not-confirmed")
        return Ended(Status.SUPPRESSED, off)
    return None


def _notice_link(
    session: Session, links: Links, notice: NoticeRow, address: AddressRow, wall: datetime
) -> str:
    """A fresh link for each attempt, so that no token is ever stored in the clear."""
    if notice.kind == NoticeKind.CONFIRM:
        return links.url(f"confirm/{tokens.mint(session, Purpose.CONFIRM, wall, address_id=address.id)}")
    if notice.kind == NoticeKind.SIGN_IN:
        token = tokens.mint(
            session, Purpose.SIGN_IN, wall, person_id=address.person_id, address_id=address.id
        )
        return links.url(f"sign-in/{token}")
    return ""
