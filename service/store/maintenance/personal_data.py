"""One person's data: all of it handed out, or taken out of the store.

What stays after erasure can't lead back to the person: decisions with the wishes they were judged by,
sites reduced to 0.05 degrees without their names, and the keyed hash of a mail address so that nothing
is sent there again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import delete, func, inspect, or_, select, update
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.judging.rules import Reason, without_note
from alerts.sites.great_circle import rounded_place
from alerts.sites.model import Site
from service.common.secret_key import Keys
from service.store.json_values import from_json, to_json
from service.store.repositories import climates, people, suppression
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    AttemptRow,
    DecisionRow,
    MessageAlertRow,
    MessageRow,
    OutcomeRow,
    PersonRow,
    SiteRevisionRow,
    SiteRow,
    SubscriptionRow,
    Table,
)
from service.store.schema.delivery_tables import EndpointRow, NoticeRow, TokenRow

ERASED = "erased"
NOT_HANDED_OUT = frozenset({"secrets", "digest", "nonce", "lease_token", "telling_id"})
"""Secrets are handed out when they are made, and never again; a telling with its decisions."""


def export(session: Session, person: PersonRow) -> dict[str, Any]:
    """Everything that is stored about the person, as JSON values, table by table."""
    addresses = _ids(session, select(AddressRow.id).where(AddressRow.person_id == person.id))
    sites = _ids(session, select(SiteRow.id).where(SiteRow.owner_id == person.id))
    mine = _ids(session, select(SubscriptionRow.id).where(SubscriptionRow.person_id == person.id))
    messages = session.scalars(select(MessageRow.id).where(MessageRow.address_id.in_(addresses))).all()
    token = or_(TokenRow.person_id == person.id, TokenRow.address_id.in_(addresses))
    found: dict[type[Table], Any] = {
        PersonRow: PersonRow.id == person.id,
        AddressRow: AddressRow.id.in_(addresses),
        SiteRow: SiteRow.id.in_(sites),
        SiteRevisionRow: SiteRevisionRow.site_id.in_(sites),
        SubscriptionRow: SubscriptionRow.id.in_(mine),
        DecisionRow: DecisionRow.subscription_id.in_(mine),
        AlertRow: AlertRow.subscription_id.in_(mine),
        MessageRow: MessageRow.id.in_(messages),
        AttemptRow: AttemptRow.message_id.in_(messages),
        NoticeRow: NoticeRow.message_id.in_(messages),
        OutcomeRow: OutcomeRow.person_id == person.id,
        TokenRow: token,
    }
    data = {
        kind.__tablename__: [_handed_out(row) for row in session.scalars(select(kind).where(which))]
        for kind, which in found.items()
    }
    decisions = session.scalars(select(DecisionRow).where(DecisionRow.subscription_id.in_(mine)))
    at_home = {row["id"] for row in data["subscription"] if row["site_id"] in sites}
    shared = {row.id: _resting_on(row, is_own=row.subscription_id in at_home) for row in decisions}
    # decisions at somebody else's site from before there were copies: their times would lead there
    at_the_place_itself = (
        select(DecisionRow.id)
        .join(SubscriptionRow, SubscriptionRow.id == DecisionRow.subscription_id)
        .join(SiteRevisionRow, SiteRevisionRow.id == DecisionRow.site_revision_id)
        .where(SubscriptionRow.id.in_(mine), SiteRevisionRow.site_id != SubscriptionRow.site_id)
    )
    for decision_id in session.scalars(at_the_place_itself):
        shared[decision_id] |= dict.fromkeys(
            ("window_start", "window_end", "leave_by", "fingerprint", "why_text_phrase")
        )
    data["decision"] = [{**values, **shared[values["id"]]} for values in data["decision"]]
    return data


def _resting_on(row: DecisionRow, *, is_own: bool) -> dict[str, Any]:
    """What the decision shares with others; without the note of a site that somebody else owns."""
    reasons = [from_json(Reason, each) for each in row.reasons]
    said = reasons if is_own else [without_note(each) for each in reasons]
    why = row.telling or row
    return {
        "wishes": row.wishes,
        "reasons": [to_json(each) for each in said],
        "why_text": why.why_text,
        "why_text_phrase": why.why_text_phrase,
    }


def _ids(session: Session, query: Any) -> list[int]:
    return list(session.scalars(query))


def _handed_out(row: Table) -> dict[str, Any]:
    names = [column.key for column in inspect(type(row)).columns if column.key not in NOT_HANDED_OUT]
    values = [(name, getattr(row, name)) for name in names]
    return {name: each.isoformat() if isinstance(each, datetime | date) else each for name, each in values}


def erase(session: Session, keys: Keys, person: PersonRow, now: datetime) -> None:
    """Take the person out of the store. BadInput for the operator, who goes with the installation."""
    if person.is_operator:
        raise BadInput(phrase("store.erase-operator"))
    addresses = list(session.scalars(select(AddressRow).where(AddressRow.person_id == person.id)))
    mine = _ids(session, select(SubscriptionRow.id).where(SubscriptionRow.person_id == person.id))
    told = MessageRow.address_id.in_([address.id for address in addresses])
    delete_messages(session, session.scalars(select(MessageRow.id).where(told)))
    alerts = select(AlertRow.id).where(AlertRow.subscription_id.in_(mine))
    session.execute(delete(MessageAlertRow).where(MessageAlertRow.alert_id.in_(alerts)))
    session.execute(delete(AlertRow).where(AlertRow.subscription_id.in_(mine)))
    session.execute(
        update(SubscriptionRow)
        .where(SubscriptionRow.id.in_(mine), SubscriptionRow.ended_at.is_(None))
        .values(ended_at=now)
    )
    for address in addresses:
        is_parked = address.confirmed_at is None and len(addresses) > 1
        _erase_address(session, keys, address, now, is_parked=is_parked)
    for site in session.scalars(select(SiteRow).where(SiteRow.owner_id == person.id)):
        _erase_site(session, site, mine, now)
    for outcome in session.scalars(select(OutcomeRow).where(OutcomeRow.person_id == person.id)):
        outcome.person_id = None
        outcome.facts = {name: value for name, value in outcome.facts.items() if not isinstance(value, str)}
    session.execute(delete(TokenRow).where(TokenRow.person_id == person.id))
    people.set_home(session, person, None)
    for row in session.scalars(select(SubscriptionRow).where(SubscriptionRow.id.in_(mine))):
        row.wishes = {**row.wishes, "drive_estimate": None}
    person.name, person.zone = ERASED, "UTC"


def delete_messages(session: Session, message_ids: Iterable[str]) -> None:
    """Remove messages with all that hangs on them."""
    ids = set(message_ids)
    for kind in (AttemptRow, MessageAlertRow, NoticeRow):
        session.execute(delete(kind).where(kind.message_id.in_(ids)))
    session.execute(delete(MessageRow).where(MessageRow.id.in_(ids)))


def _erase_address(
    session: Session, keys: Keys, address: AddressRow, now: datetime, *, is_parked: bool
) -> None:
    """is_parked: somebody typed it in whom its reader never joined; they can't stop that reader's mail."""
    if address.channel == "email" and not is_parked:
        hashed = suppression.address_hash(keys, address.channel, address.target)
        suppression.suppress(session, hashed, suppression.BarReason.OPTED_OUT, ERASED, now)
    session.execute(delete(TokenRow).where(TokenRow.address_id == address.id))
    session.execute(delete(EndpointRow).where(EndpointRow.address_id == address.id))
    address.target, address.secrets = f"{ERASED} {address.id}", []
    address.confirmed_at, address.off_since, address.off_reason = None, now, ERASED


def _erase_site(session: Session, site: SiteRow, mine: Sequence[int], now: datetime) -> None:
    """A site that others still use stays as it is shared; any other is reduced and closed."""
    others = session.scalar(
        select(func.count())
        .select_from(SubscriptionRow)
        .where(
            SubscriptionRow.site_id == site.id,
            SubscriptionRow.id.not_in(mine),
            SubscriptionRow.ended_at.is_(None),
        )
    )
    if others and site.is_shared:
        return
    site.name, site.is_shared, site.archived_at = f"{ERASED} {site.id}", False, now
    climates.forget_places_of(session, site.id)
    for revision in session.scalars(select(SiteRevisionRow).where(SiteRevisionRow.site_id == site.id)):
        lat_deg, lon_deg = rounded_place(revision.lat_deg, revision.lon_deg)
        reduced = Site(ERASED, lat_deg, lon_deg, zone=revision.zone)
        revision.lat_deg, revision.lon_deg = lat_deg, lon_deg
        revision.facts = {"site": to_json(reduced), "elevation_known": False}
