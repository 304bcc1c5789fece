"""How dark a site was measured to be: which readings count, and classes turned into readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from statistics import median
from typing import TYPE_CHECKING

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.model import Darkness, Site

if TYPE_CHECKING:
    from alerts.sky.ephemeris import Ephemeris

MOST_STRAY_LIGHT = 0.05
"""Moon and twilight may add this share to the zenith's light: 0.05 mag, less than a meter's own error."""


class BortleConvention(StrEnum):
    """Bortle's scale (2001, Sky & Telescope, February) has no meter readings. Two tables of bounds are in
    use, in which 21.6 is class 2 and class 4: say which is meant. Copies of the first differ below
    class 3."""

    ENCYCLOPEDIA = "encyclopedia"  # 21.7, 21.5, 21.3, 20.4, 19.1, 18.0 for classes 1 to 6
    ATLAS_CHART = "atlas_chart"  # 21.99, 21.89, 21.69, 20.49, 19.5, 18.94, 18.38 for classes 1 to 7


LOWER_BOUNDS_MAG = {
    BortleConvention.ENCYCLOPEDIA: (21.7, 21.5, 21.3, 20.4, 19.1, 18.0),
    BortleConvention.ATLAS_CHART: (21.99, 21.89, 21.69, 20.49, 19.5, 18.94, 18.38),
}
"""Faintest class first: class k reads at least the k-th figure. What follows reads less than the last."""
_BEST_MAG = 22.0
_OPEN_CLASS_STEP_MAG = 0.5
_CLASSES = range(1, 10)


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a sky meter at the zenith, V or SQM mag/arcsec² (the two differ by 0.1 or less in
    dark skies).

    clear: whether the one who read it says that no cloud was there. measured_at: aware; with it the Moon
    and twilight are worked out. Without it `moonless` must say that neither was there, and
    measured_on may give the date. Raises BadInput for a reading outside 12..23.
    """

    mag_arcsec2: float
    clear: bool
    moonless: bool = False
    measured_at: datetime | None = None
    measured_on: date | None = None

    def __post_init__(self) -> None:
        Darkness(self.mag_arcsec2)
        if self.measured_at is not None and self.measured_at.tzinfo is None:
            raise BadInput(phrase("sky.reading-without-zone", measured_at=self.measured_at))


def darkness_of_readings(site: Site, readings: Sequence[Reading], ephemeris: Ephemeris) -> Darkness | None:
    """The site's darkness: the median of the readings that count (under a clear sky, with Moon and twilight
    gone), or None when none does.

    The median, since a bright star in a meter's cone, dew or a passing car spoils single readings in
    either direction. A time before or after the kernel raises OutsideEphemeris.
    """
    counted, days = [], []
    for one in readings:
        is_dark, day = one.moonless, one.measured_on
        if one.clear and one.measured_at is not None:
            is_dark = stray_light_share(site, one.measured_at, ephemeris) <= MOST_STRAY_LIGHT
            day = one.measured_at.astimezone(site.tz).date()
        if one.clear and is_dark:
            counted.append(one.mag_arcsec2)
            days += [] if day is None else [day]
    if not counted:
        return None
    return Darkness(round(median(counted), 2), max(days, default=None), n_readings=len(counted))


def stray_light_share(site: Site, at: datetime, ephemeris: Ephemeris) -> float:
    """What Moon and twilight add to the dark zenith at an aware time, as a share of it."""
    import numpy as np

    from alerts.sky.brightness.total import site_sky, sky_at
    from alerts.sky.ephemeris import posix_s
    from alerts.sky.night import Target, TargetKind

    at_s = np.array([posix_s(at)])
    table = ephemeris.table(float(at_s[0]), float(at_s[0]))
    parts = sky_at(site_sky(replace(site, darkness=None)), Target(TargetKind.NONE), at_s, table)
    return float((parts.moon_nl + parts.twilight_nl)[0] / parts.dark_nl[0])


def darkness_of_class(
    bortle_class: int,
    convention: BortleConvention = BortleConvention.ATLAS_CHART,
    estimated_on: date | None = None,
) -> Darkness:
    """A Bortle class as the reading it stands for, with the convention kept beside it.

    The reading is the middle of the class in V mag/arcsec²; class 1 counts up to 22.0, or half a step beyond
    its bound. The classes below the last bound, which the convention doesn't tell apart, are set half a
    magnitude under it, and under one another: ours, for want of any figure. Raises BadInput for a class
    outside 1..9.
    """
    if bortle_class not in _CLASSES:
        raise BadInput(phrase("sky.bortle-range", bortle_class=bortle_class))
    bounds = LOWER_BOUNDS_MAG[convention]
    if bortle_class > len(bounds):
        reading = round(bounds[-1] - _OPEN_CLASS_STEP_MAG * (bortle_class - len(bounds)), 2)
    else:
        upper = bounds[bortle_class - 2] if bortle_class > 1 else max(_BEST_MAG, bounds[0] + 0.1)
        reading = round((upper + bounds[bortle_class - 1]) / 2, 3)
    return Darkness(reading, estimated_on, bortle_class, convention.value)
