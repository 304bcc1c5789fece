"""A store with people, addresses and messages that are due, real channels, and a clock that a test sets.

Nothing is judged here: the messages are written as the judging stage would, so that a test is about
their way out alone.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from alerts.briefing.facts import AlertFacts
from alerts.common.span import Span
from alerts.notifying.model import AlertKind
from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.app import Duskbell
from service.channels.channel_registry import build_channels
from service.channels.email import MailServer
from service.channels.safe_http import SafeClient
from service.channels.webhook import new_secret
from service.delivery import dispatcher
from service.delivery.enclosures import EnclosureBuilder
from service.settings import Settings
from service.store.json_values import to_json
from service.store.maintenance.invariants import find_broken
from service.store.repositories import messages, subscriptions
from service.store.repositories.messages import Status
from service.store.repositories.sites import add_site, newest_revision
from service.store.schema.core_tables import (
    AddressRow,
    AlertRow,
    DecisionRow,
    MessageRow,
    NightRow,
    PersonRow,
    SubscriptionRow,
)
from service.store.schema.delivery_tables import TroubleRow
from tests.integration.queued import enqueue

NOW = datetime(2027, 7, 3, 15, 0, tzinfo=UTC)
NIGHT = date(2027, 7, 3)
HOUR = timedelta(hours=1)
AT_ANY_HOUR = Wishes(quiet=None)
"""Tests run at any time of day, some of them by the real clock."""


@dataclass
class Yard:
    """wall: what the clock shows; the messages' time is the same.  was_set_by: all that it was set by."""

    duskbell: Duskbell
    wall: datetime = NOW
    was_set_by: timedelta = timedelta(0)
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def set_clock(self, by: timedelta) -> None:
        """No time passes; the clock shows another."""
        self.wall += by
        self.was_set_by += by

    def steady_s(self) -> float:
        """Seconds of the clock that nobody sets."""
        return (self.wall - self.was_set_by - NOW).total_seconds()

    @property
    def sessions(self) -> Any:
        return self.duskbell.sessions

    def person(self, *, is_operator: bool = False, name: str = "Ada") -> int:
        with self.sessions.begin() as session:
            row = PersonRow(name=name, zone="Europe/Madrid", is_operator=is_operator, created_at=NOW)
            session.add(row)
            session.flush()
            return row.id

    def address(
        self, channel: str, target: str, *, person_id: int | None = None, confirmed: bool = True
    ) -> int:
        person_id = person_id or self.person()
        with self.sessions.begin() as session:
            row = AddressRow(
                person_id=person_id,
                channel=channel,
                target=target,
                secrets=[new_secret()] if channel == "webhook" else [],
                created_at=NOW,
                confirmed_at=NOW if confirmed else None,
            )
            session.add(row)
            session.flush()
            return row.id

    def subscription(self, address_id: int, *, wishes: Wishes | None = None) -> int:
        """A subscription to a site of its own, with a night that is good tonight."""
        number = next(self._numbers)
        with self.sessions.begin() as session:
            address = session.get_one(AddressRow, address_id)
            place = Site(f"Field {number}", 40.3123, -1.4249, 1180.0, "Europe/Madrid")
            site = add_site(session, address.person, place, elevation_known=True, now=NOW)
            return subscriptions.subscribe(session, address, site, wishes or AT_ANY_HOUR, now=NOW).id

    def decide(self, subscription_id: int, verdict: str = "go", chance_pct: int | None = 81) -> int:
        """A decision about tonight, the newest from now on."""
        with self.sessions.begin() as session:
            subscription = session.get_one(SubscriptionRow, subscription_id)
            revision = newest_revision(session, subscription.site_id)
            night = session.scalar(
                select(NightRow).where(NightRow.site_revision_id == revision.revision_id)
            ) or NightRow(
                site_revision_id=revision.revision_id,
                name=NIGHT,
                sky_key=subscription.sky_key,
                starts=NOW - 3 * HOUR,
                ends=NOW + 21 * HOUR,
                facts={},
                kernel="k",
                rules_version="1",
                computed_at=NOW,
            )
            session.add(night)
            session.flush()
            row = DecisionRow(
                subscription_id=subscription_id,
                night_id=night.id,
                night_name=NIGHT,
                site_revision_id=revision.revision_id,
                as_of=self.wall,
                confirmed_at=self.wall,
                verdict=verdict,
                deciding_rule="chance",
                fingerprint=verdict,
                chance_pct=chance_pct,
                reasons=[],
                wishes=to_json(Wishes()),
                outlook_ids=[],
                forecast_ids=[1],
                kernel="k",
                rules_version="1",
            )
            session.add(row)
            session.flush()
            return row.id

    def alert(
        self, subscription_id: int, decision_id: int, kind: AlertKind, *, helps_for: timedelta, **facts: Any
    ) -> AlertRow:
        with self.sessions.begin() as session:
            site = session.get_one(SubscriptionRow, subscription_id).site
            said = AlertFacts(
                kind=kind,
                site_name=site.name,
                night=NIGHT,
                zone="Europe/Madrid",
                decided_at=self.wall,
                window=Span(NOW + 6 * HOUR, NOW + 9 * HOUR),
                leave_by=NOW + 4 * HOUR,
                chance_pct=81,
            )
            row = AlertRow(
                subscription_id=subscription_id,
                night_name=NIGHT,
                kind=kind,
                occurrence=next(self._numbers),
                decision_id=decision_id,
                why="good_tonight",
                raised_at=self.wall,
                expires_at=self.wall + helps_for,
                facts={**to_json(said), **facts},
            )
            session.add(row)
            session.flush()
            session.expunge(row)
            return row

    def message(
        self,
        address_id: int,
        kind: AlertKind = AlertKind.GO,
        *,
        helps_for: timedelta = 6 * HOUR,
        subscription_id: int | None = None,
        wishes: Wishes | None = None,
        **facts: Any,
    ) -> str:
        """A message with one alert about tonight, due now."""
        subscription_id = subscription_id or self.subscription(address_id, wishes=wishes)
        alert = self.alert(subscription_id, self.decide(subscription_id), kind, helps_for=helps_for, **facts)
        with self.sessions.begin() as session:
            return enqueue(session, address_id, [alert], created_at=self.wall, due_at=self.wall).id

    def deliver(self, *, later: timedelta = timedelta(0)) -> dict[str, int]:
        """One pass over what is due, that much later."""
        self.wall += later
        return dispatcher.run(self.duskbell.delivery, self.wall)

    def row(self, message_id: str) -> MessageRow:
        with self.sessions() as session:
            row: MessageRow = session.get_one(MessageRow, message_id)
            return row

    def status(self, message_id: str) -> Status:
        return Status(self.row(message_id).status)

    def codes(self, message_id: str) -> list[str | None]:
        """What each attempt at the message was answered, oldest first."""
        with self.sessions() as session:
            return [attempt.code for attempt in messages.find_attempts(session, message_id)]

    def address_row(self, address_id: int) -> AddressRow:
        with self.sessions() as session:
            row: AddressRow = session.get_one(AddressRow, address_id)
            return row

    def notices(self) -> list[tuple[str, int]]:
        """Kind and address of the notices that were written, oldest first."""
        with self.sessions() as session:
            rows = session.scalars(select(MessageRow).order_by(MessageRow.created_at)).all()
            kinds = messages.notices_of(session, [row.id for row in rows])
            return [(kinds[row.id].kind, row.address_id) for row in rows if row.id in kinds]

    def troubles(self) -> set[str]:
        with self.sessions() as session:
            return set(session.scalars(select(TroubleRow.key)))

    def broken(self) -> list[str]:
        """Promises that the rows show to be broken."""
        with self.sessions() as session:
            return find_broken(session, now=self.wall, wall=self.wall)


@contextmanager
def open_yard(
    folder: Path,
    store_url: str = "",
    *,
    whole_s: float = 5.0,
    relay: MailServer | None = None,
    **settings: Any,
) -> Iterator[Yard]:
    """An installation in that folder; local receivers may be called, each for `whole_s` at most.

    relay: takes the mail; None writes it to the outbox folder. When the block ends, every promise must
    hold.
    """
    chosen = Settings(
        data_dir=folder,
        database_url=store_url or f"sqlite:///{folder / 'store.sqlite3'}",
        contact="test@example.org",
        mail_from="duskbell@example.org",
        public_url="https://duskbell.example.org",
        **settings,
    )
    duskbell = Duskbell(chosen)
    yard = Yard(duskbell)
    client = SafeClient(allow=["127.0.0.1"], ports=(443, *range(1024, 65536)), whole_s=whole_s)
    duskbell.channels = build_channels(chosen, client=client, relay=relay)
    duskbell.clock = lambda: yard.wall
    duskbell.steady = yard.steady_s
    duskbell.delivery = replace(duskbell.delivery, workshop=EnclosureBuilder())  # nights here are empty rows
    try:
        yield yard
        assert yard.broken() == []
    finally:
        duskbell.engine.dispose()
