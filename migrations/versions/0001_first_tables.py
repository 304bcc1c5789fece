"""first tables

Revision ID: 0001
Revises: none
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "cycle",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=40), nullable=False),
        sa.Column("as_of", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cycle")),
        sa.UniqueConstraint("key", name=op.f("uq_cycle_key")),
    )
    op.create_table(
        "feed_answer",
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_modified", sa.String(length=80), nullable=True),
        sa.Column("etag", sa.String(length=200), nullable=True),
        sa.Column("unchanged_since", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_feed_answer")),
    )
    op.create_table(
        "forecast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place", sa.String(length=40), nullable=False),
        sa.Column("feed", sa.String(length=40), nullable=False),
        sa.Column("provider", sa.String(length=80), nullable=False),
        sa.Column("lineage", sa.String(length=40), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_hour_ends", sa.DateTime(timezone=True), nullable=True),
        sa.Column("body", sa.JSON(), nullable=True),
        sa.Column("rejected", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecast")),
    )
    with op.batch_alter_table("forecast", schema=None) as batch_op:
        batch_op.create_index("ix_forecast_place_fetched_at", ["place", "fetched_at"], unique=False)

    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("is_operator", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
    )
    op.create_table(
        "address",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("channel", sa.String(length=32), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("secrets", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("off_since", sa.DateTime(timezone=True), nullable=True),
        sa.Column("off_reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_address_person_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_address")),
        sa.UniqueConstraint(
            "person_id", "channel", "target", name=op.f("uq_address_person_id_channel_target")
        ),
    )
    with op.batch_alter_table("address", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_address_person_id"), ["person_id"], unique=False)

    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("is_shared", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("archived_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["person.id"], name=op.f("fk_site_owner_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
    )
    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_site_owner_id"), ["owner_id"], unique=False)

    op.create_table(
        "message",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("address_id", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("maybe_sent", sa.Boolean(), nullable=False),
        sa.Column("lease_token", sa.String(length=40), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["address_id"], ["address.id"], name=op.f("fk_message_address_id_address")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
    )
    with op.batch_alter_table("message", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_message_address_id"), ["address_id"], unique=False)
        batch_op.create_index("ix_message_status_due_at", ["status", "due_at"], unique=False)

    op.create_table(
        "outcome",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("judge", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("reported_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_outcome_person_id_person")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_outcome_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outcome")),
    )
    with op.batch_alter_table("outcome", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_outcome_site_id"), ["site_id"], unique=False)

    op.create_table(
        "site_revision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("lat_deg", sa.Double(), nullable=False),
        sa.Column("lon_deg", sa.Double(), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_revision_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site_revision")),
        sa.UniqueConstraint("site_id", "revision", name=op.f("uq_site_revision_site_id_revision")),
    )
    op.create_table(
        "subscription",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("address_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("wishes", sa.JSON(), nullable=False),
        sa.Column("sky_key", sa.String(length=120), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("paused_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["address_id"], ["address.id"], name=op.f("fk_subscription_address_id_address")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_subscription_person_id_person")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_subscription_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subscription")),
    )
    with op.batch_alter_table("subscription", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_subscription_address_id"), ["address_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_subscription_person_id"), ["person_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_subscription_site_id"), ["site_id"], unique=False)

    op.create_table(
        "attempt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.String(length=40), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("result", sa.String(length=20), nullable=False),
        sa.Column("code", sa.String(length=20), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"], name=op.f("fk_attempt_message_id_message")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempt")),
    )
    with op.batch_alter_table("attempt", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_attempt_message_id"), ["message_id"], unique=False)

    op.create_table(
        "night",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_revision_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Date(), nullable=False),
        sa.Column("sky_key", sa.String(length=120), nullable=False),
        sa.Column("starts", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends", sa.DateTime(timezone=True), nullable=False),
        sa.Column("first_window_start", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_window_end", sa.DateTime(timezone=True), nullable=True),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("kernel", sa.String(length=40), nullable=False),
        sa.Column("rules_version", sa.String(length=20), nullable=False),
        sa.Column("computed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_revision_id"], ["site_revision.id"], name=op.f("fk_night_site_revision_id_site_revision")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_night")),
        sa.UniqueConstraint(
            "site_revision_id", "name", "sky_key", name=op.f("uq_night_site_revision_id_name_sky_key")
        ),
    )
    with op.batch_alter_table("night", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_night_ends"), ["ends"], unique=False)

    op.create_table(
        "decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subscription_id", sa.Integer(), nullable=False),
        sa.Column("night_id", sa.Integer(), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("site_revision_id", sa.Integer(), nullable=False),
        sa.Column("as_of", sa.DateTime(timezone=True), nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", sa.String(length=10), nullable=False),
        sa.Column("deciding_rule", sa.String(length=40), nullable=False),
        sa.Column("fingerprint", sa.String(length=200), nullable=False),
        sa.Column("chance_pct", sa.Integer(), nullable=True),
        sa.Column("window_start", sa.DateTime(timezone=True), nullable=True),
        sa.Column("window_end", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.Column("wishes", sa.JSON(), nullable=False),
        sa.Column("outlook_ids", sa.JSON(), nullable=False),
        sa.Column("forecast_ids", sa.JSON(), nullable=False),
        sa.Column("kernel", sa.String(length=40), nullable=False),
        sa.Column("rules_version", sa.String(length=20), nullable=False),
        sa.ForeignKeyConstraint(["night_id"], ["night.id"], name=op.f("fk_decision_night_id_night")),
        sa.ForeignKeyConstraint(
            ["site_revision_id"],
            ["site_revision.id"],
            name=op.f("fk_decision_site_revision_id_site_revision"),
        ),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscription.id"], name=op.f("fk_decision_subscription_id_subscription")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision")),
    )
    with op.batch_alter_table("decision", schema=None) as batch_op:
        batch_op.create_index(
            "ix_decision_subscription_night", ["subscription_id", "night_name", "id"], unique=False
        )

    op.create_table(
        "outlook",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("night_id", sa.Integer(), nullable=False),
        sa.Column("window_index", sa.Integer(), nullable=False),
        sa.Column("shortest_minutes", sa.Integer(), nullable=False),
        sa.Column("inputs", sa.String(length=64), nullable=False),
        sa.Column("forecast_ids", sa.JSON(), nullable=False),
        sa.Column("chance_pct", sa.Integer(), nullable=True),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("as_of", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["night_id"], ["night.id"], name=op.f("fk_outlook_night_id_night")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outlook")),
        sa.UniqueConstraint(
            "night_id",
            "window_index",
            "shortest_minutes",
            "inputs",
            name=op.f("uq_outlook_night_id_window_index_shortest_minutes_inputs"),
        ),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subscription_id", sa.Integer(), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("occurrence", sa.Integer(), nullable=False),
        sa.Column("decision_id", sa.Integer(), nullable=False),
        sa.Column("why", sa.String(length=40), nullable=False),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["decision_id"], ["decision.id"], name=op.f("fk_alert_decision_id_decision")),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscription.id"], name=op.f("fk_alert_subscription_id_subscription")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert")),
        sa.UniqueConstraint(
            "subscription_id",
            "night_name",
            "kind",
            "occurrence",
            name=op.f("uq_alert_subscription_id_night_name_kind_occurrence"),
        ),
    )
    op.create_table(
        "message_alert",
        sa.Column("message_id", sa.String(length=40), nullable=False),
        sa.Column("alert_id", sa.Integer(), nullable=False),
        sa.Column("dropped", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_message_alert_alert_id_alert")),
        sa.ForeignKeyConstraint(
            ["message_id"], ["message.id"], name=op.f("fk_message_alert_message_id_message")
        ),
        sa.PrimaryKeyConstraint("message_id", "alert_id", name=op.f("pk_message_alert")),
    )
    with op.batch_alter_table("message_alert", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_message_alert_alert_id"), ["alert_id"], unique=False)


def downgrade() -> None:

    with op.batch_alter_table("message_alert", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_message_alert_alert_id"))

    op.drop_table("message_alert")
    op.drop_table("alert")
    op.drop_table("outlook")
    with op.batch_alter_table("decision", schema=None) as batch_op:
        batch_op.drop_index("ix_decision_subscription_night")

    op.drop_table("decision")
    with op.batch_alter_table("night", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_night_ends"))

    op.drop_table("night")
    with op.batch_alter_table("attempt", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_attempt_message_id"))

    op.drop_table("attempt")
    with op.batch_alter_table("subscription", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_subscription_site_id"))
        batch_op.drop_index(batch_op.f("ix_subscription_person_id"))
        batch_op.drop_index(batch_op.f("ix_subscription_address_id"))

    op.drop_table("subscription")
    op.drop_table("site_revision")
    with op.batch_alter_table("outcome", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_outcome_site_id"))

    op.drop_table("outcome")
    with op.batch_alter_table("message", schema=None) as batch_op:
        batch_op.drop_index("ix_message_status_due_at")
        batch_op.drop_index(batch_op.f("ix_message_address_id"))

    op.drop_table("message")
    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_site_owner_id"))

    op.drop_table("site")
    with op.batch_alter_table("address", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_address_person_id"))

    op.drop_table("address")
    op.drop_table("person")
    with op.batch_alter_table("forecast", schema=None) as batch_op:
        batch_op.drop_index("ix_forecast_place_fetched_at")

    op.drop_table("forecast")
    op.drop_table("feed_answer")
    op.drop_table("cycle")
