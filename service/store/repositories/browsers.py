"""Signed-in browsers: a random token in a cookie, its hash in the store, one row for each sign-in.

A browser stays signed in for 30 days, whatever it does.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session

from service.store.repositories.tokens import digest, random_token, use_up
from service.store.schema.core_tables import PersonRow
from service.store.schema.delivery_tables import TokenRow

PURPOSE = "session"
LIVES = timedelta(days=30)


def start(session: Session, person_id: int, now: datetime, *, label: str = "") -> str:
    """A new signed-in browser of that person; the token for its cookie, in the clear for this once."""
    token = random_token()
    session.add(
        TokenRow(
            purpose=PURPOSE,
            digest=digest(PURPOSE, token),
            person_id=person_id,
            label=label[:80],
            created_at=now,
            expires_at=now + LIVES,
            seen_at=now,
        )
    )
    session.flush()
    return token


def find(session: Session, token: str, now: datetime) -> tuple[TokenRow, PersonRow] | None:
    """The browser of that token and who is signed in there; None when it is unknown, over or signed out."""
    query = (
        select(TokenRow, PersonRow)
        .join(PersonRow, TokenRow.person_id == PersonRow.id)
        .where(TokenRow.digest == digest(PURPOSE, token), *_working(now))
    )
    found = session.execute(query).first()
    return None if found is None else (found[0], found[1])


def was_signed_out(session: Session, token: str) -> bool:
    """Whether somebody ended that browser, rather than its time."""
    query = select(TokenRow.id).where(
        TokenRow.digest == digest(PURPOSE, token), TokenRow.purpose == PURPOSE, TokenRow.used_at.is_not(None)
    )
    return session.scalar(query) is not None


def note_seen(session: Session, browser_id: int, now: datetime) -> None:
    session.execute(update(TokenRow).where(TokenRow.id == browser_id).values(seen_at=now))


def find_browsers(session: Session, person_id: int, now: datetime) -> list[TokenRow]:
    """Where that person is signed in, the last seen first."""
    rows = session.scalars(select(TokenRow).where(TokenRow.person_id == person_id, *_working(now)))
    return sorted(rows, key=lambda row: (row.seen_at or row.created_at, row.id), reverse=True)


def _working(now: datetime) -> tuple[ColumnElement[bool], ...]:
    return TokenRow.purpose == PURPOSE, TokenRow.used_at.is_(None), TokenRow.expires_at > now


def end(session: Session, token: str, now: datetime) -> None:
    """Sign that browser out."""
    _end(session, now, TokenRow.digest == digest(PURPOSE, token))


def end_one(session: Session, person_id: int, browser_id: int, now: datetime) -> bool:
    """Sign one browser of that person out; whether there was such a one."""
    return _end(session, now, TokenRow.person_id == person_id, TokenRow.id == browser_id) > 0


def end_all(session: Session, person_id: int, now: datetime, *, but: int | None = None) -> int:
    """Sign all browsers of that person out, except the one of that id; how many."""
    others = [] if but is None else [TokenRow.id != but]
    return _end(session, now, TokenRow.person_id == person_id, *others)


def _end(session: Session, now: datetime, *which: ColumnElement[bool]) -> int:
    return use_up(session, now, TokenRow.purpose == PURPOSE, *which)
