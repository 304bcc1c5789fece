"""Many nights worked out together are the nights worked out one by one."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from alerts.night import DarknessWish, SkyWishes, Target, TargetKind, nights_for_sites
from alerts.nightbulk import readable_nights
from alerts.site import HorizonLine, Site
from alerts.sky.ephemeris import Ephemeris

CORE = SkyWishes(lowest_altitude_deg=None)
WISHES = {
    "core": CORE,
    "core, low, near darkness": SkyWishes(darkness=DarknessWish.NEAR, lowest_altitude_deg=3.0),
    "any Moon": SkyWishes(moonless=False),
    "band": SkyWishes(target=Target(TargetKind.BAND)),
    "darkness alone": SkyWishes(target=Target(TargetKind.NONE)),
    "a named target": SkyWishes(target=Target(TargetKind.RADEC, "Orion", 83.8, -5.4)),
}


@pytest.fixture(scope="module")
def ephemeris() -> Ephemeris:
    return Ephemeris.open()


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
    alone = [(row, whole.night(row, night)) for row in range(len(whole.sites)) for night in range(3)]
    assert together == alone
    assert any(night.windows for _, night in together)


def test_nights_without_any_window_are_made_too(ephemeris: Ephemeris) -> None:
    whole = nights_for_sites([Site("North", 70.0, 20.0)], date(2027, 6, 20), 2, CORE, ephemeris)
    assert [night.windows for _, night in readable_nights(whole)] == [(), ()]
