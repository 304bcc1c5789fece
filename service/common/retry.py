"""A transaction tried again when the database asks for that: it was busy, or two were in each other's way."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.orm import Session, sessionmaker

log = logging.getLogger(__name__)

T = TypeVar("T")

TRIES = 3
_BUSY = ("database is locked", "database table is locked")
_GAVE_WAY = ("40001", "40P01", "55P03")
"""PostgreSQL's codes for a serialization failure, a deadlock and a lock not available."""


def in_transaction(sessions: sessionmaker[Session], work: Callable[[Session], T], tries: int = TRIES) -> T:
    """What `work` returns, once its transaction is committed; nothing of it is kept when that fails.

    The work must be such that it can be done again from the start.
    """
    for attempt in range(1, tries + 1):
        try:
            with sessions.begin() as session:
                return work(session)
        except DBAPIError as error:
            if attempt == tries or not may_pass(error):
                raise
            log.warning("a transaction is tried again (%d of %d): %s", attempt + 1, tries, error.orig)
    raise AssertionError


def may_pass(error: DBAPIError) -> bool:
    """Whether the same work can succeed another time: the database was busy, or somebody was first."""
    if isinstance(error, IntegrityError):
        return True
    if isinstance(error, OperationalError) and str(error.orig).startswith(_BUSY):
        return True
    return getattr(error.orig, "sqlstate", None) in _GAVE_WAY
