"""Asking for station reports: politely, and reading nothing but the raw report.

Recorded answers: tests/data/observations, with their sources.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import responses
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.track.observations.evidence import SkyState
from service.app import Duskbell
from service.feeds.shared.checked_answers import BadAnswer, FeedDown, FeedError
from service.feeds.shared.http_client import PoliteClient, TimeSource, identify
from service.observations import awc, nws, ogimet
from service.observations.model import Ask, Heard, areas_of
from service.observations.station_wiring import ask_stations, client_of
from service.pipeline.run_cycle import verifying_from
from service.settings import Settings
from service.store.migrate import require_current
from tests.integration.conftest import NewStore

DATA = Path(__file__).parents[2] / "data" / "observations"
METAR = f"{awc.DEFAULT_URL}/api/data/metar"


def read(name: str) -> Any:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


KNOXVILLE = Ask(35.9, -83.9, Span(utc("2026-01-14T22:00"), utc("2026-01-15T02:00")))
LITTLE_ROCK = Ask(34.72, -92.23, Span(utc("2024-02-20T15:00"), utc("2024-02-20T17:00")))
POINT = f"{nws.DEFAULT_URL}/points/34.72,-92.23"
LISTED = f"{nws.DEFAULT_URL}/gridpoints/LZK/82,69/stations"


@pytest.fixture
def counting(tmp_path: Path, new_store: NewStore) -> Iterator[sessionmaker[Session]]:
    """A store that counts what was asked."""
    duskbell = Duskbell(settings(tmp_path, database_url=new_store(tmp_path)))
    require_current(duskbell.engine)
    yield duskbell.sessions
    duskbell.engine.dispose()


@pytest.fixture
def client() -> PoliteClient:
    return PoliteClient(
        identify("test@example.org"), times=TimeSource(sleep=lambda _: None, jitter=lambda: 0.0)
    )


@pytest.fixture
def mocked() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        yield mock


def settings(tmp_path: Path, **more: Any) -> Settings:
    return Settings(data_dir=tmp_path, contact="test@example.org", **more)


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        (
            "awc-metar-mixed-2026.json",
            [("KTYS", "cloud"), ("EDDB", "clear_below"), ("ORBI", "clear_below"), ("ZUCK", "clear_below")],
        ),
        ("awc-metar-old-schema-2023-10-27.json", [("LEJR", "cloud")]),
        ("awc-metar-sky-codes-2026-08-27.json", [("KJFK", "cloud")]),
    ],
    ids=["no raw text is silence", "the keys of 2023", "no time or no place is silence"],
)
def test_reports_are_read_from_their_raw_text_alone(file: str, expected: list[tuple[str, str]]) -> None:
    seen = list(awc.parse(read(file)))
    assert [(each.station.name, each.report.reading.state.value) for each in seen] == expected


@pytest.mark.parametrize(
    "text", ["2026-01-14T22:56:53.763Z", "2026-05-23T07:01:07Z", "2023-10-27 15:25:34"], ids=str
)
def test_the_time_of_receipt_is_read_in_each_of_its_forms(text: str) -> None:
    item = {**read("awc-metar-mixed-2026.json")[0], "receiptTime": text}
    (seen,) = awc.parse([item])
    assert seen.report.received_at is not None
    assert f"{seen.report.received_at:%Y-%m-%d %H:%M:%S}" == text.replace("T", " ")[:19]


def test_what_is_asked_is_a_box_of_60_km_for_the_window_and_an_hour_round_it(
    client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, json=read("awc-metar-mixed-2026.json"))
    ((area, _),) = areas_of([KNOXVILLE])
    seen = awc.AviationWeather(client).fetch(area, client.deadline(5))
    params = mocked.calls[0].request.params
    assert params["bbox"] == "35.36,-84.57,36.44,-83.23"
    assert (params["hours"], params["date"]) == ("6", "2026-01-15T03:00:00Z")
    assert [each.station.name for each in seen] == ["KTYS"]
    assert "test@example.org" in mocked.calls[0].request.headers["User-Agent"]


def test_neighbours_of_one_night_share_a_request() -> None:
    near = replace(KNOXVILLE, lat_deg=35.5)
    assert len(areas_of([KNOXVILLE, near])) == 1
    assert len(areas_of([KNOXVILLE, replace(near, lat_deg=37.5)])) == 2


def test_an_empty_204_is_nothing_and_no_failure(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=204)
    heard = ask_stations(settings(tmp_path, nws_observations=False), [KNOXVILLE], client)
    assert (heard.observed, heard.failures) == ((), ())


def test_a_full_answer_is_asked_for_in_halves(client: PoliteClient, mocked: responses.RequestsMock) -> None:
    item = read("awc-metar-mixed-2026.json")[0]
    mocked.add(responses.GET, METAR, json=[item] * awc.MOST_REPORTS)
    mocked.add(responses.GET, METAR, json=[item])
    mocked.add(responses.GET, METAR, json=[])
    ((area, _),) = areas_of([KNOXVILLE])
    seen = awc.AviationWeather(client).fetch(area, client.deadline(5))
    assert [call.request.params["hours"] for call in mocked.calls] == ["6", "3", "3"]
    assert [each.station.name for each in seen] == ["KTYS"]


def test_one_endpoint_is_asked_once_a_minute_and_the_rest_is_left_for_later(
    tmp_path: Path, counting: sessionmaker[Session], mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=204)
    now = [utc("2026-01-15T08:00:01")]
    client = client_of(settings(tmp_path), counting, clock=lambda: now[0])
    asks = [replace(KNOXVILLE, lat_deg=30.5 + 2 * i) for i in range(3)]
    heard = ask_stations(settings(tmp_path, nws_observations=False), asks, client)
    assert (heard.failures, heard.later, len(mocked.calls)) == ((), tuple(asks[1:]), 1)
    again = client_of(settings(tmp_path), counting, clock=lambda: now[0])
    assert ask_stations(settings(tmp_path), asks[1:], again).later == tuple(asks[1:])
    now[0] += timedelta(minutes=1)
    assert ask_stations(settings(tmp_path, nws_observations=False), asks[1:], client).later == (asks[2],)
    assert len(mocked.calls) == 2


def test_a_source_that_fails_is_left_alone_and_said(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=429)
    asks = [KNOXVILLE, replace(KNOXVILLE, lat_deg=47.5)]
    heard = ask_stations(settings(tmp_path, nws_observations=False), asks, client)
    assert (len(heard.failures), len(mocked.calls)) == (1, 1)
    assert "too often" in heard.failures[0]


@pytest.mark.parametrize(
    ("body", "error"),
    [(b"<html>", BadAnswer), (b'{"error": "x"}', BadAnswer), (b"[", BadAnswer)],
    ids=["a web page", "no list", "cut off"],
)
def test_other_answers_are_refused(
    body: bytes, error: type[FeedError], client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, body=body)
    ((area, _),) = areas_of([KNOXVILLE])
    with pytest.raises(error):
        awc.AviationWeather(client).fetch(area, client.deadline(5))


def _serve_nws(mocked: responses.RequestsMock) -> None:
    station = {
        "geometry": {"type": "Point", "coordinates": [-92.23, 34.72]},
        "properties": {"stationIdentifier": "KLIT"},
    }
    far = {
        "geometry": {"type": "Point", "coordinates": [-94.2, 36.3]},
        "properties": {"stationIdentifier": "KXNA"},
    }
    mocked.add(responses.GET, POINT, json={"properties": {"observationStations": LISTED}})
    mocked.add(responses.GET, LISTED, json={"features": [far, station]})
    answer = read("nws-station-observations-three.json")
    mocked.add(responses.GET, f"{nws.DEFAULT_URL}/stations/KLIT/observations", json=answer)


def test_the_nws_is_asked_for_its_nearest_stations_where_nobody_else_spoke(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=204)
    _serve_nws(mocked)
    heard = ask_stations(settings(tmp_path), [LITTLE_ROCK], client)
    (seen,) = heard.observed
    assert (seen.station.name, seen.station.elevation_m) == ("KLIT", 79.0)
    assert seen.report.reading.state is SkyState.CLEAR_BELOW
    assert seen.report.at == utc("2024-02-20T15:53")


@pytest.mark.parametrize("raw", ["", "  ", None], ids=["empty", "blank", "missing"])
def test_a_station_that_only_writes_clear_is_silent(raw: str | None) -> None:
    body = read("nws-station-observations-three.json")
    feature = body["features"][0]
    feature["properties"]["rawMessage"] = raw
    assert feature["properties"]["textDescription"] == "Clear"
    assert list(nws.parse({"features": [feature]})) == []


def test_a_stuck_report_keeps_the_time_that_it_says_itself() -> None:
    body = read("nws-station-observations-three.json")
    feature = body["features"][0]
    feature["properties"]["timestamp"] = "2024-02-22T03:53:00+00:00"
    (seen,) = nws.parse({"features": [feature]})
    assert seen.report.at == utc("2024-02-20T15:53")


def test_a_place_outside_the_us_is_not_asked_of_the_nws(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=204)
    ask_stations(settings(tmp_path), [replace(KNOXVILLE, lon_deg=12.0)], client)
    assert len(mocked.calls) == 1


def test_synop_is_asked_only_when_switched_on_and_for_named_stations(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    text = (DATA / "ogimet-getsynop-87736.txt").read_text()
    mocked.add(responses.GET, f"{ogimet.DEFAULT_URL}/cgi-bin/getsynop", body=text)
    ask = Ask(-39.1, -64.1, Span(utc("2026-01-01T17:30"), utc("2026-01-01T20:00")))
    named = {"synop_stations": ("87736=-39.02,-64.08,79",), "metar": False, "nws_observations": False}
    assert ask_stations(settings(tmp_path, **named), [ask], client).observed == ()
    assert len(mocked.calls) == 0
    heard = ask_stations(settings(tmp_path, synop_ogimet=True, **named), [ask], client)
    (seen,) = heard.observed
    assert (seen.station.name, seen.report.at) == ("87736", utc("2026-01-01T18:00"))
    assert mocked.calls[0].request.params["begin"] == "202601011630"


@pytest.mark.parametrize("text", ["87736", "87736=95,0,1", "x=1,2,3", "87736=1,2"])
def test_a_station_is_named_with_its_place(text: str) -> None:
    with pytest.raises(BadInput, match="names no SYNOP station"):
        ogimet.read_stations([text])


def test_a_note_of_refusal_is_no_list_of_reports() -> None:
    with pytest.raises(BadAnswer, match="no list of reports"):
        list(ogimet.parse("Status: 501 quota exceeded", {}))


def test_a_span_beyond_a_month_is_refused(client: PoliteClient) -> None:
    (station,) = ogimet.read_stations(["87736=-39.02,-64.08,79"])
    hours = Span(utc("2026-01-01T00:00"), utc("2026-01-01T00:00") + timedelta(days=32))
    with pytest.raises(BadInput, match="31 days"):
        ogimet.Ogimet(client).fetch(station, hours, client.deadline(5))


def test_nothing_is_asked_without_a_contact_or_with_all_switched_off(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    off = {"metar": False, "nws_observations": False}
    assert ask_stations(settings(tmp_path, **off), [KNOXVILLE], client).observed == ()
    verifying = verifying_from(Duskbell(Settings(data_dir=tmp_path)))
    assert verifying.observe([KNOXVILLE]) == Heard()
    assert len(mocked.calls) == 0


def test_a_dead_line_is_a_failure_in_words(
    tmp_path: Path, client: PoliteClient, mocked: responses.RequestsMock
) -> None:
    mocked.add(responses.GET, METAR, status=503)
    ((area, _),) = areas_of([KNOXVILLE])
    with pytest.raises(FeedDown):
        awc.AviationWeather(client).fetch(area, client.deadline(5))
    heard = ask_stations(settings(tmp_path, nws_observations=False), [KNOXVILLE], client)
    assert "error of its own" in heard.failures[0]
