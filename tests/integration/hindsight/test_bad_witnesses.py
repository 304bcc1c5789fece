"""Witnesses that can't be trusted, through the whole stage: each has its answer, and none settles a night."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alerts.track.observations.coded_reports import read_metar
from alerts.track.observations.evidence import Judge, SkyReport, Station
from alerts.track.observations.stations import LAST_REWRITE, Observed
from service.demo.play import FLAT
from service.observations.model import Ask, Heard
from service.store.repositories import judged_events
from service.store.schema.track_tables import StationReportRow
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.hindsight.past import AFTER, HOUR, NEAR, NEXT_DAY, Past, Witnesses, over

FAR = replace(NEAR, name="LEFA", lat_deg=FLAT.lat_deg + 0.36)
"""40 km off: half a weight, which settles nothing alone."""
TWIN = replace(FAR, name="LETW", lat_deg=FLAT.lat_deg - 0.36)
SKIES = ("FEW040", "SCT080", "BKN060", "OVC080", "NCD")


@pytest.fixture
def past(tmp_path: Path, new_store: NewStore, copy_store: CopyStore) -> Iterator[Past]:
    with over(tmp_path, new_store, copy_store) as past:
        yield past


def metar(station: Station, at: datetime, sky: str, received_at: datetime | None = None) -> Observed:
    raw = f"METAR {station.name} {at:%d%H%M}Z AUTO 21005KT 9999 {sky} 12/06 Q1015"
    report = SkyReport(station.name, at, read_metar(raw), raw, received_at or at + timedelta(minutes=5))
    return Observed(station, report, "invented")


def keep(past: Past, observed: Sequence[Observed]) -> None:
    with past.duskbell.sessions.begin() as session:
        judged_events.keep_reports(session, observed, AFTER)


def days_before(station: Station, skies: Sequence[str]) -> list[Observed]:
    """An hourly report on each of the six days before the Saturday."""
    first = datetime(2027, 6, 27, 0, 50, tzinfo=AFTER.tzinfo)
    return [metar(station, first + i * HOUR, skies[i % len(skies)]) for i in range(6 * 24)]


class Several(Witnesses):
    """Stations that each report a sky of their own through the night. says: sky by station."""

    def __init__(self, says: dict[Station, str]) -> None:
        super().__init__()
        self.says = says

    def observe(self, asks: Sequence[Ask]) -> Heard:
        heard = Heard()
        for station, sky in self.says.items():
            self.station, self.sky = station, sky
            heard += super().observe(asks)
        return heard


class NotYet(Witnesses):
    """A source that allows no more for now."""

    def observe(self, asks: Sequence[Ask]) -> Heard:
        return Heard(later=tuple(asks))


def test_two_stations_far_off_settle_together_what_one_alone_cannot(past: Past) -> None:
    past.witnesses = Several({FAR: "OVC080"})
    past.verify()
    assert past.outcome().state == "unsure"
    past.witnesses = Several({FAR: "OVC080", TWIN: "OVC080"})
    keep(past, [*days_before(FAR, SKIES), *days_before(TWIN, SKIES[1:])])
    past.verify(NEXT_DAY)
    assert (past.outcome().state, past.outcome().judge) == ("not_clear", "stations")


def test_a_station_that_copies_another_is_no_second_witness(past: Past) -> None:
    keep(past, [*days_before(FAR, SKIES), *days_before(TWIN, SKIES)])
    past.witnesses = Several({FAR: "OVC080", TWIN: "OVC080"})
    past.verify()
    outcome = judged_events.read_outcome(past.outcome())
    assert outcome.state.value == "unsure"
    said = {account.witness: (account.weight, str(account.why)) for account in outcome.accounts}
    assert said["LEFA METAR"][0] == 0.5
    assert said["LETW METAR"] == (0.0, "not counted: it repeats the reports of LEFA")


def test_metars_that_come_late_settle_the_night_at_the_next_look(past: Past) -> None:
    past.verify()
    assert past.outcome().state == "unsure"
    past.witnesses.sky = "OVC080"
    past.verify(NEXT_DAY)
    assert (past.outcome().state, past.outcome().judge, past.rows()) == ("not_clear", "stations", 2)


def test_what_a_source_does_not_allow_yet_leaves_the_night_due(past: Past) -> None:
    past.witnesses = NotYet()
    assert past.verify()["left_for_later"] >= 1
    assert (past.event().looks, past.event().outcome_id) == (0, None)
    past.witnesses = Witnesses(sky="OVC080")
    past.verify(AFTER + HOUR / 2)
    assert (past.outcome().state, past.event().looks) == ("not_clear", 1)


def test_reports_that_nobody_keeps_any_more_are_not_waited_for(past: Past) -> None:
    past.witnesses = NotYet()
    past.verify()
    past.verify(AFTER + timedelta(days=15))
    assert (past.event().looks, past.outcome().state) == (1, "unsure")


def test_metars_that_come_after_the_last_look_are_not_asked_for(past: Past) -> None:
    for days in range(3):
        past.verify(AFTER + timedelta(days=days))
    past.witnesses.sky = "OVC080"
    past.verify(AFTER + timedelta(days=4))
    assert (past.outcome().state, past.event().look_at) == ("unsure", None)


def test_a_station_that_rewrites_its_past_days_later_is_held_to_what_it_said(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    past.verify()
    event = past.event()
    minutes = [event.window_start - HOUR + i * HOUR / 2 for i in range(12)]
    rewritten = [
        metar(NEAR, at.replace(minute=at.minute // 30 * 30, second=0, microsecond=0), "NCD") for at in minutes
    ]
    late = [
        replace(each, report=replace(each.report, received_at=each.report.at + LAST_REWRITE + HOUR))
        for each in rewritten
    ]
    keep(past, late)
    past.verify(NEXT_DAY)
    assert (past.outcome().state, past.rows()) == ("not_clear", 1)


def test_a_correction_within_two_days_counts(past: Past) -> None:
    past.witnesses.sky = "OVC080"
    past.verify()
    past.witnesses.sky, past.witnesses.analysis_pct = "NCD", 5.0
    with past.duskbell.sessions.begin() as session:
        for row in session.query(StationReportRow):
            row.received_at -= timedelta(minutes=3)
    past.verify(NEXT_DAY)
    assert past.outcome().state == "clear"


@pytest.mark.parametrize("missing", ["//////", ""], ids=["slashes", "no group at all"])
def test_silence_while_it_was_clear_never_makes_a_night_cloudy(past: Past, missing: str) -> None:
    """Several automatic stations lose the amount just when the sky is clear."""
    event_hours = _hours(past)
    third = len(event_hours) // 3
    keep(past, [metar(NEAR, at, "OVC080" if i < third else missing) for i, at in enumerate(event_hours)])
    past.verify()
    outcome = judged_events.read_outcome(past.outcome())
    assert outcome.state.value == "unsure"
    (station,) = (said for said in outcome.accounts if said.judge is Judge.STATIONS)
    assert str(station.why) == "too few reports that say anything of the sky"


def _hours(past: Past) -> list[datetime]:
    past.verify()
    event = past.event()
    with past.duskbell.sessions.begin() as session:
        row = session.get_one(type(event), event.id)
        row.look_at = AFTER
    first = event.window_start.replace(minute=0, second=0, microsecond=0)
    return [first + i * HOUR / 2 for i in range(int((event.window_end - first) / (HOUR / 2)) + 2)]


@pytest.mark.parametrize(
    ("station", "why"),
    [
        (replace(NEAR, lat_deg=FLAT.lat_deg + 0.36, elevation_m=None), "nobody knows its height"),
        (replace(NEAR, elevation_m=FLAT.elevation_m - 1500), "1500 m higher or lower"),
    ],
    ids=["of unknown height", "1,500 m lower"],
)
def test_a_station_in_the_wrong_place_says_why_it_does_not_count(
    past: Past, station: Station, why: str
) -> None:
    past.witnesses = Several({station: "OVC080"})
    past.verify()
    (account,) = judged_events.read_outcome(past.outcome()).accounts
    assert account.weight == 0
    assert why in str(account.why)
    assert past.outcome().state == "unsure"


def test_cloud_seen_from_below_a_mountain_proves_nothing(past: Past) -> None:
    """A sea of cloud: the valley's base lies under the site, so the photographer may stand above it."""
    valley = replace(NEAR, elevation_m=FLAT.elevation_m - 600)
    past.witnesses = Several({valley: "OVC010"})
    past.verify()
    assert past.outcome().state == "unsure"
