"""Column types: aware UTC times in every database."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from alerts.common.phrases import phrase


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC in and out; refuses naive times. timestamptz where the database has it."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        utc = _utc(value)
        return utc if dialect.name != "sqlite" else utc.replace(tzinfo=None)

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], Any] | None:
        """SQLite is given its text at once: a decision has six times, and a cycle many thousand decisions."""
        return _sqlite_text if dialect.name == "sqlite" else super().bind_processor(dialect)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


def _utc(value: datetime) -> datetime:
    if value.tzinfo is None:
        raise ValueError(phrase("store.time-without-zone", isoformat=value.isoformat()))
    return value if value.tzinfo is UTC else value.astimezone(UTC)


def _sqlite_text(value: datetime | None) -> str | None:
    """`2027-07-01 10:07:00.000000`, as SQLAlchemy's own DATETIME writes and reads it."""
    return None if value is None else _utc(value).isoformat(" ", "microseconds").removesuffix("+00:00")
