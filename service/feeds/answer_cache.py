"""The feeds' answers in the database, so that all processes share one cache."""

from __future__ import annotations

from sqlalchemy.orm import Session, sessionmaker

from service.feeds.shared.cache import StoredAnswer
from service.store.schema.feed_tables import FeedAnswer


class DatabaseCache:
    """An `AnswerCache` over the store; each call is a transaction of its own."""

    def __init__(self, sessions: sessionmaker[Session]) -> None:
        self._sessions = sessions

    def get(self, key: str) -> StoredAnswer | None:
        with self._sessions() as session:
            row = session.get(FeedAnswer, key)
        if row is None:
            return None
        return StoredAnswer(
            body=row.body,
            status=row.status,
            fetched_at=row.fetched_at,
            expires_at=row.expires_at,
            last_modified=row.last_modified,
            etag=row.etag,
            unchanged_since=row.unchanged_since,
        )

    def put(self, key: str, answer: StoredAnswer) -> None:
        with self._sessions.begin() as session:
            session.merge(
                FeedAnswer(
                    key=key,
                    status=answer.status,
                    body=answer.body,
                    fetched_at=answer.fetched_at,
                    expires_at=answer.expires_at,
                    last_modified=answer.last_modified,
                    etag=answer.etag,
                    unchanged_since=answer.unchanged_since,
                )
            )
