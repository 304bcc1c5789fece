"""When a body crosses an altitude, for many sites over a long span in one pass.

How: the sine of the altitude, less what parallax takes away, is linear in the site's up vector, so
a whole block of sites and half-hour samples is one matrix product. A change of sign is bracketed by
two samples and refined on the quintic through six of them: 0.01 arcseconds from the true curve.
Where three samples turn without reaching the level, the quintic's own extreme decides, so that a
dark spell between two samples isn't lost.

What the step can miss: spells of less than about 20 seconds, which rise no more than 0.01 arcseconds
above the level; and two turnings within one half hour, which happen only within a degree of a pole,
where the path wobbles by less than 2 arcseconds between them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alerts.sky.ephemeris import STEP_S, SkyTable
from alerts.sky.observers import MOON_RADIUS_KM, Ground
from alerts.sky.span_arrays import RowSpans, alternating_spans

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

SUNRISE_DEG = -50 / 60
"""34' of refraction and 16' of semidiameter; USNO."""
REFRACTION_AT_HORIZON_DEG = 34 / 60

_BLOCK_SAMPLES = 120_000
_OFFSETS = np.arange(-2, 4)
_TO_POLYNOMIAL = np.linalg.inv(np.vander(_OFFSETS, increasing=True))
_TURN_GUARD = 0.003
"""How far an extreme of sin(altitude) can lie beyond its nearest sample: (omega h / 2)^2 / 2 = 0.0022."""
_FIRST, _AFTER = 2, 3
"""Samples needed before and after a crossing's own."""
_AU_KM = 149_597_870.7
EARTH_MEAN_KM = 6371.0
_SIN_MOONRISE = math.sin(math.radians(50 / 60))


@dataclass(frozen=True)
class Crossings:
    """Where one level is crossed between first_s and last_s, flat: sites in order, times ascending.

    bounds: shape (n_sites + 1,): the crossings of site i are at_s[bounds[i]:bounds[i + 1]].
    at_s: POSIX seconds. Rises and sets alternate within a site.
    up_at_first: shape (n_sites,), whether the body is above the level at first_s.
    """

    first_s: float
    last_s: float
    bounds: Ints
    at_s: Floats
    up_at_first: Bools

    def of_row(self, row: int, first_s: float, last_s: float) -> tuple[bool, Floats]:
        """Whether the body is up at first_s, and the crossings in first_s <= t < last_s."""
        times = self.at_s[self.bounds[row] : self.bounds[row + 1]]
        low, high = np.searchsorted(times, [first_s, last_s], side="left")
        return bool(self.up_at_first[row]) ^ (int(low) % 2 == 1), times[low:high]

    def spans(self, *, up: bool) -> RowSpans:
        """The spans with the body above (up) or below the level, clipped to first_s..last_s."""
        opens = self.up_at_first == up
        return RowSpans(*alternating_spans(np.diff(self.bounds), self.at_s, opens, self.first_s, self.last_s))


def sun_crossings(ground: Ground, table: SkyTable, levels_deg: Sequence[float]) -> list[Crossings]:
    """Crossings of the Sun's centre through each airless topocentric altitude, one answer a level."""
    sun = table.grid.sun_km
    distance_km = np.linalg.norm(sun, axis=1)
    of_time = np.vstack([(sun / distance_km[:, None]).T, -1 / distance_km])
    levels = np.sin(np.radians(np.asarray(levels_deg, dtype=np.float64)))
    # the observer is nearer to a body above him than the geocentre by place . body
    levels = levels - EARTH_MEAN_KM / _AU_KM * levels**2
    return _find(ground, of_time, levels, table)


def moon_crossings(ground: Ground, table: SkyTable) -> Crossings:
    """Moonrises and moonsets: the upper limb at -34', topocentric, airless (USNO).

    With D the observer's distance and sin s = R / D the semidiameter, D sin(34' + s) depends on the
    site only through D, which at the horizon is known from the geocentric distance to 30 km:
    0.2 arcseconds in the altitude.
    """
    moon = table.grid.moon_km
    distance_km = np.linalg.norm(moon, axis=1)
    near_sq = distance_km**2 - EARTH_MEAN_KM**2 + 2 * EARTH_MEAN_KM * distance_km * _SIN_MOONRISE
    refraction = math.radians(REFRACTION_AT_HORIZON_DEG)
    limb_km = np.sqrt(near_sq - MOON_RADIUS_KM**2) * math.sin(refraction)
    lift = (limb_km + MOON_RADIUS_KM * math.cos(refraction)) / distance_km
    of_time = np.vstack([(moon / distance_km[:, None]).T, -1 / distance_km, lift])
    return _find(ground, of_time, np.zeros(1), table)[0]


def _find(ground: Ground, of_time: Floats, levels: Floats, table: SkyTable) -> list[Crossings]:
    """Where the body passes each of the levels, some hundred sites at a time.

    of_time: what each half hour multiplies: the site's up vector, its height over the geocentre along
    that, and 1 where the level is lifted.
    """
    height_km = (ground.up * ground.place_km).sum(axis=1)
    of_site = np.column_stack([ground.up, height_km, np.ones(len(ground))][: len(of_time) - 2])
    per_block = max(1, _BLOCK_SAMPLES // of_time.shape[1])
    blocks = range(0, len(of_site), per_block)
    found = [_find_in_block(of_site[low : low + per_block] @ of_time, levels) for low in blocks]
    crossings = []
    for parts in zip(*found, strict=True):
        steps, counts, up = (np.concatenate(column) for column in zip(*parts, strict=True))
        at_s = steps * STEP_S + table.grid.at_s[0]
        bounds = np.concatenate([[0], np.cumsum(counts)])
        # the grid reaches beyond the table's span: only what lies in it is kept
        early, kept = at_s < table.first_s, (at_s >= table.first_s) & (at_s < table.last_s)
        n_early, n_kept = (np.diff(np.append(0, np.cumsum(mask))[bounds]) for mask in (early, kept))
        bounds, up = np.append(0, np.cumsum(n_kept)), up ^ (n_early % 2 == 1)
        crossings.append(Crossings(table.first_s, table.last_s, bounds, at_s[kept], up))
    return crossings


def _find_in_block(samples: Floats, levels: Floats) -> list[tuple[Floats, Ints, Bools]]:
    """The crossings in one block of samples, shape (sites, steps), one answer a level: their places in steps
    after the grid's start, how many each site has, and whether it is up at the first sample looked at."""
    n_sites, n_steps = samples.shape
    flat = samples.ravel()
    # samples that are the highest or lowest of three in their row
    climbs = flat[1:] > flat[:-1]
    turns = np.flatnonzero(climbs[1:] != climbs[:-1]) + 1
    column = turns % n_steps
    turns = turns[(column >= _FIRST) & (column < n_steps - _AFTER)]
    # samples after which the level is crossed
    crossed = []
    for level in levels:
        up = (samples >= level).ravel()
        changes = np.zeros(samples.shape, dtype=np.bool_)
        np.not_equal(up[1:], up[:-1], out=changes.ravel()[:-1])
        changes[:, :_FIRST] = False
        changes[:, -_AFTER:] = False
        crossed.append(np.flatnonzero(changes))
    # the root after each: three of Newton's steps from the secant; where that isn't sure, a bracketed search
    sizes = [len(base) for base in crossed]
    base, level_of = np.concatenate(crossed), np.repeat(levels, sizes)
    polynomials = _polynomials(flat, base, level_of)
    x = polynomials[0] / (polynomials[0] - polynomials.sum(axis=0))
    for _ in range(3):
        value, slope = _value_and_slope(polynomials, x)
        step = np.divide(value, slope, out=np.full_like(x, np.inf), where=slope != 0)
        x = x - step
    unsure = np.flatnonzero(~((np.abs(step) < 1e-6) & (x >= 0) & (x <= 1)))
    if len(unsure):
        zero, starts_up = np.zeros(len(unsure)), flat[base[unsure]] >= level_of[unsure]
        x[unsure] = _solve(polynomials[:, unsure], zero, zero + 1, starts_up)

    found = []
    for at, level in zip(np.split(base + x, np.cumsum(sizes)[:-1]), levels, strict=True):
        grazed = turns[np.abs(flat[turns] - level) < _TURN_GUARD]
        if len(grazed):
            at = np.append(at, _grazing_roots(flat, grazed, level))
        if (at[1:] < at[:-1]).any():
            at = np.sort(at)
        counts = np.diff(np.searchsorted(at, np.arange(n_sites + 1) * n_steps))
        at_step = at - np.repeat(np.arange(n_sites) * n_steps, counts)
        found.append((at_step, counts, samples[:, _FIRST] >= level))
    return found


def _polynomials(flat: Floats, base: Ints, level: Floats | float) -> Floats:
    """Quintics through six samples each, shape (6, n), in steps after `base`, less the level."""
    near = np.empty((6, len(base)))
    for k in range(6):
        np.take(flat, base + (k - 2), out=near[k])
    polynomials = _TO_POLYNOMIAL @ near
    polynomials[0] -= level
    return np.asarray(polynomials)


def _value_and_slope(polynomials: Floats, x: Floats) -> tuple[Floats, Floats]:
    value, slope = polynomials[5].copy(), np.zeros_like(x)
    for coefficient in polynomials[4::-1]:
        slope *= x
        slope += value
        value *= x
        value += coefficient
    return value, slope


def _solve(polynomials: Floats, low: Floats, high: Floats, starts_up: Bools) -> Floats:
    """The root of each polynomial between low and high, to 1e-9 steps.

    starts_up: whether it counts as not negative at low; at high it must be the other way.
    Newton's steps, halving the bracket instead whenever one would leave it.
    """
    x = (low + high) / 2
    for _ in range(60):
        value, slope = _value_and_slope(polynomials, x)
        same = (value >= 0) == starts_up
        low, high = np.where(same, x, low), np.where(same, high, x)
        newton = x - np.divide(value, slope, out=np.full_like(x, np.inf), where=slope != 0)
        before, x = x, np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
        if (np.abs(x - before) < 1e-9).all():
            break
    return x


def _grazing_roots(flat: Floats, turns: Ints, level: float) -> Floats:
    """Flat positions of the pairs of crossings about turning samples that lie just short of the level."""
    above = flat[turns] >= level
    shallow = (above == (flat[turns - 1] >= level)) & (above == (flat[turns + 1] >= level))
    highest = 2 * flat[turns] > flat[turns - 1] + flat[turns + 1]
    turns = turns[shallow & (above != highest)]
    polynomials = _polynomials(flat, turns, level)
    # where each polynomial turns, between -1 and 1
    slopes = np.zeros_like(polynomials)
    slopes[:5] = polynomials[1:] * np.arange(1, 6)[:, None]
    one = np.ones(len(turns))
    x = _solve(slopes, -one, one, _value_and_slope(slopes, -one)[0] >= 0)
    passes = (_value_and_slope(polynomials, x)[0] >= 0) != (polynomials[0] >= 0)
    turns, x, polynomials = turns[passes], x[passes], polynomials[:, passes]
    one, above = np.ones(len(x)), flat[turns] >= level
    starts_up = np.concatenate([above, ~above])
    ends = np.concatenate([-one, x]), np.concatenate([x, one])
    return np.tile(turns, 2) + _solve(np.tile(polynomials, 2), *ends, starts_up)
