"""What stations nearby report now: how far each is believed, how that fades, and that it's no lineage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.weather.chance import look_at_cloud
from alerts.weather.forecast import Forecast
from alerts.weather.hours import Hours
from alerts.weather.line_of_sight import SightView
from alerts.weather.outlook import Outlook
from alerts.weather.skill import log_odds
from alerts.weather.sky_now import AMOUNT, FADES_H, Says, StationSky, added_by, believed_clear, sky_now
from alerts.weather.source_chance import EventQuery
from tests.unit.alerts.weather import fit_sky_now
from tests.unit.alerts.weather.values import HOUR, NOW, UNHURRIED, WINDOW, forecast, source

MINUTE = timedelta(minutes=1)
BY_ANOTHER = forecast(source=source("gfs", "another"))


def station(says: Says = Says.CLOUD, distance_km: float = 16.0, **changes: Any) -> StationSky:
    given: dict[str, Any] = {"at": NOW - 10 * MINUTE, "bearing_deg": 0.0, "reach_ft": 12_000} | changes
    return StationSky("KXAA", says, distance_km=distance_km, **given)


def added(*stations: StationSky, **how: Any) -> float:
    found = sky_now(stations, **({"now": NOW, "middle": NOW + 3 * HOUR} | how))
    return found.log_odds if found else 0.0


def look(forecasts: Sequence[Forecast], *stations: StationSky, before_h: float = 3.0, **how: Any) -> Outlook:
    """The window's middle lies `before_h` after NOW, the sources and reports being as old as they are."""
    moved = NOW + before_h * HOUR - WINDOW.middle
    window = replace(WINDOW, start=WINDOW.start + moved, end=WINDOW.end + moved)
    shifted = [
        replace(
            each, hours=Hours.of(replace(h, starts=h.starts + moved, ends=h.ends + moved) for h in each.hours)
        )
        for each in forecasts
    ]
    given: dict[str, Any] = {"shortest": HOUR, "now": NOW, "is_night_of": True, "stations": stations} | how
    return look_at_cloud(EventQuery(window, **given), shifted).outlook


def test_the_constants_are_the_real_pairs_own() -> None:
    amount, fades_h = fit_sky_now.fit(fit_sky_now.known())
    assert (amount, fades_h) == (pytest.approx(AMOUNT, abs=0.01), pytest.approx(FADES_H, abs=0.05))


def test_a_known_sky_makes_chances_better_at_places_it_was_not_fitted_on() -> None:
    found = fit_sky_now.left_out((0, 1, 2, 3))
    without, with_it = (sum(row[i] * row[2] for row in found) / sum(row[2] for row in found) for i in (0, 1))
    assert (without, with_it) == (pytest.approx(0.394, abs=0.001), pytest.approx(0.353, abs=0.001))
    assert sum(row[1] < row[0] for row in found) == 4  # all but Rovaniemi


def test_it_fades_with_the_hours_and_is_gone_after_twelve() -> None:
    by_hour = [-added(station(), middle=NOW + hours * HOUR) for hours in range(12)]
    assert all(more > less > 0 for more, less in pairwise(by_hour))
    assert by_hour[7] / by_hour[0] == pytest.approx(0.40, abs=0.01)
    assert added(station(), middle=NOW + 12 * HOUR) == 0
    assert added(station(), middle=NOW - 13 * HOUR) == 0


def test_an_overcast_proves_more_than_a_clear_below_the_instrument_s_ceiling() -> None:
    cloud, by_eye = added(station()), added(station(Says.CLEAR, reach_ft=None))
    high, low = added(station(Says.CLEAR)), added(station(Says.CLEAR, reach_ft=5_000))
    assert -cloud > by_eye > high > low > 0
    assert -cloud > 1.4 * high
    assert added(station(Says.PARTLY)) == 0


def test_row_183_the_further_off_the_less_and_beyond_60_km_nothing() -> None:
    near, middle, far = (-added(station(distance_km=km)) for km in (5, 30, 60))
    assert near > middle > far > 0
    assert added(station(distance_km=60.1)) == 0
    assert 0 > added(station(higher_m=-400.0)) > added(station())
    assert added(station(Says.CLEAR, higher_m=400.0)) == 0


def test_row_182_a_report_of_the_future_says_nothing() -> None:
    assert added(station(at=NOW + MINUTE)) == 0
    assert added(station(at=NOW)) < 0


def test_row_184_a_report_over_two_hours_old_says_nothing() -> None:
    assert added(station(at=NOW - 2 * HOUR)) < 0
    assert added(station(at=NOW - 2 * HOUR - MINUTE)) == 0


def test_up_wind_and_under_the_line_of_sight_first() -> None:
    clear, cloudy = station(Says.CLEAR, bearing_deg=0.0), station(bearing_deg=180.0)
    level = added(clear, cloudy)
    assert added(clear, cloudy, toward_deg=180.0) < level < added(clear, cloudy, toward_deg=0.0)
    blows_here = replace(cloudy, wind_from_deg=180.0)
    blows_away = replace(cloudy, wind_from_deg=0.0)
    assert added(clear, blows_here) < level == added(clear, blows_away)
    found = sky_now([clear, blows_here], now=NOW, middle=NOW + HOUR)
    assert found is not None
    assert found.stations == (blows_here, clear)


def test_many_stations_under_one_sky_say_no_more_than_one() -> None:
    assert added(*[station()] * 5) == pytest.approx(added(station()))


@UNHURRIED
@given(st.sampled_from(Says), st.floats(0, 60), st.floats(0, 12), st.sampled_from([None, 5000, 12000]))
def test_it_never_makes_certain(says: Says, km: float, hours: float, reach_ft: int | None) -> None:
    one = station(says, km, reach_ft=reach_ft)
    assert 0.1 < believed_clear(one) < 0.9
    assert abs(added_by(one, hours)) < AMOUNT * 0.8


def test_the_chance_by_all_sources_moves_by_what_is_added_and_says_so() -> None:
    both = (forecast(), BY_ANOTHER)
    alone, heard = look(both), look(both, station())
    assert alone.sky_now is None
    assert heard.sky_now is not None
    assert (heard.sky_now.without_pct, heard.sky_now.hours) == (alone.chance_pct, 3.17)
    assert alone.chance_pct is not None
    assert heard.chance_pct is not None
    moved = float(log_odds(heard.chance_pct / 100) - log_odds(alone.chance_pct / 100))
    assert moved == pytest.approx(heard.sky_now.log_odds, abs=0.1)
    points = heard.chance_pct - alone.chance_pct
    assert points <= -5
    assert f"KXAA 16 km away cloud; that moved the chance by {points} points" in str(heard.notes[-1])
    assert heard.per_source == alone.per_source
    assert look(both, station(Says.CLEAR)).chance_pct in range(alone.chance_pct + 1, 100)


def test_a_clear_report_is_no_lineage_and_without_forecasts_there_is_no_chance() -> None:
    heard = look([forecast()], station(Says.CLEAR), station(Says.CLEAR, bearing_deg=90.0))
    assert (heard.lineages, heard.providers) == (("icon",), ("Open-Meteo",))
    nothing = look([], station(Says.CLEAR))
    assert (nothing.chance_pct, nothing.sky_now, nothing.cloud_known) == (None, None, False)


def test_tomorrow_night_is_judged_as_if_nobody_had_reported() -> None:
    both = (forecast(), BY_ANOTHER)
    assert look(both, station(), before_h=15.0) == look(both, before_h=15.0)


def test_what_the_camera_looks_at_is_heard_first() -> None:
    both = (forecast(), BY_ANOTHER)
    clear, cloudy = station(Says.CLEAR, bearing_deg=0.0), station(bearing_deg=180.0)
    north, south = (
        look(both, clear, cloudy, view=SightView(azimuth)).chance_pct or 0 for azimuth in (0.0, 180.0)
    )
    assert north > south


def test_whoever_brought_the_reports_is_credited() -> None:
    heard = look((forecast(), BY_ANOTHER), station(source="aviationweather.gov"))
    assert [each.attribution for each in heard.sources][-1] == "Station reports: aviationweather.gov"
