"""Meteor showers of a night: which are active, how far from their peak, how high the radiant stands.

From the working list of the International Meteor Organization, packaged as `data/meteor-showers-imo.csv`
(2025 calendar; its dates and rates are revised a little each year). The radiant is held where it stands
at the maximum: it drifts by up to a degree a day. Showers by day are left out.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.resources import files
from operator import itemgetter

from alerts.common.span import Span
from alerts.sites.great_circle import turn_deg
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Target, TargetKind, TrackPoint
from alerts.sky.tracks import sky_track

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_DAYS_PER_TURN = 365.2564  # Sun once round among the stars
NEAR_PEAK_DAYS = 1.0
LEAST_ZHR = 5
FALL_PER_DAY = 0.2
STRONG_ZHR, STRONG_DAYS = 10, 7.0


@dataclass(frozen=True, slots=True)
class Shower:
    """One shower of the list. active_from, active_to: (month, day), both included, may pass New Year.

    zhr: hourly rate with the radiant overhead under a sky of limiting magnitude 6.5; None: variable.
    """

    code: str
    name: str
    active_from: tuple[int, ...]
    active_to: tuple[int, ...]
    solar_longitude_deg: float
    ra_deg: float
    dec_deg: float
    zhr: int | None

    def is_active(self, day: date) -> bool:
        today, first, last = (day.month, day.day), self.active_from, self.active_to
        return first <= today <= last if first <= last else today >= first or today <= last


@dataclass(frozen=True, slots=True)
class ActiveShower:
    """A shower on one night. days_to_peak: from the night's middle, negative once it is past.

    highest: where the radiant stands highest within the dark spans, airless; hourly: what one pair of
    eyes would see at best then, only within a day of the peak and for a shower of known strength.
    """

    name: str
    zhr: int | None
    days_to_peak: float
    highest: TrackPoint
    hourly: int | None

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


def active_showers(
    site: Site, night_name: date, dark: Sequence[Span], ephemeris: Ephemeris
) -> tuple[ActiveShower, ...]:
    """The showers of a night whose radiant stands above the horizon in the dark, strongest first.

    dark: the night's dark spans; none gives no showers. Active means on the evening's or the
    morning's date. The ridge is ignored.
    """
    if not dark:
        return ()
    days = (night_name, night_name + timedelta(days=1))
    middle = dark[0].start + (dark[-1].end - dark[0].start) / 2
    found = []
    for shower in shower_list():
        if shower.name.startswith("Daytime") or not any(map(shower.is_active, days)):
            continue
        radiant = Target(TargetKind.RADEC, shower.name, shower.ra_deg, shower.dec_deg)
        points = [point for span in dark for point in sky_track(site, radiant, span, ephemeris)]
        highest = max(points, key=lambda point: point.altitude_deg)
        if highest.altitude_deg <= 0:
            continue
        to_peak = (peak_near(shower, middle) - middle) / timedelta(days=1)
        height = math.sin(math.radians(highest.altitude_deg))
        hourly = None
        if shower.zhr is not None and abs(to_peak) <= NEAR_PEAK_DAYS:
            # ZHR sin h at limiting magnitude 6.5; Koschack & Rendtel 1990, WGN 18, 44 and 119
            hourly = round(shower.zhr * height)
        # the rate falls off by a tenth power of 0.2 a day from the peak; typical of annual showers:
        # P. Jenniskens, Meteor stream activity I, A&A 287 (1994), 990
        strength = (shower.zhr or 0) * height * 10 ** (-FALL_PER_DAY * abs(to_peak))
        found.append((-strength, ActiveShower(shower.name, shower.zhr, to_peak, highest, hourly)))
    return tuple(shower for _, shower in sorted(found, key=itemgetter(0)))
