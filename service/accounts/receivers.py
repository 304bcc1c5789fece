"""A new receiver proves that it wants our messages before it gets any.

It is sent a test message with a code. A program answers with the code in its answer's body; in a chat
somebody reads it there and types it where they registered. Until then nothing else goes there.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session, sessionmaker

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from service.accounts.notices.text import notice_payload, render_notice_mail, write_notice
from service.channels import host_state
from service.channels.chat import CHAT_FORMS
from service.channels.model import Channel, ChannelError, ContentForm, Outgoing
from service.channels.webhook import new_secret
from service.common.redaction import mask_target
from service.common.secret_key import Keys
from service.store.repositories import messages, rate_limits, tokens
from service.store.repositories.messages import NoticeKind
from service.store.repositories.people import REMOVED, find_address
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import AddressRow, PersonRow

log = logging.getLogger(__name__)

SHORT_CODE = 8
"""Letters of a code that the operator types: 40 random bits, good for one of the operator's receivers."""


@dataclass(frozen=True, slots=True)
class Tested:
    """What a test message led to. arrived: the receiver took it.  confirmed: and its answer held the
    code.  text: one sentence for whoever registered it.  fault: `ChannelError.code` where it didn't arrive.
    place: the file that it was written to, if it was."""

    arrived: bool
    confirmed: bool
    text: str
    fault: str = ""
    place: str = ""


@dataclass(frozen=True, slots=True)
class NewReceiver:
    """Where somebody wants to be told: by which channel, where. token: a chat's access token."""

    channel: str
    target: str
    token: str = ""


def is_registered(session: Session, channel: Channel, person: PersonRow, wanted: NewReceiver) -> bool:
    """Whether the person has that receiver and hasn't removed it. BadInput as with `register`."""
    known = find_address(session, person.id, wanted.channel, channel.check_address(wanted.target))
    return known is not None and known.off_reason != REMOVED


def register(
    session: Session, channel: Channel, person: PersonRow, wanted: NewReceiver, now: datetime
) -> AddressRow:
    """The person's receiver of that channel; a new one isn't confirmed.

    BadInput when the channel can't send there.
    """
    stored = channel.check_address(wanted.target)
    known = find_address(session, person.id, wanted.channel, stored)
    if known is not None:
        return known
    secrets = [wanted.token] if wanted.token else []
    chat_form = CHAT_FORMS.get(wanted.channel)
    if chat_form is None:
        secrets = [new_secret()] if wanted.channel == "webhook" else []
    elif chat_form.needs_token and not wanted.token:
        raise BadInput(phrase("accounts.token-needed", hint=chat_form.hint))
    address = AddressRow(
        person=person,
        channel=wanted.channel,
        target=stored,
        secrets=secrets,
        created_at=now,
        confirmed_at=None,
    )
    session.add(address)
    session.flush()
    return address


def send_test(
    sessions: sessionmaker[Session],
    channels: Mapping[str, Channel],
    keys: Keys,
    address_id: int,
    *,
    now: datetime,
    network: str | None = None,
) -> Tested:
    """Send the test message once, and confirm the receiver if it answers with the code.

    network: who asks, when it isn't the operator; counted then. BadInput past the limit.
    """
    with sessions.begin() as session:
        address = session.get_one(AddressRow, address_id)
        channel = channels[address.channel]
        if network is not None and not rate_limits.allow(
            session, keys, "challenge", now,
            host=channel.destination(address.target), network=rate_limits.network_of(network),
        ):  # fmt: skip
            raise BadInput(phrase("accounts.too-many-tests"))
        code = tokens.mint_code(session, address.id, now, length=SHORT_CODE if network is None else None)
        message_id = messages.new_message_id()
        notice = write_notice(NoticeKind.TEST, {"challenge": code})
        outgoing = Outgoing(
            message_id=message_id,
            address=address.target,
            attempted_at=now,
            mail=render_notice_mail(notice) if channel.form is ContentForm.MAIL else None,
            payload=notice_payload(notice, message_id, now, challenge=code),
            secrets=tuple(address.secrets),
        )
    try:
        result = channel.send(outgoing)
    except ChannelError as error:
        log.info("test of address %s: %s", address_id, error.code)
        return Tested(False, False, say("accounts.test-failed", text=error.text), error.code)
    if code not in result.text:
        text = say("accounts.test-taken")
        return Tested(True, False, text, place=result.place)
    with sessions.begin() as session:
        confirmed = confirm_by_code(session, address_id, code, now)
    return Tested(True, confirmed, say("accounts.test-confirmed"))


def confirm_by_code(session: Session, address_id: int, code: str, now: datetime) -> bool:
    """Confirm the receiver by the code that it was sent; whether the code was right."""
    row = tokens.find(session, Purpose.CHALLENGE, code.strip(), now)
    if row is None or row.address_id != address_id:
        return False
    if tokens.redeem(session, Purpose.CHALLENGE, code.strip(), now) is None:
        return False
    vouch_for(session, address_id, now)
    return True


def vouch_for(session: Session, address_id: int, now: datetime) -> None:
    """Confirm a receiver on the operator's word."""
    address = session.get_one(AddressRow, address_id)
    address.confirmed_at = address.confirmed_at or now
    host_state.switch_on(session, address)
    tokens.revoke(session, now, purpose=Purpose.CHALLENGE, address_id=address_id)


def get_address(session: Session, address_id: int) -> AddressRow:
    """The address of that number; BadInput when there is none."""
    address = session.get(AddressRow, address_id)
    if address is None:
        raise BadInput(phrase("accounts.no-address", address_id=address_id))
    return address


def shown(address: AddressRow, *, to_owner: bool = False) -> str:
    """The address as it may be shown; a mail address whole to the one whose it is."""
    if to_owner and address.channel == "email":
        return address.target
    return f"{address.channel}: {mask_target(address.channel, address.target)}"
