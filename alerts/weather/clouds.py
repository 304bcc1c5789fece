"""Cloud as it bears on a picture of the night sky: thin, broken, below the site, along the line of sight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import fmean
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather import cloud_levels
from alerts.weather.cover import CloudColumns, Cover, in_view
from alerts.weather.forecast import Forecast, LayerScheme, Place, Sight
from alerts.weather.hours import ALL, LAYERS, TOTAL, Hours, Parts
from alerts.weather.line_of_sight import Layer, SightView, crossings, lies_below, nearest_place
from alerts.weather.skill import CLEAR_LIMIT_PCT, THIN_CLOUD_WEIGHT, Floats, slanted_pct

LEAST_TELLING_PCT = 5.0
"""Less cloud than this says too little of what cloud is made of."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenHours:
    """Cloud in the hours that are known, and what they share with the span asked about; shape (hours,), in %.

    frame_pct: as the frame has it; beside_pct: if the sky all round were as it is overhead.
    """

    parts: Parts
    frame_pct: Floats
    beside_pct: Floats
    cover: Cover


Makeup = tuple[SeenHours, ...]
"""What cloud over a place is made of hour by hour, as its sources with layers in every hour have it.

It stands for the layers of sources that tell a total alone, so that the same sky means the same in either
form: taken as opaque, thin cirrus would be overcast to every ensemble."""


@lru_cache(maxsize=4)
def _shares(makeup: Makeup, parts: Parts) -> tuple[Floats, Floats, Floats]:
    """For each part: which share of a total lies above the site, which share of that is thin, and what the
    line of sight adds in %. By the nearest hour of every source; where these have next to no cloud, by their
    whole time; where they have none, a thin share of NaN. Ensembles over the same hours share it."""
    wanted_us = parts.edges_us.mean(axis=0)
    sums, whole = np.zeros((4, len(wanted_us))), np.zeros(4)
    for seen in makeup:
        cover, mine_us = seen.cover, seen.parts.edges_us.mean(axis=0)
        rows = np.stack(
            [cover.total, cover.opaque + cover.thin, cover.thin, seen.frame_pct - seen.beside_pct]
        )
        sums += rows[:, np.searchsorted((mine_us[1:] + mine_us[:-1]) / 2, wanted_us, side="right")]
        whole += rows.mean(axis=1)
    is_little = sums[0] < LEAST_TELLING_PCT * len(makeup)
    total, above, thin = np.where(is_little, whole[:3, None], sums[:3])
    with np.errstate(divide="ignore", invalid="ignore"):
        share_above = np.where(total > 0, above / total, 1.0)
        share_thin = np.where(above > 0, thin / above, np.where(total > 0, 0.0, np.nan))
    return share_above, share_thin, sums[3] / len(makeup)


def made_up_pct(
    totals: ArrayLike, parts: Parts, makeup: Makeup, altitude_deg: float
) -> tuple[Floats, Floats]:
    """Totals as the frame has them, and as it would if the sky all round were as it is overhead.

    totals: shape (..., parts) in %, NaN where unknown; so are the answers.
    """
    told = np.asarray(totals, dtype=np.float64)
    if not makeup:
        return told, told
    share_above, share_thin, aside = _shares(makeup, parts)
    above = told * share_above
    thin = above * np.nan_to_num(share_thin)
    beside = np.where(np.isnan(share_thin), above, in_view(above - thin, thin, altitude_deg))
    beside = np.clip(beside, 0.0, 100.0)
    return np.clip(beside + aside, 0.0, 100.0) if aside.any() else beside, beside


def cover_as_told(hours: Hours, scheme: LayerScheme, within: slice = ALL) -> Cover:
    """The cloud of some hours in two parts, side by side: opaque cloud, and high cloud with nothing below it.

    The high-only part is what the total leaves over low and mid cloud, these taken side by side. The total
    is never rebuilt from layers: without one nothing is known, and where a layer is missing the whole total
    counts as opaque.
    """
    total = hours.numbers(TOTAL, within)
    if scheme is LayerScheme.NONE:
        return Cover(total, total, np.zeros_like(total), np.zeros(len(total), dtype=np.bool_))
    return _cover(total, total, *(hours.numbers(name, within) for name in LAYERS))


def _cover(total: Floats, left: Floats, low: Floats, mid: Floats, high: Floats) -> Cover:
    """left: what of the total counts, as the layers do."""
    has_layers = ~np.isnan(low + mid + high)
    thin = np.where(has_layers, np.minimum(high, np.maximum(0.0, left - low - mid)), 0.0)
    return Cover(total, left - thin, thin, has_layers)


def joint_cover_pct(layers_pct: Sequence[ArrayLike], altitude_deg: float) -> Floats:
    """What low, mid and high cloud hide of a view together when each lies over another place; NaN unless all
    are known.

    Over kilometres the layers' holes don't line up, so their clear shares multiply. Used for differences
    alone: a model's total over one place is never made of it.
    """
    low, mid, high = (np.asarray(each, dtype=np.float64) for each in layers_pct)
    opaque = slanted_pct(100.0 - (100.0 - low) * (100.0 - mid) / 100.0, altitude_deg)
    joint: Floats = 100.0 - (100.0 - opaque) * (100.0 - THIN_CLOUD_WEIGHT * high) / 100.0
    return joint


def seen_clouds(
    forecast: Forecast, cut: Parts, altitude_deg: float, along: Hours | None = None, makeup: Makeup = ()
) -> SeenHours:
    """The cloud of some of a forecast's hours as the frame has it; hours whose total is unknown are left out.

    along: the line of sight's hours, None where it wasn't asked for. With it: the view overhead, moved by as
    much as the layers' joint cover differs over there; for totals without layers the mean over there itself.
    An hour that the line of sight doesn't know is unknown.
    """
    columns = cloud_columns(forecast)
    cover = columns.above.within(cut.within)
    if forecast.layer_scheme is LayerScheme.NONE:
        frame, beside = made_up_pct(cover.total, cut, makeup, altitude_deg)
        if along is not None:
            (there,) = _at_starts(forecast.hours, cut, along, (TOTAL,))
            frame = made_up_pct(there, cut, makeup, altitude_deg)[1]
    else:
        frame = beside = cover.view_pct(altitude_deg)
        if along is not None:
            low, mid, high = (forecast.hours.numbers(name, cut.within) for name in LAYERS)
            low = np.zeros(len(low)) if columns.is_low_below else low  # one below the site is clear
            here = joint_cover_pct((low, mid, high), altitude_deg)
            there_pct = _at_starts(forecast.hours, cut, along, LAYERS)
            moved = joint_cover_pct(there_pct, altitude_deg) - here
            frame = np.clip(beside + moved, 0.0, 100.0)
    known = ~(np.isnan(frame) | np.isnan(beside) | np.isnan(cover.plan_pct))
    if known.all():
        return SeenHours(cut, frame, beside, cover)
    kept = Cover(cover.total[known], cover.opaque[known], cover.thin[known], cover.has_layers[known])
    return SeenHours(cut.only(known), frame[known], beside[known], kept)


def cloud_columns(forecast: Forecast) -> CloudColumns:
    """Made once for each forecast."""
    if forecast.clouds is None:
        before = forecast.cloud_before_pct
        columns = CloudColumns(
            cover_above_site(forecast),
            cover_as_told(forecast.hours, forecast.layer_scheme).plan_pct,
            np.array(before, dtype=np.float64) if before else None,
            np.array(forecast.members, dtype=np.float64),
            low_lies_below(forecast),
        )
        object.__setattr__(forecast, "clouds", columns)
        return columns
    return forecast.clouds


def cover_above_site(forecast: Forecast) -> Cover:
    """The cloud of a forecast's hours that lies above its place, as far as that is known.

    What lies below is left out: by height where that is known, else a low layer whose top lies below the
    site. The layers above then cover at most their sum, and no more than the total.
    """
    if forecast.layer_scheme is LayerScheme.NONE:
        return cover_as_told(forecast.hours, forecast.layer_scheme)
    total, low, mid, high = (forecast.hours.numbers(name) for name in (TOTAL, *LAYERS))
    left = total
    if low_lies_below(forecast):
        is_known = ~np.isnan(total + low + mid + high)
        left = np.where(is_known, np.minimum(total, mid + high), total)
        low = np.where(is_known, 0.0, low)
    by_height = cloud_levels.above_site(forecast)
    if by_height is not None:
        found = by_height[0]
        is_known = ~np.isnan(sum(found))
        told = (left, low, mid, high)
        left, low, mid, high = (np.where(is_known, a, b) for a, b in zip(found, told, strict=True))
    return _cover(total, left, low, mid, high)


def _at_starts(hours: Hours, cut: Parts, along: Hours, names: Sequence[str]) -> list[Floats]:
    """Columns of the line of sight at some hours, by their starts; NaN where it hasn't that hour."""
    index_of = {start: at for at, start in enumerate(along.starts)}
    places = np.array([index_of.get(start, -1) for start in hours.starts[cut.within]], dtype=np.int64)
    return [np.append(along.numbers(name), np.nan)[places] for name in names]


def low_lies_below(forecast: Forecast) -> bool:
    """Whether the site stands above the top of the low layer, as far as both heights are known."""
    eye_m = forecast.place.elevation_m if forecast.place else None
    return lies_below(forecast.layer_scheme, Layer.LOW, eye_m, forecast.grid_elevation_m)


# ---- along the line of sight: one model's, put together from the places that were asked, and where it
# differs from the sky overhead

_FIELDS = dict(zip((Layer.LOW, Layer.MID, Layer.HIGH, Layer.TOTAL), (*LAYERS, TOTAL), strict=True))

DIFFERS_FROM_POINTS = 15
"""A difference between the two chances that is worth a word."""

Column: TypeAlias = Sequence[float | None]


def look_along(
    overhead: Forecast, aside: Mapping[Place, Forecast], view: SightView, window: Span
) -> Sight | None:
    """What the model has where the view crosses its layers; None when no place besides the site was told.

    overhead: the forecast for the site, whose `place` must be known. aside: the same model's forecasts by
    place. A layer is the mean over the directions and altitudes of the frame; an hour that one of the
    places doesn't know is unknown, and a layer below the site counts as clear.
    """
    if not aside:
        return None
    site, scheme = overhead.place, overhead.layer_scheme
    assert site is not None, "a forecast was asked for some place"
    cut = overhead.hours.cut(window)
    hours = overhead.hours[cut.within]

    # 1. Each crossing has the cloud of its layer at the place asked that lies nearest to it.
    places = {site: overhead, **aside}
    held = {place: _same_hours(hours, forecast.hours, window) for place, forecast in places.items()}
    found: list[tuple[float, str, Column]] = []
    for crossing in crossings(site, view, scheme):
        place, field = nearest_place(crossing, tuple(aside), site), _FIELDS[crossing.layer]
        column = places[place].hours.column(field)
        told = [None if index is None else column[index] for index in held[place]]
        found.append((crossing.azimuth_deg, field, told))

    # 2. The frame has their mean by layer, and so has each direction, over the window.
    directions = []
    for azimuth_deg in view.directions_deg:
        seen = _mean_by_field([each for each in found if each[0] == azimuth_deg], scheme, len(hours))
        layers = (TOTAL,) if scheme is LayerScheme.NONE else LAYERS
        columns = [np.array(seen[field], dtype=np.float64) for field in layers]
        covers = columns[0] if len(columns) == 1 else joint_cover_pct(columns, view.altitude_deg)
        if len(covers) and not np.isnan(covers).any():
            directions.append((round(azimuth_deg, 1), round(fmean(covers.tolist()), 1)))
    return Sight(
        window=window,
        azimuth_deg=view.azimuth_deg,
        altitude_deg=view.altitude_deg,
        places=len(aside),
        hours=Hours(hours.starts, hours.ends, _mean_by_field(found, scheme, len(hours))),
        directions=tuple(directions),
    )


def _same_hours(hours: Hours, theirs: Hours, window: Span) -> list[int | None]:
    """For each hour the one of another forecast over the window that begins with it, else that holds its
    middle."""
    cut = theirs.cut(window)
    index_of = {start: cut.first + at for at, start in enumerate(theirs.starts[cut.within])}
    found = []
    for start, end in zip(hours.starts, hours.ends, strict=True):
        index = index_of.get(start)
        if index is None:
            index = theirs.index_at(start + (end - start) / 2)
            index = index if index is not None and index in range(*cut.within.indices(len(theirs))) else None
        found.append(index)
    return found


def _mean_by_field(
    found: Sequence[tuple[float, str, Column]], scheme: LayerScheme, count: int
) -> dict[str, Column]:
    told: dict[str, list[Column]] = {}
    for _, field, column in found:
        told.setdefault(field, []).append(column)
    means: dict[str, Column] = {
        field: [_mean(hour) for hour in zip(*columns, strict=True)] for field, columns in told.items()
    }
    if scheme is LayerScheme.NONE:
        return means
    return {field: means.get(field, [0.0] * count) for field in LAYERS}


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if len(known) == len(values) else None


def sight_difference(sights: Sequence[Sight], frame_pct: float, beside_pct: float) -> Phrase | None:
    """`overhead clears, the south-east doesn't`; None where both say the same.

    frame_pct: the chance as the frame has it, beside_pct: if the sky all round were as it is overhead.
    """
    covers: dict[float, list[float]] = {}
    for sight in sights:
        for azimuth_deg, cover_pct in sight.directions:
            covers.setdefault(azimuth_deg, []).append(cover_pct)
    if not covers or abs(frame_pct - beside_pct) < DIFFERS_FROM_POINTS:
        return None
    means = {azimuth_deg: fmean(told) for azimuth_deg, told in covers.items()}
    if frame_pct < beside_pct:
        return phrase("weather.sight-cloudier", direction=_eighth(max(means, key=means.__getitem__)))
    clear = min(means, key=means.__getitem__)
    is_clear = means[clear] <= CLEAR_LIMIT_PCT
    return phrase("weather.sight-clear" if is_clear else "weather.sight-clearer", direction=_eighth(clear))


def _eighth(azimuth_deg: float) -> Phrase:
    """The nearest of the eight points of the compass."""
    return phrase("weather.direction", eighth=round(azimuth_deg / 45) % 8)
