"""The horizon line: how high the land stands in each direction, and lines read from files."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.sites.model import HorizonLine

Floats = npt.NDArray[np.float64]

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
    """Many sites' lines at once, laid end to end on one axis so that one interpolation serves all."""

    _STRETCH = 1000.0

    def __init__(self, lines: Sequence[HorizonLine]) -> None:
        points = [_wrapped(line) for line in lines] or [_wrapped(HorizonLine())]
        shifts = np.repeat(np.arange(len(points)) * self._STRETCH, [len(azimuths) for azimuths, _ in points])
        self._azimuths = np.concatenate([azimuths for azimuths, _ in points]) + shifts
        self._altitudes = np.concatenate([altitudes for _, altitudes in points])

    def at(self, row: npt.NDArray[np.intp], azimuth_deg: Floats) -> Floats:
        """Altitude of the land for (row of a line, azimuth 0..360), element by element."""
        return np.asarray(np.interp(row * self._STRETCH + azimuth_deg, self._azimuths, self._altitudes))


def _wrapped(line: HorizonLine) -> tuple[Floats, Floats]:
    """A line's points with its last one repeated before north and its first one after."""
    if line.is_level:
        return np.array([0.0]), np.array([0.0])
    azimuths, altitudes = np.array(line.azimuths_deg), np.array(line.altitudes_deg)
    return (
        np.concatenate([[azimuths[-1] - 360], azimuths, [azimuths[0] + 360]]),
        np.concatenate([altitudes[-1:], altitudes, altitudes[:1]]),
    )


def horizon_from_csv(text: str) -> HorizonLine:
    """A horizon line from text of `azimuth,altitude` rows in degrees.

    Rows may come in any order and be separated by commas, semicolons, tabs or blanks; lines that
    start with # and one heading line are passed over. 360 is 0; a point given twice with the same
    altitude counts once. Raises BadInput, naming the line, for anything that can't be a ridge.
    """
    points: dict[float, float] = {}
    for number, azimuth, altitude in _rows(text):
        if not -360 <= azimuth <= 360:
            raise BadInput(phrase("sites.horizon-line-azimuth-range", number=number, azimuth=azimuth))
        if not -5 <= altitude <= 80:
            raise BadInput(phrase("sites.horizon-line-altitude-range", number=number, altitude=altitude))
        if points.setdefault(_turn(azimuth), altitude) != altitude:
            raise BadInput(phrase("sites.horizon-line-twice", number=number, turn=_turn(azimuth)))
    _require_whole_turn(sorted(points))
    ordered = sorted(points.items())
    return HorizonLine(tuple(az for az, _ in ordered), tuple(alt for _, alt in ordered))


def _turn(azimuth_deg: float) -> float:
    """The azimuth in 0 <= a < 360; the second remainder catches -1e-20, whose first is 360 itself."""
    return azimuth_deg % 360 % 360


def _rows(text: str) -> Iterator[tuple[int, float, float]]:
    """Line number, azimuth and altitude of each row; a first row without numbers is a heading."""
    lines = ((k, line.strip()) for k, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1))
    filled = [(number, line) for number, line in lines if line and not line.startswith("#")]
    for position, (number, line) in enumerate(filled):
        cells = _cells(line)
        try:
            azimuth, altitude = (float(cell) for cell in cells)
        except ValueError:
            if position == 0 and not any(_is_number(cell) for cell in cells):
                continue
            raise BadInput(phrase("sites.horizon-line-unreadable", number=number, line=line[:60])) from None
        yield number, azimuth, altitude


def _cells(line: str) -> list[str]:
    for separator in (";", "\t", ","):
        if separator in line:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=separator)) if cell.strip()]
    return line.split()


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _require_whole_turn(azimuths: list[float]) -> None:
    if len(azimuths) < 2:
        raise BadInput(phrase("sites.horizon-file-too-short"))
    if len(azimuths) > MOST_POINTS:
        raise BadInput(phrase("sites.horizon-file-too-long", most_points=MOST_POINTS, count=len(azimuths)))
    ends = [*azimuths[1:], azimuths[0] + 360]
    for start, end in zip(azimuths, ends, strict=True):
        if end - start > WIDEST_GAP_DEG:
            raise BadInput(
                phrase(
                    "sites.horizon-file-gap",
                    start=start,
                    end=end % 360,
                    widest_gap_deg=WIDEST_GAP_DEG,
                )
            )
