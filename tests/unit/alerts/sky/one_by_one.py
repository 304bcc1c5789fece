"""Nights made one at a time, as plainly as it can be said: what the arrays are held against."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.band_shapes import SHAPES_BY_CODE, standing
from alerts.sky.crossings import Crossings
from alerts.sky.ephemeris import Body, SkyTable, utc_from_posix
from alerts.sky.milky_way import axes_in, epoch_of, geometry, longitudes_up_deg, zeniths
from alerts.sky.night import (
    DAY_S,
    BodyEvents,
    BodyState,
    DarkWindow,
    Night,
    Shape,
    ShapeSpan,
    TargetKind,
)
from alerts.sky.nights.night_builder import SiteNights
from alerts.sky.observers import Ground
from alerts.sky.refraction import airless_ridge_deg
from alerts.sky.target_visibility import target_direction
from alerts.sky.tracks import moon_radius_deg, track_point

Floats = npt.NDArray[np.float64]


def night_of(whole: SiteNights, row: int, night: int) -> Night:
    """One site's night, its sky taken exactly at each minute."""
    start_s = float(whole.nights.start_s[row * whole.count + night])
    part = OneNight(whole, row, start_s, start_s + DAY_S)
    lit = float(whole.table.moon_lit(start_s + DAY_S / 2))
    return Night(
        name=whole.name(row, night),
        span=Span(utc_from_posix(start_s), utc_from_posix(start_s + DAY_S)),
        sun=part.events(whole.sun),
        civil=part.events(whole.civil),
        nautical=part.events(whole.nautical),
        astronomical=part.events(whole.astronomical),
        moon=part.events(whole.moon),
        moon_lit=round(lit, 4),
        dark=part.down(whole.dark),
        moonless=part.down(whole.moon),
        windows=part.windows(night),
        wishes=whole.wishes,
        foreground_moonlit=part.foreground_moonlit(),
    )


def of_site(whole: SiteNights, row: int) -> tuple[Night, ...]:
    return tuple(night_of(whole, row, night) for night in range(whole.count))


def window_minutes(whole: SiteNights) -> Floats:
    """Minutes of dark window in each night of the arrays, shape (n_sites, count)."""
    total = np.zeros((len(whole.sites), whole.count))
    minutes = (whole.windows.end_s - whole.windows.start_s) / 60
    np.add.at(total, (whole.windows.row, whole.window_night), minutes)
    return total


@dataclass(frozen=True)
class OneNight:
    """One night of one site within the arrays."""

    whole: SiteNights
    row: int
    start_s: float
    end_s: float

    def events(self, crossings: Crossings) -> BodyEvents:
        up, times = crossings.of_row(self.row, self.start_s, self.end_s)
        at = [utc_from_posix(at_s) for at_s in times]
        rises, sets = (at[1::2], at[0::2]) if up else (at[0::2], at[1::2])
        never = BodyState.ALWAYS_UP if up else BodyState.ALWAYS_DOWN
        return BodyEvents(tuple(rises), tuple(sets), BodyState.CROSSES if at else never, up)

    def down(self, crossings: Crossings) -> tuple[Span, ...]:
        """The spans of the night with the body below the level."""
        return _spans(self._pairs(crossings, up=False))

    def _pairs(self, crossings: Crossings, *, up: bool) -> list[tuple[float, float]]:
        starts_up, times = crossings.of_row(self.row, self.start_s, self.end_s)
        edges = [*([self.start_s] if starts_up == up else []), *map(float, times), self.end_s]
        return list(zip(edges[0::2], edges[1::2], strict=False))

    def foreground_moonlit(self) -> tuple[Span, ...]:
        """When the Moon, between sunset and sunrise, shines over the ridge onto the ground."""
        night, moon = self._pairs(self.whole.sun, up=False), self._pairs(self.whole.moon, up=True)
        both = [(max(a, c), min(b, d)) for a, b in night for c, d in moon if max(a, c) < min(b, d)]
        return _spans(moon_over_ridge(self.whole.sites[self.row], self.whole.table, both))

    def windows(self, night: int) -> tuple[DarkWindow, ...]:
        whole = self.whole
        low, high = np.searchsorted(whole.windows.row, [self.row, self.row + 1])
        mine = low + np.flatnonzero(whole.window_night[low:high] == night)
        spans = zip(whole.windows.start_s[mine], whole.windows.end_s[mine], strict=True)
        return tuple(self.window(float(start_s), float(end_s)) for start_s, end_s in spans)

    def window(self, start_s: float, end_s: float) -> DarkWindow:
        whole = self.whole
        start_s, end_s = float(round(start_s)), float(round(end_s))
        ground = whole.ground.part(slice(self.row, self.row + 1))
        at_s = np.array([start_s, (start_s + end_s) / 2, end_s])
        target = whole.wishes.target
        seen = whole.table.fixed(target_direction(target), at_s)
        altitude, azimuth = ground.altaz(seen[None], near=False)
        points = zip(at_s, altitude[0], azimuth[0], strict=True)
        shapes = shape_pieces(ground, whole.table, start_s, end_s, target.arc_l_deg)
        return DarkWindow(
            Span(utc_from_posix(start_s), utc_from_posix(end_s)),
            target,
            tuple(track_point(*point) for point in points),
            shapes,
            self.longitudes_up(at_s[1]) if target.kind is TargetKind.BAND else (),
        )

    def longitudes_up(self, at_s: float) -> tuple[tuple[float, float], ...]:
        site, arc = self.whole.sites[self.row], self.whole.wishes.target.arc_l_deg
        sidereal = float(self.whole.table.sidereal_rad(at_s)) + math.radians(site.lon_deg)
        axes = axes_in(float(epoch_of(at_s)))
        return longitudes_up_deg(site, sidereal, axes, arc)


def _spans(pairs_s: Sequence[tuple[float, float]]) -> tuple[Span, ...]:
    """Spans to the second; those that round to nothing are left out."""
    pairs = ((utc_from_posix(start_s), utc_from_posix(end_s)) for start_s, end_s in pairs_s)
    return tuple(Span(start, end) for start, end in pairs if start < end)


def true_spans(margin: Callable[[Floats], Floats], start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Where a function of POSIX time is not negative, sampled each minute, edges between samples by
    the secant. What holds, or fails, for less than a minute can be missed."""
    n_steps = max(1, math.ceil((end_s - start_s) / 60.0))
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
    """Within spans in which the Moon is up: when its upper limb is also seen over the site's ridge.

    Then its light reaches the foreground. Over a level horizon that is all the time it is up.
    """
    if site.horizon.is_level:
        return list(spans_s)
    ground = Ground.of([site])

    def margin(at_s: Floats) -> Floats:
        moon_km = table.body_km(Body.MOON, at_s)
        altitude, azimuth = ground.altaz(moon_km[None], near=True)
        limb = altitude[0] + moon_radius_deg(np.linalg.norm(moon_km, axis=-1), altitude[0])
        return np.asarray(limb - airless_ridge_deg(site.horizon, site.elevation_m, azimuth[0]))

    return [piece for start_s, end_s in spans_s for piece in true_spans(margin, start_s, end_s)]


def shape_pieces(
    ground: Ground,
    table: SkyTable,
    start_s: float,
    end_s: float,
    arc_l_deg: tuple[float, float] | None = None,
) -> tuple[ShapeSpan, ...]:
    """The shapes one site sees from start_s to end_s, split at whole minutes, neighbours differing.

    Each minute takes the shapes of its middle.
    """
    edges = np.concatenate(
        [[start_s], np.arange(math.floor(start_s / 60) + 1, math.ceil(end_s / 60)) * 60.0, [end_s]]
    )
    codes = standing(zeniths(ground, table, (edges[:-1] + edges[1:]) / 2), arc_l_deg).codes[0]
    changes = np.flatnonzero(codes[1:] != codes[:-1]) + 1
    apex_deg = geometry(ground, table, edges).apex_altitude_deg[0]
    pieces = []
    for first, last in zip([0, *changes], [*changes, len(codes)], strict=True):
        shape, *also = shapes = SHAPES_BY_CODE[codes[first]]
        span = Span(utc_from_posix(edges[first]), utc_from_posix(edges[last]))
        top_deg = round(apex_deg[first : last + 1].min()) if Shape.ARCH in shapes else None
        pieces.append(ShapeSpan(shape, span, tuple(also), top_deg))
    return tuple(pieces)
