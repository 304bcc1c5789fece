"""A site: a place with everything the rules need to know of it, and its names, made safe at the door."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from datetime import date
from zoneinfo import ZoneInfo

from alerts.common.clock_times import ClockSpan, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.text import plain

LOWEST_ELEVATION_M = -430.0
"""The Dead Sea shore, the lowest dry land."""
HIGHEST_ELEVATION_M = 9000.0
BRIGHTEST_SKY_MAG, DARKEST_SKY_MAG = 12.0, 23.0
"""Readings outside are no night sky: dusk, a lamp, or a cap left on the meter."""
LONGEST_NAME = 80
LONGEST_NOTE = 600
_JOINER = "\u200d"  # joins emoji; the one format character that names may hold


@dataclass(frozen=True, slots=True)
class HorizonLine:
    """Terrain against the sky: altitude by azimuth, linear between points, wrapping at north.

    azimuths_deg: ascending, 0 <= azimuth < 360, from north through east.
    altitudes_deg: same length; apparent terrain height, -5..80.
    An empty line is the level horizon (0 degrees all round).
    """

    azimuths_deg: tuple[float, ...] = ()
    altitudes_deg: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if len(self.azimuths_deg) != len(self.altitudes_deg):
            raise BadInput(phrase("sites.horizon-uneven"))
        if any(not 0 <= az < 360 for az in self.azimuths_deg):
            raise BadInput(phrase("sites.horizon-azimuth-range"))
        if any(b <= a for a, b in zip(self.azimuths_deg, self.azimuths_deg[1:], strict=False)):
            raise BadInput(phrase("sites.horizon-azimuth-order"))
        if any(not -5 <= alt <= 80 for alt in self.altitudes_deg):
            raise BadInput(phrase("sites.horizon-altitude-range"))

    @property
    def is_level(self) -> bool:
        return not self.azimuths_deg


@dataclass(frozen=True, slots=True)
class Foreground:
    """Something on the ground worth having under the core."""

    name: str
    bearing_deg: float
    width_deg: float = 5.0
    height_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Darkness:
    """A measured sky brightness, V mag/arcsec² at the zenith, moonless and clear.

    bortle_class, convention: set where the reading only stands for an estimated class, see
    `alerts.sky.brightness.readings`. n_readings: of how many readings it is the median; measured_on: the
    last of them. Raises BadInput for a reading that no night sky gives.
    """

    sqm_mag_arcsec2: float
    measured_on: date | None = None
    bortle_class: int | None = None
    convention: str | None = None
    n_readings: int = 1

    def __post_init__(self) -> None:
        if not BRIGHTEST_SKY_MAG <= self.sqm_mag_arcsec2 <= DARKEST_SKY_MAG:
            raise BadInput(
                phrase(
                    "sites.sky-reading-range",
                    brightest_sky_mag=BRIGHTEST_SKY_MAG,
                    darkest_sky_mag=DARKEST_SKY_MAG,
                    sqm_mag_arcsec2=self.sqm_mag_arcsec2,
                )
            )


@dataclass(frozen=True, slots=True)
class Gate:
    """When one can drive in or out, on the site's clock.

    may_stay: whether one may be inside while it is closed, having come before and leaving after.
    """

    hours: ClockSpan
    may_stay: bool = False


@dataclass(frozen=True, slots=True)
class Site:
    """A place to photograph from; coordinates WGS84, zone an IANA name.

    access_months, access_note: when the road is open, and why it isn't; notes: what to know of the place.
    Raises BadInput when a value can't be a place on Earth.
    """

    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float = 0.0
    zone: str = "UTC"
    horizon: HorizonLine = field(default_factory=HorizonLine)
    foregrounds: tuple[Foreground, ...] = ()
    darkness: Darkness | None = None
    access_months: tuple[int, ...] = tuple(range(1, 13))
    access_note: str = ""
    gate: Gate | None = None
    notes: str = ""

    def __post_init__(self) -> None:
        if not -90 <= self.lat_deg <= 90:
            is_swapped = -90 <= self.lon_deg <= 90
            raise BadInput(phrase("sites.site-latitude-range", lat_deg=self.lat_deg, is_swapped=is_swapped))
        if not -180 <= self.lon_deg <= 180:
            raise BadInput(phrase("sites.longitude-range", lon_deg=self.lon_deg))
        if not LOWEST_ELEVATION_M <= self.elevation_m <= HIGHEST_ELEVATION_M:
            raise BadInput(
                phrase(
                    "sites.elevation-range",
                    elevation_m=self.elevation_m,
                    lowest_elevation_m=LOWEST_ELEVATION_M,
                    highest_elevation_m=HIGHEST_ELEVATION_M,
                )
            )
        if not self.access_months or any(not 1 <= month <= 12 for month in self.access_months):
            raise BadInput(phrase("sites.access-months"))
        zone_info(self.zone)

    @property
    def tz(self) -> ZoneInfo:
        return zone_info(self.zone)


def clean_name(raw: str, what: str = "name") -> str:
    """The name in NFC, trimmed. BadInput when it is empty, too long or holds control, bidirectional
    or other invisible characters (they break mail headers and can disguise text).

    what: the kind of name in the entries `sites.name-…` of the catalogue.
    """
    name = unicodedata.normalize("NFC", raw).strip()
    if not name:
        raise BadInput(phrase("sites.name-empty", what=what))
    if len(name) > LONGEST_NAME:
        raise BadInput(phrase("sites.name-too-long", what=what, count=len(name), longest_name=LONGEST_NAME))
    if any(unicodedata.category(char) in {"Cc", "Cf", "Cs", "Zl", "Zp"} and char != _JOINER for char in name):
        raise BadInput(phrase("sites.name-unprintable", what=what))
    return name


def clean_note(raw: str) -> str:
    """A note as one line of visible text; BadInput when it is too long."""
    if len(raw) > LONGEST_NOTE:
        raise BadInput(phrase("sites.note-too-long", count=len(raw), longest_note=LONGEST_NOTE))
    return plain(raw, LONGEST_NOTE)
