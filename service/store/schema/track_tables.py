"""Tables of the track record: what stations reported, which events are judged when, the calibrations.

station_report (a station's own words)      judged_event ── outcome      calibration ── calibration_choice
                                             └─ record_row ── wish_set
night_cloud (how clear a place's nights were)
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.schema.core_tables import Table


class StationReportRow(Table):
    """One report of a weather station in its own words; each text is kept once, when it first came.

    known_at: the cycle that asked for it before the night was over, from which on nights are judged on it;
    None where it came afterwards, for the verdict on what was said. Not the receipt that a source states,
    which lies before we had it: judging again must find what was known.
    """

    __tablename__ = "station_report"
    __table_args__ = (
        UniqueConstraint("network", "station", "observed_at", "raw"),
        Index("ix_station_report_observed_at_lat_deg", "observed_at", "lat_deg"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    network: Mapped[str] = mapped_column(String(16))
    station: Mapped[str] = mapped_column(String(16))
    source: Mapped[str] = mapped_column(String(40))
    lat_deg: Mapped[float]
    lon_deg: Mapped[float]
    elevation_m: Mapped[float | None]
    observed_at: Mapped[datetime]
    received_at: Mapped[datetime]
    raw: Mapped[str] = mapped_column(Text)
    known_at: Mapped[datetime | None]


class JudgedEventRow(Table):
    """One event to be judged: its window at a site, shared by all who were told of it.

    looks: how often it has been looked at; look_at: when to look next, None when that is over.
    outcome_id: the newest of its rows in `outcome`, which counts; each names its event in its facts.
    recorded_outcome_id: the outcome that its rows in `record_row` were written for; None before any were.
    """

    __tablename__ = "judged_event"
    __table_args__ = (
        UniqueConstraint(
            "site_id", "window_start", "window_end", "shortest_minutes", name="uq_judged_event_window"
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    site_revision_id: Mapped[int] = mapped_column(ForeignKey("site_revision.id"))
    night_name: Mapped[date] = mapped_column(index=True)
    window_start: Mapped[datetime]
    window_end: Mapped[datetime]
    shortest_minutes: Mapped[int]
    toward_deg: Mapped[float | None]
    looks: Mapped[int]
    look_at: Mapped[datetime | None] = mapped_column(index=True)
    outcome_id: Mapped[int | None] = mapped_column(ForeignKey("outcome.id"))
    recorded_outcome_id: Mapped[int | None]


class RecordRow(Table):
    """What was said of a judged event at one lead to all who wish the same, and what came.

    Worked out from decisions and outcomes, so that the record is read without them, and written anew when
    an outcome changes: joining decisions, reasons and outlooks took half a millisecond a decision, and what
    was said outlives its decisions. judge: `nobody`, and clear None, while nobody could settle it.
    is_counted: the one of an event's rows at a lead that the record counts; others are for the ledgers of
    other wishes.
    wishes_key: of its `wish_set`, and go_limit_pct their go limit that night. lineages: each one's own
    chance, 0..1.
    """

    __tablename__ = "record_row"
    __table_args__ = (Index("ix_record_row_site_id_night_name", "site_id", "night_name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    event_id: Mapped[int] = mapped_column(ForeignKey("judged_event.id"), index=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    night_name: Mapped[date]
    lead: Mapped[str] = mapped_column(String(8))
    judge: Mapped[str] = mapped_column(String(12))
    clear: Mapped[bool | None]
    chance_pct: Mapped[int]
    raw_chance_pct: Mapped[int]
    told_go: Mapped[bool]
    is_barred: Mapped[bool]
    member_share: Mapped[float]
    lineages: Mapped[dict[str, Any]]
    wishes_key: Mapped[str] = mapped_column(String(64), index=True)
    go_limit_pct: Mapped[int]
    is_counted: Mapped[bool]


class WishSetRow(Table):
    """Wishes that nights were judged by, but for their go limit; kept once. No person is in it."""

    __tablename__ = "wish_set"

    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    wishes: Mapped[dict[str, Any]]


class NightCloudRow(Table):
    """How clear one night was at a place, by the feeds' own analyses; kept once, when it first is known.

    place: as of `forecasts.place_key`, shared by sites. clear_share: of the first judged window that is
    known there, 0..1. noted_at: decisions as of later moments may rest on it.
    """

    __tablename__ = "night_cloud"
    __table_args__ = (Index("ix_night_cloud_by_month", "place", "month", "noted_at", "clear_share"),)

    place: Mapped[str] = mapped_column(String(24), primary_key=True)
    night_name: Mapped[date] = mapped_column(primary_key=True)
    month: Mapped[int]
    clear_share: Mapped[float]
    noted_at: Mapped[datetime]


class CalibrationRow(Table):
    """One version of all maps; never changed, only followed by another. made_at: when it was fitted."""

    __tablename__ = "calibration"

    version: Mapped[str] = mapped_column(String(40), primary_key=True)
    made_at: Mapped[datetime]
    through: Mapped[date | None]
    facts: Mapped[dict[str, Any]]


class CalibrationChoiceRow(Table):
    """From `chosen_at` on this version is used. is_pinned: by an operator, so that no refit replaces it."""

    __tablename__ = "calibration_choice"

    id: Mapped[int] = mapped_column(primary_key=True)
    version: Mapped[str] = mapped_column(String(40))
    chosen_at: Mapped[datetime]
    is_pinned: Mapped[bool]
