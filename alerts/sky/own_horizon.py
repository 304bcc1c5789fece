"""Sun and Moon over a place's own horizon, beside the standard rising and setting that all rules go by.

The place's own horizon is its line as somebody gave it: a ridge above the level, and where the place stands
over the land around, negative altitudes, the dip in them. Without a line there is none.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt

from alerts.common.plain_values import value
from alerts.sites.model import Site
from alerts.sky.crossings import REFRACTION_AT_HORIZON_DEG, SUNRISE_DEG
from alerts.sky.ephemeris import Body, Ephemeris, posix_s, utc_from_posix
from alerts.sky.night import Night
from alerts.sky.observers import Ground
from alerts.sky.refraction import airless_ridge_deg
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held
from alerts.sky.tracks import moon_radius_deg

Floats = npt.NDArray[np.float64]

SUN_RADIUS_DEG = -SUNRISE_DEG - REFRACTION_AT_HORIZON_DEG
"""16', as in the standard sunrise."""


@value(frozen=True, slots=True)
class OwnHorizon:
    """Upper limbs over a place's own horizon, as the air lifts them.

    sun_gone: the last moment of sunshine before the middle of the night; sun_back: the first one after it.
    None where it shines on, or never does. moon_rises, moon_sets: as often as it comes over the ridge and
    goes behind it between the standard sunset and sunrise; what lasts less than a minute can be missed.
    """

    sun_gone: datetime | None
    sun_back: datetime | None
    moon_rises: tuple[datetime, ...]
    moon_sets: tuple[datetime, ...]


def own_horizon(site: Site, night: Night, ephemeris: Ephemeris) -> OwnHorizon | None:
    """Of a night at a site; None where nobody gave its horizon line."""
    if site.horizon.is_level:
        return None
    start_s, end_s = posix_s(night.span.start), posix_s(night.span.end)
    table, ground = ephemeris.table(start_s, end_s), Ground.of([site])
    at_s, span_of = minute_marks(RowSpans(np.zeros(1, dtype=np.intp), np.array([start_s]), np.array([end_s])))

    def clear(body: Body) -> tuple[list[float], list[float]]:
        """Starts and ends of the times in which the body's upper limb is seen, POSIX seconds."""
        place_km = table.body_km(body, at_s)
        altitude, azimuth = ground.altaz(place_km[None], near=True)
        radius: Floats | float = SUN_RADIUS_DEG
        if body is Body.MOON:
            radius = moon_radius_deg(np.linalg.norm(place_km, axis=-1), altitude[0])
        ridge = airless_ridge_deg(site.horizon, site.elevation_m, azimuth[0])
        starts, ends, _ = where_held(at_s, span_of, altitude[0] + radius - ridge)
        return starts.tolist(), ends.tolist()

    middle_s = (start_s + end_s) / 2
    starts, ends = clear(Body.SUN)
    gone, back = [each for each in ends if each < middle_s], [each for each in starts if each > middle_s]
    rises, sets = clear(Body.MOON)
    return OwnHorizon(
        utc_from_posix(gone[-1]) if gone else None,
        utc_from_posix(back[0]) if back else None,
        tuple(at for at in map(utc_from_posix, rises) if night.sunset_to_sunrise.contains(at)),
        tuple(at for at in map(utc_from_posix, sets) if night.sunset_to_sunrise.contains(at)),
    )
