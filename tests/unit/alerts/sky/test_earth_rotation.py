"""UT1, leap seconds and the pole against the services' other series, astropy's reader and ERFA.

The Sun and Moon of whole nights are worked out once more from the kernel's own vectors with ERFA (IAU 2006
precession, 2000A nutation, Earth rotation angle, polar motion, aberration): nothing of skyfield is in them.
"""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import astropy_iers_data
import erfa
import numpy as np
import pytest
from jplephem.spk import SPK

from alerts.common.errors import BadInput
from alerts.sites.model import Site
from alerts.sky.crossings import SUNRISE_DEG
from alerts.sky.earth_rotation import ARCSEC_RAD, EarthRotation, earth_rotation, read_tables
from alerts.sky.ephemeris import Body, Ephemeris
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import nights
from tests.unit.alerts.sky.reference import DAY_S, one_place, utc_s

C04 = Path(astropy_iers_data.IERS_B_FILE)
"""EOP 20 C04 of the IERS Earth Orientation Centre in Paris, 1962 on: another series, another reduction."""
MJD_1970 = 40_587


@cache
def read_by_astropy() -> Any:
    from astropy.utils import iers

    return iers.IERS_A.open(astropy_iers_data.IERS_A_FILE)


@cache
def c04() -> dict[str, np.ndarray]:
    rows = [line.split() for line in C04.read_text().splitlines() if line[:1] in "12"]
    mjd, x, y, ut1 = (np.array([float(row[k]) for row in rows]) for k in (4, 5, 6, 7))
    return {"at_s": (mjd - MJD_1970) * DAY_S, "x": x, "y": y, "ut1": ut1}


def test_ut1_is_that_of_the_paris_series_to_ten_milliseconds() -> None:
    series, rotation = c04(), earth_rotation()
    days = (series["at_s"] >= rotation.begins_s) & (series["at_s"] <= utc_s(str(rotation.measured_to)))
    off = np.abs(rotation.ut1_minus_utc_s(series["at_s"][days]) - series["ut1"][days])
    assert off.max() < 0.01
    assert off[series["at_s"][days] > utc_s("2000-01-01")].max() < 0.000_5


def test_the_pole_is_that_of_the_paris_series() -> None:
    series, rotation = c04(), earth_rotation()
    days = (series["at_s"] >= rotation.begins_s) & (series["at_s"] <= utc_s(str(rotation.measured_to)))
    pole = rotation.pole_at_rad(series["at_s"][days]) / ARCSEC_RAD
    assert np.abs(pole - np.stack([series["x"][days], series["y"][days]], axis=-1)).max() < 0.05


def test_before_1972_utc_kept_within_a_sixth_of_a_second_of_ut1() -> None:
    series = c04()
    assert np.abs(series["ut1"][series["at_s"] < utc_s("1972-01-01")]).max() < 1 / 6


@pytest.mark.parametrize("utc", ["1973-06-01T12:00:00", "1999-03-03", "2016-12-31T18:00", "2026-11-20T06:00"])
def test_ut1_is_what_astropy_reads_in_the_same_table(utc: str) -> None:
    """astropy takes Bulletin B where the table has it: 0.4 ms from A in 1973, 0.02 ms today."""
    from astropy.time import Time

    at = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    theirs = read_by_astropy().ut1_utc(Time(at)).to_value("s")
    assert earth_rotation().ut1_minus_utc_s(at.timestamp()) == pytest.approx(float(theirs), abs=0.001)


@pytest.mark.parametrize(
    ("day", "tai_utc_s"),
    # IERS Bulletin C; erfa.dat keeps the same list
    [("1972-01-01", 10), ("1972-07-01", 11), ("1999-01-01", 32), ("2016-12-31", 36), ("2017-01-01", 37)],
)
def test_leap_seconds_are_those_of_bulletin_c(day: str, tai_utc_s: int) -> None:
    at = date.fromisoformat(day)
    assert earth_rotation().tai_minus_utc_s(utc_s(day)) == tai_utc_s
    assert erfa.dat(at.year, at.month, at.day, 0.5) == tai_utc_s


def test_over_a_leap_second_ut1_itself_makes_no_step(ephemeris: Ephemeris) -> None:
    leap_s = utc_s("2017-01-01")
    table = ephemeris.table(leap_s - 2 * DAY_S, leap_s + 2 * DAY_S)
    # the second before midnight lasted two of ours
    turned = np.diff(table.sidereal_rad(leap_s + np.array([-2.0, -1.0, 0.0, 1.0]))) / (2 * np.pi / 86_164.1)
    assert turned == pytest.approx([1, 2, 1], abs=0.001)


def test_row_250_after_the_table_ut1_goes_on_by_the_rate_of_its_last_year() -> None:
    rotation = earth_rotation()
    end_s = utc_s(str(rotation.last_day))
    year_ago, end, year_on = rotation.ut1_minus_utc_s(end_s + np.array([-365.0, 0, 365]) * DAY_S)
    assert year_on - end == pytest.approx(end - year_ago)
    assert abs(rotation.ut1_minus_utc_s(end_s + 1) - end) < 1e-6


def test_the_table_is_read_with_what_it_says_of_itself() -> None:
    rotation = earth_rotation()
    assert timedelta(days=300) < rotation.last_day - rotation.measured_to < timedelta(days=400)
    assert rotation.begins_s == utc_s("1973-01-02")


@pytest.mark.parametrize("kept", [0, 1000, -100])
def test_row_250_a_damaged_table_is_refused_by_its_name(tmp_path: Path, kept: int) -> None:
    damaged = tmp_path / "finals2000A.all"
    damaged.write_bytes(Path(astropy_iers_data.IERS_A_FILE).read_bytes()[:kept])
    with pytest.raises(BadInput, match=r"finals2000A\.all can't be read as a table of the Earth's turning"):
        read_tables(damaged, Path(astropy_iers_data.IERS_LEAP_SECOND_FILE))


def test_row_250_a_table_with_a_day_left_out_is_refused(tmp_path: Path) -> None:
    damaged = tmp_path / "finals2000A.all"
    lines = Path(astropy_iers_data.IERS_A_FILE).read_bytes().splitlines(keepends=True)
    damaged.write_bytes(b"".join(lines[:5000] + lines[5001:]))
    with pytest.raises(BadInput, match="astropy-iers-data"):
        read_tables(damaged, Path(astropy_iers_data.IERS_LEAP_SECOND_FILE))


# --- whole nights ------------------------------------------------------------------------------------


def _ut1_utc_s(at_s: float, rotation: EarthRotation) -> float:
    """By another reader of the same values: C04 until 1973, astropy's of finals2000A to its end."""
    from astropy.time import Time

    if at_s < utc_s("1972-01-01"):
        return 0.0
    if at_s < rotation.begins_s:
        # leap seconds make steps between days of C04; none lies in the nights used here
        return float(np.interp(at_s, c04()["at_s"], c04()["ut1"]))
    if at_s <= rotation.day_s[-1]:
        return float(read_by_astropy().ut1_utc(Time(at_s, format="unix")).to_value("s"))
    last, year_before = rotation.ut1_utc_s[-1], rotation.ut1_utc_s[-366]
    return float(last + (last - year_before) / (365 * DAY_S) * (at_s - rotation.day_s[-1]))


def _terrestrial(at_s: float, ut1_utc_s: float) -> float:
    """TT less the clock's time in seconds; before 1972 TT-UT1 of Espenak and Meeus, NASA TP-2006-214141
    (Five Millennium Canon of Solar Eclipses), 1941 to 1961 and 1961 to 1986: as read in many public codes."""
    if at_s >= utc_s("1972-01-01"):
        at = datetime.fromtimestamp(at_s, UTC)
        return float(erfa.dat(min(at.year, 2026), at.month, at.day, 0.5)) + 32.184
    year = 1970 + at_s / (365.25 * DAY_S)
    t = year - (1950 if year < 1961 else 1975)
    if year < 1961:
        return 29.07 + 0.407 * t - t**2 / 233 + t**3 / 2547
    return 45.45 + 1.067 * t - t**2 / 260 - t**3 / 718


def _altitude_deg(kernel: SPK, body: Body, site: Site, at_s: float) -> float:
    """Airless topocentric altitude of the centre by ERFA and the kernel's own barycentric vectors."""
    rotation = earth_rotation()
    ut1_utc_s = _ut1_utc_s(at_s, rotation)
    tt_less_s = _terrestrial(at_s, ut1_utc_s)
    jd = 2_440_587.5
    ut, tt = at_s / DAY_S + ut1_utc_s / DAY_S, at_s / DAY_S + tt_less_s / DAY_S
    matrix = erfa.pnm06a(jd, tt)
    pole = rotation.pole_at_rad(np.array(at_s))
    to_earth = erfa.pom00(pole[0], pole[1], 0.0) @ erfa.rz(erfa.gst06(jd, ut, jd, tt, matrix), np.eye(3))

    def place(t: float) -> tuple[np.ndarray, np.ndarray]:
        bary, bary_v = kernel[0, 3].compute_and_differentiate(jd + t)
        own, own_v = kernel[3, 399].compute_and_differentiate(jd + t)
        return bary + own, (bary_v + own_v) / DAY_S

    earth, speed = place(tt)
    # the observer, turning with the ground
    on_ground = erfa.gd2gc(1, np.radians(site.lon_deg), np.radians(site.lat_deg), site.elevation_m) / 1000
    to_sky = (to_earth @ matrix).T
    observer = earth + to_sky @ on_ground
    # aberration by the Earth's rotation, 0.3 arcseconds, is left out here as in what is tested
    light_s = 0.0
    for _ in range(4):
        then = tt - light_s / DAY_S
        there = kernel[0, 10].compute(jd + then)
        if body is Body.MOON:
            there = kernel[0, 3].compute(jd + then) + kernel[3, 301].compute(jd + then)
        light_s = float(np.linalg.norm(there - observer)) / 299_792.458
    seen = (there - observer) / np.linalg.norm(there - observer)
    beta = speed / 299_792.458
    away = float(np.linalg.norm(earth - kernel[0, 10].compute(jd + tt))) / 149_597_870.7
    seen = erfa.ab(seen, beta, away, float(np.sqrt(1 - beta @ beta)))
    lat, lon = np.radians(site.lat_deg), np.radians(site.lon_deg)
    up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    return float(np.degrees(np.arcsin(up @ (to_earth @ matrix @ seen))))


PLACES = (Site("North", 54.1, -3.0, 200.0), Site("South", -43.9, 170.4, 700.0))
YEARS = (1950, 1962, 1972, 1975, 1990, 2017, 2026, 2028, 2031, 2053)


@pytest.mark.parametrize("site", PLACES, ids=lambda site: site.name)
@pytest.mark.parametrize("year", YEARS)
def test_row_251_a_nights_events_fall_where_erfa_has_the_sun_and_moon(
    ephemeris: Ephemeris, year: int, site: Site
) -> None:
    """Within the design's second, wherever the altitude changes faster than a degree an hour."""
    seen = 0
    with closing(SPK.open(str(ephemeris.path))) as kernel:
        for night in nights(site, date(year, 9, 20), 4, SkyWishes(), ephemeris):
            levels = (
                (night.sun, SUNRISE_DEG),
                (night.civil, -6.0),
                (night.nautical, -12.0),
                (night.astronomical, -18.0),
            )
            for crossed, level_deg in levels:
                for at in (*crossed.sets, *crossed.rises):
                    altitudes = [
                        _altitude_deg(kernel, Body.SUN, site, at.timestamp() + late) for late in (-30, 0, 30)
                    ]
                    degrees_a_second = (altitudes[2] - altitudes[0]) / 60
                    assert abs(degrees_a_second) * 3600 > 1
                    # what is told is rounded to the whole second
                    assert abs((altitudes[1] - level_deg) / degrees_a_second) < 1
                    seen += 1
    assert seen == 4 * 8


@pytest.mark.parametrize("site", PLACES, ids=lambda site: site.name)
@pytest.mark.parametrize("year", YEARS)
def test_sun_and_moon_stand_where_erfa_has_them(ephemeris: Ephemeris, year: int, site: Site) -> None:
    """To 0.2 arcseconds; before the table begins to 1 arcsecond, 0.07 s, as the curves of TT-UT1 differ."""
    at_s = datetime(year, 3, 4, tzinfo=UTC).timestamp() + np.arange(8) * 10_801.0
    table, ground = (
        ephemeris.table(at_s[0], at_s[-1]),
        one_place(site.lat_deg, site.lon_deg, site.elevation_m),
    )
    allowed_arcsec = 0.2 if year > 1972 else 1.0
    with closing(SPK.open(str(ephemeris.path))) as kernel:
        for body in (Body.SUN, Body.MOON):
            ours = ground.altaz(table.body_km(body, at_s)[None], near=True)[0][0]
            theirs = [_altitude_deg(kernel, body, site, float(each)) for each in at_s]
            assert np.abs(ours - theirs).max() * 3600 < allowed_arcsec
