"""All events of 33 nights, polar cases and the date line included, against astropy."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import BodyEvents, BodyState, Night, SkyWishes, Target, TargetKind, name_of
from alerts.sky.nights.night_builder import night_named
from tests.unit.alerts.sky.reference import ids, read_json, utc_s

CASES = read_json("night-events.json")["cases"]
CORE = SkyWishes()
GRAZING_S, USUAL_S = 90.0, 5.0
GRAZING_SITES = {"tromso", "longyearbyen", "mcmurdo", "ushuaia", "fairbanks", "reykjavik"}


def night_of(case: dict[str, Any], ephemeris: Ephemeris, wishes: SkyWishes = CORE) -> Night:
    """The night by its number: the cases go by local mean solar date, not by a zone's name."""
    site = Site(case["site"], case["lat_deg"], case["lon_deg"], case["elev_m"], "UTC")
    number = (date.fromisoformat(case["solar_date"]) - date(1970, 1, 1)).days
    return night_named(site, name_of(site, number), wishes, ephemeris)


def off_s(at: datetime, text: str) -> float:
    return abs(at.timestamp() - utc_s(text))


def assert_times(got: tuple[datetime, ...], want: list[str], tolerance_s: float) -> None:
    assert len(got) == len(want)
    for at, text in zip(got, want, strict=True):
        assert off_s(at, text) <= tolerance_s


STATE = {"always_above": BodyState.ALWAYS_UP, "always_below": BodyState.ALWAYS_DOWN}
BODIES = (
    ("sun", "sunset", "sunrise"),
    ("civil", "civil_dusk", "civil_dawn"),
    ("nautical", "nautical_dusk", "nautical_dawn"),
    ("astronomical", "astronomical_dusk", "astronomical_dawn"),
    ("moon", "moonset", "moonrise"),
)


@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "solar_date"))
@pytest.mark.parametrize(("name", "sets", "rises"), BODIES, ids=[body[0] for body in BODIES])
def test_events_and_states_of_the_night(
    ephemeris: Ephemeris, case: dict[str, Any], name: str, sets: str, rises: str
) -> None:
    events: BodyEvents = getattr(night_of(case, ephemeris), name)
    want = case["events"]
    tolerance_s = GRAZING_S if case["site"] in GRAZING_SITES else USUAL_S
    assert_times(events.sets, want[sets], tolerance_s)
    assert_times(events.rises, want[rises], tolerance_s)
    state = want.get("moon_state" if name == "moon" else f"{sets}_state")
    assert events.state is STATE.get(state, BodyState.CROSSES)
    if name == "moon":
        assert events.up_at_start == want["moon_up_at_window_start"]


@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "solar_date"))
def test_the_night_runs_from_mean_noon_to_mean_noon(ephemeris: Ephemeris, case: dict[str, Any]) -> None:
    night = night_of(case, ephemeris)
    assert night.span.duration == timedelta(hours=24)
    assert off_s(night.span.start, case["window_utc"][0]) < 61  # the case's window is cut to the minute


@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "solar_date"))
def test_dark_spans_and_windows_have_the_right_edges_and_minutes(
    ephemeris: Ephemeris, case: dict[str, Any]
) -> None:
    night, want = night_of(case, ephemeris), case["events"]
    tolerance_s = GRAZING_S if case["site"] in GRAZING_SITES else USUAL_S
    windows = [window.span for window in night.windows]
    for spans, key in (
        (night.dark, "dark_intervals"),
        (windows, "dark_moonless_core_above_10deg_intervals"),
    ):
        assert len(spans) == len(want[key])
        for span, (start, end) in zip(spans, want[key], strict=True):
            assert off_s(span.start, start) <= max(tolerance_s, 61 if start == case["window_utc"][0] else 0)
            assert off_s(span.end, end) <= max(tolerance_s, 61 if end == case["window_utc"][1] else 0)
    minutes = sum(span.minutes for span in windows)
    assert minutes == pytest.approx(want["dark_moonless_core_minutes"], abs=1)


@pytest.mark.parametrize("case", CASES, ids=ids(CASES, "site", "solar_date"))
def test_darkness_alone_has_the_right_minutes(ephemeris: Ephemeris, case: dict[str, Any]) -> None:
    night = night_of(case, ephemeris, SkyWishes(target=Target(TargetKind.NONE)))
    minutes = sum(window.span.minutes for window in night.windows)
    assert minutes == pytest.approx(case["events"]["dark_moonless_minutes"], abs=1)
