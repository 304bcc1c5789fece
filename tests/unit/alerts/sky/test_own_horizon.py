"""Sun and Moon over a place's own horizon, and moonlight on its ground, against PyEphem and astropy."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, datetime, timedelta

import ephem
import numpy as np
import pytest

from alerts.common.span import intersect
from alerts.sites.horizon import KNOWN_LEVEL
from alerts.sites.model import HorizonLine, Site
from alerts.sky.brightness.moonlit_ground import moonlit_ground
from alerts.sky.brightness.total import site_sky, sky_points
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named
from alerts.sky.own_horizon import own_horizon

MINUTE = timedelta(minutes=1)
AROUND = (0.0, 90.0, 180.0, 270.0)


def flat(height_deg: float) -> HorizonLine:
    return HorizonLine(AROUND, (height_deg,) * 4)


PLACES = {
    "a valley": Site("Valley", 46.4, 7.9, 1400.0, "Europe/Zurich", flat(14.0)),
    "a low ridge": Site("Pan", -24.7, 15.3, 700.0, "Africa/Windhoek", flat(2.0)),
    "level": Site("Shore", 28.1, -15.4, 5.0, "Atlantic/Canary", KNOWN_LEVEL),
    "a summit": Site("Summit", 19.8, -155.5, 2900.0, "Pacific/Honolulu", flat(-0.9)),
}
NIGHTS = [date(2026, 2, 26), date(2026, 5, 25), date(2026, 8, 21), date(2026, 11, 28)]


def observer_at(site: Site) -> ephem.Observer:
    """In the standard atmosphere, with the ridge as its horizon."""
    there = ephem.Observer()
    there.lat, there.lon, there.elevation = str(site.lat_deg), str(site.lon_deg), site.elevation_m
    there.pressure = 1013.25 * (1 - 0.0065 * site.elevation_m / 288.15) ** 5.25588
    there.temp = 15 - 0.0065 * site.elevation_m
    return there


def ephem_crossings(
    site: Site, body: ephem.Body, start: datetime, end: datetime
) -> tuple[list[datetime], list[datetime]]:
    """When PyEphem sees the upper limb pass the ridge's height, rising and setting, by halving minutes."""
    there, ridge = observer_at(site), site.horizon.altitudes_deg[0]

    def above(at: datetime) -> float:
        there.date = ephem.Date(at.replace(tzinfo=None))
        there.pressure, kept = 0.0, there.pressure
        body.compute(there)
        airless = math.degrees(body.alt) + math.degrees(body.radius)
        there.pressure = kept
        return airless - math.degrees(
            ephem._libastro.unrefract(there.pressure, there.temp, math.radians(ridge))
        )

    rises, sets = [], []
    at = start
    while at < end:
        low, high = at, at + 10 * MINUTE
        if (above(low) >= 0) != (above(high) >= 0):
            goes_up = above(high) >= 0
            for _ in range(14):
                middle = low + (high - low) / 2
                low, high = (low, middle) if (above(middle) >= 0) == goes_up else (middle, high)
            (rises if goes_up else sets).append(low)
        at += 10 * MINUTE
    return rises, sets


@pytest.mark.parametrize("name", NIGHTS, ids=str)
@pytest.mark.parametrize("site", PLACES.values(), ids=PLACES)
def test_the_sun_goes_and_comes_as_pyephem_sees_it(ephemeris: Ephemeris, site: Site, name: date) -> None:
    night = night_named(site, name, SkyWishes(), ephemeris)
    own = own_horizon(site, night, ephemeris)
    assert own is not None
    rises, sets = ephem_crossings(site, ephem.Sun(), night.span.start, night.span.end)
    assert own.sun_gone is not None
    assert own.sun_back is not None
    assert abs(own.sun_gone - sets[-1]) < MINUTE / 3
    assert abs(own.sun_back - rises[0]) < MINUTE / 3


@pytest.mark.parametrize("name", NIGHTS, ids=str)
@pytest.mark.parametrize("site", PLACES.values(), ids=PLACES)
def test_moonlight_begins_and_ends_on_the_ground_within_a_minute_of_pyephem(
    ephemeris: Ephemeris, site: Site, name: date
) -> None:
    night = night_named(site, name, SkyWishes(), ephemeris)
    own = own_horizon(site, night, ephemeris)
    assert own is not None
    whole = night.sunset_to_sunrise
    rises, sets = ephem_crossings(site, ephem.Moon(), whole.start, whole.end)
    starts = [span.start for span in night.foreground_moonlit if span.start != whole.start]
    ends = [span.end for span in night.foreground_moonlit if span.end != whole.end]
    # the standard rising bounds it too: seen over less than the sea's horizon, it isn't up yet
    if site.horizon.altitudes_deg[0] >= 0:
        assert len(starts) == len(rises)
        assert len(ends) == len(sets)
        pairs = [*zip(starts, rises, strict=True), *zip(ends, sets, strict=True)]
        assert all(abs(ours - theirs) < MINUTE / 3 for ours, theirs in pairs)
    assert len(own.moon_rises) == len(rises)
    assert len(own.moon_sets) == len(sets)
    pairs = [*zip(own.moon_rises, rises, strict=True), *zip(own.moon_sets, sets, strict=True)]
    assert all(abs(ours - theirs) < MINUTE / 3 for ours, theirs in pairs)


@pytest.mark.usefixtures("offline_astropy")
def test_astropy_sees_the_moons_edge_on_a_high_ridge_when_its_light_comes(ephemeris: Ephemeris) -> None:
    """At 20 degrees ERFA's own refraction holds; the kernel is the same, the way there another."""
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, get_body
    from astropy.time import Time

    site = Site("Walled", 40.4, -3.7, 650.0, "Europe/Madrid", flat(20.0))
    there = EarthLocation.from_geodetic(site.lon_deg * u.deg, site.lat_deg * u.deg, site.elevation_m * u.m)
    found = 0
    for name in (date(2026, 7, 22), date(2026, 10, 30), date(2026, 12, 28)):
        night = night_named(site, name, SkyWishes(), ephemeris)
        for span in night.foreground_moonlit:
            for at in {span.start, span.end} - {night.sunset_to_sunrise.start, night.sunset_to_sunrise.end}:
                when = Time([at - MINUTE, at, at + MINUTE])
                frame = AltAz(
                    obstime=when, location=there, pressure=937 * u.hPa, temperature=10.8 * u.deg_C,
                    obswl=0.574 * u.um,
                )  # fmt: skip
                moon = get_body("moon", when, there).transform_to(frame)
                limb = moon.alt.deg + np.degrees(np.arcsin(1737.4 / moon.distance.to_value(u.km)))
                assert (limb[0] - 20.0) * (limb[2] - 20.0) < 0, "the edge isn't within a minute"
                found += 1
    assert found >= 3


def test_without_a_line_there_is_no_horizon_of_ones_own(ephemeris: Ephemeris) -> None:
    site = replace(PLACES["level"], horizon=HorizonLine())
    assert own_horizon(site, night_named(site, NIGHTS[0], SkyWishes(), ephemeris), ephemeris) is None


def test_from_a_summit_the_sun_is_seen_longer_and_in_a_valley_shorter(ephemeris: Ephemeris) -> None:
    for name, sooner in (("a valley", True), ("a summit", False)):
        night = night_named(PLACES[name], NIGHTS[1], SkyWishes(), ephemeris)
        own = own_horizon(PLACES[name], night, ephemeris)
        assert own is not None
        assert own.sun_gone is not None
        assert own.sun_back is not None
        assert night.sun.first_set is not None
        assert night.sun.last_rise is not None
        assert (own.sun_gone < night.sun.first_set) == sooner
        assert (own.sun_back > night.sun.last_rise) == sooner


def test_a_midnight_sun_never_goes(ephemeris: Ephemeris) -> None:
    site = Site("Cape", 70.0, 25.0, 10.0, "Europe/Oslo", KNOWN_LEVEL)
    own = own_horizon(site, night_named(site, date(2026, 6, 20), SkyWishes(), ephemeris), ephemeris)
    assert own is not None
    assert (own.sun_gone, own.sun_back) == (None, None)


# --- what moonlight on the ground costs the sky -----------------------------------------------------


ANY_MOON = SkyWishes(moonless=False)


@pytest.mark.parametrize("name", [date(2026, 7, 20), date(2026, 7, 23), date(2026, 7, 6)], ids=str)
def test_the_cost_is_the_skys_with_and_without_the_moon(ephemeris: Ephemeris, name: date) -> None:
    """In full darkness the loss that a window is told with is the Moon's alone."""
    site = Site("Flat", 38.0, -1.5, 900.0, "Europe/Madrid")
    night = night_named(site, name, ANY_MOON, ephemeris)
    (lit,) = moonlit_ground(site, night, ephemeris)
    (dark,) = intersect((lit.span,), night.dark)
    losses: list[float] = []
    for point in sky_points(site_sky(site), Target(), dark, ephemeris):
        if point.altitude_deg > 0:
            losses.append(point.loss_mag)
    assert lit.least_loss_mag is not None
    assert lit.most_loss_mag is not None
    assert lit.most_loss_mag > 0
    assert all(lit.least_loss_mag - 0.02 <= loss <= lit.most_loss_mag + 0.02 for loss in losses)


def test_where_nothing_is_told_of_the_cost(ephemeris: Ephemeris) -> None:
    """In twilight alone, and with the target down; the zenith is always up."""
    flat_site = Site("Flat", 38.0, -1.5, 900.0, "Europe/Madrid")
    crescent = night_named(flat_site, date(2026, 7, 16), ANY_MOON, ephemeris)
    assert crescent.foreground_moonlit
    for lit in moonlit_ground(flat_site, crescent, ephemeris):
        assert not intersect((lit.span,), crescent.dark)
        assert (lit.least_loss_mag, lit.most_loss_mag) == (None, None)

    winter = night_named(flat_site, date(2026, 12, 20), ANY_MOON, ephemeris)
    (lit,) = moonlit_ground(flat_site, winter, ephemeris)
    assert (lit.least_loss_mag, lit.most_loss_mag) == (None, None)
    zenith = replace(winter, wishes=replace(ANY_MOON, target=Target(TargetKind.NONE)))
    (lit,) = moonlit_ground(flat_site, zenith, ephemeris)
    assert lit.most_loss_mag is not None


def test_a_night_without_moon_has_no_moonlit_ground(ephemeris: Ephemeris) -> None:
    site = Site("Flat", 38.0, -1.5, 900.0, "Europe/Madrid")
    night = night_named(site, date(2026, 9, 10), ANY_MOON, ephemeris)
    assert moonlit_ground(site, night, ephemeris) == ()
