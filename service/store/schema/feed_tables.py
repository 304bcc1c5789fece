"""Tables of asking the feeds: what may be asked, whose turn it is, who is left alone, what is due, answers.

feed_window (allowance)      feed_turn (one at a time)      feed_state (breaker)      place_check (due)
feed_answer (what it said last)
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import LargeBinary, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.schema.core_tables import Table


class FeedWindowRow(Table):
    """What a provider has been asked in its current window of `unit_s` seconds, in its own weight."""

    __tablename__ = "feed_window"

    provider: Mapped[str] = mapped_column(String(40), primary_key=True)
    unit_s: Mapped[int] = mapped_column(primary_key=True)
    starts: Mapped[datetime]
    used: Mapped[float]


class FeedTurnRow(Table):
    """Who may ask a provider that wants one request at a time; free when `until` has passed."""

    __tablename__ = "feed_turn"

    provider: Mapped[str] = mapped_column(String(40), primary_key=True)
    token: Mapped[str] = mapped_column(String(40))
    until: Mapped[datetime]


class FeedStateRow(Table):
    """A feed's breaker: closed (it is asked), open (left alone until `retry_at`), shut (until an operator
    acts). failures: requests that failed on end. since: when this state began."""

    __tablename__ = "feed_state"

    feed: Mapped[str] = mapped_column(String(40), primary_key=True)
    state: Mapped[str] = mapped_column(String(10))
    failures: Mapped[int]
    since: Mapped[datetime]
    retry_at: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(Text)


class PlaceCheckRow(Table):
    """When the feeds were last asked about a place, whatever came of it."""

    __tablename__ = "place_check"

    place: Mapped[str] = mapped_column(String(40), primary_key=True)
    asked_at: Mapped[datetime]


class FeedAnswerRow(Table):
    """A feed's last good answer, kept by the feed's own caching rules."""

    __tablename__ = "feed_answer"

    key: Mapped[str] = mapped_column(String(300), primary_key=True)
    status: Mapped[int]
    body: Mapped[bytes] = mapped_column(LargeBinary)
    fetched_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    last_modified: Mapped[str | None] = mapped_column(String(80))
    etag: Mapped[str | None] = mapped_column(String(200))
    unchanged_since: Mapped[datetime | None]
