"""The sum: its parts, a reading that wins, and what never darkens or jumps."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.model import Darkness, HorizonLine, Site
from alerts.sky.brightness.laws import NATURAL_ZENITH_MAG, brighter_mag, mag_from_nl, nl_from_mag
from alerts.sky.brightness.light_domes import Dome
from alerts.sky.brightness.total import (
    aim_deg,
    domes_stood_over,
    site_sky,
    sky_at,
    sky_brightness,
    sky_points,
    sun_and_moon,
)
from alerts.sky.ephemeris import Body, Ephemeris, posix_s
from alerts.sky.milky_way import galactic_direction
from alerts.sky.night import WINTER_ARC_L_DEG, Target, TargetKind
from alerts.sky.observers import Ground
from alerts.sky.tracks import sky_track
from tests.unit.alerts.sky.brightness.reference import (
    NO_TOWNS,
    UNHURRIED,
    altitudes,
    azimuths,
    moon_at,
    optical_depths,
    phases,
    sky_of,
    towns_of,
    zenith_nl,
)

NO_MOON = moon_at(-30.0)
CITY = towns_of((0.3, 0.3, 1e6))
SITE = Site("Here", 40.0, -3.7, 900.0, "Europe/Madrid")
near = partial(pytest.approx, abs=6e-4)
EVENING = datetime(2026, 7, 14, 21, tzinfo=UTC)


def test_the_sum_is_the_sum_of_its_parts() -> None:
    parts = sky_brightness(sky_of(CITY), (30.0, 200.0), -14.0, moon_at(20.0, 90.0))
    whole = parts.natural_nl + parts.twilight_nl + parts.moon_nl + parts.towns_nl
    assert min(parts.natural_nl, parts.twilight_nl, parts.moon_nl, parts.towns_nl) > 0
    assert parts.total_nl == pytest.approx(whole)
    assert parts.loss_mag == pytest.approx(brighter_mag(whole, parts.natural_nl + parts.towns_nl))


def test_a_dark_zenith_without_anything_is_the_natural_sky() -> None:
    parts = sky_brightness(sky_of(), (90.0, 0.0), -30.0, NO_MOON)
    assert mag_from_nl(parts.total_nl) == pytest.approx(NATURAL_ZENITH_MAG)
    assert parts.loss_mag == 0


def test_parts_take_the_shape_of_the_times() -> None:
    moon = moon_at(np.linspace(-5, 20, 7), 90.0)
    parts = sky_brightness(sky_of(), (np.linspace(10, 30, 7), 200.0), -20.0, moon)
    for part in (parts.natural_nl, parts.twilight_nl, parts.moon_nl, parts.towns_nl, parts.loss_mag):
        assert part.shape == (7,)


def test_optical_depth_may_change_from_minute_to_minute() -> None:
    moon = moon_at(np.full(3, 40.0), 90.0)
    parts = sky_brightness(sky_of(), (60.0, 200.0), -20.0, moon, np.array([0.0, np.nan, 0.5]))
    assert parts.moon_nl[0] < parts.moon_nl[1] < parts.moon_nl[2]


def test_absurd_smoke_is_refused() -> None:
    with pytest.raises(BadInput, match="leave it out when it isn't known"):
        sky_brightness(sky_of(), (30.0, 0.0), -20.0, NO_MOON, aod=-1.0)


@pytest.mark.parametrize(
    "towns", [NO_TOWNS, CITY, towns_of((1.5, 0, 2000))], ids=["none", "city", "far village"]
)
@pytest.mark.parametrize("reading_mag", [12.0, 17.5, 20.4, 21.5, 21.79, 21.8, 21.81, 22.0, 22.1, 22.6, 23.0])
def test_a_measured_reading_wins(towns: object, reading_mag: float) -> None:
    sky = sky_of(towns, reading_mag)  # type: ignore[arg-type]
    assert mag_from_nl(zenith_nl(sky)) == pytest.approx(reading_mag, abs=1e-9)
    parts = sky_brightness(sky, (90.0, 0.0), -30.0, NO_MOON)
    assert mag_from_nl(parts.total_nl) == pytest.approx(reading_mag, abs=1e-9)
    assert sky.natural_zenith_nl > 0
    assert sky.even_zenith_nl >= 0


def test_a_dark_reading_at_the_zenith_does_not_deny_a_dome_at_the_horizon() -> None:
    sky, guess = sky_of(CITY, 21.8), sky_of(CITY)
    assert 0 < sky.towns.nl(10.0, 45.0) < guess.towns.nl(10.0, 45.0)


def test_light_that_no_town_explains_has_no_direction() -> None:
    sky = sky_of(NO_TOWNS, 20.0)
    one, other = (sky_brightness(sky, (20.0, turn), -30.0, NO_MOON).towns_nl for turn in (10.0, 200.0))
    assert one == other > 0


@UNHURRIED
@given(st.floats(12, 23), st.floats(12, 23), altitudes, azimuths)
def test_a_brighter_reading_never_means_a_darker_sky(
    one: float, other: float, altitude_deg: float, azimuth_deg: float
) -> None:
    bright, dark = sorted((one, other))
    brighter, darker = (
        sky_brightness(sky_of(CITY, mag), (altitude_deg, azimuth_deg), -30.0, NO_MOON).total_nl
        for mag in (bright, dark)
    )
    assert brighter >= darker * (1 - 1e-9)


@UNHURRIED
@given(altitudes, azimuths, st.floats(-90, 5), st.floats(-90, 90), phases, optical_depths, optical_depths)
def test_more_smoke_never_darkens(
    up: float, turn: float, sun_up: float, moon_up: float, phase: float, one: float, other: float
) -> None:
    less, more = sorted((one, other))
    clear, smoky = (
        sky_brightness(sky_of(), (up, turn), sun_up, moon_at(moon_up, 40.0, phase), aod).total_nl
        for aod in (less, more)
    )
    assert smoky >= clear * (1 - 1e-12)


@UNHURRIED
@given(altitudes, azimuths, st.floats(-90, 5), st.floats(-90, 90), phases, phases)
def test_more_moon_never_darkens(
    up: float, turn: float, sun_up: float, moon_up: float, one: float, other: float
) -> None:
    fuller, thinner = sorted((one, other))
    bright, faint = (
        sky_brightness(sky_of(), (up, turn), sun_up, moon_at(moon_up, 40.0, phase))
        for phase in (fuller, thinner)
    )
    assert bright.total_nl >= faint.total_nl
    assert bright.loss_mag >= faint.loss_mag >= 0


@UNHURRIED
@given(altitudes, azimuths, st.floats(-90, 90), phases, st.floats(1000, 1e7))
def test_more_town_never_darkens(up: float, turn: float, moon_up: float, phase: float, people: float) -> None:
    towns = towns_of((0.3, 0.1, people))
    without, with_town = (
        sky_brightness(sky, (up, turn), -20.0, moon_at(moon_up, 40.0, phase)).total_nl
        for sky in (sky_of(), sky_of(towns))
    )
    assert with_town >= without


@pytest.mark.parametrize("lat_deg", [0.0, 30.0, 45.0, -35.0])
def test_with_a_thin_moon_no_dark_minute_jumps(lat_deg: float, ephemeris: Ephemeris) -> None:
    """Half a year of minutes with the Sun down, the core up and the Moon at most a fifth lit."""
    site, start_s = Site("Here", lat_deg, 10.0), datetime(2026, 3, 1, tzinfo=UTC).timestamp()
    at_s = start_s + np.arange(0, 180 * 86_400, 60.0)
    table = ephemeris.table(start_s, float(at_s[-1]))
    sun_up, moon = sun_and_moon(site, at_s, table)
    altitude, _ = aim_deg(site, Target(), at_s, table)
    looked_at = (sun_up < -18) & (altitude > 3) & (moon.phase_angle_deg > 127)
    brightness = sky_at(site_sky(site, CITY), Target(), at_s[looked_at], table)
    neighbours = np.diff(at_s[looked_at]) == 60
    assert brightness.moon_nl.max() > 5
    assert np.abs(np.diff(mag_from_nl(brightness.total_nl)))[neighbours].max() <= 0.05


def test_in_a_second_even_a_full_moon_makes_no_jump(ephemeris: Ephemeris) -> None:
    site, start_s = Site("Here", 0.0, 10.0), datetime(2026, 6, 29, 18, tzinfo=UTC).timestamp()
    at_s = start_s + np.arange(0, 12 * 3600.0)
    table = ephemeris.table(start_s, float(at_s[-1]))
    for target in (Target(), Target(TargetKind.NONE)):
        brightness = sky_at(replace(sky_of(), site=site), target, at_s, table)
        assert brightness.moon_nl.max() > 500
        assert np.abs(np.diff(mag_from_nl(brightness.total_nl))).max() <= 0.05


def test_sun_moon_and_core_stand_where_the_tracks_say(ephemeris: Ephemeris) -> None:
    span = Span(EVENING, EVENING + timedelta(hours=2))
    at_s = np.array([posix_s(span.start), posix_s(span.end)])
    table = ephemeris.table(*at_s)
    sun_up, moon = sun_and_moon(SITE, at_s, table)
    altitude, azimuth = aim_deg(SITE, Target(), at_s, table)
    step = timedelta(hours=2)
    assert sun_up == near([p.altitude_deg for p in sky_track(SITE, Body.SUN, span, ephemeris, step)])
    moon_points = sky_track(SITE, Body.MOON, span, ephemeris, step)
    assert moon.altitude_deg == near([p.altitude_deg for p in moon_points])
    assert moon.azimuth_deg == near([p.azimuth_deg for p in moon_points])
    core = sky_track(SITE, Target(), span, ephemeris, step)
    assert altitude == near([p.altitude_deg for p in core])
    assert azimuth == near([p.azimuth_deg for p in core])


def test_the_phase_angle_is_that_of_the_lit_fraction(ephemeris: Ephemeris) -> None:
    full_s = datetime(2026, 6, 29, 23, 57, tzinfo=UTC).timestamp()  # USNO, phases of the Moon 2026
    at_s = np.array([full_s, full_s + 14.77 * 86_400])
    _, moon = sun_and_moon(SITE, at_s, ephemeris.table(*at_s))
    assert moon.phase_angle_deg[0] < 6
    assert moon.phase_angle_deg[1] > 170
    assert ((moon.distance_km > 356_000) & (moon.distance_km < 407_000)).all()


@pytest.mark.parametrize(
    ("target", "altitude_deg"),
    [
        (Target(TargetKind.NONE), 90.0),
        (Target(TargetKind.RADEC, "pole", 0.0, 90.0), 40.0),
        (Target(TargetKind.CORE), 20.8),
        (Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG), -20.8),
    ],
    ids=["zenith", "a named place", "core", "the middle of an arc, opposite the core"],
)
def test_each_target_has_its_own_sky(target: Target, altitude_deg: float, ephemeris: Ephemeris) -> None:
    at_s = np.array([posix_s(EVENING + timedelta(hours=1))])
    altitude, azimuth = aim_deg(SITE, target, at_s, ephemeris.table(at_s[0], at_s[0]))
    assert altitude == pytest.approx(altitude_deg, abs=0.5)
    assert azimuth.shape == (1,)


def test_the_bands_sky_is_that_of_its_highest_point(ephemeris: Ephemeris) -> None:
    at_s = np.array([posix_s(EVENING)])
    table = ephemeris.table(at_s[0], at_s[0])
    altitude, azimuth = aim_deg(SITE, Target(TargetKind.BAND), at_s, table)
    along = galactic_direction(np.arange(0, 360, 0.25), 0.0)
    seen = np.stack([table.fixed(icrs, at_s)[0] for icrs in along])
    altitudes_deg, azimuths_deg = Ground.of([SITE]).altaz(seen[None], near=False)
    highest = int(np.argmax(altitudes_deg[0]))
    assert altitude == pytest.approx(altitudes_deg[0, highest], abs=0.02)
    assert azimuth == pytest.approx(azimuths_deg[0, highest], abs=0.5)


@pytest.mark.parametrize(("lat_deg", "lon_deg"), [(90, 0), (-90, 0), (30, -40), (0, 180), (0, -180)])
def test_poles_seas_and_the_date_line_have_a_sky_too(
    lat_deg: float, lon_deg: float, ephemeris: Ephemeris
) -> None:
    site = Site("Here", lat_deg, lon_deg)
    span = Span(EVENING, EVENING + timedelta(hours=6))
    points = sky_points(site_sky(site), Target(), span, ephemeris)
    assert all(0 < point.mag_arcsec2 < 23 and point.loss_mag >= 0 for point in points)


def test_a_ridge_does_not_darken_the_sky(ephemeris: Ephemeris) -> None:
    walled = Site("Here", 40.0, -3.7, 900.0, horizon=HorizonLine((0.0, 180.0), (60.0, 60.0)))
    at_s = posix_s(EVENING) + np.arange(0, 8 * 3600, 600.0) + 7 * 86_400
    table = ephemeris.table(at_s[0], at_s[-1])
    level, behind = (sky_at(site_sky(site), Target(), at_s, table) for site in (SITE, walled))
    assert level.moon_nl.max() > 50
    assert (level.total_nl == behind.total_nl).all()


def test_a_window_is_told_at_start_middle_and_end(ephemeris: Ephemeris) -> None:
    span = Span(EVENING, EVENING + timedelta(hours=4))
    sky = site_sky(SITE, CITY)
    points = sky_points(sky, Target(), span, ephemeris, aod=0.5)
    assert [point.at for point in points] == [span.start, span.middle, span.end]
    for point in points:
        total = point.natural_nl + point.twilight_nl + point.moon_nl + point.towns_nl
        assert point.mag_arcsec2 == pytest.approx(mag_from_nl(total))
        assert point.dimmed_mag > point.smoke_mag > 0
        assert not point.aod_assumed
    assert sky_points(sky, Target(), span, ephemeris)[0].aod_assumed


def test_the_core_is_told_to_stand_over_a_dome(ephemeris: Ephemeris) -> None:
    span = Span(EVENING, EVENING + timedelta(hours=4))
    south, north = Dome(180.0, 41.0, "South", 300_000, 0.3), Dome(0.0, 30.0, "North", 300_000, 0.5)
    assert domes_stood_over(SITE, Target(), span, ephemeris, (north, south)) == (south,)


def test_a_reading_darkens_what_was_estimated_under_a_town() -> None:
    under_town = Site("Here", 0.3, 0.3)
    assert zenith_nl(site_sky(under_town, CITY)) > nl_from_mag(21.0)
    measured = replace(under_town, darkness=Darkness(21.0))
    assert zenith_nl(site_sky(measured, CITY)) == pytest.approx(nl_from_mag(21.0))


def test_parts_without_moon_and_sun_are_the_sites_best() -> None:
    parts = sky_brightness(sky_of(CITY), (30.0, 200.0), -30.0, NO_MOON)
    assert parts.dark_nl == parts.total_nl == parts.natural_nl + parts.towns_nl


@pytest.mark.parametrize("reading_mag", [20.6, 21.2, 21.6])
def test_a_reading_corrects_the_towns_by_one_share_in_all_directions(reading_mag: float) -> None:
    measured, guess = sky_of(CITY, reading_mag), sky_of(CITY)
    ups, turns = np.array([5.0, 12, 30, 60, 90])[:, None], np.arange(0.0, 360, 45)
    shares = measured.towns.nl(ups, turns) / guess.towns.nl(ups, turns)
    assert shares == pytest.approx(np.full(shares.shape, shares[0, 0]))
    assert measured.even_zenith_nl == pytest.approx(0, abs=1e-9)


def test_the_darkest_possible_is_that_of_the_altitude(ephemeris: Ephemeris) -> None:
    """Without Moon, twilight and towns the sky is as dark as it gets, however low; with towns by theirs."""
    span = Span(EVENING + timedelta(hours=1), EVENING + timedelta(hours=3))
    lonely = sky_points(replace(sky_of(), site=SITE), Target(), span, ephemeris)
    assert all(point.above_darkest_mag == pytest.approx(0, abs=1e-9) for point in lonely)
    assert all(point.mag_arcsec2 < NATURAL_ZENITH_MAG - 0.3 and point.is_low for point in lonely)
    lit = sky_points(site_sky(Site("Here", 0.3, 0.3), CITY), Target(TargetKind.NONE), span, ephemeris)[1]
    assert lit.above_darkest_mag == pytest.approx(lit.towns_mag)
    assert lit.towns_mag > 1
    assert not lit.is_low
