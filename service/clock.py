"""The wall clock, in a module of its own so that quick commands needn't load the whole service."""

from __future__ import annotations

from datetime import UTC, datetime


def real_clock() -> datetime:
    """Now, aware UTC."""
    return datetime.now(UTC)
