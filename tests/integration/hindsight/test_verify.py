"""The verify stage: what a night was really like, from all who can know, and never a decision changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.track.observations.evidence import Account, Judge, OutcomeState, PersonReport, SeenSky
from service.demo.play import FLAT, SATURDAY
from service.hindsight import verification
from service.pipeline.run_cycle import run_cycle
from service.store.repositories import calibrations, judged_events
from service.store.repositories.pairs import load_pairs
from service.store.schema.core_tables import DecisionRow, PersonRow, SiteRow
from service.store.schema.track_tables import JudgedEventRow, StationReportRow
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.hindsight.past import AFTER, NEAR, NEXT_DAY, Past, over
from tests.integration.pipeline.world import GO_TIME, ON_THE_DAY, START, open_world


@pytest.fixture
def past(tmp_path: Path, new_store: NewStore, copy_store: CopyStore) -> Iterator[Past]:
    with over(tmp_path, new_store, copy_store) as past:
        yield past


def _say(past: Past, seen: SeenSky, now: object = AFTER, **more: object) -> None:
    with past.duskbell.sessions.begin() as session:
        site_id = session.scalars(select(SiteRow.id)).one()
        person_id = session.scalars(select(PersonRow.id)).one()
        said = PersonReport("", seen, now, **more)  # type: ignore[arg-type]
        judged_events.add_person_report(session, site_id, SATURDAY, person_id, said)


@pytest.mark.parametrize(
    ("sky", "analysis_pct", "state", "judge"),
    [
        ("OVC080", None, "not_clear", "stations"),
        ("OVC080", 90.0, "not_clear", "stations"),
        ("VV001", None, "unsure", "nobody"),
        ("VV010", None, "not_clear", "stations"),
        ("NCD", 5.0, "clear", "stations"),
        ("NCD", None, "unsure", "nobody"),
        ("CAVOK", 90.0, "unsure", "nobody"),
        ("", 5.0, "unsure", "nobody"),
        ("", 95.0, "unsure", "nobody"),
        ("", None, "unsure", "nobody"),
        ("//////", 5.0, "unsure", "nobody"),
    ],
    ids=[
        "cloud proves a bad sky",
        "cloud with the analysis",
        "fog in the valley, which may lie below the site",
        "a sky obscured above the site",
        "a clear station and an analysis without high cloud",
        "a clear station alone sees no high cloud",
        "a clear station against an analysis",
        "a clear analysis alone",
        "a cloudy analysis alone",
        "nobody",
        "a station without a ceilometer",
    ],
)
def test_witnesses_make_an_outcome(
    past: Past, sky: str, analysis_pct: float | None, state: str, judge: str
) -> None:
    past.witnesses.sky, past.witnesses.analysis_pct = sky, analysis_pct
    past.verify()
    assert (past.outcome().state, past.outcome().judge) == (state, judge)


@pytest.mark.parametrize(
    "station",
    [replace(NEAR, lat_deg=FLAT.lat_deg + 0.72), replace(NEAR, elevation_m=FLAT.elevation_m - 1500)],
    ids=["80 km off", "1,500 m lower"],
)
def test_a_station_too_far_off_settles_nothing(past: Past, station: object) -> None:
    past.witnesses.sky, past.witnesses.station = "OVC080", station  # type: ignore[assignment]
    past.verify()
    assert past.outcome().state == "unsure"


def test_nothing_is_looked_at_before_the_window_is_over(past: Past) -> None:
    past.verify(GO_TIME)
    assert past.witnesses.asked == []


def test_a_window_is_looked_at_three_times_and_then_left(past: Past) -> None:
    for hours in range(0, 96, 3):
        past.verify(AFTER + timedelta(hours=hours))
    assert (past.event().looks, past.event().look_at) == (3, None)
    assert past.rows() == 1


def test_the_same_evidence_writes_no_second_row_and_keeps_each_report_once(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    past.verify()
    with past.duskbell.sessions() as session:
        before = len(session.scalars(select(StationReportRow.id)).all())
    past.verify(NEXT_DAY)
    with past.duskbell.sessions() as session:
        assert len(session.scalars(select(StationReportRow.id)).all()) >= before > 0
    assert past.rows() == 1


def test_a_person_who_was_there_settles_it_and_what_stood_before_is_kept(past: Past) -> None:
    past.verify()
    assert past.outcome().state == "unsure"
    _say(past, SeenSky.CLEAR)
    past.verify(AFTER + timedelta(minutes=30))
    assert (past.outcome().state, past.outcome().judge, past.rows()) == ("clear", "people", 3)


def test_a_persons_last_word_counts_and_their_times_more_than_the_word(past: Past) -> None:
    past.verify()
    window = Span(past.event().window_start, past.event().window_end)
    _say(past, SeenSky.CLEAR)
    _say(past, SeenSky.PARTLY, clear_span=Span(window.start, window.start + timedelta(minutes=5)))
    past.verify(AFTER + timedelta(minutes=30))
    assert (past.outcome().state, past.outcome().judge) == ("not_clear", "people")


def test_one_person_against_stations_is_left_open_and_both_are_shown(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    _say(past, SeenSky.CLEAR)
    past.verify()
    outcome = judged_events.read_outcome(past.outcome())
    assert outcome.state.value == "unsure"
    assert len(outcome.disagreement) == 2


def test_whoever_explains_a_night_reads_its_outcomes_by_one_call(past: Past) -> None:
    site_id = past.event().site_id if past.verify() else 0
    past.witnesses.sky = "OVC080"
    _say(past, SeenSky.CLEAR)
    past.verify(NEXT_DAY)
    with past.duskbell.sessions() as session:
        (outcome,) = judged_events.outcomes_of_night(session, site_id, SATURDAY)
        assert judged_events.outcomes_of_night(session, site_id, SATURDAY - timedelta(days=40)) == []
    assert {said.judge for said in outcome.accounts if said.counts} == {Judge.PEOPLE, Judge.STATIONS}
    assert len(outcome.disagreement) == 2


def test_people_appear_in_outcomes_by_a_number_alone(past: Past) -> None:
    _say(past, SeenSky.CLOUDY)
    past.verify()
    (voice,) = judged_events.read_outcome(past.outcome()).accounts
    assert voice.witness == "voice 1"


def test_a_report_on_another_direction_says_nothing_of_the_event(past: Past) -> None:
    past.verify()
    toward = past.event().toward_deg
    assert toward is not None
    assert 120 < toward < 240, "the core stands in the south"
    _say(past, SeenSky.CLOUDY, toward_deg=(toward + 180) % 360)
    past.verify(AFTER + timedelta(minutes=30))
    assert past.outcome().state == "unsure"


def test_nights_of_a_stay_are_judged_too(tmp_path: Path, new_store: NewStore, copy_store: CopyStore) -> None:
    with over(tmp_path, new_store, copy_store, cloud_pct=90.0) as past:
        past.witnesses.sky, past.witnesses.analysis_pct = "NCD", 3.0
        past.verify()
        with past.duskbell.sessions() as session:
            words = session.scalars(select(DecisionRow.verdict).where(DecisionRow.night_name == SATURDAY))
            assert words.all()[-1] == "stay"
        assert past.outcome().state == "clear"
        with past.duskbell.sessions() as session:
            pairs = load_pairs(session)
        assert pairs.clear.any()
        assert not pairs.told_go.any()


def test_verification_changes_no_stored_decision(past: Past) -> None:
    def decisions() -> list[tuple[object, ...]]:
        with past.duskbell.sessions() as session:
            columns = DecisionRow.__table__.columns
            return [tuple(row) for row in session.execute(select(*columns).order_by(columns["id"]))]

    before = decisions()
    past.witnesses.sky = "OVC080"
    past.verify()
    _say(past, SeenSky.CLEAR)
    past.verify(NEXT_DAY)
    assert decisions() == before


def test_two_who_were_told_the_same_make_one_pair_a_lead(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    past.verify()
    with past.duskbell.sessions() as session:
        pairs = load_pairs(session)
    own = pairs.where(pairs.night == SATURDAY.toordinal())
    assert len(own) == len(set(own.lead.tolist())) > 0
    assert own.told_go.any()
    assert not own.clear.any()


def test_the_cycle_verifies_at_its_end(past: Past) -> None:
    counts = run_cycle(past.duskbell, AFTER)
    assert counts["events"] > 0
    assert counts["judged"] > 0


def test_a_fit_is_made_once_a_night_and_can_be_undone(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    assert past.verify()["calibrations"] == 1
    assert "calibrations" not in past.verify(AFTER + timedelta(hours=1))
    sessions = past.duskbell.sessions
    with sessions.begin() as session:
        assert calibrations.in_use(session).version == "2027-07-04"
        calibrations.use(session, "prior", AFTER)
    with sessions() as session:
        assert calibrations.in_use(session).version == "prior"
        assert calibrations.find_versions(session) == ["2027-07-04"]


def test_a_dead_source_of_analyses_or_stations_costs_nothing_but_the_witness(past: Past) -> None:
    counts = past.verify()
    assert counts["judged"] > 0
    assert past.outcome().judge == "nobody"


def test_a_feed_that_rewrites_its_past_changes_nothing(past: Past) -> None:
    past.witnesses.sky, past.witnesses.analysis_pct = "NCD", 5.0
    past.verify()
    past.witnesses.analysis_pct = 95.0
    past.verify(NEXT_DAY)
    assert (past.outcome().state, past.rows()) == ("clear", 1)


def test_an_analysis_that_comes_late_still_settles_the_night(past: Past) -> None:
    past.witnesses.sky = "NCD"
    past.verify()
    assert past.outcome().state == "unsure"
    past.witnesses.analysis_pct = 5.0
    past.verify(NEXT_DAY)
    assert (past.outcome().state, past.rows()) == ("clear", 2)


def test_a_station_that_always_says_clear_is_set_aside(past: Past) -> None:
    past.witnesses.sky, past.witnesses.analysis_pct = "NCD", 5.0
    past.verify()
    _remember(past, nights=30, cloudy=5)
    with past.duskbell.sessions.begin() as session:
        verification.judge_again(session, past.event().site_id, SATURDAY, NEXT_DAY)
    outcome = judged_events.read_outcome(past.outcome())
    assert outcome.state.value == "unsure"
    (station,) = (said for said in outcome.accounts if said.judge is Judge.STATIONS)
    assert "has said clear on all of" in str(station.why)


def _remember(past: Past, *, nights: int, cloudy: int) -> None:
    """Earlier nights on which the station said clear, and people saw cloud on some."""
    event, seen = past.event(), judged_events.read_outcome(past.outcome())
    person = Account(Judge.PEOPLE, "voice 1", OutcomeState.NOT_CLEAR, kept("saw cloud"), 1.0)
    with past.duskbell.sessions.begin() as session:
        for i in range(1, nights + 1):
            day = timedelta(days=i + 10)
            earlier = JudgedEventRow(
                site_id=event.site_id,
                site_revision_id=event.site_revision_id,
                night_name=SATURDAY - day,
                window_start=event.window_start - day,
                window_end=event.window_end - day,
                shortest_minutes=event.shortest_minutes,
                looks=3,
            )
            session.add(earlier)
            session.flush()
            people = (person,) if i <= cloudy else ()
            judged_events.keep_outcome(
                session, earlier, replace(seen, accounts=(*people, *seen.accounts)), AFTER
            )


def test_it_works_on_both_databases(tmp_path: Path, ready_url: str) -> None:
    with open_world(tmp_path, ready_url) as world:
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        past = Past(world.duskbell)
        past.witnesses.sky = "OVC080"
        past.verify()
        past.verify(NEXT_DAY)
        assert (past.outcome().state, past.rows()) == ("not_clear", 1)


def test_looks_come_after_one_another() -> None:
    assert list(verification.LOOKS) == sorted(verification.LOOKS)
