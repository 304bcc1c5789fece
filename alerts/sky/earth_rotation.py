"""How the Earth turns: UT1 for a time by the clock, leap seconds, and where the pole stands on the ground.

From the tables of the International Earth Rotation and Reference Systems Service that `astropy-iers-data`
carries: `finals2000A.all` (Bulletin A: measured days since 1973, then a year of prediction) and
`Leap_Second.dat`, both read as they are. Nothing is fetched: a newer table comes with a newer package.

A time is POSIX seconds. From 1972 that is UTC without its leap seconds. Before 1972 UTC had seconds of its
own length, and steps; a time then is taken for UT1, from which UTC kept within 0.2 s (at most 0.16 s from
1962 on, IERS C04). In 1972, before the table, UT1-UTC comes from the curve of TT-UT1 that `ephemeris` has.

After the table's last day UT1-UTC goes on by the rate of its last year, and no leap second is assumed: none
is announced, and they are to end by 2035 (General Conference on Weights and Measures 2022, resolution 4;
from memory). Each that does come puts the times after it 1 s off until the package is renewed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

import numpy as np
import numpy.typing as npt

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase

Floats = npt.NDArray[np.float64]

UTC_BEGINS_S = datetime(1972, 1, 1, tzinfo=UTC).timestamp()
TT_MINUS_TAI_S = 32.184
ARCSEC_RAD = np.pi / 648_000

_DAY_S = 86_400
_MJD_1970 = 40_587
_FIRST_TAI_MINUS_UTC_S = 10
# columns of finals2000A, counted from 0; ReadMe.finals2000A beside it counts from 1
_MJD, _POLE_X, _POLE_Y, _FLAG, _UT1 = slice(7, 15), slice(18, 27), slice(37, 46), slice(57, 58), slice(58, 68)
_RATE_DAYS = 365
_LEAP_SECONDS = "Leap_Second.dat"
_SECULAR_POLE = ((0.0550, 0.001_677), (0.3205, 0.003_460))
"""Arcseconds in 2000 and a year, of x and y: IERS Conventions (2010), 7.1.4 as of 2018; from memory."""


@dataclass(frozen=True, slots=True)
class EarthRotation:
    """The tables. day_s: 0h UTC of each day, POSIX seconds, shape (n,), without a gap. ut1_utc_s: UT1-UTC,
    (n,). pole_rad: the pole's x and y on the ground, (n, 2). leap_s: when each leap second had passed, (k,).

    measured_to: the last day that was measured. last_day: the last that is predicted.
    """

    day_s: Floats
    ut1_utc_s: Floats
    pole_rad: Floats
    leap_s: Floats
    measured_to: date
    last_day: date

    @property
    def begins_s(self) -> float:
        """From when UT1-UTC is known by the day: 2 January 1973."""
        return float(self.day_s[0])

    def leaps(self, at_s: npt.ArrayLike) -> Floats:
        """Leap seconds put in from 1972 until then; any shape."""
        return np.searchsorted(self.leap_s, at_s, side="right").astype(np.float64)

    def tai_minus_utc_s(self, at_s: npt.ArrayLike) -> Floats:
        """TAI-UTC from 1972 on; any shape."""
        return _FIRST_TAI_MINUS_UTC_S + self.leaps(at_s)

    def ut1_minus_utc_s(self, at_s: npt.ArrayLike) -> Floats:
        """UT1-UTC from `begins_s` on; any shape.

        Between two days along a line, which leaves out some 0.00005 s of tides; after the last by the last
        year's rate. Without the leap seconds the values make no step, and so they are interpolated.
        """
        at_s = np.asarray(at_s, dtype=np.float64)
        steady = self.ut1_utc_s - self.leaps(self.day_s)
        rate = (steady[-1] - steady[-1 - _RATE_DAYS]) / (_RATE_DAYS * _DAY_S)
        after_s = np.maximum(at_s - self.day_s[-1], 0)
        return np.asarray(np.interp(at_s, self.day_s, steady) + rate * after_s + self.leaps(at_s))

    def pole_at_rad(self, at_s: Floats) -> Floats:
        """The pole's x and y on the ground, shape (..., 2); out of the table the secular pole's."""
        years = (at_s - datetime(2000, 1, 1, tzinfo=UTC).timestamp()) / (365.25 * _DAY_S)
        inside = (at_s >= self.day_s[0]) & (at_s <= self.day_s[-1])
        found = [
            np.where(inside, np.interp(at_s, self.day_s, of_day), (begin + rate * years) * ARCSEC_RAD)
            for of_day, (begin, rate) in zip(self.pole_rad.T, _SECULAR_POLE, strict=True)
        ]
        return np.stack(found, axis=-1)


@cache
def _leap_s() -> Floats:
    """When each leap second had passed, shape (k,): all that is read where nothing else is needed."""
    file = _tables() / _LEAP_SECONDS
    try:
        return _leaps(file)
    except (OSError, ValueError) as error:
        raise BadInput(phrase("sky.rotation-unreadable", path=str(file))) from error


def leaps_until(at_s: npt.ArrayLike) -> Floats:
    """`EarthRotation.leaps` of the installed package; any shape."""
    return np.searchsorted(_leap_s(), at_s, side="right").astype(np.float64)


@cache
def earth_rotation() -> EarthRotation:
    """The tables of the installed package."""
    return read_tables(_tables() / "finals2000A.all", _tables() / _LEAP_SECONDS)


def _tables() -> Traversable:
    return files("astropy_iers_data") / "data"


def read_tables(finals: Traversable, leap_seconds: Traversable) -> EarthRotation:
    """Both tables; raises BadInput, naming the file, for one that can't be read as such."""
    try:
        lines = finals.read_bytes().splitlines(keepends=True)
        table = np.frombuffer(b"".join(lines), dtype="S1").reshape(len(lines), -1)
        table = table[_joined(table, _UT1)[:, 0] != b""]
        day_s = (_figures(table, _MJD) - _MJD_1970) * _DAY_S
        if len(day_s) <= _RATE_DAYS or (np.diff(day_s) != _DAY_S).any():
            raise ValueError(finals.name)
        measured = day_s[_joined(table, _FLAG)[:, 0] == b"I"]
        rotation = EarthRotation(
            day_s=day_s,
            ut1_utc_s=_figures(table, _UT1),
            pole_rad=np.stack([_figures(table, each) for each in (_POLE_X, _POLE_Y)], axis=-1) * ARCSEC_RAD,
            leap_s=_leaps(leap_seconds),
            measured_to=_date(measured[-1]),
            last_day=_date(day_s[-1]),
        )
    except (OSError, ValueError, IndexError) as error:
        raise BadInput(phrase("sky.rotation-unreadable", path=str(finals))) from error
    return rotation


def _joined(table: npt.NDArray[np.bytes_], columns: slice) -> npt.NDArray[np.bytes_]:
    """Those columns of each line as one text, stripped, shape (n, 1)."""
    chosen = np.ascontiguousarray(table[:, columns])
    return np.char.strip(chosen.view(f"S{chosen.shape[1]}"))


def _figures(table: npt.NDArray[np.bytes_], columns: slice) -> Floats:
    return _joined(table, columns)[:, 0].astype(np.float64)


def _leaps(leap_seconds: Traversable) -> Floats:
    """Lines of MJD, day, month, year and TAI-UTC; the first is the beginning of UTC as it is now."""
    rows = [line.split() for line in leap_seconds.read_text(encoding="utf-8").splitlines()]
    known = [(float(row[0]), int(row[4])) for row in rows if len(row) == 5 and not row[0].startswith("#")]
    if [each - _FIRST_TAI_MINUS_UTC_S for _, each in known] != list(range(len(known))):
        raise ValueError(leap_seconds.name)
    return np.array([(mjd - _MJD_1970) * _DAY_S for mjd, _ in known[1:]])


def _date(at_s: float) -> date:
    return date(1970, 1, 1) + timedelta(seconds=float(at_s))
