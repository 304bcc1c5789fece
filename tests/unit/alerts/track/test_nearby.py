"""Reports near a site -> the newest word of each station on the sky that the site sees."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.track.observations.stations import station_skies
from alerts.weather.sky_now import Says, StationSky
from tests.unit.alerts.track.files import HOUR, MINUTE, SITE, WINDOW, report, station

NOW = WINDOW.start
AT = NOW - 10 * MINUTE


def heard(sky: str, km: float = 10.0, height_m: float | None = 0.0) -> StationSky | None:
    found = station_skies(SITE, [station("KXAA", km, height_m)], [report("KXAA", AT, sky)], NOW)
    return found[0] if found else None


SKIES = {
    "CLR": (Says.CLEAR, 12_000),
    "SKC": (Says.CLEAR, None),
    "NSC": (Says.CLEAR, 5_000),
    "FEW040": (Says.CLEAR, None),
    "SCT040": (Says.PARTLY, None),
    "BKN040": (Says.CLOUD, None),
    "OVC009": (Says.CLOUD, None),
}


@pytest.mark.parametrize("sky", SKIES)
def test_a_report_comes_to_one_word_and_how_far_up_it_speaks(sky: str) -> None:
    says, reach_ft = SKIES[sky]
    found = heard(sky)
    assert found is not None
    assert found.says is says
    if says is Says.CLEAR and sky != "FEW040":
        assert found.reach_ft == reach_ft


@pytest.mark.parametrize("sky", ["", "//////", "//////CB", "BKN///"])
def test_row_180_a_station_without_a_word_on_the_sky_is_silent(sky: str) -> None:
    assert heard(sky) is None


def test_row_183_a_station_too_far_off_too_high_or_of_unknown_height_is_left_out() -> None:
    assert heard("OVC030", 59.0) is not None
    assert heard("OVC030", 61.0) is None
    assert heard("OVC030", 10.0, None) is None
    assert heard("OVC030", 10.0, 1001.0) is None


def test_row_183_cloud_below_the_site_proves_nothing() -> None:
    assert heard("OVC010", height_m=-800.0) is None
    assert heard("OVC040", height_m=-800.0) is not None


def test_the_newest_word_counts_and_silence_does_not_end_it() -> None:
    said = [
        report("KXAA", AT - HOUR, "CLR"),
        report("KXAA", AT - 10 * MINUTE, "OVC030"),
        report("KXAA", AT, "//////"),
    ]
    (found,) = station_skies(SITE, [station()], said, NOW)
    assert (found.says, found.at) == (Says.CLOUD, AT - 10 * MINUTE)


def test_rows_182_and_184_neither_the_future_nor_what_is_old_is_heard() -> None:
    said = [report("KXAA", NOW + MINUTE, "CLR"), report("KXAA", NOW - 2 * HOUR - MINUTE, "CLR")]
    assert station_skies(SITE, [station()], said, NOW) == ()


@pytest.mark.parametrize(
    ("wind", "from_deg"), [("21005KT", 210.0), ("36012G25KT", 360.0), ("VRB02KT", None), ("00000KT", None)]
)
def test_the_wind_over_a_station_is_read_from_its_own_report(wind: str, from_deg: float | None) -> None:
    said = report("KXAA", AT, "OVC030")
    said = replace(said, raw=f"METAR KXAA 010203Z AUTO {wind} 9999 OVC030 12/06 Q1015")
    (found,) = station_skies(SITE, [station()], [said], NOW)
    assert found.wind_from_deg == from_deg


def test_the_bearing_is_the_station_s_from_the_site() -> None:
    for east, north, bearing_deg in (
        (0.0, 0.1, 0.0),
        (0.1, 0.0, 90.0),
        (0.0, -0.1, 180.0),
        (-0.1, 0.0, 270.0),
    ):
        at = replace(station(), lat_deg=SITE.lat_deg + north, lon_deg=SITE.lon_deg + east)
        (found,) = station_skies(SITE, [at], [report("KXAA", AT, "OVC030")], NOW)
        assert found.bearing_deg == pytest.approx(bearing_deg, abs=0.1)
