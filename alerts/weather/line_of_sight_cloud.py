"""Cloud along the line of sight: one model's, put together from the places that were asked, and where it
differs from the sky overhead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import TypeAlias

import numpy as np

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.clouds import joint_cover_pct
from alerts.weather.forecast import Forecast, LayerScheme, Place, Sight
from alerts.weather.hours import LAYERS, TOTAL, Hours
from alerts.weather.line_of_sight import Layer, SightView, crossings, nearest_place
from alerts.weather.skill import CLEAR_LIMIT_PCT

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
