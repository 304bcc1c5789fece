"""The outlook: line of sight against overhead, change since the last runs, air, fog below, credits."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from alerts.common.span import Span
from alerts.weather.forecast import Forecast, LayerScheme, Place
from alerts.weather.line_of_sight import SightView
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.weather.skill import chance_of, evidence, slanted_pct, usual_log_odds
from service.store.json_values import from_json, to_json
from tests.unit.alerts.weather.values import HOUR, NOW, WINDOW, forecast, hours, look, source, with_sight

SOUTH_EAST = ((110.0, 60.0), (140.0, 90.0), (170.0, 20.0))


def test_overhead_clears_and_the_south_east_does_not() -> None:
    blocked = with_sight(forecast(), hours(cloud_mid_pct=90.0), directions=SOUTH_EAST)
    seen = look(blocked)
    assert seen.overhead_pct is not None
    assert seen.chance_pct is not None
    assert seen.overhead_pct - seen.chance_pct > 40
    assert str(seen.sight_text) == "overhead clears, the south-east doesn't"
    (answer,) = seen.per_source
    assert answer.sight_places == 4
    assert answer.chance_overhead == seen.overhead_pct / 100


def test_a_gap_to_the_south_is_found_under_a_cloudy_zenith() -> None:
    open_south = with_sight(
        forecast(hours(cloud_mid_pct=60.0)), hours(), directions=((150.0, 50.0), (180.0, 5.0), (210.0, 40.0))
    )
    seen = look(open_south)
    assert str(seen.sight_text) == "cloud overhead, but the south clears"
    assert seen.chance_pct is not None
    assert seen.overhead_pct is not None
    assert seen.chance_pct > seen.overhead_pct


def test_nothing_is_said_where_both_are_alike() -> None:
    seen = look(with_sight(forecast(), hours(), directions=SOUTH_EAST))
    assert (seen.sight_text, seen.overhead_pct) == (None, seen.chance_pct)


def test_where_nobody_looked_there_is_no_figure_of_it() -> None:
    seen = look(forecast())
    assert (seen.overhead_pct, seen.sight_text) == (None, None)


def test_a_line_of_sight_of_another_window_is_left_alone() -> None:
    later = Span(WINDOW.start + 24 * HOUR, WINDOW.end + 24 * HOUR)
    seen = look(with_sight(forecast(), hours(cloud_mid_pct=100.0), window=later))
    assert seen.overhead_pct is None
    assert seen.chance_pct == look(forecast()).chance_pct


def test_unknown_along_the_view_is_not_clear() -> None:
    seen = look(with_sight(forecast(), hours(cloud_mid_pct=None)))
    assert seen.chance_pct is None
    assert str(seen.per_source[0].why_not) == "100 % of the window is unknown"


def test_a_lower_frame_sees_more_of_broken_cloud() -> None:
    broken = forecast(hours(cloud_low_pct=20.0))
    low, high = (look(broken, view=SightView(180.0, altitude_deg)) for altitude_deg in (10.0, 60.0))
    assert low.per_source[0].least_plan_pct == high.per_source[0].least_plan_pct == 20.0
    assert low.per_source[0].least_cloud_pct == pytest.approx(slanted_pct(20.0, 10.0), abs=0.05)
    assert low.chance_pct is not None
    assert high.chance_pct is not None
    assert low.chance_pct < high.chance_pct


def test_an_ensemble_alone_is_not_slanted_as_nobody_tells_its_layers() -> None:
    rows = tuple((20.0,) * 4 for _ in range(10))
    ensemble = forecast(members=rows, layer_scheme=LayerScheme.NONE)
    (answer,) = look(ensemble, view=SightView(180.0, 8.0)).per_source
    assert (answer.least_cloud_pct, answer.members) == (20.0, 10)
    assert answer.chance is not None
    assert answer.chance > 0.65


# Change since the last runs
def test_the_change_since_the_last_runs_is_told_in_points() -> None:
    lead_days = (WINDOW.middle - (NOW - HOUR)) / timedelta(days=1)
    cleared = forecast(cloud_before_pct=(60.0,) * 4)
    now, then = (
        float(chance_of(usual_log_odds(4, 1) + evidence(pct, lead_days, 4, 1))) for pct in (0.0, 60.0)
    )
    assert look(cleared).change_pct == round(100 * (now - then))


def test_sources_without_a_run_before_leave_the_change_to_the_others() -> None:
    fresh = forecast(source=source("gfs"))
    cleared = forecast(cloud_before_pct=(60.0,) * 4)
    assert look(fresh).change_pct is None
    assert look(fresh, cleared).change_pct == look(cleared).change_pct


def test_a_run_before_that_lacks_too_much_tells_no_change() -> None:
    assert look(forecast(cloud_before_pct=(None, None, 60.0, 60.0))).change_pct is None


# Air
def air(depth: float | None, fine: float | None = None, **changes: object) -> Forecast:
    records = hours(cloud_total_pct=None, aerosol_optical_depth=depth, pm2_5_ug_m3=fine)
    given: dict[str, object] = {"issued_at": None} | changes
    return forecast(records, source=source("cams", **given), layer_scheme=LayerScheme.NONE)


SMOKE = {
    "clean": (0.1, 5.0, HazardLevel.FINE),
    "hazy": (0.3, 5.0, HazardLevel.WARN),
    "thick": (1.0, 5.0, HazardLevel.FAIL),
    "unhealthy for some": (0.1, 35.5, HazardLevel.WARN),
    "very unhealthy": (0.1, 125.5, HazardLevel.FAIL),
    "depth alone": (0.1, None, HazardLevel.FINE),
    "particles alone": (None, 5.0, HazardLevel.FINE),
    "neither": (None, None, HazardLevel.UNKNOWN),
}


@pytest.mark.parametrize(("depth", "fine", "level"), SMOKE.values(), ids=SMOKE.keys())
def test_smoke_and_dust_have_their_levels(
    depth: float | None, fine: float | None, level: HazardLevel
) -> None:
    hazard = look(forecast(), air(depth, fine)).hazard("smoke")
    assert hazard is not None
    assert hazard.level is level


def test_air_is_credited_and_handed_on_and_gives_no_chance_of_its_own() -> None:
    seen = look(forecast(), air(0.21))
    assert seen.aerosol_optical_depth == 0.21
    assert [entry.lineage for entry in seen.sources] == ["icon", "cams"]
    assert seen.lineages == ("icon",)
    assert len(seen.per_source) == 1


@pytest.mark.parametrize(
    "times",
    [{"fetched_at": NOW - 40 * HOUR}, {"fetched_at": NOW + HOUR}],
    ids=["too old", "from the future"],
)
def test_air_of_another_day_is_not_used(times: dict[str, object]) -> None:
    seen = look(forecast(), air(0.9, **times))
    assert seen.aerosol_optical_depth is None
    assert [entry.lineage for entry in seen.sources] == ["icon"]


# An inversion night
def test_low_cloud_below_the_site_is_named_as_possible_fog_in_the_valley() -> None:
    peak = Place(28.27, -16.64, 3500.0)
    sea_of_cloud = replace(forecast(hours(cloud_low_pct=100.0)), place=peak)
    seen = look(sea_of_cloud)
    assert "low cloud lies below the site: possible fog in the valley under a clear sky" in map(
        str, seen.notes
    )
    assert seen.chance_pct == look(forecast()).chance_pct


def test_without_much_of_it_nothing_is_said() -> None:
    peak = Place(28.27, -16.64, 3500.0)
    seen = look(replace(forecast(hours(cloud_low_pct=30.0)), place=peak))
    assert not any("valley" in str(note) for note in seen.notes)


# The newest run there is
AGES = {
    "six hours, the next is due now": (6.0, 6.0, True),
    "while the next one arrives": (7.4, 6.0, True),
    "the next one should be here": (7.6, 6.0, False),
    "runs every three hours": (6.0, 3.0, True),
    "runs every three hours, too old": (6.1, 3.0, False),
    "row_163_runs_every_twelve_hours": (13.4, 12.0, True),
    "row_163_every_twelve_hours_and_the_next_should_be_here": (13.6, 12.0, False),
    "runs every day get no leave": (6.1, 24.0, False),
}


@pytest.mark.parametrize(("age_h", "every_h", "used"), AGES.values(), ids=AGES.keys())
def test_the_newest_run_counts_until_the_next_can_be_here(age_h: float, every_h: float, used: bool) -> None:
    issued = NOW - age_h * HOUR
    run = source(issued_at=issued, next_due_at=issued + every_h * HOUR)
    assert (look(forecast(source=run)).chance_pct is not None) is used


# The trip
def test_the_trip_is_the_one_given_as_far_as_it_lies_ahead() -> None:
    trip = Span(NOW - HOUR, WINDOW.end + 2 * HOUR)
    assert look(forecast(), trip=trip).trip == Span(NOW, trip.end)


def test_without_a_plan_a_usual_trip_is_taken() -> None:
    assert look(forecast()).trip == Span(
        WINDOW.start - timedelta(hours=2.5), WINDOW.end + timedelta(hours=1.75)
    )


def test_an_outlook_comes_back_from_its_row_with_what_it_found() -> None:
    seen = look(forecast(hours(wind_ms=9.0)), forecast(source=source("gfs", issued_at=NOW - 30 * HOUR)))
    row = to_json(seen)
    wind = row["hazards"][0]
    assert wind["text"] == "wind up to 9 m/s"
    assert wind["text_phrase"] == {"code": "weather.blowing", "params": {"kind": "wind", "ms": 9.0}}
    assert from_json(Outlook, row) == seen


def test_an_outlook_that_an_older_version_stored_shows_its_text() -> None:
    row = to_json(look(forecast()))
    row["hazards"] = [
        {"name": "wind", "level": "warn", "text": "wind up to 9 m/s", "worst": 9.0, "unit": "m/s"}
    ]
    row["notes"], row["sight_text"] = ["icon model: age unknown"], ""
    row["per_source"][0] |= {"chance": None, "why_not": "doesn't reach this window"}
    old = from_json(Outlook, row)
    assert str(old.hazards[0].text) == "wind up to 9 m/s"
    assert list(map(str, old.notes)) == ["icon model: age unknown"]
    assert (old.sight_text, str(old.per_source[0].why_not)) == (None, "doesn't reach this window")
