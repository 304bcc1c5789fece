"""Random places and dates against ephem and astropy, which share no code and no theory with ours.

ephem goes by UT1, which stays within 0.2 s of UTC in the years used here.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import ephem
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.sites.model import Site
from alerts.sky.crossings import SUNRISE_DEG, moon_crossings, sun_crossings
from alerts.sky.ephemeris import Body, Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named, nights, nights_for_sites
from alerts.sky.observers import Ground
from tests.unit.alerts.sky.one_by_one import window_minutes
from tests.unit.alerts.sky.reference import DAY_S, one_place, utc_s

DARKNESS = SkyWishes(target=Target(TargetKind.NONE), moonless=False)
DUBLIN_S = 25_567.5 * DAY_S  # ephem counts days from 1899 December 31, noon


class Elsewhere:
    """Airless topocentric altitudes at one place by ephem."""

    def __init__(self, lat_deg: float, lon_deg: float, elevation_m: float = 0.0) -> None:
        self.place = ephem.Observer()
        self.place.lat, self.place.lon = math.radians(lat_deg), math.radians(lon_deg)
        self.place.elevation, self.place.pressure = elevation_m, 0
        self.sun, self.moon = ephem.Sun(), ephem.Moon()
        self.core = ephem.FixedBody()
        self.core._ra, self.core._dec = math.radians(266.40499), math.radians(-28.93617)

    def above_deg(self, what: str, at_s: float) -> float:
        """Altitude above the level that counts: sunrise, -18 degrees, moonrise or ten degrees of core."""
        self.place.date = ephem.Date((at_s + DUBLIN_S) / DAY_S)
        body = {"moon": self.moon, "core": self.core}.get(what, self.sun)
        body.compute(self.place)
        altitude_deg = math.degrees(body.alt)
        if what == "moon":
            return altitude_deg + 34 / 60 + math.degrees(body.radius)
        return altitude_deg - {"sun": SUNRISE_DEG, "dark": -18.0, "core": 10.0}[what]


def ours(
    ephemeris: Ephemeris, what: str, ground: Ground, start_s: float, days: int
) -> tuple[bool, np.ndarray]:
    table = ephemeris.table(start_s, start_s + days * DAY_S)
    if what == "moon":
        crossings = moon_crossings(ground, table)
    else:
        crossings = sun_crossings(ground, table, [SUNRISE_DEG if what == "sun" else -18.0])[0]
    return crossings.of_row(0, start_s, start_s + days * DAY_S)


places = st.tuples(st.floats(-89, 89), st.floats(-180, 180), st.floats(-430, 6000))
times = st.datetimes(datetime(2019, 1, 1), datetime(2028, 12, 1), timezones=st.just(UTC))  # noqa: DTZ001


@pytest.mark.parametrize("what", ["sun", "dark", "moon"])
@given(place=places, at=times)
@settings(max_examples=25, deadline=None)
def test_no_crossing_is_invented_lost_or_a_second_off(
    ephemeris: Ephemeris, what: str, place: tuple[float, float, float], at: datetime
) -> None:
    """Two days: each crossing within a second, or 4 arcseconds where the body climbs slowly (that is
    how well ephem's Moon is known), and on the right side every 15 minutes between."""
    start_s = at.timestamp()
    up, crossings = ours(ephemeris, what, one_place(*place), start_s, 2)
    there = Elsewhere(*place)
    for at_s in crossings:
        speed_deg_s = (there.above_deg(what, at_s + 5) - there.above_deg(what, at_s - 5)) / 10
        assert abs(there.above_deg(what, at_s)) < max(abs(speed_deg_s), 4 / 3600)
    for at_s in np.arange(start_s, start_s + 2 * DAY_S, 900.0):
        above_deg = there.above_deg(what, at_s)
        if abs(above_deg) > 0.004:
            assert (above_deg > 0) == (up ^ (np.searchsorted(crossings, at_s) % 2 == 1))


@given(place=places, at=times)
@settings(max_examples=25, deadline=None)
def test_windows_hold_what_was_wished_and_miss_none_of_it(
    ephemeris: Ephemeris, place: tuple[float, float, float], at: datetime
) -> None:
    site = Site("There", *place)
    night = night_named(site, at.date(), SkyWishes(), ephemeris)
    there = Elsewhere(*place)
    start_s, end_s = night.span.start.timestamp(), night.span.end.timestamp()
    for at_s in np.arange(start_s, end_s, 600.0):
        margins = [
            -there.above_deg("dark", at_s),
            -there.above_deg("moon", at_s),
            there.above_deg("core", at_s),
        ]
        if min(abs(margin) for margin in margins) > 0.02:
            inside = any(w.span.contains(datetime.fromtimestamp(at_s, UTC)) for w in night.windows)
            assert inside == all(margin > 0 for margin in margins)


# --- short dark spells about the solstice -------------------------------------------------------

SOLSTICES = (
    # latitudes and first nights of fortnights in which darkness comes or goes at 48 to 60 degrees
    *[(48.2 + 0.1 * k, date(2026, 6, 14)) for k in range(6)],
    *[(49.0 + 0.5 * k, date(2026, 5, 16 - k)) for k in range(5)],
    *[(52.0 + k, date(2026, 4, 30 - 3 * k)) for k in range(8)],
    *[(55.0 + 0.7 * k, date(2026, 8, 1 + 2 * k)) for k in range(6)],
    (-48.6, date(2026, 12, 15)),
    (-54.8, date(2026, 11, 1)),
)


def recounted_s(lat_deg: float, lon_deg: float, middle_s: float) -> float:
    """Seconds of darkness within four hours of the night's middle, by ephem every 15 seconds.

    Nights whose darkest sample, six minutes apart, is a tenth of a degree short have none.
    """
    there = Elsewhere(lat_deg, lon_deg)
    coarse = np.arange(middle_s - 14_400, middle_s + 14_400, 360.0)
    above = np.array([there.above_deg("dark", at_s) for at_s in coarse])
    if above.min() > 0.1:
        return 0.0
    near = coarse[above < 0.7]
    fine = np.arange(near[0] - 360, near[-1] + 360, 15.0)
    return 15.0 * sum(there.above_deg("dark", at_s) < 0 for at_s in fine)


@pytest.mark.parametrize(("lat", "first"), SOLSTICES, ids=[f"{c[0]:.1f}-{c[1]}" for c in SOLSTICES])
def test_short_dark_spells_are_neither_lost_nor_invented(
    ephemeris: Ephemeris, lat: float, first: date
) -> None:
    for night in nights(Site("There", lat, 9.0), first, 14, DARKNESS, ephemeris)[::2]:
        got_s = sum(span.duration.total_seconds() for span in night.dark)
        if got_s > 2 * 3600:
            continue
        want_s = recounted_s(lat, 9.0, night.span.middle.timestamp())
        assert abs(got_s - want_s) <= (30 if want_s > 600 else 60)
        assert got_s or want_s <= 120


def test_the_last_dark_night_before_summer_is_found_at_every_latitude(ephemeris: Ephemeris) -> None:
    """Along one meridian the last dark night moves smoothly with latitude: no gap of a lost spell."""
    sites = [Site(f"{lat:g}", lat, 9.0) for lat in np.arange(49, 60, 0.05).tolist()]
    whole = nights_for_sites(sites, date(2026, 3, 25), 88, DARKNESS, ephemeris)
    dark = window_minutes(whole) > 0
    last = [np.flatnonzero(row)[-1] for row in dark]
    assert all(row[: end + 1].all() for row, end in zip(dark, last, strict=True))
    assert np.diff(last).max() <= 0
    assert np.diff(last).min() >= -2


# --- real nights, computed anew by a second library ------------------------------------------------

SECOND_LOOKS = (
    ("2026-07-15", 41.96, -71.20, 0.0),
    ("2024-02-20", 35.20, -111.65, 2100.0),
    ("2026-03-02", 50.0, 10.0, 0.0),
    ("2024-01-16", -37.75, 144.875, 0.0),
    ("2022-05-18", 59.0, 10.0, 0.0),
)


@pytest.mark.parametrize("kind", [TargetKind.CORE, TargetKind.NONE])
@pytest.mark.parametrize(("name", "lat", "lon", "elevation_m"), SECOND_LOOKS)
def test_windows_of_known_nights_agree_with_ephem_minute_by_minute(
    ephemeris: Ephemeris, name: str, lat: float, lon: float, elevation_m: float, kind: TargetKind
) -> None:
    site, wishes = Site("There", lat, lon, elevation_m), SkyWishes(target=Target(kind))
    night = night_named(site, date.fromisoformat(name), wishes, ephemeris)
    there = Elsewhere(lat, lon, elevation_m)
    minutes = 0
    for at_s in night.span.start.timestamp() + 30 + np.arange(1440) * 60.0:
        dark = there.above_deg("dark", at_s) < 0 and there.above_deg("moon", at_s) < 0
        minutes += dark and (kind is TargetKind.NONE or there.above_deg("core", at_s) >= 0)
    assert sum(window.span.minutes for window in night.windows) == pytest.approx(minutes, abs=1)


# --- astropy ---------------------------------------------------------------------------------------


ASTROPY_CASES = (
    (47.3, 8.5, 400.0, "2026-08-11T21:00:00"),
    (-43.9, 170.4, 700.0, "2025-05-24T12:00:00"),
    (69.6, 18.9, 0.0, "2024-12-05T03:00:00"),
    (0.0, -179.9, 0.0, "2026-02-17T08:00:00"),
)


@pytest.mark.parametrize(("lat", "lon", "elevation_m", "utc"), ASTROPY_CASES)
@pytest.mark.usefixtures("offline_astropy")
def test_positions_agree_with_astropy(
    ephemeris: Ephemeris, lat: float, lon: float, elevation_m: float, utc: str
) -> None:
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
    from astropy.time import Time

    from alerts.sky.milky_way import CORE

    at_s = utc_s(utc) + np.arange(0, 86_400, 7200.0)
    table, ground = ephemeris.table(at_s[0], at_s[-1]), one_place(lat, lon, elevation_m)
    place = EarthLocation(lon=lon * u.deg, lat=lat * u.deg, height=elevation_m * u.m)
    t = Time(at_s, format="unix")
    frame = AltAz(obstime=t, location=place)
    pairs = {
        "sun": (table.body_km(Body.SUN, at_s), True, get_body("sun", t, place)),
        "moon": (table.body_km(Body.MOON, at_s), True, get_body("moon", t, place)),
        "core": (table.fixed(CORE, at_s), False, SkyCoord(l=0 * u.deg, b=0 * u.deg, frame="galactic")),
    }
    for name, (vectors, near, body) in pairs.items():
        altitude, azimuth = ground.altaz(vectors[None], near=near)
        there = body.transform_to(frame)
        # astropy's own Moon and Sun are analytic unless a kernel is fetched: 20 arcseconds
        allowed_deg = 0.02 if name == "core" else 0.01
        assert np.abs(altitude[0] - there.alt.deg).max() < allowed_deg
        turn = (azimuth[0] - there.az.deg + 180) % 360 - 180
        assert np.abs(turn * np.cos(np.radians(altitude[0]))).max() < allowed_deg


def test_a_year_of_nights_agrees_with_ephems_own_search(ephemeris: Ephemeris) -> None:
    """ephem's next_rising and next_setting for every moonrise and sunset of three months."""
    site = Site("There", 46.0, 7.5, 1500)
    there = Elsewhere(site.lat_deg, site.lon_deg, site.elevation_m)
    there.place.horizon = "-0:50"
    for night in nights(site, date(2026, 1, 10), 90, DARKNESS, ephemeris)[::3]:
        there.place.date = ephem.Date(night.span.start.replace(tzinfo=None))
        sunset = there.place.next_setting(ephem.Sun(), use_center=True).datetime().replace(tzinfo=UTC)
        assert abs(night.sun.sets[0] - sunset) < timedelta(seconds=2)
