"""`duskbell weather` and `duskbell feeds`, played from recorded answers and from the store."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import responses
from click.testing import CliRunner, Result

from alerts.common.errors import BadInput
from alerts.common.phrases import kept
from alerts.sites.model import Site
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.models import find_model
from alerts.weather.quality_gates import QualityCheck
from service.app import build
from service.cli.doctor_outside import examine_feeds
from service.cli.main import duskbell
from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.shared.checked_answers import BadAnswer
from service.feeds.shared.model import build_source
from service.settings import load_settings
from service.store.repositories import forecasts, people
from service.store.repositories.sites import add_site

FILES = Path(__file__).parents[2] / "data"
BOX = FILES / "feeds/nws-gridpoint-box-70-82-reanchored-2026-07-15.json"
CLEAR = FILES / "tonight/invented-clear-metno.json"
HOUR = timedelta(hours=1)
NOW = datetime(2027, 7, 3, 14, tzinfo=UTC)
FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, "Europe/Madrid")

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path))
    monkeypatch.delenv("DUSKBELL_CONFIG", raising=False)

    def call(*words: str) -> Result:
        return CliRunner().invoke(duskbell, words, catch_exceptions=False)

    return call


def box(run: Run, *more: str) -> Result:
    place = ("--at", "41.96,-71.2", "--zone", "America/New_York", "--date", "2026-07-15")
    return run("weather", *place, "--weather", str(BOX), "--as-of", "2026-07-15T21:00Z", *more)


def test_a_night_is_shown_hour_by_hour_in_the_site_s_time(run: Run) -> None:
    page = box(run).output
    assert "This place, the night of Wed 15 July, as of Wed 17:00 EDT" in page
    assert "US National Weather Service, published 15 Jul 18:29 UTC: by itself a chance of 83 %" in page
    rows = [line for line in page.splitlines() if line[4:7] == "00:"]
    assert rows[0].split() == [">", "00:00", "7", "21", "1", "3", "1", "0.0", "7", "–"]
    assert "* dark window, > its clearest stretch" in page
    assert "It hangs on:" in page
    assert page.count("The horizon is assumed level") == 1
    assert re.search(
        r"the sky is 1[78]\.\d mag/arcsec² at the core, \d\.\d mag from as dark as it gets this low", page
    )
    assert "(an estimate); no Moon in it; towns brighten the sky there" in page
    assert "NOAA / National Weather Service  https://www.weather.gov/" in page
    assert page.rstrip().endswith("Town data © GeoNames, CC BY 4.0  https://www.geonames.org/")


def test_the_same_as_json(run: Run) -> None:
    seen = json.loads(box(run, "--json").output)
    assert seen["night"] == "2026-07-15"
    (source,) = seen["sources"]
    assert (source["lineage"], source["plan_cloud_pct"], source["why_not"]) == ("nws", 7.0, None)
    (hour,) = [each for each in seen["hours"] if each["start"] == "2026-07-16T04:00:00Z"]
    assert (hour["in_window"], hour["in_best"], hour["sources"][0]["total_pct"]) == (True, True, 7.0)
    assert {each["name"] for each in seen["outlook"]["hazards"]} >= {"wind", "smoke", "warning"}
    assert seen["hangs_on"]["is_good"] is True
    assert seen["horizon_assumed"] is True
    assert [point["aod_assumed"] for point in seen["sky"]] == [True] * 3


def test_hours_stay_hours_when_the_clock_changes(run: Run) -> None:
    """The night of 24 October 2026 in Berlin has the hour after two o'clock twice."""
    file = FILES / "feeds/invented-open-meteo-dst-fixed-offset-berlin-2026-10-25.json"
    place = ("--at", "52.52,13.41", "--zone", "Europe/Berlin", "--date", "2026-10-24")
    seen = json.loads(run("weather", *place, "--weather", str(file), "--json").output)
    starts = [datetime.fromisoformat(each["start"]) for each in seen["hours"]]
    assert all(later - earlier == HOUR for earlier, later in pairwise(starts))


def test_a_night_without_a_dark_window_is_shown_all_the_same(run: Run) -> None:
    file = FILES / "feeds/metno-complete-59n10e-2022-05-18.json"
    page = run("weather", "--at", "59,10", "--date", "2022-05-18", "--weather", str(file)).output
    assert "No dark window in this night." in page
    assert "MET Norway (Nordic, HARMONIE-AROME family)" in page


def test_a_site_or_a_place_must_be_named(run: Run) -> None:
    with pytest.raises(BadInput, match="name a SITE"):
        run("weather")


# From the store
def stored(model: str, clouds: list[float | None], **changes: Any) -> Forecast:
    feed, _, name = model.partition("/")
    row = find_model(feed, name)
    assert row is not None
    hours = Hours.of(
        HourlyWeather(
            NOW + k * HOUR,
            NOW + (k + 1) * HOUR,
            cloud_total_pct=cloud,
            wind_ms=2.0,
            precipitation_mm=0.0,
            temperature_c=12.0,
        )
        for k, cloud in enumerate(clouds)
    )
    source = build_source(row, issued_at=NOW - HOUR, fetched_at=NOW)
    return Forecast(
        source, 40.3, -1.4, 900.0, LayerScheme.NONE, hours, place=Place(40.31, -1.42, 1180.0), **changes
    )


@pytest.fixture
def site(run: Run) -> None:
    wired = build()
    with wired.sessions.begin() as session:
        owner = people.get_operator(session, zone=FLAT.zone, now=NOW)
        add_site(session, owner, FLAT, elevation_known=True, now=NOW)
        place = forecasts.place_key(FLAT)
        forecasts.keep(session, place, stored("metno/global", [10.0] * 20), fetched_at=NOW)
        forecasts.keep(session, place, stored("open-meteo/icon_seamless", [None] * 20), fetched_at=NOW)
        cloudy = BadAnswer.about("GFS (NOAA)", "cloud of 137 %.", QualityCheck.RANGE).what
        forecasts.keep_rejected(
            session, place, feed="open-meteo", model="gfs_seamless", reason=cloudy, fetched_at=NOW
        )
        down = kept("nws is down.")
        forecasts.keep_rejected(session, "", feed="nws", model="", reason=down, fetched_at=NOW)
    wired.engine.dispose()


@pytest.mark.usefixtures("site")
def test_a_site_shows_what_its_nights_are_judged_by_and_what_could_not_be_used(run: Run) -> None:
    page = run("weather", "Windpump Flat", "--as-of", "2027-07-03T14:30Z").output
    assert "1  MET Norway (ECMWF family), published 03 Jul 13:00 UTC: by itself a chance of" in page
    assert "2  ICON (DWD), published 03 Jul 13:00 UTC: not used, 100 % of" in page
    assert "GFS (NOAA) at Sat 16:00 CEST: cloud of 137 %." in page
    assert "nws at Sat 16:00 CEST: nws is down." in page


@pytest.mark.usefixtures("site")
def test_what_could_not_be_used_has_its_code_beside_the_text(run: Run) -> None:
    page = run("weather", "Windpump Flat", "--as-of", "2027-07-03T14:30Z", "--json").output
    refused = {each["feed"]: each for each in json.loads(page)["refused"]}
    assert refused["open-meteo"]["reason"] == "GFS (NOAA): cloud of 137 %."
    assert refused["open-meteo"]["reason_code"] == {
        "code": "feeds.of-feed",
        "params": {"feed": "GFS (NOAA)", "what": "cloud of 137 %."},
    }
    assert refused["nws"]["reason_code"]["code"] == "common.kept"


@pytest.mark.usefixtures("site")
def test_a_site_is_looked_at_under_the_wishes_of_who_is_told_of_it(run: Run) -> None:
    """On 20 July 2027 the Moon lights all the dark hours."""
    when = ("--date", "2027-07-20", "--as-of", "2027-07-20T10:00Z")
    assert "No dark window in this night." in run("weather", "Windpump Flat", *when).output
    run("subscribe", "Windpump Flat", "--email", "you@example.org", "--mine", "--moon-loss", "any")
    assert "Dark " in run("weather", "Windpump Flat", *when).output


@pytest.mark.usefixtures("site")
def test_without_answers_in_the_store_the_feeds_are_asked(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything is down here: what failed is told, and the night is unknown."""
    monkeypatch.setenv("DUSKBELL_CONTACT", "ops@example.org")
    with responses.RequestsMock(assert_all_requests_are_fired=False) as mock:
        mock.add(responses.GET, "https://api.met.no/weatherapi/locationforecast/2.0/complete", status=404)
        page = run("weather", "Windpump Flat", "--as-of", "2027-07-05T10:00Z").output
    assert "Not usable" in page
    assert "refuses the request (404)" in page
    assert "Open-Meteo is off" in page
    assert "No forecast is at hand." in page


@pytest.mark.usefixtures("site")
def test_a_night_that_is_over_is_not_asked_for(run: Run) -> None:
    page = run("weather", "Windpump Flat", "--date", "2027-07-01", "--as-of", "2027-07-08T10:00Z").output
    assert "The night is over" in page


# The feeds
def shut(reason: str) -> None:
    wired = build()
    with wired.sessions.begin() as session:
        feed_state.write_breaker(session, "metno", Breaker(BreakerState.SHUT, 1, NOW, None, reason))
    wired.engine.dispose()


def test_feeds_are_listed_with_their_state_and_closed_by_the_operator(run: Run) -> None:
    assert "metno           on" in run("feeds").output
    shut("api.met.no refuses the request (403).")
    assert "metno           refuses us since 2027-07-03 14:00 UTC: api.met.no refuses" in run("feeds").output
    assert "metno is asked again" in run("feeds", "close", "metno").output
    assert "metno           on" in run("feeds").output


def test_a_feed_that_is_not_in_use_cannot_be_closed(run: Run) -> None:
    with pytest.raises(BadInput, match="none of the feeds in use"):
        run("feeds", "close", "crystal-ball")


def test_the_doctor_calls_a_feed_that_refuses_us_wrong_and_says_what_to_do(run: Run) -> None:
    run("feeds")
    shut("api.met.no refuses the request (403).")
    findings = {each.text.split(" ")[0].rstrip(":"): each for each in examine_feeds(load_settings())}
    assert findings["metno"].level == "wrong"
    assert findings["metno"].text.endswith("duskbell feeds close metno")
    assert findings["nws"].level == "ok"
    assert findings["open-meteo"].level == "note"


def test_the_doctor_says_how_many_sites_the_free_terms_carry(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_NONCOMMERCIAL", "true")
    run("feeds")
    (found,) = [each for each in examine_feeds(load_settings()) if "carries about" in each.text]
    assert (
        found.level,
        "about 41 sites on the day of a night (38 if all stand above 600 m)" in found.text,
    ) == ("ok", True)
    assert found.text.endswith("watched now: 0")


@pytest.mark.usefixtures("site")
def test_more_sites_than_that_are_noted_with_what_helps(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_NONCOMMERCIAL", "true")
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_DAILY_WEIGHT", "150")
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    (found,) = [each for each in examine_feeds(load_settings()) if "carries about" in each.text]
    assert (found.level, "watched now: 1" in found.text) == ("note", True)
    assert "line_of_sight = false" in found.text
