"""The tables. Facts are append-only; what changes is the state of a message and a person's choices.

person ── address ── subscription ── site ── site_revision ── night
                          │                                     │
                          └── decision ── outlook ── forecast ──┘
                             │   └── wish_snapshot, finding, telling (shared by many)
                               alert ── message ── attempt          outcome

cycle ── cycle_part (a block of a stage)          duty_turn (what was done when, by whichever scheduler)
"""

from __future__ import annotations

import hashlib
import json
from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, MetaData, String, Text, UniqueConstraint, false, text
from sqlalchemy.orm import DeclarativeBase, Mapped, foreign, mapped_column, relationship, validates

from alerts.common.phrases import Phrase
from alerts.field.trip_plan import Home
from service.store.column_types import PackedInJson, PackedJson, RowWords, UtcDateTime
from service.store.json_values import said_in


class Table(DeclarativeBase):
    """Base of all tables, each named after its table and Row: a `NightRow` is stored, a `Night` is its value.

    Constraint names are fixed so that every database can migrate them.
    """

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it as a class attribute
        datetime: UtcDateTime(),
        dict[str, Any]: JSON(),
        list[Any]: JSON(),
    }


def digest_of(values: dict[str, Any]) -> str:
    """What to know the same JSON values by, whatever the order of their keys."""
    text = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _index_where(name: str, *columns: str, where: str) -> Index:
    """An index of those rows alone that somebody will ask for; most messages are settled."""
    return Index(name, *columns, postgresql_where=text(where), sqlite_where=text(where))


class PersonRow(Table):
    """Someone who owns sites and subscriptions.

    may_keep_sites: they were given the right to keep sites here; see `people.may_keep`.
    home_lat_deg, home_lon_deg, home_speed_kmh: where they set out and how fast they travel, all or none; the
    place is kept to about 1 km. Shown to nobody else; read as `home`, written by `people.set_home` alone.
    """

    __tablename__ = "person"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    zone: Mapped[str] = mapped_column(String(64))
    is_operator: Mapped[bool]
    may_keep_sites: Mapped[bool] = mapped_column(default=False, server_default=false())
    created_at: Mapped[datetime]
    home_lat_deg: Mapped[float | None]
    home_lon_deg: Mapped[float | None]
    home_speed_kmh: Mapped[float | None]

    @property
    def home(self) -> Home | None:
        """Where they set out; None while nobody said."""
        if self.home_lat_deg is None or self.home_lon_deg is None or self.home_speed_kmh is None:
            return None
        return Home(self.home_lat_deg, self.home_lon_deg, self.home_speed_kmh)


class AddressRow(Table):
    """Where messages go: a mail address or a webhook. Nothing is sent before `confirmed_at`.

    is_own: marked as the operator's own, so that its reader may sign in as the operator; of other people's
    addresses it says nothing. Whose an address is: service/accounts/address_owner.py.
    """

    __tablename__ = "address"
    __table_args__ = (UniqueConstraint("person_id", "channel", "target"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    channel: Mapped[str] = mapped_column(String(32))
    target: Mapped[str] = mapped_column(Text)
    secrets: Mapped[list[Any]]
    is_own: Mapped[bool] = mapped_column(default=False, server_default=false())
    created_at: Mapped[datetime]
    confirmed_at: Mapped[datetime | None]
    off_since: Mapped[datetime | None]
    off_reason: Mapped[str | None] = mapped_column(Text)

    person: Mapped[PersonRow] = relationship()


class SiteRow(Table):
    """A place of a person's; what is known of it lies in its revisions.

    folded_name: the name without its case, to find it by; follows the name. None only where a version
    before this column wrote the row.
    rounded_of_id: the site whose copy for others this is; None for a site that somebody described. No foreign
    key: SQLite would have to write the table anew for it.
    """

    __tablename__ = "site"
    __table_args__ = (Index("ix_site_folded_name", "folded_name", "owner_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    owner_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    name: Mapped[str] = mapped_column(String(200))
    folded_name: Mapped[str | None] = mapped_column(String(600))
    is_shared: Mapped[bool]
    created_at: Mapped[datetime]
    archived_at: Mapped[datetime | None]
    rounded_of_id: Mapped[int | None] = mapped_column(index=True, unique=True)

    revisions: Mapped[list[SiteRevisionRow]] = relationship(
        back_populates="site", order_by="SiteRevisionRow.revision"
    )

    @validates("name")
    def _fold_name(self, _: str, name: str) -> str:
        self.folded_name = name.casefold()
        return name


class SiteRevisionRow(Table):
    """A site as it was described from one moment on; never changed, only followed by another."""

    __tablename__ = "site_revision"
    __table_args__ = (UniqueConstraint("site_id", "revision"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    revision: Mapped[int]
    lat_deg: Mapped[float]
    lon_deg: Mapped[float]
    zone: Mapped[str] = mapped_column(String(64))
    facts: Mapped[dict[str, Any]]
    created_at: Mapped[datetime]

    site: Mapped[SiteRow] = relationship(back_populates="revisions")


class SubscriptionRow(Table):
    """One address that wants to hear of one site, with its wishes.

    judged_at: when its nights were last judged. look_again_at: from when on a verdict or a word could be
    another one by the passing of time alone; None: judge it in the next cycle, something has changed.
    nights_due: the same moment for each of its nights; read and written by
    service/store/repositories/due_reviews.py. kit: camera and lens as the person types them
    (`alerts.field.kit_text`), "" for the default; it shapes what messages say and nothing of what is decided.
    """

    __tablename__ = "subscription"

    id: Mapped[int] = mapped_column(primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    address_id: Mapped[int] = mapped_column(ForeignKey("address.id"), index=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"), index=True)
    wishes: Mapped[dict[str, Any]]
    sky_key: Mapped[str] = mapped_column(String(120))
    kit: Mapped[str] = mapped_column(String(200), default="", server_default="")
    created_at: Mapped[datetime]
    paused_until: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    ended_why: Mapped[str | None] = mapped_column(String(200))
    judged_at: Mapped[datetime | None]
    look_again_at: Mapped[datetime | None] = mapped_column(index=True)
    nights_due: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))

    address: Mapped[AddressRow] = relationship()
    person: Mapped[PersonRow] = relationship()
    site: Mapped[SiteRow] = relationship()


class NightRow(Table):
    """A night at a site revision under one set of sky wishes, shared by all who wish the same.

    sky_key: with the version of the rules that made it, see `nights.night_key`.
    """

    __tablename__ = "night"
    __table_args__ = (UniqueConstraint("site_revision_id", "name", "sky_key"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_revision_id: Mapped[int] = mapped_column(ForeignKey("site_revision.id"))
    name: Mapped[date]
    sky_key: Mapped[str] = mapped_column(String(120))
    starts: Mapped[datetime]
    ends: Mapped[datetime] = mapped_column(index=True)
    first_window_start: Mapped[datetime | None]
    last_window_end: Mapped[datetime | None]
    facts: Mapped[dict[str, Any]] = mapped_column(PackedJson(RowWords.NIGHTS))
    kernel: Mapped[str] = mapped_column(String(40))
    rules_version: Mapped[str] = mapped_column(String(20))
    computed_at: Mapped[datetime]


class ForecastRow(Table):
    """One model's answer for one place, or why it was rejected (`body` is empty then).

    fetched_at: when these values first came; confirmed_at: when the feed last gave the same ones.
    digest: of the body, to know the same values by.
    """

    __tablename__ = "forecast"
    __table_args__ = (Index("ix_forecast_place_fetched_at", "place", "fetched_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    place: Mapped[str] = mapped_column(String(40))
    feed: Mapped[str] = mapped_column(String(40))
    provider: Mapped[str] = mapped_column(String(80))
    lineage: Mapped[str] = mapped_column(String(40))
    model: Mapped[str] = mapped_column(String(80))
    issued_at: Mapped[datetime | None]
    fetched_at: Mapped[datetime]
    last_hour_ends: Mapped[datetime | None]
    body: Mapped[dict[str, Any] | None] = mapped_column(PackedJson)
    rejected: Mapped[str | None] = mapped_column(Text)
    rejected_phrase: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    confirmed_at: Mapped[datetime | None]
    unchanged_since: Mapped[datetime | None]
    digest: Mapped[str | None] = mapped_column(String(32))


class OutlookRow(Table):
    """The weather over one window of a night, made of named forecasts; shared by all who ask the same, at
    neighbouring sites too where it is equal: then it stands under the night of one of them."""

    __tablename__ = "outlook"
    __table_args__ = (UniqueConstraint("night_id", "window_index", "shortest_minutes", "inputs"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    night_id: Mapped[int] = mapped_column(ForeignKey("night.id"))
    window_index: Mapped[int]
    shortest_minutes: Mapped[int]
    inputs: Mapped[str] = mapped_column(String(64))
    forecast_ids: Mapped[list[Any]]
    chance_pct: Mapped[int | None]
    facts: Mapped[dict[str, Any]] = mapped_column(PackedJson(RowWords.OUTLOOKS))
    as_of: Mapped[datetime]


class WishSnapshotRow(Table):
    """Wishes as decisions were made on them, once for all who wish the same. No person is in it."""

    __tablename__ = "wish_snapshot"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), index=True)
    wishes: Mapped[dict[str, Any]]


class FindingRow(Table):
    """The reasons of a verdict, the deciding one first, once for all whom they concern."""

    __tablename__ = "finding"

    id: Mapped[int] = mapped_column(primary_key=True)
    reasons: Mapped[list[Any]] = mapped_column(PackedJson(RowWords.FINDINGS))


class TellingRow(Table):
    """Why something or nothing was told, once for all whom it concerns. No person is in it."""

    __tablename__ = "telling"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), index=True)
    why_text: Mapped[str] = mapped_column(Text)
    why_text_phrase: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class DecisionRow(Table):
    """A verdict with everything needed to reach it again, and what was told of it, silence included.

    Written when the verdict or the word changes; else only `confirmed_at` moves. told: the kind of alert
    that it raised, None for silence; why: see alerts/notifying/model.py. rung, rung_since: how far up the
    ladder the night stood, and since when on that rung or higher. leave_by: of the trip to the window.
    calibration: the version that corrected the chance, "" where none did. telling_id: of its text; None where
    an older version wrote the row, which then has its own. No foreign key, as with `SiteRow.rounded_of_id`.
    """

    __tablename__ = "decision"
    __table_args__ = (Index("ix_decision_subscription_night", "subscription_id", "night_name", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    subscription_id: Mapped[int] = mapped_column(ForeignKey("subscription.id"))
    night_id: Mapped[int] = mapped_column(ForeignKey("night.id"), index=True)
    night_name: Mapped[date]
    site_revision_id: Mapped[int] = mapped_column(ForeignKey("site_revision.id"))
    as_of: Mapped[datetime]
    confirmed_at: Mapped[datetime]
    verdict: Mapped[str] = mapped_column(String(10))
    deciding_rule: Mapped[str] = mapped_column(String(40))
    fingerprint: Mapped[str] = mapped_column(String(200))
    chance_pct: Mapped[int | None]
    window_start: Mapped[datetime | None]
    window_end: Mapped[datetime | None]
    wish_snapshot_id: Mapped[int] = mapped_column(ForeignKey("wish_snapshot.id"))
    finding_id: Mapped[int] = mapped_column(ForeignKey("finding.id"), index=True)
    outlook_ids: Mapped[list[Any]]
    forecast_ids: Mapped[list[Any]]
    kernel: Mapped[str] = mapped_column(String(40))
    rules_version: Mapped[str] = mapped_column(String(20))
    told: Mapped[str | None] = mapped_column(String(20))
    why: Mapped[str] = mapped_column(String(40), default="")
    why_text: Mapped[str] = mapped_column(Text, default="")
    why_text_phrase: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    telling_id: Mapped[int | None]
    rung: Mapped[int] = mapped_column(default=0)
    rung_since: Mapped[datetime | None]
    leave_by: Mapped[datetime | None]
    calibration: Mapped[str] = mapped_column(String(40), default="", server_default="")

    snapshot: Mapped[WishSnapshotRow] = relationship(lazy="joined", innerjoin=True)
    finding: Mapped[FindingRow] = relationship(lazy="joined", innerjoin=True)
    telling: Mapped[TellingRow | None] = relationship(
        primaryjoin=lambda: foreign(DecisionRow.telling_id) == TellingRow.id, lazy="joined"
    )

    @property
    def wishes(self) -> dict[str, Any]:
        """The wishes as judged."""
        return self.snapshot.wishes

    @wishes.setter
    def wishes(self, wishes: dict[str, Any]) -> None:
        self.snapshot = WishSnapshotRow(digest=digest_of(wishes), wishes=wishes)

    @property
    def why_said(self) -> Phrase | None:
        """Why it told something or nothing; None in the first rows, which have its code alone."""
        return said_in(self.telling or self, "why_text")

    @property
    def reasons(self) -> list[Any]:
        """The reasons as JSON values, the deciding one first."""
        return self.finding.reasons

    @reasons.setter
    def reasons(self, reasons: list[Any]) -> None:
        self.finding = FindingRow(reasons=reasons)


class AlertRow(Table):
    """A fact to be told about one night to one subscription; the database lets each exist once."""

    __tablename__ = "alert"
    __table_args__ = (UniqueConstraint("subscription_id", "night_name", "kind", "occurrence"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    subscription_id: Mapped[int] = mapped_column(ForeignKey("subscription.id"))
    night_name: Mapped[date] = mapped_column(index=True)
    kind: Mapped[str] = mapped_column(String(20))
    occurrence: Mapped[int]
    decision_id: Mapped[int] = mapped_column(ForeignKey("decision.id"), index=True)
    why: Mapped[str] = mapped_column(String(40))
    raised_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    facts: Mapped[dict[str, Any]] = mapped_column(PackedInJson(RowWords.ALERTS))


class MessageRow(Table):
    """What is sent to one address: one or more alerts, and how far it has come.

    status: due, sending, retry; then one of sent, failed, expired, superseded, suppressed.
    """

    __tablename__ = "message"
    __table_args__ = (
        _index_where("ix_message_waiting", "due_at", "id", where="status IN ('due', 'retry')"),
        _index_where("ix_message_sending", "leased_until", where="status = 'sending'"),
    )

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    address_id: Mapped[int] = mapped_column(ForeignKey("address.id"), index=True)
    status: Mapped[str] = mapped_column(String(12))
    created_at: Mapped[datetime]
    due_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    settled_at: Mapped[datetime | None]
    attempts: Mapped[int]
    maybe_sent: Mapped[bool]
    lease_token: Mapped[str | None] = mapped_column(String(40))
    leased_until: Mapped[datetime | None]
    note: Mapped[str | None] = mapped_column(Text)
    note_phrase: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))

    address: Mapped[AddressRow] = relationship()


class MessageAlertRow(Table):
    """Which alerts a message carries; an alert can end on its own (superseded, expired)."""

    __tablename__ = "message_alert"

    message_id: Mapped[str] = mapped_column(ForeignKey("message.id"), primary_key=True)
    alert_id: Mapped[int] = mapped_column(ForeignKey("alert.id"), primary_key=True, index=True)
    dropped: Mapped[str | None] = mapped_column(String(20))


class AttemptRow(Table):
    """One try to send a message and what came of it."""

    __tablename__ = "attempt"

    id: Mapped[int] = mapped_column(primary_key=True)
    message_id: Mapped[str] = mapped_column(ForeignKey("message.id"), index=True)
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime]
    result: Mapped[str] = mapped_column(String(20))
    code: Mapped[str | None] = mapped_column(String(20))
    answer: Mapped[str | None] = mapped_column(Text)


class OutcomeRow(Table):
    """What a night was really like, from a person or from later data."""

    __tablename__ = "outcome"

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"), index=True)
    night_name: Mapped[date]
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    judge: Mapped[str] = mapped_column(String(40))
    state: Mapped[str] = mapped_column(String(12))
    facts: Mapped[dict[str, Any]]
    reported_at: Mapped[datetime]


class CycleRow(Table):
    """One pass of the stages; the key lets a tick count once however often it is triggered."""

    __tablename__ = "cycle"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(40), unique=True)
    as_of: Mapped[datetime]
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    counts: Mapped[dict[str, Any]]


class CyclePartRow(Table):
    """A block of one stage of a cycle, done by one process at a time under a lease.

    ids: whom or what the block is about, as its stage reads them.  note: why it was given up or divided.
    """

    __tablename__ = "cycle_part"
    __table_args__ = (_index_where("ix_cycle_part_open", "cycle_id", "stage", where="done_at IS NULL"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    cycle_id: Mapped[int] = mapped_column(ForeignKey("cycle.id"), index=True)
    stage: Mapped[str] = mapped_column(String(12))
    ids: Mapped[list[Any]]
    opened_at: Mapped[datetime]
    attempts: Mapped[int]
    lease_token: Mapped[str | None] = mapped_column(String(40))
    leased_until: Mapped[datetime | None]
    done_at: Mapped[datetime | None]
    counts: Mapped[dict[str, Any]]
    note: Mapped[str | None] = mapped_column(Text)


class DutyTurnRow(Table):
    """The last time that a recurring duty fell due and was taken; two schedulers meet here."""

    __tablename__ = "duty_turn"

    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    due_at: Mapped[datetime]
