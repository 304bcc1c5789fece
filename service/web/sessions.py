"""Signed-in browsers: a random token in a cookie, its hash in the store, one row for each sign-in."""

from __future__ import annotations

import base64
import hashlib
import secrets
from datetime import datetime, timedelta

from fastapi import Response
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store import tables
from service.store.tables_delivery import Token

PURPOSE = "session"
LIVES = timedelta(days=30)
COOKIE = "duskbell"
"""Over https it carries the __Host- prefix (RFC 6265bis, section 4.1.3.2): no other host can set it."""
RANDOM_BYTES = 20


def start(session: Session, person_id: int, now: datetime, *, label: str = "") -> str:
    """A new signed-in browser of that person; the token for its cookie, in the clear for this once."""
    token = base64.b32encode(secrets.token_bytes(RANDOM_BYTES)).decode("ascii").lower()
    session.add(
        Token(
            purpose=PURPOSE,
            digest=_digest(token),
            person_id=person_id,
            label=label[:80],
            created_at=now,
            expires_at=now + LIVES,
        )
    )
    session.flush()
    return token


def person_of(session: Session, token: str, now: datetime) -> tables.Person | None:
    """Who is signed in with that token; None when it is unknown, over or signed out."""
    query = (
        select(tables.Person)
        .join(Token, Token.person_id == tables.Person.id)
        .where(
            Token.digest == _digest(token),
            Token.purpose == PURPOSE,
            Token.used_at.is_(None),
            Token.expires_at > now,
        )
    )
    return session.scalar(query)


def end(session: Session, token: str, now: datetime) -> None:
    """Sign that browser out."""
    _end(session, Token.digest == _digest(token), now)


def end_all(session: Session, person_id: int, now: datetime) -> None:
    """Sign all browsers of that person out."""
    _end(session, Token.person_id == person_id, now)


def _end(session: Session, which: object, now: datetime) -> None:
    session.execute(
        update(Token)
        .where(Token.purpose == PURPOSE, Token.used_at.is_(None), which)  # type: ignore[arg-type]
        .values(used_at=now)
    )


def _digest(token: str) -> str:
    """SHA-256 is enough: nobody can try 160 random bits."""
    return hashlib.sha256(f"{PURPOSE}:{token}".encode()).hexdigest()


def cookie_name(*, is_https: bool) -> str:
    return f"__Host-{COOKIE}" if is_https else COOKIE


def give_cookie(response: Response, token: str, *, is_https: bool) -> None:
    response.set_cookie(
        cookie_name(is_https=is_https),
        token,
        max_age=round(LIVES.total_seconds()),
        path="/",
        secure=is_https,
        httponly=True,
        samesite="lax",
    )


def take_cookie(response: Response, *, is_https: bool) -> None:
    response.delete_cookie(
        cookie_name(is_https=is_https), path="/", secure=is_https, httponly=True, samesite="lax"
    )
