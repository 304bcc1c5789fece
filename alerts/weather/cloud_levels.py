"""Cloud by height, for sites that may stand above it: what is left over them, and what lies below.

A model's low, mid and high cloud say how much there is between fixed heights, not whether it lies above or
below a site that stands between these. Its cloud on surfaces of equal pressure says that; it is often
approximated from humidity, so it splits the model's own layers and never replaces them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alerts.weather.forecast import CloudLevels, Forecast, LayerScheme
from alerts.weather.hours import LAYERS, TOTAL
from alerts.weather.line_of_sight import HEIGHTS, Layer
from alerts.weather.skill import Floats

LARGEST_GAP_M = 1_800.0
"""Between two levels over the site, or from the last one to its layer's top: 850 to 700 hPa are 1,555 m apart
and 500 to 400 hPa 1,611 m in the standard atmosphere (ISO 2533). A wider hole hides cloud."""
ALMOST_ALL = 1.0 - 1e-9
_LAYERS = (Layer.LOW, Layer.MID, Layer.HIGH)


class LayeredCloud(NamedTuple):
    """Cloud in % by the model's layers, each of shape (hours,); NaN where it isn't known."""

    total: Floats
    low: Floats
    mid: Floats
    high: Floats


def cloud_above_site(
    cloud_pct: Floats, height_m: Floats, site_m: float, own: LayeredCloud, scheme: LayerScheme
) -> tuple[LayeredCloud, Floats]:
    """The cloud that a camera at `site_m` has above it, which may stand for the hour's own columns; and what
    lies wholly below it, in the valley or on the way up.

    cloud_pct, height_m: shape (hours, levels), ascending in height; cover in %, metres above sea level.
    own: what the model itself says.
    NaN is unknown, anywhere, and makes the hour unknown. The scheme's layers must be told above sea level.

    1. A level stands for the air up to halfway to its neighbours. One whose air reaches above the site counts
       as above it: a site inside a cloud has it over itself.
    2. Levels overlap as maximum-random: neighbours as far as they can, what a clear level parts at random
       (Geleyn and Hollingsworth 1979, Beitr. Phys. Atmosph. 52, 1-16; radar over Chilbolton bears it out:
       Hogan and Illingworth 2000, Q. J. R. Meteorol. Soc. 126, 2903-2909).
    3. A layer of the model wholly above the site is left as it is, one wholly below is gone. One around the
       site keeps the share that its levels put above; what the levels don't explain of it goes above in the
       share that they leave unexplained, as it may lie anywhere.
    4. The total is the layers' together, these at random, and what of the model's total they don't explain;
       never more than the model's total.
    """
    heights = HEIGHTS[scheme]
    assert not heights.above_ground, "levels are told above sea level"
    middles = (height_m[:, 1:] + height_m[:, :-1]) / 2
    open_end = np.full((len(height_m), 1), np.inf)
    reaches_to = np.hstack([middles, open_end])
    is_above = reaches_to > site_m

    total_pct, *layers = own
    left = []
    for layer, layer_pct in zip(_LAYERS, layers, strict=True):
        bottom_m, top_m = heights.spans_m[layer]
        if bottom_m >= site_m:
            left.append(layer_pct)
        elif top_m <= site_m:
            left.append(np.where(np.isnan(layer_pct), np.nan, 0.0))
        else:
            inside = (bottom_m <= height_m) & (height_m < top_m) if bottom_m > 0 else height_m < top_m
            above_pct = overlapped(cloud_pct, inside & is_above)
            split = _split(layer_pct, overlapped(cloud_pct, inside), above_pct)
            left.append(np.where(_is_seen(cloud_pct, height_m, site_m, top_m), split, np.nan))

    unexplained = np.maximum(0.0, total_pct - _at_random(*layers))
    total = np.minimum(total_pct, _at_random(*left) + unexplained)
    below = np.minimum(overlapped(cloud_pct, ~is_above), _at_random(own.low, own.mid))
    return LayeredCloud(total, *left), below


def overlapped(cloud_pct: Floats, counted: npt.NDArray[np.bool_]) -> Floats:
    """The cover of the levels counted, by maximum-random overlap; the others count as clear.

    cloud_pct, counted: shape (hours, levels). Returns shape (hours,); NaN where a level counted is unknown.
    """
    cover = np.where(counted, np.minimum(cloud_pct / 100.0, ALMOST_ALL), 0.0)
    before = np.hstack([np.zeros((len(cover), 1)), cover[:, :-1]])
    clear = np.prod((1.0 - np.maximum(cover, before)) / (1.0 - before), axis=1)
    return np.asarray(np.round(100.0 * (1.0 - clear), 6), dtype=np.float64)


def _split(own_pct: Floats, levels_pct: Floats, above_pct: Floats) -> Floats:
    """What of the model's layer lies above the site; above_pct is that part of what its levels know."""
    rest_pct = np.maximum(0.0, own_pct - levels_pct)
    explained = np.clip(levels_pct / np.maximum(own_pct, 1e-9), 0.0, 1.0)
    share_above = above_pct / np.maximum(levels_pct, 1e-9)
    rest_above_pct = rest_pct * (1.0 - explained * (1.0 - share_above))
    return np.minimum(own_pct, above_pct + rest_above_pct)


def _is_seen(cloud_pct: Floats, height_m: Floats, site_m: float, top_m: float) -> npt.NDArray[np.bool_]:
    """Whether the levels know the air from the site to the layer's top without a hole that hides cloud."""
    upper_m = np.hstack([height_m[:, 1:], np.full((len(height_m), 1), top_m)])
    matters = (upper_m > site_m) & (height_m < top_m)
    widest_m = np.max(np.where(matters, upper_m - height_m, 0.0), axis=1)
    begins_below = height_m[:, 0] <= site_m
    known = ~np.isnan(cloud_pct + height_m).any(axis=1)
    return np.asarray(known & begins_below & (widest_m <= LARGEST_GAP_M), dtype=np.bool_)


def _at_random(*layers_pct: Floats) -> Floats:
    clear = np.prod(1.0 - np.stack(layers_pct) / 100.0, axis=0)
    return np.asarray(np.round(100.0 * (1.0 - clear), 6), dtype=np.float64)


def above_site(forecast: Forecast) -> tuple[LayeredCloud, Floats] | None:
    """The cloud above a forecast's place in each of its hours, and below it; None without levels or the
    place's height."""
    levels, place = forecast.levels, forecast.place
    if levels is None or place is None or place.elevation_m is None:
        return None
    own = LayeredCloud(*(forecast.hours.numbers(name) for name in (TOTAL, *LAYERS)))
    cover, height_m = (np.array(each, dtype=np.float64).T for each in (levels.cloud_pct, levels.height_m))
    return cloud_above_site(cover, height_m, place.elevation_m, own, forecast.layer_scheme)


def with_levels_of(forecast: Forecast, other: Forecast) -> Forecast:
    """The forecast with the cloud by height of another answer about the same run and place, hour by hour.

    An hour that the other doesn't have is unknown on every level.
    """
    assert other.levels is not None, "it was asked for"
    index_at = {start: index for index, start in enumerate(other.hours.starts)}
    places = [index_at.get(start) for start in forecast.hours.starts]

    def moved(rows: tuple[tuple[float | None, ...], ...]) -> tuple[tuple[float | None, ...], ...]:
        return tuple(tuple(None if at is None else row[at] for at in places) for row in rows)

    levels = other.levels
    return with_levels(
        forecast, CloudLevels(levels.pressures_hpa, moved(levels.cloud_pct), moved(levels.height_m))
    )


def with_levels(forecast: Forecast, levels: CloudLevels) -> Forecast:
    """The forecast with its cloud by height, and with what its hours then have below the site."""
    forecast = replace(forecast, levels=levels)
    found = above_site(forecast)
    if found is None:
        return forecast
    below = [None if np.isnan(each) else round(float(each), 1) for each in found[1]]
    return replace(forecast, hours=forecast.hours.changed({"cloud_below_pct": below}))
