"""judging: what was told with each decision, shared snapshots and findings, packed facts, looks that are due

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

BLOCK = 500
PACKED = (("night", "facts", False), ("outlook", "facts", False), ("forecast", "body", True))
"""Table, column, and whether it may be empty: JSON until now, packed from here on."""


def upgrade() -> None:
    for table, column, nullable in PACKED:
        _change(table, column, sa.JSON(none_as_null=True), sa.LargeBinary(), _pack, nullable)
    with op.batch_alter_table("forecast") as forecast:
        forecast.add_column(sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=True))
        forecast.add_column(sa.Column("unchanged_since", sa.DateTime(timezone=True), nullable=True))
        forecast.add_column(sa.Column("digest", sa.String(length=32), nullable=True))
    with op.batch_alter_table("subscription") as subscription:
        subscription.add_column(sa.Column("ended_why", sa.String(length=200), nullable=True))
        subscription.add_column(sa.Column("judged_at", sa.DateTime(timezone=True), nullable=True))
        subscription.add_column(sa.Column("look_again_at", sa.DateTime(timezone=True), nullable=True))
        subscription.create_index(subscription.f("ix_subscription_look_again_at"), ["look_again_at"])
    op.create_index(op.f("ix_alert_night_name"), "alert", ["night_name"], unique=False)
    _make_shared_tables()
    _add_to_decisions()
    _share()
    _finish_decisions()


def _make_shared_tables() -> None:
    op.create_table(
        "wish_snapshot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("wishes", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wish_snapshot")),
    )
    op.create_index(op.f("ix_wish_snapshot_digest"), "wish_snapshot", ["digest"], unique=False)
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reasons", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )


def _add_to_decisions() -> None:
    with op.batch_alter_table("decision") as decision:
        decision.add_column(sa.Column("wish_snapshot_id", sa.Integer(), nullable=True))
        decision.add_column(sa.Column("finding_id", sa.Integer(), nullable=True))
        decision.add_column(sa.Column("told", sa.String(length=20), nullable=True))
        decision.add_column(sa.Column("why", sa.String(length=40), nullable=False, server_default=""))
        decision.add_column(sa.Column("why_text", sa.Text(), nullable=False, server_default=""))
        decision.add_column(sa.Column("rung", sa.Integer(), nullable=False, server_default="0"))
        decision.add_column(sa.Column("rung_since", sa.DateTime(timezone=True), nullable=True))
        decision.add_column(sa.Column("leave_by", sa.DateTime(timezone=True), nullable=True))


def _share() -> None:
    """Move wishes and reasons of the decisions made so far to the tables that share them."""
    connection = op.get_bind()
    decision = sa.table(
        "decision",
        sa.column("id", sa.Integer),
        sa.column("wishes", sa.JSON),
        sa.column("reasons", sa.JSON),
        sa.column("wish_snapshot_id", sa.Integer),
        sa.column("finding_id", sa.Integer),
    )
    snapshot = sa.table(
        "wish_snapshot",
        sa.column("id", sa.Integer),
        sa.column("digest", sa.String),
        sa.column("wishes", sa.JSON),
    )
    finding = sa.table("finding", sa.column("id", sa.Integer), sa.column("reasons", sa.LargeBinary))
    known: dict[str, int] = {}
    found: dict[bytes, int] = {}
    for row in _in_blocks(connection, decision, ("wishes", "reasons")):
        digest, packed = _digest(row.wishes), _pack(row.reasons)
        if digest not in known:
            known[digest] = len(known) + 1
            values = {"id": known[digest], "digest": digest, "wishes": row.wishes}
            connection.execute(sa.insert(snapshot).values(values))
        if packed not in found:
            found[packed] = len(found) + 1
            connection.execute(sa.insert(finding).values(id=found[packed], reasons=packed))
        connection.execute(
            sa.update(decision)
            .where(decision.c.id == row.id)
            .values(wish_snapshot_id=known[digest], finding_id=found[packed])
        )
    if connection.dialect.name == "postgresql":
        for table, count in (("wish_snapshot", len(known)), ("finding", len(found))):
            sequence = sa.func.pg_get_serial_sequence(table, "id")
            connection.execute(sa.select(sa.func.setval(sequence, count + 1, False)))


def _finish_decisions() -> None:
    with op.batch_alter_table("decision") as decision:
        decision.alter_column("wish_snapshot_id", existing_type=sa.Integer(), nullable=False)
        decision.alter_column("finding_id", existing_type=sa.Integer(), nullable=False)
        for column in ("why", "why_text", "rung"):
            decision.alter_column(column, server_default=None)
        decision.create_foreign_key(
            decision.f("fk_decision_wish_snapshot_id_wish_snapshot"),
            "wish_snapshot",
            ["wish_snapshot_id"],
            ["id"],
        )
        decision.create_foreign_key(
            decision.f("fk_decision_finding_id_finding"), "finding", ["finding_id"], ["id"]
        )
        decision.drop_column("wishes")
        decision.drop_column("reasons")


def _change(
    table: str,
    column: str,
    old: sa.types.TypeEngine[Any],
    new: sa.types.TypeEngine[Any],
    turn: Any,
    nullable: bool,
) -> None:
    """Give a column another type by way of a second one, value by value."""
    fresh = f"{column}_new"
    with op.batch_alter_table(table) as batch:
        batch.add_column(sa.Column(fresh, new, nullable=True))
    rows = sa.table(table, sa.column("id", sa.Integer), sa.column(column, old), sa.column(fresh, new))
    connection = op.get_bind()
    for row in _in_blocks(connection, rows, (column,)):
        value = getattr(row, column)
        if value is not None:
            changed = sa.update(rows).where(rows.c.id == row.id).values({fresh: turn(value)})
            connection.execute(changed)
    with op.batch_alter_table(table) as batch:
        batch.drop_column(column)
    with op.batch_alter_table(table) as batch:
        batch.alter_column(fresh, new_column_name=column, existing_type=new, nullable=nullable)


def _in_blocks(
    connection: sa.Connection, table: sa.TableClause, columns: tuple[str, ...]
) -> Iterator[sa.Row[Any]]:
    """Every row's id and those columns, some hundred at a time, so that memory stays small."""
    last = 0
    wanted = [table.c.id, *(table.c[name] for name in columns)]
    while True:
        rows = connection.execute(
            sa.select(*wanted).where(table.c.id > last).order_by(table.c.id).limit(BLOCK)
        ).all()
        yield from rows
        if len(rows) < BLOCK:
            return
        last = rows[-1].id


def _pack(value: Any) -> bytes:
    return zlib.compress(json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode(), 6)


def _unpack(data: bytes) -> Any:
    return json.loads(zlib.decompress(data))


def _digest(values: dict[str, Any]) -> str:
    text = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def downgrade() -> None:
    op.drop_index(op.f("ix_alert_night_name"), table_name="alert")
    with op.batch_alter_table("decision") as decision:
        decision.add_column(sa.Column("wishes", sa.JSON(), nullable=True))
        decision.add_column(sa.Column("reasons", sa.JSON(), nullable=True))
    _unshare()
    with op.batch_alter_table("decision") as decision:
        decision.alter_column("wishes", existing_type=sa.JSON(), nullable=False)
        decision.alter_column("reasons", existing_type=sa.JSON(), nullable=False)
        decision.drop_constraint("fk_decision_wish_snapshot_id_wish_snapshot", type_="foreignkey")
        decision.drop_constraint("fk_decision_finding_id_finding", type_="foreignkey")
        for name in (
            "wish_snapshot_id",
            "finding_id",
            "told",
            "why",
            "why_text",
            "rung",
            "rung_since",
            "leave_by",
        ):
            decision.drop_column(name)
    op.drop_table("finding")
    op.drop_index(op.f("ix_wish_snapshot_digest"), table_name="wish_snapshot")
    op.drop_table("wish_snapshot")
    with op.batch_alter_table("subscription") as subscription:
        subscription.drop_index(subscription.f("ix_subscription_look_again_at"))
        for name in ("ended_why", "judged_at", "look_again_at"):
            subscription.drop_column(name)
    with op.batch_alter_table("forecast") as forecast:
        for name in ("confirmed_at", "unchanged_since", "digest"):
            forecast.drop_column(name)
    for table, column, nullable in PACKED:
        _change(table, column, sa.LargeBinary(), sa.JSON(none_as_null=True), _unpack, nullable)


def _unshare() -> None:
    connection = op.get_bind()
    rows = connection.execute(
        sa.text(
            "SELECT decision.id AS id, wish_snapshot.wishes AS wishes, finding.reasons AS reasons FROM decision "
            "JOIN wish_snapshot ON wish_snapshot.id = decision.wish_snapshot_id "
            "JOIN finding ON finding.id = decision.finding_id"
        ).columns(id=sa.Integer, wishes=sa.JSON, reasons=sa.LargeBinary)
    ).all()
    decision = sa.table(
        "decision",
        sa.column("id", sa.Integer),
        sa.column("wishes", sa.JSON),
        sa.column("reasons", sa.JSON),
    )
    for row in rows:
        connection.execute(
            sa.update(decision)
            .where(decision.c.id == row.id)
            .values(wishes=row.wishes, reasons=_unpack(row.reasons))
        )
