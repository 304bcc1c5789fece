"""The rows that the record is read from: one for each lead and wish, written anew with an outcome."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import delete, select

from alerts.track.calibration.model import Lead
from alerts.track.calibration.pairs import build_pairs
from alerts.track.observations.evidence import PersonReport, SeenSky
from alerts.track.record.climatology import climatology, month_counts
from alerts.track.record.text import forecasts_like, say_like
from alerts.wishes.model import Trip, Wishes
from service.app import Duskbell
from service.demo.play import FLAT, SATURDAY
from service.hindsight.track_record import everywhere, load_record, record_csv, record_page
from service.observations import awc
from service.settings import Settings
from service.store.json_values import from_json, to_json
from service.store.migrate import require_current
from service.store.repositories import judged_events, record_rows
from service.store.repositories.pairs import find_told, load_pairs
from service.store.repositories.record_rows import find_wishes, wishes_key
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    MessageAlertRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from service.store.schema.track_tables import JudgedEventRow, RecordRow, StationReportRow
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.hindsight.past import AFTER, NEXT_DAY, Past, over
from tests.integration.hindsight.remembered import Remembered, remember, watch
from tests.unit.alerts.track.files import pairs as made_pairs


@pytest.fixture
def past(tmp_path: Path, new_store: NewStore, copy_store: CopyStore) -> Iterator[Past]:
    with over(tmp_path, new_store, copy_store) as past:
        past.witnesses.sky = "OVC080"
        yield past


def rows(past: Past) -> list[RecordRow]:
    with past.duskbell.sessions() as session:
        return list(session.scalars(select(RecordRow).order_by(RecordRow.id)))


def test_what_is_read_from_the_rows_is_what_decisions_and_outcomes_say(past: Past) -> None:
    past.verify()
    with past.duskbell.sessions() as session:
        told, read = build_pairs(each.judged for each in find_told(session)), load_pairs(session)
    assert len(told) == len(read) > 0
    for name in ("site", "night", "lead", "judge", "stated", "raw", "clear", "told_go", "is_barred"):
        assert getattr(told, name).tolist() == pytest.approx(getattr(read, name).tolist())
    assert told.lineages.keys() == read.lineages.keys()
    assert all(np.allclose(told.lineages[name], read.lineages[name]) for name in told.lineages)


def test_an_outcome_that_changes_writes_its_rows_anew(past: Past) -> None:
    past.witnesses.sky = ""
    past.verify()
    assert {row.clear for row in rows(past)} == {None}
    with past.duskbell.sessions() as session:
        assert len(load_pairs(session)) == 0
    past.witnesses.sky = "OVC080"
    past.verify(NEXT_DAY)
    leads = [row.lead for row in rows(past) if row.event_id == past.event().id]
    assert len(leads) == len(set(leads)) > 0
    assert {row.clear for row in rows(past) if row.event_id == past.event().id} == {False}


def test_rows_of_nights_judged_by_an_older_version_are_written_later(past: Past) -> None:
    past.verify()
    before = len(rows(past))
    with past.duskbell.sessions.begin() as session:
        session.execute(delete(RecordRow))
        for event in session.scalars(select(JudgedEventRow)):
            event.recorded_outcome_id = None
    past.verify(AFTER + timedelta(minutes=30))
    assert len(rows(past)) == before > 0


def test_what_was_said_outlives_its_decisions(past: Past) -> None:
    past.verify()
    said = [(row.lead, row.chance_pct) for row in rows(past)]
    with past.duskbell.sessions.begin() as session:
        for kind in (MessageAlertRow, AlertRow, DecisionRow):
            session.execute(delete(kind))
        site_id, person_id = (session.scalars(select(kind.id)).one() for kind in (SiteRow, PersonRow))
        for seen in (SeenSky.CLEAR, SeenSky.CLOUDY):
            word = PersonReport("", seen, AFTER)
            judged_events.add_person_report(session, site_id, SATURDAY, person_id, word)
    past.verify(NEXT_DAY)
    assert [(row.lead, row.chance_pct) for row in rows(past)] == said
    assert {row.judge for row in rows(past) if row.event_id == past.event().id} == {"people"}


def test_wishes_that_differ_in_the_go_limit_alone_share_a_ledger() -> None:
    usual = Wishes()
    assert wishes_key(usual) == wishes_key(replace(usual, chance_go_pct=90, quiet=None))
    assert wishes_key(usual) != wishes_key(replace(usual, wind_limit_ms=5.0))
    trip = Trip(SATURDAY, SATURDAY, start="Aunt's house")
    elsewhere = replace(usual, trips=(replace(trip, start="Cabin"),))
    assert wishes_key(replace(usual, trips=(trip,))) == wishes_key(elsewhere)


def test_another_wish_has_rows_of_its_own_that_the_record_leaves_out(past: Past) -> None:
    with past.duskbell.sessions.begin() as session:
        _subscribe_another(session)
    past.verify()
    with past.duskbell.sessions() as session:
        keys = set(session.scalars(select(RecordRow.wishes_key)))
        counted = load_pairs(session)
        by_wish = [load_pairs(session, wishes_key=key) for key in sorted(keys)]
        found = find_wishes(session, None, Lead.EVENING, most=5)
    assert len(keys) == 2
    assert {each.wishes.wind_limit_ms for each in found} == {8.5, 9.0}
    assert {(each.nights, each.wishes.chance_go_pct) for each in found} == {(1, 70)}
    assert len(counted) == len(by_wish[0]) == len(by_wish[1]) > 0
    assert sum(each.is_barred.any() for each in by_wish) == 0
    settled = [row for row in rows(past) if row.clear is not None]
    assert [row.is_counted for row in settled].count(True) == len(counted)


def _subscribe_another(session: object) -> None:
    """The same decisions for somebody who bears less wind."""
    first = session.scalars(select(SubscriptionRow)).first()  # type: ignore[attr-defined]
    wishes = to_json(replace(from_json(Wishes, first.wishes), wind_limit_ms=8.5))
    other = SubscriptionRow(
        **{
            column.key: getattr(first, column.key)
            for column in SubscriptionRow.__table__.columns
            if column.key != "id"
        }
    )
    other.wishes = wishes
    session.add(other)  # type: ignore[attr-defined]
    session.flush()  # type: ignore[attr-defined]
    for row in session.scalars(select(DecisionRow)).all():  # type: ignore[attr-defined]
        copy = DecisionRow(
            **{
                column.key: getattr(row, column.key)
                for column in DecisionRow.__table__.columns
                if column.key not in ("id", "wish_snapshot_id")
            }
        )
        copy.subscription_id, copy.wishes = other.id, wishes
        session.add(copy)  # type: ignore[attr-defined]


def test_a_briefings_line_takes_one_query_without_the_lineages(past: Past) -> None:
    past.verify()
    site_id = past.event().site_id
    with past.duskbell.sessions() as session:
        near = load_pairs(session, lead=Lead.EVENING, with_lineages=False)
        like = forecasts_like(near, site_id, Lead.EVENING, float(near.stated[0]))
    assert near.lineages == {}
    assert (like.cases, like.clear) == (1, 0)
    assert say_like(like) == "Forecasts like this came clear 0 of 1 times over all sites."


def test_the_sources_of_reports_are_credited_with_the_record(past: Past) -> None:
    past.verify()
    with past.duskbell.sessions.begin() as session:
        for row in session.scalars(select(StationReportRow)):
            row.source = awc.NAME
    with past.duskbell.sessions() as session:
        found = load_record(session)
    assert found.credits == ("Station reports: NOAA / NWS Aviation Weather Center",)
    assert list(record_page("All sites", found))[-1] == found.credits[0]


def test_a_record_is_read_alike_from_both_databases(tmp_path: Path, ready_url: str) -> None:
    duskbell = Duskbell(Settings(data_dir=tmp_path, database_url=ready_url, contact="test@example.org"))
    require_current(duskbell.engine)
    said = {Lead.EVENING: 80, Lead.DAY_1: 60}
    with duskbell.sessions.begin() as session:
        watched = watch(session, FLAT, AFTER)
        days = [AFTER - timedelta(days=400 + i) for i in range(4)]
        remember(session, watched, [Remembered(day, said, i % 2 == 0) for i, day in enumerate(days)])
        assert record_rows.write_due(session) == 4
    with duskbell.sessions() as session:
        found = load_record(session, watched.site_id)
        table = record_csv(session)
        counts = everywhere(session)
    duskbell.engine.dispose()
    assert list(found.records) == [Lead.EVENING, Lead.DAY_1]
    assert found.records[Lead.EVENING].calls.go_clear == 2
    assert (found.ledgers[0].limit_pct, found.ledgers[0].now.gone) == (70, 4)
    assert table.count("\n") == 5
    assert counts is not None
    assert (int(counts.nights.sum()), int(counts.clear.sum())) == (4, 2)


def test_an_empty_record_is_read_as_one(past: Past) -> None:
    with past.duskbell.sessions() as session:
        assert len(load_pairs(session)) == 0
        assert record_rows.write_due(session) == 0


def test_a_sites_climatology_is_the_same_from_counts_over_all_sites() -> None:
    nights = [day for year in range(3) for day in range(year * 365, year * 365 + 40)]
    both = made_pairs(
        [0.5] * 240, [i % 3 == 0 for i in range(240)], site=[1] * 120 + [2] * 120, nights=nights * 2
    )
    own = both.site == 1
    counts = month_counts(both.night, np.ones_like(both.night), both.clear.astype(np.int64))
    assert climatology(both.where(own), everywhere=counts) == pytest.approx(climatology(both)[own])
