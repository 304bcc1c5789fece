"""Many nights worked out together are the nights worked out one by one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from alerts.sites.model import HorizonLine, Site
from alerts.sky.ephemeris import Body, Ephemeris, posix_s
from alerts.sky.night import BodyState, DarknessWish, SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import nights_for_sites, readable_nights
from alerts.sky.refraction import air_share, refraction_at_apparent_deg
from alerts.sky.span_arrays import overlaps
from alerts.sky.tracks import moon_over_ridges, moon_radius_deg, sky_track
from tests.unit.alerts.sky.one_by_one import moon_over_ridge, night_of, of_site
from tests.unit.alerts.sky.reference import table_at

CORE = SkyWishes(lowest_altitude_deg=None)
WISHES = {
    "core": CORE,
    "core, low, near darkness": SkyWishes(darkness=DarknessWish.NEAR, lowest_altitude_deg=3.0),
    "any Moon": SkyWishes(moonless=False),
    "band": SkyWishes(target=Target(TargetKind.BAND)),
    "darkness alone": SkyWishes(target=Target(TargetKind.NONE)),
    "a named target": SkyWishes(target=Target(TargetKind.RADEC, "Orion", 83.8, -5.4)),
}


def sites() -> list[Site]:
    """From pole to pole, some behind ridges; the seed only spreads them."""
    random = np.random.default_rng(20270703)
    ridge = HorizonLine(tuple(float(a) for a in range(0, 360, 10)), tuple(random.uniform(0, 15, 36).tolist()))
    places = [(float(lat), float(lon)) for lat, lon in random.uniform((-80, -180), (80, 180), (24, 2))]
    return [
        Site(f"site {k}", lat, lon, 800.0, horizon=ridge if k % 4 == 0 else HorizonLine())
        for k, (lat, lon) in enumerate(places)
    ]


@pytest.mark.parametrize("wishes", WISHES.values(), ids=WISHES.keys())
@pytest.mark.parametrize("first", [date(2027, 3, 5), date(2027, 7, 1)], ids=["spring", "summer"])
def test_nights_made_together_equal_those_made_alone(
    ephemeris: Ephemeris, wishes: SkyWishes, first: date
) -> None:
    whole = nights_for_sites(sites(), first, 3, wishes, ephemeris)
    together = list(readable_nights(whole))
    alone = [(row, night_of(whole, row, night)) for row in range(len(whole.sites)) for night in range(3)]
    assert together == alone
    assert any(night.windows for _, night in together)


def test_nights_without_any_window_are_made_too(ephemeris: Ephemeris) -> None:
    whole = nights_for_sites([Site("North", 70.0, 20.0)], date(2027, 6, 20), 2, CORE, ephemeris)
    assert [night.windows for _, night in readable_nights(whole)] == [(), ()]


def ridged_sites(seed: int) -> list[Site]:
    """From pole to pole, two in three behind a ridge: jagged or smooth, some of it below the horizon."""
    random = np.random.default_rng(seed)
    made = []
    for k in range(24):
        azimuths = np.sort(random.choice(3600, size=random.integers(4, 60), replace=False)) / 10
        low, high = np.sort(random.uniform(-5, 60, 2))
        ridge = HorizonLine(
            tuple(azimuths.tolist()), tuple(random.uniform(low, high, len(azimuths)).tolist())
        )
        lat, lon = random.uniform((-90, -180), (90, 180)).tolist()
        zone = ("UTC", "Pacific/Apia", "Europe/Madrid")[k // 3 % 3]
        made.append(Site(f"site {k}", lat, lon, 900.0, zone, horizon=ridge if k % 3 else HorizonLine()))
    return made


@pytest.mark.parametrize("first", [date(2026, 1, 20), date(2026, 6, 12), date(2027, 9, 10)])
def test_a_fortnight_behind_ridges_is_the_same_made_together(ephemeris: Ephemeris, first: date) -> None:
    """A fortnight has the Moon in every part of the night, near the poles days without a rising."""
    whole = nights_for_sites(ridged_sites(first.toordinal()), first, 14, CORE, ephemeris)
    together = list(readable_nights(whole))
    assert together == [(row, night) for row in range(24) for night in of_site(whole, row)]
    assert any(len(night.foreground_moonlit) > 1 for _, night in together)
    assert {night.sun.state for _, night in together} == set(BodyState)


def test_a_moon_that_clears_the_ridge_for_minutes_is_seen_together_too(ephemeris: Ephemeris) -> None:
    """Its highest stand lies between two looks, both of them below the ridge."""
    level = Site("Level", 40.0, -3.0, 900.0)
    (night,) = of_site(nights_for_sites([level], date(2027, 7, 15), 1, CORE, ephemeris), 0)
    track = sky_track(level, Body.MOON, night.span, ephemeris, timedelta(minutes=1))
    top = max(track, key=lambda point: point.altitude_deg)
    moon_km = table_at(ephemeris, posix_s(top.at)).body_km(Body.MOON, np.array([posix_s(top.at)]))
    distance_km, altitude = np.linalg.norm(moon_km, axis=-1), np.array([top.altitude_deg])
    limb = highest = top.altitude_deg + float(moon_radius_deg(distance_km, altitude)[0])
    # as it is seen: what the air lifts there
    for _ in range(5):
        highest = limb + float(air_share(900.0) * refraction_at_apparent_deg(highest))
    around = (0.0, 90.0, 180.0, 270.0)
    ridges = [HorizonLine(around, (highest - short,) * 4) for short in np.linspace(0.001, 0.05, 50).tolist()]
    sites = [replace(level, horizon=ridge) for ridge in ridges]
    whole = nights_for_sites(sites, date(2027, 7, 15), 1, CORE, ephemeris)
    together = [night for _, night in readable_nights(whole)]
    assert together == [night_of(whole, row, 0) for row in range(len(sites))]
    assert 0 < min(sum(span.minutes for span in night.foreground_moonlit) for night in together) < 5


@pytest.mark.parametrize("height_deg", [-5.0, 0.5, 30.0, 78.0])
@pytest.mark.parametrize("lat_deg", [-80.0, -33.0, 40.0, 69.0])
def test_one_night_of_one_site_behind_a_ridge_is_the_same_made_in_bulk(
    ephemeris: Ephemeris, lat_deg: float, height_deg: float
) -> None:
    """Also where the Moon comes nowhere near the ridge, or isn't up at all."""
    ridge = HorizonLine((0.0, 90.0, 180.0, 270.0), (height_deg, height_deg + 1, height_deg, height_deg + 2))
    site = Site("Alone", lat_deg, 15.0, 300.0, horizon=ridge)
    for day in range(0, 30, 2):
        whole = nights_for_sites([site], date(2027, 6, 20) + timedelta(days=day), 1, CORE, ephemeris)
        assert list(readable_nights(whole)) == [(0, night_of(whole, 0, 0))]


@pytest.mark.parametrize("seed", range(3))
def test_the_moon_over_many_ridges_is_the_moon_over_each(ephemeris: Ephemeris, seed: int) -> None:
    """Looked at every minute or not: no crossing is missed, and those found are the same to a millisecond."""
    whole = nights_for_sites(ridged_sites(seed), date(2027, 7, 1), 7, CORE, ephemeris)
    held, _ = overlaps(whole.nights, whole.moon.spans(up=True))
    pieces, source = moon_over_ridges(whole.sites, whole.ground, whole.table, held)
    assert (np.diff(source) >= 0).all()
    for index, row in enumerate(held.row.tolist()):
        span = float(held.start_s[index]), float(held.end_s[index])
        alone = moon_over_ridge(whole.sites[row], whole.table, [span])
        mine = source == index
        together = np.column_stack([pieces.start_s[mine], pieces.end_s[mine]])
        assert together == pytest.approx(np.array(alone).reshape(-1, 2), rel=0, abs=1e-3)
        assert (pieces.row[mine] == row).all()
