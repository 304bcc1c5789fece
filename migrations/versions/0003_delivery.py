"""delivery: notices, breakers, tokens, limits, suppression, troubles

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "destination",
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("pause_s", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("open_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_destination")),
    )
    op.create_table(
        "endpoint",
        sa.Column("address_id", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failing_since", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_failure_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("owner_told_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("secret_changed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["address_id"], ["address.id"], name=op.f("fk_endpoint_address_id_address")),
        sa.PrimaryKeyConstraint("address_id", name=op.f("pk_endpoint")),
    )
    op.create_table(
        "notice",
        sa.Column("message_id", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"], name=op.f("fk_notice_message_id_message")),
        sa.PrimaryKeyConstraint("message_id", name=op.f("pk_notice")),
    )
    op.create_table(
        "token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("nonce", sa.String(length=64), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("address_id", sa.Integer(), nullable=True),
        sa.Column("label", sa.String(length=80), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["address_id"], ["address.id"], name=op.f("fk_token_address_id_address")),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_token_person_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_token")),
        sa.UniqueConstraint("digest", name=op.f("uq_token_digest")),
    )
    op.create_index("ix_token_address_purpose", "token", ["address_id", "purpose"], unique=False)
    op.create_index(op.f("ix_token_expires_at"), "token", ["expires_at"], unique=False)
    op.create_index(op.f("ix_token_person_id"), "token", ["person_id"], unique=False)
    op.create_table(
        "limit_bucket",
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("level", sa.Double(), nullable=False),
        sa.Column("filled_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_limit_bucket")),
    )
    op.create_index(op.f("ix_limit_bucket_filled_at"), "limit_bucket", ["filled_at"], unique=False)
    op.create_table(
        "asking",
        sa.Column("address_hash", sa.String(length=64), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("address_hash", name=op.f("pk_asking")),
    )
    op.create_table(
        "suppression",
        sa.Column("address_hash", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("address_hash", name=op.f("pk_suppression")),
    )
    op.create_table(
        "bounce",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address_hash", sa.String(length=64), nullable=False),
        sa.Column("message_id", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bounce")),
        sa.UniqueConstraint(
            "address_hash", "message_id", "kind", name=op.f("uq_bounce_address_hash_message_id_kind")
        ),
    )
    op.create_table(
        "trouble",
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_trouble")),
    )


def downgrade() -> None:
    for table in (
        "trouble", "bounce", "suppression", "asking", "limit_bucket", "token", "notice", "endpoint", "destination",
    ):  # fmt: skip
        op.drop_table(table)
