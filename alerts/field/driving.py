"""How long the drive takes from home, where nobody said: an estimate from the distance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import timedelta

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.wishes.model import Wishes

USUAL_SPEED_KMH = 70.0
"""On country roads with villages between, stops aside; a home can say another."""
SLOWEST_KMH, FASTEST_KMH = 10.0, 150.0
DETOUR = 1.4
"""Roads are so much longer than the great circle. Ballou, Rahardja and Sakai (2002, Transportation Research
Part A 36, 843) found 1.2 to 1.6 from country to country, Boscoe, Henry and Zdeb (2012, The Professional
Geographer 64, 188) 1.42 over a whole one (from memory). In mountains it is more, so that an estimate is short
there."""
STEP = timedelta(minutes=5)
LONGEST = timedelta(hours=12)
"""Nobody drives longer for a night: beyond it there is no estimate."""
PLACE_DECIMALS = 2
"""A home is kept to 0.01 degrees, about 1 km: that is all an estimate needs, and says no house."""


@dataclass(frozen=True, slots=True)
class Home:
    """Where somebody sets out, rounded, and how fast they travel. Personal: shown to nobody else.

    BadInput for a speed that nobody travels at.
    """

    lat_deg: float
    lon_deg: float
    speed_kmh: float = USUAL_SPEED_KMH

    def __post_init__(self) -> None:
        if not SLOWEST_KMH <= self.speed_kmh <= FASTEST_KMH:
            raise BadInput(
                phrase(
                    "field.usual-speed-range",
                    slowest_kmh=SLOWEST_KMH,
                    fastest_kmh=FASTEST_KMH,
                    speed_kmh=self.speed_kmh,
                )
            )
        if not (abs(self.lat_deg) <= 90 and abs(self.lon_deg) <= 180):
            raise BadInput(phrase("field.home-range"))

    @property
    def rounded(self) -> Home:
        """The same home as it may be kept."""
        return replace(
            self, lat_deg=round(self.lat_deg, PLACE_DECIMALS), lon_deg=round(self.lon_deg, PLACE_DECIMALS)
        )

    def away_km(self, lat_deg: float, lon_deg: float) -> float:
        """The great circle to a place."""
        return distance_km(self.lat_deg, self.lon_deg, lat_deg, lon_deg)


def drive_over(great_circle_km: float, speed_kmh: float) -> timedelta:
    """The drive over roads, rounded up to five minutes."""
    length = timedelta(hours=great_circle_km * DETOUR / speed_kmh)
    return STEP * math.ceil(length / STEP)


def drive_from(home: Home, lat_deg: float, lon_deg: float) -> timedelta | None:
    """The drive one way, estimated; None for what nobody drives."""
    drive = drive_over(home.away_km(lat_deg, lon_deg), home.speed_kmh)
    return drive if drive <= LONGEST else None


def with_home(wishes: Wishes, home: Home | None, site: Site | None) -> Wishes:
    """These wishes with the drive to that site as it is estimated from home; without either without one."""
    estimate = None if home is None or site is None else drive_from(home, site.lat_deg, site.lon_deg)
    return replace(wishes, drive_estimate=estimate)
