"""Tables of sharing the work among processes; the others are in tables.py.

cycle ── cycle_part (a block of a stage)          duty_turn (what was done when, by whichever scheduler)
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.schema.core_tables import Table


class CyclePartRow(Table):
    """A block of one stage of a cycle, done by one process at a time under a lease.

    ids: whom or what the block is about, as its stage reads them.  note: why it was given up or divided.
    """

    __tablename__ = "cycle_part"
    __table_args__ = (
        Index(
            "ix_cycle_part_open",
            "cycle_id",
            "stage",
            postgresql_where=text("done_at IS NULL"),
            sqlite_where=text("done_at IS NULL"),
        ),
    )

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
