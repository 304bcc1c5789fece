"""Where the Sun, the Moon and a target stand over a span at one site.

All altitudes are airless and topocentric, azimuths from north through east.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from alerts.night import Target, TrackPoint
from alerts.site import Site
from alerts.sky.ephemeris import Ephemeris, SkyTable, posix_s, utc_from_posix
from alerts.sky.ground import Ground
from alerts.sky.targets import target_direction
from alerts.sky.terrain import ridge_deg
from alerts.span import Span

Floats = npt.NDArray[np.float64]

TEN_MINUTES = timedelta(minutes=10)
_MINUTE_S = 60.0


def sun_track(
    site: Site, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The Sun's centre at the span's start, every `step` after it, and at its end."""
    return _track(site, span, ephemeris, step, lambda ground, sky, t: _near(ground, sky.sun_km(t)))


def moon_track(
    site: Site, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The Moon's centre at the span's start, every `step` after it, and at its end."""
    return _track(site, span, ephemeris, step, lambda ground, sky, t: _near(ground, sky.moon_km(t)))


def target_track(
    site: Site, target: Target, span: Span, ephemeris: Ephemeris, step: timedelta = TEN_MINUTES
) -> tuple[TrackPoint, ...]:
    """The target (the core for `band` and `none`) at the start, every `step` after it, and at the end."""
    icrs = target_direction(target)

    def place(ground: Ground, sky: SkyTable, at_s: Floats) -> tuple[Floats, Floats]:
        altitude, azimuth = ground.altaz(sky.fixed(icrs, at_s)[None], near=False)
        return altitude[0], azimuth[0]

    return _track(site, span, ephemeris, step, place)


def track_point(at_s: float, altitude_deg: float, azimuth_deg: float) -> TrackPoint:
    """A point to the second and 0.001 degrees."""
    return TrackPoint(utc_from_posix(at_s), round(float(altitude_deg), 3), round(float(azimuth_deg), 3) % 360)


def _near(ground: Ground, geocentric_km: Floats) -> tuple[Floats, Floats]:
    altitude, azimuth = ground.altaz(geocentric_km[None], near=True)
    return altitude[0], azimuth[0]


def _track(
    site: Site,
    span: Span,
    ephemeris: Ephemeris,
    step: timedelta,
    place: Callable[[Ground, SkyTable, Floats], tuple[Floats, Floats]],
) -> tuple[TrackPoint, ...]:
    start_s, end_s = posix_s(span.start), posix_s(span.end)
    at_s = np.append(np.arange(start_s, end_s, step.total_seconds()), end_s)
    altitude, azimuth = place(Ground.of([site]), ephemeris.table(start_s, end_s), at_s)
    return tuple(track_point(*point) for point in zip(at_s, altitude, azimuth, strict=True))


def true_spans(margin: Callable[[Floats], Floats], start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Where a function of POSIX time is not negative, sampled each minute, edges between samples by
    the secant. What holds, or fails, for less than a minute can be missed."""
    n_steps = max(1, math.ceil((end_s - start_s) / _MINUTE_S))
    at_s = np.linspace(start_s, end_s, n_steps + 1)
    values = margin(at_s)
    change = np.flatnonzero((values[1:] >= 0) != (values[:-1] >= 0))
    share = values[change] / (values[change] - values[change + 1])
    edges = list(at_s[change] + share * (at_s[1] - at_s[0]))
    edges = [*([start_s] if values[0] >= 0 else []), *edges, *([end_s] if values[-1] >= 0 else [])]
    return [(float(a), float(b)) for a, b in zip(edges[0::2], edges[1::2], strict=True)]


def moon_over_ridge(
    site: Site, table: SkyTable, spans_s: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Within spans in which the Moon is up: when its centre also stands above the site's ridge.

    Then its light reaches the foreground. Over a level horizon that is all the time it is up.
    """
    if site.horizon.is_level:
        return list(spans_s)
    ground = Ground.of([site])

    def margin(at_s: Floats) -> Floats:
        altitude, azimuth = _near(ground, table.moon_km(at_s))
        return np.asarray(altitude - ridge_deg(site.horizon, azimuth))

    return [piece for start_s, end_s in spans_s for piece in true_spans(margin, start_s, end_s)]
