"""The kernel, its limits, and the vectors made from it."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from alerts.common.errors import BadInput, OutsideEphemeris
from alerts.sites.model import Site
from alerts.sky.ephemeris import Body, Ephemeris, direction, posix_s, utc_from_posix
from alerts.sky.night import SkyWishes
from alerts.sky.nights.night_builder import nights
from tests.unit.alerts.sky.reference import (
    DAY_S,
    angle_deg,
    read_json,
    read_rows,
    separation_deg,
    skyfield_scale,
    table_at,
    utc_s,
)

MEEUS = {case["id"]: case for case in read_json("handbook-examples.json")["meeus"]}


def test_opens_the_carried_kernel_and_names_it(ephemeris: Ephemeris) -> None:
    assert ephemeris.kernel_name == "de421.bsp"
    assert ephemeris.first < date(1900, 1, 1)
    assert ephemeris.last > date(2053, 1, 1)


def test_loading_the_rules_does_not_load_skyfield() -> None:
    code = "import alerts.sky.nights.season, sys;sys.exit('skyfield' in sys.modules)"
    root = Path(__file__).parents[4]
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


def test_a_first_night_leaves_standard_error_empty() -> None:
    code = (
        "from alerts.sky.ephemeris import Ephemeris\n"
        "Ephemeris.open().table(1.8e9, 1.8e9 + 86400).moon_lit(1.8e9)"
    )
    root = Path(__file__).parents[4]
    done = subprocess.run(
        [sys.executable, "-W", "always", "-c", code], cwd=root, check=True, capture_output=True, text=True
    )
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.parametrize("year", [1850, 1899, 2054, 2100])
def test_years_outside_the_kernel_are_refused_with_the_nights_that_work(
    ephemeris: Ephemeris, year: int
) -> None:
    start_s = datetime(year, 6, 1, tzinfo=UTC).timestamp()
    with pytest.raises(OutsideEphemeris, match="choose a night from 1899-08-04 to 2053-10-02"):
        ephemeris.table(start_s, start_s + DAY_S)


@pytest.mark.parametrize("lon_deg", [-180.0, 0.0, 180.0])
def test_row_251_the_nights_named_as_first_and_last_work_everywhere(
    ephemeris: Ephemeris, lon_deg: float
) -> None:
    """Also where the clock is far from the Sun: UTC+14 and UTC-12."""
    for zone in ("UTC", "Pacific/Kiritimati", "Etc/GMT+12"):
        site = Site("There", 10.0, lon_deg, 0.0, zone)
        for name in (ephemeris.first_night, ephemeris.last_night):
            (night,) = nights(site, name, 1, SkyWishes(), ephemeris)
            assert night.name == name
            assert night.sun.sets
        with pytest.raises(OutsideEphemeris, match="reach 2053-10-03"):
            nights(site, ephemeris.last_night + timedelta(days=1), 1, SkyWishes(), ephemeris)


@pytest.mark.parametrize("edge", ["first", "last"])
def test_the_first_and_last_date_work(ephemeris: Ephemeris, edge: str) -> None:
    name: date = getattr(ephemeris, edge)
    noon_s = datetime(name.year, name.month, name.day, 12, tzinfo=UTC).timestamp()
    sun = ephemeris.table(noon_s - 3600, noon_s + 3600).body_km(Body.SUN, noon_s)
    assert np.linalg.norm(sun) == pytest.approx(149.6e6, rel=0.02)


def test_a_file_that_is_no_kernel_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.bsp"
    path.write_bytes(b"not a kernel" * 200)
    with pytest.raises(BadInput, match=r"notes\.bsp can't be read as a planetary kernel"):
        Ephemeris.open(path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"nowhere\.bsp can't be read"):
        Ephemeris.open(tmp_path / "nowhere.bsp")


def test_times_without_a_zone_are_refused_with_the_fix() -> None:
    with pytest.raises(ValueError, match="write 2026-07-15T22:00:00\\+00:00"):
        posix_s(datetime(2026, 7, 15, 22))  # noqa: DTZ001


def test_times_are_rounded_to_the_second() -> None:
    assert utc_from_posix(1.6) == datetime(1970, 1, 1, 0, 0, 2, tzinfo=UTC)


def test_the_fine_grid_agrees_with_single_times(ephemeris: Ephemeris) -> None:
    start_s = utc_s("2026-03-01T05:17:00")
    table = ephemeris.table(start_s, start_s + 40 * DAY_S)
    assert np.abs(table.grid.sun_km - table.body_km(Body.SUN, table.grid.at_s)).max() < 1e-3
    assert np.abs(table.grid.moon_km - table.body_km(Body.MOON, table.grid.at_s)).max() < 1e-6


def test_spans_that_cross_blocks_agree_with_short_ones(ephemeris: Ephemeris) -> None:
    start_s = utc_s("2025-11-20T00:00:00")
    long = ephemeris.table(start_s, start_s + 100 * DAY_S)
    for days in (31.2, 32.0, 63.9, 64.1):
        at_s = start_s + days * DAY_S
        assert (
            np.abs(long.body_km(Body.MOON, at_s) - table_at(ephemeris, at_s).body_km(Body.MOON, at_s)).max()
            < 1e-6
        )


@pytest.mark.parametrize("year", [1975, 2007, 2026])
def test_vectors_agree_with_skyfield_to_two_milliarcseconds(ephemeris: Ephemeris, year: int) -> None:
    """skyfield with the same table of the Earth's rotation, by its own reader and its whole polar motion."""
    from contextlib import closing

    from skyfield.api import load_file
    from skyfield.framelib import itrs

    scale = skyfield_scale()
    start_s = datetime(year, 2, 3, tzinfo=UTC).timestamp()
    at_s = start_s + np.linspace(0, 60, 97) * DAY_S
    table = ephemeris.table(at_s[0], at_s[-1])
    days, seconds = np.divmod(at_s, DAY_S)
    t = scale.utc(1970, 1, 1 + days, 0, 0, seconds)
    with closing(load_file(str(ephemeris.path))) as kernel:
        seen = kernel["earth"].at(t)
        for body, got in (("sun", table.body_km(Body.SUN, at_s)), ("moon", table.body_km(Body.MOON, at_s))):
            want = seen.observe(kernel[body]).apparent().frame_xyz(itrs).km.T
            unit_got, unit_want = (v / np.linalg.norm(v, axis=1, keepdims=True) for v in (got, want))
            assert np.degrees(np.linalg.norm(unit_got - unit_want, axis=1)).max() * 3600 < 0.002


def test_sidereal_time_is_meeus_example_12a(ephemeris: Ephemeris) -> None:
    # 0h UT1; UTC was then 0.3 s off UT1, so half a second in time is all that can be asked
    at_s = utc_s("1987-04-10T00:00:00")
    turn_deg = np.degrees(table_at(ephemeris, at_s).sidereal_rad(at_s)) % 360
    assert turn_deg == pytest.approx(angle_deg(MEEUS["12.a"]["apparent"]), abs=0.5 * 15 / 3600)


def _ra_dec(vector_km: np.ndarray, turn_rad: float) -> tuple[float, float]:
    x, y, z = vector_km
    return float(np.degrees(np.arctan2(z, np.hypot(x, y)))), float(np.degrees(np.arctan2(y, x) + turn_rad))


def test_the_sun_is_meeus_example_25b(ephemeris: Ephemeris) -> None:
    at_s = utc_s("1992-10-13T00:00:00") - 59.18
    table = table_at(ephemeris, at_s)
    got = _ra_dec(table.body_km(Body.SUN, at_s), float(table.sidereal_rad(at_s)))
    want = angle_deg(MEEUS["25.b"]["dec"]), angle_deg(MEEUS["25.b"]["ra"])
    assert separation_deg(got, want) * 3600 < 0.5


def test_the_moon_is_meeus_example_47a(ephemeris: Ephemeris) -> None:
    at_s = utc_s("1992-04-12T00:00:00") - 59.0
    table = table_at(ephemeris, at_s)
    moon = table.body_km(Body.MOON, at_s)
    check = MEEUS["47.a"]["check_astropy"]
    got = _ra_dec(moon, float(table.sidereal_rad(at_s)))
    assert separation_deg(got, (check["dec_deg"], check["ra_deg"])) < 0.0005
    assert np.linalg.norm(moon) == pytest.approx(check["geometric_distance_km"], abs=1)
    assert np.linalg.norm(moon) == pytest.approx(MEEUS["47.a"]["distance_km"], abs=10)


def test_the_lit_fraction_is_meeus_example_48a(ephemeris: Ephemeris) -> None:
    at_s = utc_s("1992-04-12T00:00:00") - 59.0
    assert table_at(ephemeris, at_s).moon_lit(at_s) == pytest.approx(MEEUS["48.a"]["k"], abs=0.0002)


HORIZONS_LIT = read_json("handbook-examples.json")["jpl_horizons"]["moon_illuminated_percent_geocentric"]


@pytest.mark.parametrize(("utc", "percent"), HORIZONS_LIT["rows"])
def test_the_lit_fraction_agrees_with_jpl_horizons(ephemeris: Ephemeris, utc: str, percent: float) -> None:
    at_s = utc_s(utc)
    assert table_at(ephemeris, at_s).moon_lit(at_s) * 100 == pytest.approx(percent, abs=0.005)


def _ecliptic_longitude_deg(ephemeris: Ephemeris, at_s: float, body: str) -> float:
    """Apparent geocentric longitude on the true ecliptic of date, from the Earth-fixed vector."""
    table = table_at(ephemeris, at_s)
    vector = table.body_km(Body(body), at_s)
    turn = float(table.sidereal_rad(at_s))
    x = np.cos(turn) * vector[0] - np.sin(turn) * vector[1]
    y = np.sin(turn) * vector[0] + np.cos(turn) * vector[1]
    centuries = (at_s - utc_s("2000-01-01T12:00:00")) / DAY_S / 36525
    obliquity = np.radians(23.439_279 - 0.013_010 * centuries)  # IAU 2006; nutation moves it by 0.003
    return float(np.degrees(np.arctan2(y * np.cos(obliquity) + vector[2] * np.sin(obliquity), x))) % 360


PHASE_DEG = {"new": 0, "first_quarter": 90, "full": 180, "last_quarter": 270}


@pytest.mark.parametrize("row", read_rows("moon-phases-2024-2030.csv")[::9], ids=lambda row: row["utc"])
def test_phases_fall_on_their_instants(ephemeris: Ephemeris, row: dict[str, str]) -> None:
    """The elongation then is the phase's own within what the Moon moves in 15 seconds."""
    at_s = utc_s(row["utc"])
    moon, sun = (_ecliptic_longitude_deg(ephemeris, at_s, body) for body in ("moon", "sun"))
    off_deg = (moon - sun - PHASE_DEG[row["phase"]] + 180) % 360 - 180
    assert abs(off_deg) < 15 * 0.61 / 3600 + 0.002


EQUINOXES = (
    # computed with astropy 8.0.2; USNO prints 2018 Sep 23 01:54 and Dec 21 22:22-22:23
    ("2018-09-23T01:54:00", 180, 60),
    ("2024-03-20T03:06:24", 0, 15),
    ("2026-06-21T08:24:30", 90, 15),
    ("2026-09-23T00:05:12", 180, 15),
    ("2027-12-22T02:42:09", 270, 15),
    ("2030-03-20T13:52:05", 0, 15),
)


@pytest.mark.parametrize(("utc", "longitude_deg", "tolerance_s"), EQUINOXES)
def test_the_seasons_begin_on_their_instants(
    ephemeris: Ephemeris, utc: str, longitude_deg: float, tolerance_s: float
) -> None:
    got = _ecliptic_longitude_deg(ephemeris, utc_s(utc), "sun")
    off_s = ((got - longitude_deg + 180) % 360 - 180) / (360 / 365.2422) * DAY_S
    assert abs(off_s) < tolerance_s


def test_directions_are_moved_by_precession_and_aberration_as_published(ephemeris: Ephemeris) -> None:
    """Apparent place of l = b = 0 in mid-2026: 17h47m20.2s, -28.947 (astropy 8.0.2)."""
    frame = read_json("galactic-frame.json")["galactic_centre_direction"]
    at_s = utc_s("2026-07-01T00:00:00")
    x, y, z = table_at(ephemeris, at_s).of_date(direction(frame["ra_deg"], frame["dec_deg"]), at_s)
    got = float(np.degrees(np.arcsin(z))), float(np.degrees(np.arctan2(y, x)))
    assert separation_deg(got, (-28.947, angle_deg("17h47m20.2s"))) < 0.001


def test_what_was_read_once_is_not_read_again(ephemeris: Ephemeris) -> None:
    start = datetime(2033, 1, 1, tzinfo=UTC)
    span_s = start.timestamp(), (start + timedelta(days=365)).timestamp()
    first = ephemeris.table(*span_s)
    ephemeris.path, there = Path("nowhere.bsp"), ephemeris.path
    try:
        assert np.array_equal(ephemeris.table(*span_s).nodes, first.nodes)
    finally:
        ephemeris.path = there
