"""The invented week: who, where, and what the made-up models say when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

from alerts.sites.model import Site
from alerts.weather.forecast import Place
from service.demo.invented_weather import InventedSky, Turn

ZONE = "Europe/Madrid"
SATURDAY = date(2027, 7, 3)
"""A night before new moon: 2027-07-04 03:02 UTC."""

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, ZONE)
PAN = Site("Salt Pan East", 39.95, -1.85, 890.0, ZONE)
RIDGE = Site("Cairn Ridge", 40.75, -1.05, 1540.0, ZONE)
SITES = (FLAT, PAN, RIDGE)

YOU = "you@example.org"
"""Reserved for examples (RFC 2606); its mail goes to the demo's own server."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One cycle of the story. text: what happens in the world, as the story tells it."""

    at: datetime
    text: str


def _utc(day: int, hour: int, minute: int, month: int = 7) -> datetime:
    return datetime(2027, month, day, hour, minute, tzinfo=UTC)


TICKS = (
    Tick(
        _utc(30, 16, 7, month=6),
        "Wednesday: the models begin to see a clear Saturday. Too early to be better than usual.",
    ),
    Tick(_utc(1, 7, 7), "Thursday morning: Saturday looks better than such nights usually are."),
    Tick(
        _utc(1, 16, 7),
        "Thursday evening: cloud everywhere tonight.",
    ),
    Tick(_utc(2, 7, 7), "Friday morning: Saturday holds; the salt pan looks cloudy."),
    Tick(_utc(2, 16, 7), "Friday evening: still holding."),
    Tick(_utc(3, 7, 7), "Saturday morning: it's the day. Good, but there is time."),
    Tick(_utc(3, 17, 7), "Saturday 19:07: two hours before one must leave."),
    Tick(_utc(3, 18, 37), "Saturday 20:37: on the road soon. Nothing new."),
    Tick(_utc(3, 20, 37), "Saturday 22:37: the forecast sours over Windpump Flat."),
    Tick(_utc(3, 21, 7), "Saturday 23:07: cloud over the flat, clear on the ridge."),
    Tick(_utc(4, 7, 7), "Sunday morning: the night is over."),
)

_WEDNESDAY_RUN = _utc(30, 12, 0, month=6)


def invented_sky() -> InventedSky:
    """The script: a clear Saturday that comes true on the ridge, and not on the flat or the pan."""
    return InventedSky(
        {
            _place(FLAT): (
                Turn(_WEDNESDAY_RUN, SATURDAY, 0.0),
                Turn(_utc(3, 3, 0), SATURDAY, 9.0),
                Turn(_utc(3, 18, 0), SATURDAY, 82.0),
            ),
            _place(PAN): (
                Turn(_WEDNESDAY_RUN, SATURDAY, 28.0),
                Turn(_utc(2, 3, 0), SATURDAY, 88.0),
            ),
            _place(RIDGE): (
                Turn(_WEDNESDAY_RUN, SATURDAY, 0.0),
                Turn(_utc(3, 3, 0), SATURDAY, 1.0),
            ),
        }
    )


def _place(site: Site) -> Place:
    return Place(site.lat_deg, site.lon_deg, site.elevation_m)
