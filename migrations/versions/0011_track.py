"""track: station reports, events to judge, calibrations

Revision ID: 0011
Revises: 0010
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _create_station_report()
    _create_judged_event()
    op.create_table(
        "calibration",
        sa.Column("version", sa.String(length=40), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("through", sa.Date(), nullable=True),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_calibration")),
    )
    op.create_table(
        "calibration_choice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version", sa.String(length=40), nullable=False),
        sa.Column("chosen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("is_pinned", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_choice")),
    )
    op.create_index("ix_decision_window_end", "decision", ["window_end"], unique=False)


def _create_station_report() -> None:
    op.create_table(
        "station_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("network", sa.String(length=16), nullable=False),
        sa.Column("station", sa.String(length=16), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("lat_deg", sa.Double(), nullable=False),
        sa.Column("lon_deg", sa.Double(), nullable=False),
        sa.Column("elevation_m", sa.Double(), nullable=True),
        sa.Column("observed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station_report")),
        sa.UniqueConstraint(
            "network",
            "station",
            "observed_at",
            "raw",
            name=op.f("uq_station_report_network_station_observed_at_raw"),
        ),
    )
    op.create_index(
        "ix_station_report_observed_at_lat_deg", "station_report", ["observed_at", "lat_deg"], unique=False
    )


def _create_judged_event() -> None:
    op.create_table(
        "judged_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("site_revision_id", sa.Integer(), nullable=False),
        sa.Column("night_name", sa.Date(), nullable=False),
        sa.Column("window_start", sa.DateTime(timezone=True), nullable=False),
        sa.Column("window_end", sa.DateTime(timezone=True), nullable=False),
        sa.Column("shortest_minutes", sa.Integer(), nullable=False),
        sa.Column("toward_deg", sa.Double(), nullable=True),
        sa.Column("looks", sa.Integer(), nullable=False),
        sa.Column("look_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["outcome_id"], ["outcome.id"], name=op.f("fk_judged_event_outcome_id_outcome")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_judged_event_site_id_site")),
        sa.ForeignKeyConstraint(
            ["site_revision_id"],
            ["site_revision.id"],
            name=op.f("fk_judged_event_site_revision_id_site_revision"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judged_event")),
        sa.UniqueConstraint(
            "site_id",
            "window_start",
            "window_end",
            "shortest_minutes",
            name=op.f("uq_judged_event_window"),
        ),
    )
    op.create_index(op.f("ix_judged_event_look_at"), "judged_event", ["look_at"], unique=False)
    op.create_index(op.f("ix_judged_event_night_name"), "judged_event", ["night_name"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_decision_window_end", table_name="decision")
    for table in ("calibration_choice", "calibration", "judged_event", "station_report"):
        op.drop_table(table)
