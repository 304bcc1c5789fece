"""Which night is which, real nights with known windows, and places where the clock or the Sun is odd."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from alerts.common.errors import BadInput, OutsideEphemeris
from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import BodyState, DarknessWish, Night, SkyWishes, Target, TargetKind, name_at
from alerts.sky.nights.night_builder import night_named, nights, nights_for_sites, tonight_name
from alerts.sky.target_visibility import lowest_altitudes_deg
from tests.unit.alerts.sky.one_by_one import of_site, window_minutes

DARKNESS = SkyWishes(target=Target(TargetKind.NONE))


def local(night: Night, zone: str) -> list[tuple[str, str]]:
    tz = ZoneInfo(zone)
    return [
        (f"{w.span.start.astimezone(tz):%d %H:%M}", f"{w.span.end.astimezone(tz):%d %H:%M}")
        for w in night.windows
    ]


REAL_NIGHTS = (
    # to the minute; test_second_opinions counts the same nights again with ephem 4.2.1
    (41.96, -71.20, 0, "America/New_York", "2026-07-15", [("15 22:23", "16 01:36")]),
    (35.20, -111.65, 2100, "America/Phoenix", "2024-02-19", [("20 05:09", "20 05:43")]),
    (35.20, -111.65, 2100, "America/Phoenix", "2024-02-20", []),
    (59.0, 10.0, 0, "Europe/Oslo", "2022-05-18", []),
    (50.0, 10.0, 0, "Europe/Berlin", "2026-03-02", []),
)


@pytest.mark.parametrize(("lat", "lon", "elevation_m", "zone", "name", "want"), REAL_NIGHTS)
def test_windows_of_real_nights(
    ephemeris: Ephemeris,
    lat: float,
    lon: float,
    elevation_m: float,
    zone: str,
    name: str,
    want: list[tuple[str, str]],
) -> None:
    site = Site("There", lat, lon, elevation_m, zone)
    night = night_named(site, date.fromisoformat(name), SkyWishes(), ephemeris)
    got = local(night, zone)
    assert len(got) == len(want)
    for (start, end), (want_start, want_end) in zip(got, want, strict=True):
        for text, other in ((start, want_start), (end, want_end)):
            minutes = datetime.strptime(text, "%d %H:%M") - datetime.strptime(other, "%d %H:%M")  # noqa: DTZ007
            assert abs(minutes) <= timedelta(minutes=1)


def test_a_night_in_may_at_59_north_has_no_darkness(ephemeris: Ephemeris) -> None:
    night = night_named(Site("There", 59, 10, 0, "Europe/Oslo"), date(2022, 5, 18), SkyWishes(), ephemeris)
    assert night.dark == ()
    assert night.astronomical.state is BodyState.ALWAYS_UP
    assert night.sun.state is BodyState.CROSSES


SITES = {
    "madrid": Site("Madrid", 40.4, -3.7, 650, "Europe/Madrid"),
    "apia": Site("Apia", -13.83, -171.77, 0, "Pacific/Apia"),
    "kiritimati": Site("Kiritimati", 1.87, -157.43, 0, "Pacific/Kiritimati"),
    "chatham": Site("Chatham", -43.95, -176.55, 0, "Pacific/Chatham"),
    "adak": Site("Adak", 51.88, -176.65, 0, "America/Adak"),
    "fairbanks": Site("Fairbanks", 64.84, -147.72, 136, "America/Anchorage"),
    "antimeridian_e": Site("East edge", -16.85, 180.0, 0, "Pacific/Fiji"),
    "antimeridian_w": Site("West edge", -16.85, -180.0, 0, "Pacific/Fiji"),
    "kashgar": Site("Kashgar", 39.5, 76.0, 1290, "Asia/Shanghai"),
    "north_pole": Site("North Pole", 90, 0),
    "south_pole": Site("South Pole", -90, 0, 2835, "Antarctica/McMurdo"),
    "dead_sea": Site("Dead Sea", 31.5, 35.5, -430, "Asia/Jerusalem"),
    "high": Site("High pass", 33.0, 78.0, 6000, "Asia/Kolkata"),
}
every_site = pytest.mark.parametrize("site", SITES.values(), ids=SITES.keys())


@every_site
def test_a_night_found_by_name_bears_it_and_holds_its_own_middle(ephemeris: Ephemeris, site: Site) -> None:
    for name in (date(2026, 3, 28), date(2026, 6, 21), date(2026, 10, 25), date(2024, 2, 29)):
        night = night_named(site, name, DARKNESS, ephemeris)
        assert night.name == name
        assert night.span.start.astimezone(site.tz).date() == name
        assert name_at(site, night.span.middle) == name
        assert name_at(site, night.span.start) == name
        assert name_at(site, night.span.start - timedelta(seconds=1)) == name - timedelta(days=1)


@every_site
def test_nights_follow_each_other_without_gap(ephemeris: Ephemeris, site: Site) -> None:
    row = nights(site, date(2026, 12, 28), 6, DARKNESS, ephemeris)
    assert [night.name for night in row] == [date(2026, 12, 28) + timedelta(days=k) for k in range(6)]
    for before, after in pairwise(row):
        assert before.span.end == after.span.start


@every_site
def test_all_that_happens_in_a_night_lies_inside_it(ephemeris: Ephemeris, site: Site) -> None:
    for night in nights(site, date(2026, 6, 10), 30, SkyWishes(lowest_altitude_deg=None), ephemeris):
        for events in (night.sun, night.civil, night.nautical, night.astronomical, night.moon):
            assert all(night.span.contains(at) for at in (*events.rises, *events.sets))
            assert (events.state is BodyState.CROSSES) == bool(events.rises or events.sets)
            if events.state is not BodyState.CROSSES:
                assert events.up_at_start == (events.state is BodyState.ALWAYS_UP)
        for window in night.windows:
            assert any(d.start <= window.span.start and window.span.end <= d.end for d in night.dark)
            assert any(m.start <= window.span.start and window.span.end <= m.end for m in night.moonless)
            assert window.shapes[0].span.start == window.span.start
            assert window.shapes[-1].span.end == window.span.end
            assert all(a.span.end == b.span.start for a, b in pairwise(window.shapes))
            assert all(a.standing != b.standing for a, b in pairwise(window.shapes))


def test_a_date_that_the_calendar_left_out_names_no_night(ephemeris: Ephemeris) -> None:
    with pytest.raises(BadInput, match="Pacific/Apia left that date out of its calendar"):
        night_named(SITES["apia"], date(2011, 12, 30), DARKNESS, ephemeris)
    row = nights(SITES["apia"], date(2011, 12, 29), 2, DARKNESS, ephemeris)
    assert [night.name for night in row] == [date(2011, 12, 29), date(2011, 12, 31)]
    assert row[0].span.end == row[1].span.start


@pytest.mark.parametrize(
    "name", [date(1, 1, 1), date(1899, 1, 1), date(2053, 12, 1), date(9999, 12, 31)], ids=str
)
@every_site
def test_dates_outside_the_kernel_are_refused(ephemeris: Ephemeris, site: Site, name: date) -> None:
    with pytest.raises(OutsideEphemeris, match="from 1899-08-04 to 2053-10-02"):
        night_named(site, name, DARKNESS, ephemeris)


TONIGHT = (
    ("before sunset", "madrid", "2026-07-15T19:00:00+02:00", "2026-07-15"),
    ("after midnight", "madrid", "2026-07-16T03:00:00+02:00", "2026-07-15"),
    ("a minute before sunrise", "madrid", "2026-07-16T06:55:00+02:00", "2026-07-15"),
    ("after sunrise", "madrid", "2026-07-16T07:00:00+02:00", "2026-07-16"),
    ("just before noon", "madrid", "2026-07-16T13:50:00+02:00", "2026-07-16"),
    ("Apia in the small hours", "apia", "2026-03-05T02:00:00+13:00", "2026-03-04"),
    ("Fairbanks, the Sun still up at midnight", "fairbanks", "2026-06-21T00:10:00-08:00", "2026-06-20"),
    ("Fairbanks, after the short night", "fairbanks", "2026-06-21T05:00:00-08:00", "2026-06-21"),
    ("the pole in its winter", "north_pole", "2026-12-21T05:00:00+00:00", "2026-12-20"),
    ("the pole in its summer", "north_pole", "2026-06-21T05:00:00+00:00", "2026-06-20"),
)


@pytest.mark.parametrize(("site", "at", "want"), [case[1:] for case in TONIGHT], ids=[c[0] for c in TONIGHT])
def test_tonight_is_the_night_now_running_until_its_sunrise(
    ephemeris: Ephemeris, site: str, at: str, want: str
) -> None:
    assert tonight_name(SITES[site], datetime.fromisoformat(at), ephemeris).isoformat() == want


def test_times_without_a_zone_are_refused(ephemeris: Ephemeris) -> None:
    with pytest.raises(ValueError, match="no zone"):
        tonight_name(SITES["madrid"], datetime(2026, 7, 15, 22), ephemeris)  # noqa: DTZ001


def test_the_june_sun_sets_after_midnight_at_fairbanks(ephemeris: Ephemeris) -> None:
    night = night_named(SITES["fairbanks"], date(2026, 6, 20), DARKNESS, ephemeris)
    (sunset,), (sunrise,) = night.sun.sets, night.sun.rises
    assert sunset.astimezone(SITES["fairbanks"].tz).date() == date(2026, 6, 21)
    assert timedelta(hours=1) < sunrise - sunset < timedelta(hours=3)
    assert night.dark == ()


def test_a_changed_zone_renames_but_does_not_move_the_night(ephemeris: Ephemeris) -> None:
    here = SITES["kashgar"]
    there = Site(here.name, here.lat_deg, here.lon_deg, here.elevation_m, "Asia/Urumqi")
    spans = [night_named(site, date(2026, 8, 8), DARKNESS, ephemeris).span for site in (here, there)]
    assert spans[0] == spans[1]


def test_clock_changes_do_not_stretch_the_night(ephemeris: Ephemeris) -> None:
    for name in (date(2026, 3, 28), date(2026, 10, 24)):
        assert night_named(SITES["madrid"], name, DARKNESS, ephemeris).span.duration == timedelta(hours=24)


@pytest.mark.parametrize("lat", [-90.0, -89.999, 90.0])
def test_a_polar_winter_is_dark_round_the_clock_and_split_at_noon(ephemeris: Ephemeris, lat: float) -> None:
    name = date(2026, 6, 18) if lat < 0 else date(2026, 12, 18)
    for night in nights(Site("Pole", lat, 0), name, 4, SkyWishes(moonless=False), ephemeris):
        assert night.dark == (night.span,)
        assert night.sun.state is BodyState.ALWAYS_DOWN
        if lat < 0:
            assert [w.span for w in night.windows] == [night.span]


def test_near_darkness_is_longer_and_contains_the_darkness(ephemeris: Ephemeris) -> None:
    dark, near = (
        night_named(SITES["madrid"], date(2026, 6, 14), SkyWishes(darkness=wish), ephemeris).dark
        for wish in (DarknessWish.ASTRONOMICAL, DarknessWish.NEAR)
    )
    assert near[0].start < dark[0].start - timedelta(minutes=15)
    assert near[0].end > dark[0].end + timedelta(minutes=15)


def test_the_astronomical_twilight_is_told_even_where_near_darkness_is_wished(ephemeris: Ephemeris) -> None:
    wishes = SkyWishes(darkness=DarknessWish.NEAR)
    night = night_named(SITES["madrid"], date(2026, 6, 14), wishes, ephemeris)
    assert night.dark[0].start < night.astronomical.sets[0]


def test_darkness_comes_eighty_minutes_and_more_after_sunset(ephemeris: Ephemeris) -> None:
    """The trade's rule: really dark an hour and a quarter after sunset, later toward summer."""
    for lat in (35, 40, 42, 45):
        for night in nights(Site("There", lat, 0), date(2026, 3, 1), 200, DARKNESS, ephemeris)[::20]:
            wait = night.dark[0].start - night.sun.sets[0]
            assert timedelta(minutes=75) < wait < timedelta(hours=3)


def test_a_moon_that_may_shine_widens_the_windows(ephemeris: Ephemeris) -> None:
    site, name = SITES["madrid"], date(2026, 6, 29)
    assert night_named(site, name, SkyWishes(), ephemeris).windows == ()
    (window,) = night_named(site, name, SkyWishes(moonless=False), ephemeris).windows
    assert window.span.minutes > 180


def test_a_ridge_hides_the_core_but_not_the_moon(ephemeris: Ephemeris) -> None:
    level = SITES["madrid"]
    ridge = HorizonLine((0.0, 90.0, 150.0, 179.0, 180.0, 270.0), (0.0, 0.0, 30.0, 30.0, 0.0, 0.0))
    walled = Site("Walled", level.lat_deg, level.lon_deg, level.elevation_m, level.zone, ridge)
    name = date(2026, 6, 20)
    open_night, hidden_night = (night_named(site, name, SkyWishes(), ephemeris) for site in (level, walled))
    assert hidden_night.moonless == open_night.moonless
    assert hidden_night.dark == open_night.dark
    (window,) = hidden_night.windows
    assert window.track[0].azimuth_deg == pytest.approx(179.3, abs=0.3)
    assert window.span.end == open_night.windows[0].span.end


def test_a_ridge_decides_when_the_foreground_is_moonlit(ephemeris: Ephemeris) -> None:
    level = SITES["madrid"]
    ridge = HorizonLine((0.0, 90.0, 180.0, 270.0), (20.0, 20.0, 20.0, 20.0))
    walled = Site("Walled", level.lat_deg, level.lon_deg, level.elevation_m, level.zone, ridge)
    name = date(2026, 7, 22)
    plain, walled_night = (night_named(site, name, SkyWishes(), ephemeris) for site in (level, walled))
    (lit,), (lit_later,) = plain.foreground_moonlit, walled_night.foreground_moonlit
    assert lit.start == plain.sun.sets[0]
    assert lit.end == plain.moon.sets[0]
    assert lit.start <= lit_later.start
    assert lit_later.end < lit.end - timedelta(minutes=60)
    assert walled_night.moon == plain.moon


def test_the_default_core_limit_follows_the_latitude() -> None:
    lats = (-30, 0, 40, 46, 48, 52, 55, 60, 70)
    wishes = SkyWishes(lowest_altitude_deg=None)
    found = lowest_altitudes_deg([Site("There", lat, 0) for lat in lats], wishes)
    limits = dict(zip(lats, found.tolist(), strict=True))
    assert [limits[lat] for lat in (-30, 0, 40, 46)] == [10] * 4
    assert limits[48] == pytest.approx(9.06, abs=0.01)
    assert limits[52] == pytest.approx(5.06, abs=0.01)
    assert [limits[lat] for lat in (55, 60, 70)] == [3, 3, 3]


def test_the_default_rule_is_used_where_no_limit_is_wished(ephemeris: Ephemeris) -> None:
    site = Site("There", 50, 0)
    (window,) = night_named(site, date(2026, 5, 18), SkyWishes(lowest_altitude_deg=None), ephemeris).windows
    ends = [window.track[0].altitude_deg, window.track[-1].altitude_deg]
    assert min(ends) >= 7.06 - 0.01


@pytest.mark.parametrize(
    "target",
    [
        Target(TargetKind.RADEC, "somewhere"),
        Target(TargetKind.RADEC, "somewhere", 400.0, 0.0),
        Target(TargetKind.RADEC, "somewhere", 40.0, -91.0),
    ],
    ids=["nowhere", "ra", "dec"],
)
def test_a_target_without_usable_coordinates_is_refused(ephemeris: Ephemeris, target: Target) -> None:
    with pytest.raises(BadInput, match="declination"):
        night_named(SITES["madrid"], date(2026, 1, 1), SkyWishes(target=target), ephemeris)


def test_a_circumpolar_target_is_up_all_night_in_one_piece(ephemeris: Ephemeris) -> None:
    polaris = Target(TargetKind.RADEC, "Polaris", 37.9546, 89.2641)
    night = night_named(SITES["madrid"], date(2026, 1, 18), SkyWishes(target=polaris), ephemeris)
    (window,) = night.windows
    assert all(abs(point.altitude_deg - 40.4) < 0.8 for point in window.track)


def test_a_target_that_never_rises_has_no_window(ephemeris: Ephemeris) -> None:
    acrux = Target(TargetKind.RADEC, "Acrux", 186.65, -63.1)
    for night in nights(SITES["madrid"], date(2026, 5, 10), 10, SkyWishes(target=acrux), ephemeris):
        assert night.windows == ()


def test_many_sites_give_the_nights_that_each_gives_alone(ephemeris: Ephemeris) -> None:
    sites = [*SITES.values(), Site("Ridge", 45, 7, 900, "UTC", HorizonLine((0, 90, 180, 270), (5, 9, 12, 3)))]
    wishes = SkyWishes(lowest_altitude_deg=None)
    together = nights_for_sites(sites, date(2026, 8, 1), 20, wishes, ephemeris)
    for row, site in enumerate(sites):
        assert of_site(together, row)[3:6] == nights(site, date(2026, 8, 4), 3, wishes, ephemeris)


@pytest.mark.parametrize(("sites", "count"), [([], 3), ([SITES["madrid"]], 0)], ids=["no site", "no night"])
def test_nothing_to_compute_is_refused(ephemeris: Ephemeris, sites: list[Site], count: int) -> None:
    with pytest.raises(ValueError, match="at least one site and one night"):
        nights_for_sites(sites, date(2026, 8, 1), count, SkyWishes(), ephemeris)


def test_minutes_in_the_arrays_are_those_of_the_windows(ephemeris: Ephemeris) -> None:
    sites = list(SITES.values())
    whole = nights_for_sites(sites, date(2026, 5, 1), 30, SkyWishes(), ephemeris)
    for row in range(len(sites)):
        want = [sum(w.span.minutes for w in night.windows) for night in of_site(whole, row)]
        assert np.abs(window_minutes(whole)[row] - want).max() < 0.02


def test_one_of_a_thousand_sites_has_the_nights_it_has_alone(ephemeris: Ephemeris) -> None:
    sites = [Site(f"s{k}", -60 + k * 0.1, -170 + k * 0.3) for k in range(1100)]
    whole = nights_for_sites(sites, date(2026, 4, 1), 2, SkyWishes(), ephemeris)
    assert of_site(whole, 1050) == nights(sites[1050], date(2026, 4, 1), 2, SkyWishes(), ephemeris)


def test_the_lit_fraction_is_that_of_the_nights_middle(ephemeris: Ephemeris) -> None:
    """Full Moon on 2026-05-31 08:45 UTC, new on 2026-06-15 02:54 (USNO)."""
    lit = [n.moon_lit for n in nights(Site("There", 0, 0), date(2026, 5, 30), 17, DARKNESS, ephemeris)]
    assert max(lit) == lit[0] or max(lit) == lit[1]
    assert max(lit) > 0.995
    assert min(lit) == lit[15]
    assert min(lit) < 0.01
