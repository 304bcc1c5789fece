"""How much one person may keep here, so that nobody fills the store or makes everybody's cycle long.

The operator's own person isn't bound: who runs the machine sets the bounds. What is given up counts for one
more day, up to as much again, since rows stay behind it: keeping and giving up in turn fills no store.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from service.settings import Settings
from service.store.repositories.totals import Kept, given_up_by, kept_by
from service.store.schema.core_tables import PersonRow

GIVEN_UP_COUNTS = timedelta(days=1)


class QuotaReached(BadInput):
    """A person keeps as much as one may. room: how many more would fit."""

    def __init__(self, text: Phrase | str, room: int) -> None:
        super().__init__(text)
        self.room = room


def most_of(settings: Settings, kept: Kept) -> int:
    """How many of these one person may keep."""
    return {
        Kept.SITES: settings.sites_per_person,
        Kept.SUBSCRIPTIONS: settings.subscriptions_per_person,
        Kept.ADDRESSES: settings.addresses_per_person,
    }[kept]


def room_for(session: Session, settings: Settings, person: PersonRow, kept: Kept) -> int | None:
    """How many more of these the person may keep; None: as many as they like."""
    if person.is_operator:
        return None
    return max(0, most_of(settings, kept) - kept_by(session, person.id, kept))


def require_room(
    session: Session,
    settings: Settings,
    person_id: int,
    kept: Kept,
    now: datetime,
    more: int = 1,
) -> None:
    """QuotaReached, in one sentence, when so many more of these don't fit.

    The person's row stays locked until the transaction ends, so that two requests at once can't both take
    the last place.
    """
    person = session.get_one(PersonRow, person_id, with_for_update=True)
    room = room_for(session, settings, person, kept)
    if room is None:
        return
    most = most_of(settings, kept)
    if more > room:
        if room == 0:
            raise QuotaReached(phrase("accounts.quota-full", most=most, kept=kept), room)
        raise QuotaReached(
            phrase("accounts.quota-too-many", most=most, kept=kept, more=more, room=room), room
        )
    of_late = given_up_by(session, person_id, kept, now - GIVEN_UP_COUNTS)
    if most - room + of_late + more > 2 * most:
        raise QuotaReached(
            phrase("accounts.quota-given-up", of_late=of_late, kept=kept),
            0,
        )
