"""What came of the sends: every attempt kept, the message settled or put back, and what follows."""

from __future__ import annotations

import logging
import random
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.orm import Session

from alerts.common.phrases import Phrase, phrase, say
from service.channels import host_state
from service.channels.host_state import FailureOutcome
from service.channels.model import ANSWER_KEPT_BYTES, ChannelError, SendResult
from service.channels.retry_policy import (
    FailedAttempt,
    after_failure,
    next_attempt,
    speaks_of_all,
    speaks_of_destination,
)
from service.common.backoff import CLOSED, Breaker
from service.common.clock import Moment
from service.common.metrics import Metrics, reason_word
from service.common.redaction import mask_target
from service.delivery.claim import Claimed
from service.store.repositories import messages, suppression
from service.store.repositories.messages import NewNotice, NoticeKind, Status
from service.store.repositories.operator_alerts import note_trouble
from service.store.repositories.suppression import Bounce, BounceKind
from service.store.schema.core_tables import AddressRow

log = logging.getLogger(__name__)

OWNER_NOTICE_HELPS = timedelta(hours=48)
REFUSED = (DataError, IntegrityError)
"""What the database says of rows, not of itself: a column can't hold a value, or another row forbids one.
Who was first somewhere else can forbid it too; that has passed when each attempt is kept by itself."""


@dataclass(frozen=True, slots=True)
class FinishedAttempt:
    """One attempt that is over. problem: a sentence for the operator on its composing, or None."""

    claimed: Claimed
    result: SendResult | ChannelError
    started_at: datetime
    ended_at: datetime
    problem: Phrase | None = None

    @property
    def blames_destination(self) -> bool:
        """Whether it failed for something that may be its destination's."""
        kind = self.claimed.channel.kind
        return isinstance(self.result, ChannelError) and speaks_of_destination(kind, self.result)


def keep_each(waiting: list[FinishedAttempt], keep: Callable[[list[FinishedAttempt]], None]) -> None:
    """Keep the attempts, and take each from the list once it is kept.

    All together, or, where the database refuses one of them, each by itself and that one without its words,
    so that none keeps the others from being written down.
    keep: writes down those that it is given in one transaction. What it raises else ends this; the attempts
    still in the list aren't kept then.
    """
    try:
        keep(list(waiting))
        waiting.clear()
    except REFUSED:
        log.exception("of %d attempts some can't be stored as they are", len(waiting))
    while waiting:
        try:
            keep([waiting[0]])
        except REFUSED:
            result, unsaid = waiting[0].result, say("delivery.unstorable")
            if isinstance(result, ChannelError):
                result = replace(result, what=unsaid)
            else:
                result = SendResult(result.code, unsaid)
            keep([replace(waiting[0], result=result, problem=None)])
        del waiting[0]


@dataclass(slots=True)
class BatchResult:
    """What one batch has led to. It counts only once its transaction is through.

    breakers: of all destinations with which something is wrong, by destination.
    """

    breakers: dict[str, Breaker]
    statuses: Counter[Status] = field(default_factory=Counter)
    changed: dict[str, Breaker] = field(default_factory=dict)


def record(
    session: Session, finished: Sequence[FinishedAttempt], breakers: Mapping[str, Breaker], at: Moment
) -> BatchResult:
    """Keep the attempts and settle or put back their messages, all in the caller's transaction.

    Of messages that were erased while they were under way nothing is kept.
    """
    ledger = BatchResult(dict(breakers))
    stored = messages.lock_stored(session, {sent.claimed.message_id for sent in finished})
    finished = [sent for sent in finished if sent.claimed.message_id in stored]
    if not finished:
        return ledger
    rows: list[dict[str, Any]] = [
        {
            "message_id": sent.claimed.message_id,
            "started_at": sent.started_at,
            "ended_at": sent.ended_at,
            "result": _result_word(sent.result),
            "code": sent.result.code[:20],
            "answer": sent.result.text[:ANSWER_KEPT_BYTES],
        }
        for sent in finished
    ]
    messages.keep_attempts(session, rows)
    _settle_sent(session, ledger, [sent for sent in finished if isinstance(sent.result, SendResult)], at.wall)
    for sent in finished:
        if isinstance(sent.result, ChannelError):
            status = _after_failure(session, ledger, sent, at)
            ledger.statuses.update([status] if status else [])
        if sent.problem:
            note_trouble(session, "composing", str(sent.problem), at.wall)
    host_state.keep_breakers(session, ledger.changed)
    return ledger


def count(metrics: Metrics, finished: Sequence[FinishedAttempt]) -> None:
    for sent in finished:
        channel = sent.claimed.channel_name
        result = _result_word(sent.result)
        metrics.deliveries.labels(channel, result, reason_word(sent.result.code)).inc()
        metrics.send_seconds.labels(channel).observe((sent.ended_at - sent.started_at).total_seconds())
        if sent.result.code == "blocked":
            metrics.blocked.inc()


def _settle_sent(
    session: Session, ledger: BatchResult, finished: Sequence[FinishedAttempt], wall: datetime
) -> None:
    plain: defaultdict[str, list[str]] = defaultdict(list)
    late: set[str] = set()
    done = 0
    for sent in finished:
        claimed = sent.claimed
        place = sent.result.place if isinstance(sent.result, SendResult) else ""
        note = sent.problem or (phrase("delivery.written-to", place=place) if place else None)
        destination = claimed.channel.destination(claimed.target)
        if ledger.breakers.pop(destination, None) is not None:
            ledger.changed[destination] = CLOSED
        if note is None:
            plain[claimed.token].append(claimed.message_id)
        else:
            is_held = messages.settle(session, claimed.lease, Status.SENT, wall=wall, note=note)
            done += is_held
            late.update([] if is_held else [claimed.message_id])
    for token, ids in plain.items():
        held = messages.settle_sent(session, ids, token, wall)
        done += len(held)
        late |= set(ids) - held
    if late:  # of a sender that was frozen: they were taken all the same, though another gave them up since
        messages.settle_late(session, late, wall)
    if finished:
        host_state.note_successes(session, {sent.claimed.address_id for sent in finished})
    if done:
        ledger.statuses[Status.SENT] += done


def _after_failure(session: Session, ledger: BatchResult, sent: FinishedAttempt, at: Moment) -> Status | None:
    """Try again later or give up, and draw the consequences; None when the lease was lost."""
    claimed, error = sent.claimed, sent.result
    assert isinstance(error, ChannelError), "asked of failures alone"
    log.warning("message %s was not taken: %s", claimed.message_id, error.code)
    if sent.blames_destination:
        destination = claimed.channel.destination(claimed.target)
        address_id = None if speaks_of_all(claimed.channel.kind, error) else claimed.address_id
        breaker = ledger.breakers.get(destination, CLOSED)
        breaker = after_failure(breaker, sent.started_at, at.wall, address_id, error.code)
        ledger.breakers[destination] = ledger.changed[destination] = breaker
    _blame(session, claimed, error, at)
    failed = FailedAttempt(claimed.channel.kind, claimed.attempts, at.wall, error, claimed.maybe_sent)
    retry_at = next_attempt(failed, at.wall + (claimed.expires_at - at.now), random.uniform(-1, 1))
    maybe_sent = claimed.maybe_sent or error.maybe_sent
    if retry_at is None:
        done = messages.give_up(session, claimed.lease, wall=at.wall, note=error.said, maybe_sent=maybe_sent)
        return Status.FAILED if done else None
    done = messages.put_back(session, claimed.lease, retry_at, note=error.said, maybe_sent=maybe_sent)
    return Status.RETRY if done else None


def _result_word(result: SendResult | ChannelError) -> str:
    if isinstance(result, SendResult):
        return "sent"
    return "maybe_sent" if result.maybe_sent else "failed"


def _blame(session: Session, claimed: Claimed, error: ChannelError, at: Moment) -> None:
    """Whom the failure speaks of: the operator, the relay, a mailbox that isn't there, or a receiver."""
    is_mail = claimed.channel.kind == "email"
    is_for_operator = error.refuses_us or (error.permanent and (error.ours or is_mail))
    if is_for_operator and not error.bad_address:
        text = say("delivery.trouble-refused", answer=error.code)
        note_trouble(session, "refused", text, at.wall)
    address = session.get(AddressRow, claimed.address_id)
    if address is None or error.ours:
        return
    if is_mail and speaks_of_destination("email", error):
        host_state.note_doubt(session, address.id, at.wall)
        return
    if is_mail and error.permanent and not error.bad_address:
        return
    turn: FailureOutcome | None
    if error.gone:
        turn = _off(address, say("delivery.off-gone"), at.wall)
    elif is_mail and error.permanent:
        bounce = Bounce(BounceKind.HARD, error.code, claimed.message_id)
        struck = suppression.note_bounce(session, claimed.address_hash, bounce, at.wall)
        turn = _off(address, say("delivery.off-bounced"), at.wall) if struck else None
    else:
        turn = host_state.note_failure(session, address, at.wall)
    if turn is not None:
        tell_owner(session, address, turn, error.code, at)


def _off(address: AddressRow, reason: str, wall: datetime) -> FailureOutcome | None:
    """Nothing to tell where several messages under way met the same end."""
    return FailureOutcome.OFF if host_state.switch_off(address, reason, wall) else None


def tell_owner(session: Session, address: AddressRow, turn: FailureOutcome, code: str, at: Moment) -> None:
    """Let the owner know by another address of theirs; the operator where there is none."""
    shown = mask_target(address.channel, address.target)
    other = host_state.other_way(session, address)
    if other is None:
        text = say("delivery.trouble-owner", address_id=address.id, receiver=shown, outcome=turn, answer=code)
        note_trouble(session, f"address {address.id}", text, at.wall)
        return
    kind = NoticeKind.ENDPOINT_OFF if turn is FailureOutcome.OFF else NoticeKind.ENDPOINT_FAILING
    facts = {
        "shown": shown,
        "code": code,
        "reason": address.off_reason or "",
        "failures": str(host_state.endpoint(session, address.id).failures),
    }
    notice = NewNotice(kind, facts, helps_until=at.now + OWNER_NOTICE_HELPS)
    messages.enqueue_notice(session, other.id, notice, created_at=at.now, due_at=at.wall)
