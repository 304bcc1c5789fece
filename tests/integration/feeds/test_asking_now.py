"""One person who waits: commands ask with the store behind them, if there is one, and end in time."""

import json
import sqlite3
import time
from datetime import UTC, datetime, timedelta

import pytest
import responses
import time_machine
from click.testing import CliRunner

from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named, tonight_name
from alerts.weather.forecast import Place
from alerts.weather.sky_now import Says
from service.app import build
from service.cli import one_night
from service.cli.main import duskbell
from service.common.backoff import Breaker, BreakerState
from service.common.deadline import Deadline
from service.feeds import feed_state, store_access
from service.feeds import sight_requests as feeds_ask_now
from service.feeds.feed_wiring import ask_now
from service.feeds.shared.guards import Allowance
from service.feeds.store_access import at_hand
from service.settings import load_settings
from service.store.engine import open_engine
from service.store.migrate import current_revision, upgrade
from tests.integration.feeds.feed_server import serving
from tests.integration.feeds.openmeteo_stand_in import AIR, OpenMeteoStandIn, mocked_runs

HERE = Site("Here", 0.3, 36.0, 1500.0, "Africa/Nairobi")
"""At the equator every night is dark for some hours."""
DARK_SKY = SkyWishes(Target(TargetKind.NONE), moonless=False, lowest_altitude_deg=None)
RUN_TABLES = "https://api.open-meteo.com/data/"


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    for name, value in {
        "DATA_DIR": str(tmp_path / "data"),
        "CONTACT": "ops@example.org",
        "OPEN_METEO_NONCOMMERCIAL": "true",
        "OPEN_METEO_MODELS": '["icon_seamless"]',
        "OPEN_METEO_ENSEMBLES": "[]",
        "MET_NORWAY": "false",
        "NWS": "false",
        "OFFICIAL_WARNINGS": "false",
        "CLOUD_BY_HEIGHT": "false",
    }.items():
        monkeypatch.setenv(f"DUSKBELL_{name}", value)
    monkeypatch.delenv("DUSKBELL_CONFIG", raising=False)
    return tmp_path / "data"


@pytest.fixture(autouse=True)
def evening():
    """At the site; commands read the clock themselves."""
    with time_machine.travel(datetime(2027, 7, 3, 16, tzinfo=UTC), tick=True):
        yield


@pytest.fixture
def store():
    """An installation that has a store."""
    wired = build()
    yield wired.sessions
    wired.engine.dispose()


@pytest.fixture
def mocked():
    with mocked_runs() as mock:
        yield mock


@pytest.fixture
def open_meteo(mocked):
    stand_in = OpenMeteoStandIn(mocked)
    mocked.add_callback(responses.GET, AIR, stand_in.answer)
    return stand_in


def tonight():
    now, ephemeris = datetime.now(UTC), Ephemeris.open()
    return now, night_named(HERE, tonight_name(HERE, now, ephemeris), DARK_SKY, ephemeris)


def ask_both():
    now, night = tonight()
    hours = Span(now, night.windows[-1].span.end)
    return one_night.ask_both(HERE, night, hours, now, HERE.elevation_m)


def test_tonight_looks_along_the_line_of_sight(open_meteo):
    gathered, forecasts = ask_both()
    assert [failure.text for failure in gathered.failures] == []
    run, air = forecasts
    assert len(run.sights) == 1
    assert run.sights[0].places >= 3
    assert air.hours[0].aerosol_optical_depth is not None
    assert [query["hourly"].count(",") for query in open_meteo.asked] == [12, 3], "aside for cloud alone"


def test_a_page_that_asks_now_looks_there_too_with_the_store_behind_it(open_meteo, store):
    wired = build()
    now, night = tonight()
    hours = Span(now, night.windows[-1].span.end)
    gathered, forecasts = wired.ask_now(HERE, night, hours, now, HERE.elevation_m)
    wired.engine.dispose()
    assert gathered.failures == ()
    assert len(forecasts[0].sights) == 1
    with store() as session:
        assert feed_state.used_now(session, now)["open-meteo", 86_400] >= 3


def test_nobody_looks_aside_where_the_settings_say_so(open_meteo, monkeypatch):
    monkeypatch.setenv("DUSKBELL_LINE_OF_SIGHT", "false")
    _, forecasts = ask_both()
    assert (forecasts[0].sights, len(open_meteo.asked)) == ((), 1)


def test_a_passer_by_makes_no_store(open_meteo, settings):
    ask_both()
    assert not settings.exists()


def test_with_a_store_the_answers_are_shared_and_the_weight_is_counted(open_meteo, store):
    ask_both()
    asked = len(open_meteo.asked)
    ask_both()
    assert len(open_meteo.asked) == asked, "the second one is answered by the store"
    with store() as session:
        used = feed_state.used_now(session, datetime.now(UTC))
    assert used["open-meteo", 86_400] >= asked


def test_with_a_store_a_feed_that_is_left_alone_is_left_alone_here_too(open_meteo, store):
    with store.begin() as session:
        shut = Breaker(BreakerState.SHUT, 1, datetime.now(UTC), None, "it refused us (403).")
        feed_state.write_breaker(session, "open-meteo", shut)
    gathered, forecasts = ask_both()
    assert open_meteo.asked == []
    assert all(forecast.source.lineage == "cams" for forecast in forecasts)
    assert "duskbell feeds close open-meteo" in gathered.failures[0].text


def test_a_store_of_another_version_is_left_alone(settings, store):
    with sqlite3.connect(settings / "duskbell.sqlite3") as other:
        other.execute("UPDATE alembic_version SET version_num = '9999'")
    other.close()
    assert store_access.sessions_at_hand(load_settings()) is None


def test_a_file_that_is_no_store_is_left_alone(settings, caplog):
    settings.mkdir()
    (settings / "duskbell.sqlite3").write_bytes(b"no database at all, but long enough to be read as one" * 20)
    assert store_access.sessions_at_hand(load_settings()) is None
    assert "the store isn't used for this answer" in caplog.text


def test_what_cannot_be_counted_is_not_asked_and_said(open_meteo, settings, store, monkeypatch):
    """Another process writes all the while."""
    monkeypatch.setattr(store_access, "BUSY_FOR_MS", 50)
    behind = at_hand(load_settings())
    now = datetime.now(UTC)
    with sqlite3.connect(settings / "duskbell.sqlite3", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        gathered = ask_now(behind, [Place(0.3, 36.0)], Span(now, now + timedelta(hours=9)), Deadline(5))
        other.execute("ROLLBACK")
    other.close()
    assert open_meteo.asked == []
    assert gathered.failures
    assert all("the database is busy" in failure.text for failure in gathered.failures)


def test_row_207_ensembles_that_do_not_come_are_said(open_meteo, monkeypatch):
    """Nobody answers for them here; what is asked on the spot wants them as a cycle does."""
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_ENSEMBLES", '["ecmwf_ifs025_ensemble"]')
    words = ["tonight", "--at", "0.3,36", "--target", "none", "--moon-loss", "any"]
    page = CliRunner().invoke(duskbell, words, catch_exceptions=False).output
    assert "ensemble-api.open-meteo.com/v1/ensemble can't be reached" in page
    assert say("cli.no-ensembles") in page


@pytest.mark.parametrize("has_store", [False, True], ids=["without a store", "with a store"])
def test_stations_near_a_place_that_is_not_kept_are_heard(mocked, has_store):
    """Once: with a store, its allowance of one request a minute holds for commands too."""
    if has_store:
        build().engine.dispose()
    now, night = tonight()
    at = now - timedelta(minutes=20)
    report = {
        "icaoId": "HKXX",
        "lat": HERE.lat_deg + 0.1,
        "lon": HERE.lon_deg,
        "elev": HERE.elevation_m,
        "obsTime": int(at.timestamp()),
        "rawOb": f"METAR HKXX {at:%d%H%M}Z 00000KT 9999 OVC020 18/12 Q1015",
    }
    mocked.add(responses.GET, "https://aviationweather.gov/api/data/metar", json=[report])
    (heard,) = one_night.hear_now(load_settings(), HERE, night, now)
    assert (heard.station, heard.says) == ("HKXX", Says.CLOUD)
    assert len(one_night.hear_now(load_settings(), HERE, night, now)) == (0 if has_store else 1)
    long_before = now - timedelta(hours=20)
    assert one_night.hear_now(load_settings(), HERE, night, long_before) == ()


@pytest.mark.parametrize("has_store", [False, True], ids=["without a store", "with a store"])
@pytest.mark.parametrize("command", ["tonight", "weather"])
def test_a_command_ends_in_time_when_every_feed_hangs(command, has_store, monkeypatch, settings):
    """By a smaller budget than the real one; the design allows ten seconds in all."""
    monkeypatch.setattr(feeds_ask_now, "NETWORK_BUDGET_S", 1.8)
    monkeypatch.setattr(feeds_ask_now, "OVERHEAD_BUDGET_S", 1.4)
    if has_store:
        build().engine.dispose()
    with serving(lambda talk: talk.hang()) as server:
        for name in ("OPEN_METEO_URL", "MET_NORWAY_URL", "NWS_URL"):
            monkeypatch.setenv(f"DUSKBELL_{name}", server.url)
        for name in ("MET_NORWAY", "NWS", "OFFICIAL_WARNINGS"):
            monkeypatch.setenv(f"DUSKBELL_{name}", "true")
        began = time.monotonic()
        when = ("--date", "2027-07-03", "--as-of", "2027-07-03T20:00Z")
        words = [command, "--at", "35.2,-111.65", *when, "--json"]
        ran = CliRunner().invoke(duskbell, words, catch_exceptions=False)
        took_s = time.monotonic() - began
    assert took_s < 9  # a single feed that hangs is left after 10
    assert server.seen
    assert json.loads(ran.stdout)["night"]
    assert (settings / "duskbell.sqlite3").exists() is has_store


def test_on_either_database_only_a_store_of_this_version_is_used(store_url, monkeypatch):
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", store_url)
    assert store_access.sessions_at_hand(load_settings()) is None, "an empty one is left empty"
    engine = open_engine(store_url)
    assert current_revision(engine) is None
    upgrade(engine)
    sessions = store_access.sessions_at_hand(load_settings())
    with sessions.begin() as session:
        assert feed_state.spend(session, "metno", Allowance({1: 20}), 1, datetime.now(UTC)) is None
    sessions.kw["bind"].dispose()
    engine.dispose()


def test_a_database_that_cannot_be_reached_is_done_without(monkeypatch, caplog):
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", "postgresql+psycopg://nobody@127.0.0.1:1/none")
    assert store_access.sessions_at_hand(load_settings()) is None
    assert "the store isn't used for this answer" in caplog.text
