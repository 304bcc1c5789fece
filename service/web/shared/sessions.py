"""Signed-in browsers: a random token in a cookie, its hash in the store, one row for each sign-in.

A browser stays signed in for 30 days, whatever it does. What can't be undone, or hands out all at once, asks
for a sign-in of the last 15 minutes (`access.need_fresh`).
"""

from __future__ import annotations

import base64
import hashlib
import re
import secrets
from datetime import datetime, timedelta

from fastapi import Response
from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session

from service.store.schema import core_tables
from service.store.schema.delivery_tables import Token

PURPOSE = "session"
LIVES = timedelta(days=30)
FRESH_FOR = timedelta(minutes=15)
SEEN_TO = timedelta(hours=1)
"""How exactly it is kept when a browser was last seen: looking at pages shouldn't write."""
COOKIE = "duskbell"
"""Over https it carries the __Host- prefix (RFC 6265bis, section 4.1.3.2): no other host can set it."""
RANDOM_BYTES = 20
FORGET = '"cache", "storage"'
"""Clear-Site-Data, W3C Working Draft 2017: storage takes the worker and the field pages that it kept, which
tell exact places. Not "cookies": that would sign its reader out of everything else on the same domain, and
ours is taken back by itself. Browsers heed it over https alone, and over http there is no worker."""


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
            seen_at=now,
        )
    )
    session.flush()
    return token


def find(session: Session, token: str, now: datetime) -> tuple[Token, core_tables.Person] | None:
    """The browser of that token and who is signed in there; None when it is unknown, over or signed out."""
    query = (
        select(Token, core_tables.Person)
        .join(core_tables.Person, Token.person_id == core_tables.Person.id)
        .where(Token.digest == _digest(token), *_working(now))
    )
    found = session.execute(query).first()
    return None if found is None else (found[0], found[1])


def was_signed_out(session: Session, token: str) -> bool:
    """Whether somebody ended that browser, rather than its time."""
    query = select(Token.id).where(
        Token.digest == _digest(token), Token.purpose == PURPOSE, Token.used_at.is_not(None)
    )
    return session.scalar(query) is not None


def note_seen(session: Session, browser_id: int, now: datetime) -> None:
    session.execute(update(Token).where(Token.id == browser_id).values(seen_at=now))


def find_browsers(session: Session, person_id: int, now: datetime) -> list[Token]:
    """Where that person is signed in, the last seen first."""
    rows = session.scalars(select(Token).where(Token.person_id == person_id, *_working(now)))
    return sorted(rows, key=lambda row: (row.seen_at or row.created_at, row.id), reverse=True)


def _working(now: datetime) -> tuple[ColumnElement[bool], ...]:
    return Token.purpose == PURPOSE, Token.used_at.is_(None), Token.expires_at > now


def end(session: Session, token: str, now: datetime) -> None:
    """Sign that browser out."""
    _end(session, now, Token.digest == _digest(token))


def end_one(session: Session, person_id: int, browser_id: int, now: datetime) -> bool:
    """Sign one browser of that person out; whether there was such a one."""
    return _end(session, now, Token.person_id == person_id, Token.id == browser_id) > 0


def end_all(session: Session, person_id: int, now: datetime, *, but: int | None = None) -> int:
    """Sign all browsers of that person out, except the one of that id; how many."""
    others = [] if but is None else [Token.id != but]
    return _end(session, now, Token.person_id == person_id, *others)


def _end(session: Session, now: datetime, *which: ColumnElement[bool]) -> int:
    done = session.execute(
        update(Token).where(Token.purpose == PURPOSE, Token.used_at.is_(None), *which).values(used_at=now)
    )
    return int(done.rowcount)  # type: ignore[attr-defined]


def _digest(token: str) -> str:
    """SHA-256 is enough: nobody can try 160 random bits."""
    return hashlib.sha256(f"{PURPOSE}:{token}".encode()).hexdigest()


PROGRAMS = (
    (r"Edg(e|A|iOS)?/", "Edge"),
    (r"OPR/|Opera", "Opera"),
    (r"SamsungBrowser/", "Samsung Internet"),
    (r"Firefox/|FxiOS/", "Firefox"),
    (r"Chrome/|CriOS/|Chromium/", "Chrome"),
    (r"Safari/", "Safari"),
)
"""Which program, the first that fits: most also name those below."""
DEVICES = (
    (r"iPhone", "an iPhone"),
    (r"iPad", "an iPad"),
    (r"Android", "Android"),
    (r"Windows", "Windows"),
    (r"Macintosh|Mac OS X", "a Mac"),
    (r"CrOS", "ChromeOS"),
    (r"Linux|X11", "Linux"),
)


def roughly(user_agent: str) -> str:
    """What a browser calls itself, in few words: `Firefox on Linux`. The rest of it isn't kept."""
    program = next((name for pattern, name in PROGRAMS if re.search(pattern, user_agent)), "")
    device = next((name for pattern, name in DEVICES if re.search(pattern, user_agent)), "")
    if program and device:
        return f"{program} on {device}"
    return program or (f"a browser on {device}" if device else "a browser")


def cookie_name(*, is_https: bool, name: str = COOKIE) -> str:
    return f"__Host-{name}" if is_https else name


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


def signed_out(response: Response, *, is_https: bool) -> Response:
    """The answer that takes the cookie back, and with it the field pages that the browser kept."""
    take_cookie(response, is_https=is_https)
    response.headers["Clear-Site-Data"] = FORGET
    return response
