"""The horizon line: how high the land stands in each direction, and lines read from files."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.model import HorizonLine

Floats = npt.NDArray[np.float64]

LEVEL_WORD = "level"
KNOWN_LEVEL = HorizonLine((0.0, 90.0, 180.0, 270.0), (0.0, 0.0, 0.0, 0.0))
"""The line of who says that the horizon is level: then nobody assumes it."""
WIDEST_GAP_DEG = 90.0
"""A wider stretch without a point is more likely a broken file than a straight ridge."""
MOST_POINTS = 3600


def ridge_deg(line: HorizonLine, azimuth_deg: npt.ArrayLike) -> Floats:
    """Altitude of the land at azimuths of any shape, linear between points, wrapping at north."""
    azimuth = np.asarray(azimuth_deg, dtype=np.float64)
    if line.is_level:
        return np.zeros_like(azimuth)
    return np.asarray(np.interp(azimuth, line.azimuths_deg, line.altitudes_deg, period=360.0))


class Ridges:
    """Many sites' lines at once, laid end to end on one axis so that one interpolation serves all.

    highest, lowest: shape (n,), of each line in degrees.
    """

    _STRETCH = 1000.0

    def __init__(self, lines: Sequence[HorizonLine]) -> None:
        azimuths, altitudes = [], []
        for number, line in enumerate(lines or [HorizonLine()]):
            az, alt = np.array(line.azimuths_deg or (0.0,)), np.array(line.altitudes_deg or (0.0,))
            # the last point again before north and the first one after
            azimuths.append(np.concatenate([[az[-1] - 360], az, [az[0] + 360]]) + number * self._STRETCH)
            altitudes.append(np.concatenate([alt[-1:], alt, alt[:1]]))
        self._azimuths, self._altitudes = np.concatenate(azimuths), np.concatenate(altitudes)
        firsts = np.cumsum([0, *map(len, altitudes[:-1])])
        self.highest, self.lowest = (of.reduceat(self._altitudes, firsts) for of in (np.maximum, np.minimum))

    def at(self, row: npt.NDArray[np.intp], azimuth_deg: Floats) -> Floats:
        """Altitude of the land for (row of a line, azimuth 0..360), element by element."""
        return np.asarray(np.interp(row * self._STRETCH + azimuth_deg, self._azimuths, self._altitudes))


def horizon_from_csv(text: str) -> HorizonLine:
    """A horizon line from text of `azimuth,altitude` rows in degrees.

    Rows may come in any order and be separated by commas, semicolons, tabs or blanks; lines that
    start with # and one heading line are passed over. 360 is 0; a point given twice with the same
    altitude counts once. The word `level` alone is a line of zeros. Raises BadInput, naming the
    line, for anything that can't be a ridge.
    """
    if text.lstrip("\ufeff").strip().lower() == LEVEL_WORD:
        return KNOWN_LEVEL
    lines = ((k, line.strip()) for k, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1))
    filled = [(number, line) for number, line in lines if line and not line.startswith("#")]
    points: dict[float, float] = {}
    for number, line in filled:
        separator = next((mark for mark in (";", "\t", ",") if mark in line), None)
        cells = line.split() if separator is None else next(csv.reader([line], delimiter=separator))
        cells = [cell.strip() for cell in cells if cell.strip()]
        numbers = [found for cell in cells if (found := _number(cell)) is not None]
        if number == filled[0][0] and not numbers:
            continue  # a heading
        if len(cells) != 2 or len(numbers) != 2:
            raise BadInput(phrase("sites.horizon-line-unreadable", number=number, line=line[:60]))
        azimuth, altitude = numbers
        if not -360 <= azimuth <= 360:
            raise BadInput(phrase("sites.horizon-line-azimuth-range", number=number, azimuth=azimuth))
        if not -5 <= altitude <= 80:
            raise BadInput(phrase("sites.horizon-line-altitude-range", number=number, altitude=altitude))
        turn = azimuth % 360 % 360  # the second remainder catches -1e-20, whose first is 360 itself
        if points.setdefault(turn, altitude) != altitude:
            raise BadInput(phrase("sites.horizon-line-twice", number=number, azimuth=turn))

    if len(points) < 2:
        raise BadInput(phrase("sites.horizon-file-too-short"))
    if len(points) > MOST_POINTS:
        raise BadInput(phrase("sites.horizon-file-too-long", most_points=MOST_POINTS, count=len(points)))
    azimuths = sorted(points)
    for start, end in pairwise([*azimuths, azimuths[0] + 360]):
        if end - start > WIDEST_GAP_DEG:
            widest_deg, end = WIDEST_GAP_DEG, end % 360
            raise BadInput(phrase("sites.horizon-file-gap", start=start, end=end, widest_gap_deg=widest_deg))
    return HorizonLine(tuple(azimuths), tuple(points[azimuth] for azimuth in azimuths))


def _number(cell: str) -> float | None:
    try:
        return float(cell)
    except ValueError:
        return None
