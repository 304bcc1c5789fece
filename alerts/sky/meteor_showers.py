"""Meteor showers of a night: which are active, how far from their peak, how high the radiant stands, and how
many one pair of eyes would see under this sky.

From the working list of the International Meteor Organization, packaged as `data/meteor-showers-imo.csv`
(2026 calendar, for 2026 to 2030; how steeply each rises and falls has its source in the file). The radiant is
held where it stands at the maximum: it drifts by up to a degree a day. Showers by day are left out.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.resources import files
from operator import itemgetter

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.great_circle import turn_deg
from alerts.sites.model import Site
from alerts.sky.brightness.laws import mag_from_nl
from alerts.sky.brightness.total import site_sky, sky_brightness, sun_and_moon
from alerts.sky.ephemeris import Ephemeris, direction, posix_s, utc_from_posix
from alerts.sky.night import TrackPoint
from alerts.sky.observers import Ground
from alerts.sky.tracks import TEN_MINUTES, track_point

Floats = npt.NDArray[np.float64]

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_DAYS_PER_TURN = 365.2564  # Sun once round among the stars
NEAR_PEAK_DAYS = 1.0
LEAST_ZHR = 5
STRONG_ZHR, STRONG_DAYS = 10, 7.0
LISTED_YEARS = range(2026, 2031)
"""For which the list holds; in others no rate is told, since peaks and their strength move."""
STANDARD_LIMIT_MAG = 6.5
"""The limiting magnitude that a zenithal hourly rate is reduced to."""
EYES_ALTITUDE_DEG = 50.0
"""Meteors are looked for this high or higher, wherever the radiant stands: common practice."""


@dataclass(frozen=True, slots=True)
class Shower:
    """One shower of the list. active_from, active_to: (month, day), both included, may pass New Year.

    zhr: hourly rate with the radiant overhead under a sky of limiting magnitude 6.5; None: variable.
    population: how many times more meteors there are for each magnitude fainter (r). rise, fall: B per degree
    of solar longitude, before and after the maximum, see `zhr_at`.
    """

    code: str
    name: str
    active_from: tuple[int, ...]
    active_to: tuple[int, ...]
    solar_longitude_deg: float
    ra_deg: float
    dec_deg: float
    zhr: int | None
    population: float
    rise: float
    fall: float

    def zhr_at(self, longitude_deg: Floats) -> Floats:
        """The zenithal hourly rate where the Sun has that longitude (J2000), for a shower of known strength.

        ZHR = ZHRmax 10^(-B |longitude - the maximum's|): P. Jenniskens, Meteor stream activity I,
        A&A 287 (1994), 990, eq. 8.
        """
        past_deg = (longitude_deg - self.solar_longitude_deg + 180) % 360 - 180
        slope = np.where(past_deg < 0, self.rise, self.fall)
        return np.asarray((self.zhr or 0) * 10 ** (-slope * np.abs(past_deg)))

    def is_active(self, day: date) -> bool:
        today, first, last = (day.month, day.day), self.active_from, self.active_to
        return first <= today <= last if first <= last else today >= first or today <= last


@dataclass(frozen=True, slots=True)
class ActiveShower:
    """A shower on one night. days_to_peak: from the night's middle, negative once it is past.

    highest: where the radiant stands highest within the dark spans, airless. hourly: what one pair of eyes
    would see at most in an hour of the dark spans, at hourly_at, under a sky of limiting magnitude limit_mag;
    None for a shower of unknown strength and outside LISTED_YEARS.
    """

    name: str
    zhr: int | None
    days_to_peak: float
    highest: TrackPoint
    hourly: int | None
    hourly_at: datetime | None = None
    limit_mag: float | None = None

    @property
    def is_worth_a_line(self) -> bool:
        """Strong ones a week about their peak, small ones a day; the smallest and those that vary never."""
        if (self.zhr or 0) < LEAST_ZHR:
            return False
        days = STRONG_DAYS if (self.zhr or 0) >= STRONG_ZHR else NEAR_PEAK_DAYS
        return abs(self.days_to_peak) <= days


@cache
def shower_list() -> tuple[Shower, ...]:
    """The packaged list, as IMO orders it."""
    text = files("alerts.sky").joinpath("data/meteor-showers-imo.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return tuple(
        Shower(
            code=row["code"],
            name=row["name"],
            active_from=tuple(map(int, row["active_from"].split("-"))),
            active_to=tuple(map(int, row["active_to"].split("-"))),
            solar_longitude_deg=float(row["solar_longitude_deg"]),
            ra_deg=float(row["radiant_ra_deg"]),
            dec_deg=float(row["radiant_dec_deg"]),
            zhr=None if row["zhr"] == "Var" else int(row["zhr"]),
            population=float(row["r"]),
            rise=float(row["b_rise"]),
            fall=float(row["b_fall"]),
        )
        for row in rows
    )


def solar_longitude_deg(at: datetime) -> float:
    """Apparent ecliptic longitude of the Sun for the equinox J2000, 0..360, to about 0.01 degrees.

    Source: Meeus, Astronomical Algorithms (2nd ed.), ch. 25, lower accuracy, less precession.
    """
    centuries = (at - _J2000) / timedelta(days=36_525)
    mean = 280.46646 + 36_000.76983 * centuries + 0.0003032 * centuries**2
    anomaly = math.radians(357.52911 + 35_999.05029 * centuries - 0.0001537 * centuries**2)
    centre = (
        (1.914602 - 0.004817 * centuries) * math.sin(anomaly)
        + (0.019993 - 0.000101 * centuries) * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    precession, aberration = 1.39697 * centuries, 0.00569
    return (mean + centre - aberration - precession) % 360


def peak_near(shower: Shower, at: datetime) -> datetime:
    """The maximum nearest to a time, to about a quarter of an hour (and as well as IMO's longitude)."""
    found = at
    for _ in range(6):
        ahead_deg = turn_deg(shower.solar_longitude_deg, solar_longitude_deg(found))
        found += timedelta(days=ahead_deg / 360 * _DAYS_PER_TURN)
    return found


def limiting_mag(brightness_mag_arcsec2: npt.ArrayLike) -> Floats:
    """The faintest star that eyes see at the zenith under a sky of that V brightness; any shape.

    B. E. Schaefer 1990, PASP 102, 212, in the form that sky meters use it: 6.5 at 21.75. Read in public code.
    """
    brightness = np.asarray(brightness_mag_arcsec2, dtype=np.float64)
    return np.asarray(7.93 - 5 * np.log10(10 ** (4.316 - brightness / 5) + 1))


def hourly_rate(
    zhr: npt.ArrayLike, population: float, limit_mag: npt.ArrayLike, radiant_altitude_deg: npt.ArrayLike
) -> Floats:
    """What one pair of eyes sees in an hour with nothing in the way, none with the radiant down.

    Shapes broadcast. ZHR sin h r^(lm - 6.5); R. Koschack and J. Rendtel 1990, WGN 18, 44 and 119.
    """
    height = np.maximum(np.sin(np.radians(np.asarray(radiant_altitude_deg, dtype=np.float64))), 0)
    seen = population ** (np.asarray(limit_mag, dtype=np.float64) - STANDARD_LIMIT_MAG)
    return np.asarray(np.asarray(zhr) * height * seen)


def active_showers(
    site: Site, night_name: date, dark: Sequence[Span], ephemeris: Ephemeris
) -> tuple[ActiveShower, ...]:
    """The showers of a night whose radiant stands above the horizon in the dark, strongest first.

    dark: the night's dark spans; none gives no showers. Active means on the evening's or the
    morning's date. The ridge is ignored. The sky is as bright as towns, Moon and twilight make it towards the
    radiant, but not lower than EYES_ALTITUDE_DEG.
    """
    if not dark:
        return ()
    days = (night_name, night_name + timedelta(days=1))
    active = [
        shower
        for shower in shower_list()
        if not shower.name.startswith("Daytime") and any(map(shower.is_active, days))
    ]
    if not active:
        return ()

    # every ten minutes of the dark: Sun and Moon once, then each radiant
    at_s = np.concatenate([_ten_minutes(span) for span in dark])
    table, ground, sky = ephemeris.table(at_s[0], at_s[-1]), Ground.of([site]), site_sky(site)
    sun_altitude, moon = sun_and_moon(site, at_s, table)
    longitude = np.array([solar_longitude_deg(utc_from_posix(each)) for each in at_s])
    middle = dark[0].start + (dark[-1].end - dark[0].start) / 2
    found = []
    for shower in active:
        icrs = direction(shower.ra_deg, shower.dec_deg)
        altitude, azimuth = (each[0] for each in ground.altaz(table.fixed(icrs, at_s)[None], near=False))
        top = int(altitude.argmax())
        if altitude[top] <= 0:
            continue
        to_peak = (peak_near(shower, middle) - middle) / timedelta(days=1)
        aim = np.maximum(altitude, EYES_ALTITUDE_DEG), azimuth
        limit = limiting_mag(mag_from_nl(sky_brightness(sky, aim, sun_altitude, moon).total_nl))
        rates = hourly_rate(shower.zhr_at(longitude), shower.population, limit, altitude)
        best = int(rates.argmax())
        one = ActiveShower(
            shower.name, shower.zhr, to_peak, track_point(at_s[top], altitude[top], azimuth[top]), None
        )
        if shower.zhr is not None and night_name.year in LISTED_YEARS:
            hourly, limit_mag = round(float(rates[best])), round(float(limit[best]), 2)
            one = replace(one, hourly=hourly, hourly_at=_nearest_ten(at_s[best]), limit_mag=limit_mag)
        found.append((-float(rates[best]), one))
    return tuple(shower for _, shower in sorted(found, key=itemgetter(0)))


def _ten_minutes(span: Span) -> Floats:
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    return np.append(np.arange(start_s, end_s, TEN_MINUTES.total_seconds()), end_s)


def _nearest_ten(at_s: float) -> datetime:
    """Rates are nowhere known closer than to ten minutes."""
    step_s = TEN_MINUTES.total_seconds()
    return utc_from_posix(round(at_s / step_s) * step_s)
