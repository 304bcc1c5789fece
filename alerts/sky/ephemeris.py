"""Sun, Moon and fixed directions as Earth-fixed vectors; the one file that touches skyfield.

Times are POSIX seconds (float, UTC). Between nodes six hours apart everything slow is
interpolated with eight-point polynomials: the Moon's place is then off by less than 0.01
arcseconds. The fast part, the Earth's rotation, is added exactly. A night's events come within
0.2 s of a search for each, hundreds of times faster; a finer grid wouldn't. UT1, leap seconds and, for
Sun and Moon, polar motion are those of `earth_rotation`, which says what holds before 1972 and after its
table; the aberration by the Earth's rotation (0.3 arcseconds) is left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from functools import cache, cached_property, lru_cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from alerts.common.errors import BadInput, OutsideEphemeris
from alerts.common.phrases import phrase
from alerts.sky.earth_rotation import TT_MINUS_TAI_S, UTC_BEGINS_S, earth_rotation, leaps_until

Floats = npt.NDArray[np.float64]

NODE_STEP_S = 21_600
STEP_S = 1_800
"""Step of the fine grid on which crossings are looked for."""
GRID_MARGIN = 4
"""Fine samples before and after a table's span, so that interpolation never runs off the end."""
SIDEREAL_RATE_RAD_S = 2 * math.pi * 1.002_737_811_911_354_48 / 86_400
"""Earth rotation angle, IERS Conventions (2010), eq. 5.15."""

_BLOCK_NODES = 128
_POINTS = 8
_SIDEREAL_ZERO_S = 946_728_000  # J2000.0 by the clock of UTC, near enough for a reference
_SIDEREAL_ZERO_RAD = 2 * math.pi * 0.779_057_273_264
_SUN, _MOON, _FRAME, _VELOCITY, _SIDEREAL = slice(0, 3), slice(3, 6), slice(6, 15), slice(15, 18), 18
_POLE = slice(19, 21)
_CHANNELS = 21
_JD_1970 = 2_440_587.5
_KERNEL = "de421.bsp"
_ROOM_DAYS = 5
_NEWEST_TABLES = 8


class Body(Enum):
    SUN = "sun"
    MOON = "moon"


def posix_s(at: datetime) -> float:
    """Seconds since 1970 of an aware time; ValueError for a naive one, showing the fix."""
    if at.tzinfo is None:
        raise ValueError(phrase("sky.time-without-zone", at=at, written=at.isoformat()))
    return at.timestamp()


def utc_from_posix(at_s: float) -> datetime:
    """The aware UTC time nearest to a POSIX time, to the whole second."""
    return datetime.fromtimestamp(round(float(at_s)), UTC)


def direction(ra_deg: float, dec_deg: float) -> Floats:
    """Unit vector, shape (3,), of an ICRS (J2000) right ascension and declination."""
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    return np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])


def _lagrange_weights(fraction: Floats) -> Floats:
    """Weights, shape (n, 8), of the nodes -3..4 for points a `fraction` (0..1) after node 0."""
    offsets = np.arange(_POINTS) - 3.0
    gaps = fraction[:, None] - offsets
    weights = np.empty_like(gaps)
    for k in range(_POINTS):
        others = np.arange(_POINTS) != k
        weights[:, k] = gaps[:, others].prod(axis=1) / (offsets[k] - offsets[others]).prod()
    return weights


def _spin(vectors: Floats, sidereal_rad: Floats) -> Floats:
    """Turn true-equator vectors (..., 3) to Earth-fixed ones by Greenwich sidereal time."""
    cos, sin = np.cos(sidereal_rad), np.sin(sidereal_rad)
    x, y = vectors[..., 0], vectors[..., 1]
    return np.stack([cos * x + sin * y, cos * y - sin * x, vectors[..., 2]], axis=-1)


def _with_pole(vectors: Floats, pole_rad: Floats) -> Floats:
    """Earth-fixed vectors (..., 3) with the pole where it stands: its x and y, (..., 2).

    IERS Conventions (2010), eq. 5.3, to first order and without s'.
    """
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    pole_x, pole_y = pole_rad[..., 0], pole_rad[..., 1]
    return np.stack([x + pole_x * z, y - pole_y * z, z - pole_x * x + pole_y * y], axis=-1)


class Grid(NamedTuple):
    """Sun and Moon every half hour: POSIX seconds, shape (m,), and geocentric Earth-fixed km, (m, 3)."""

    at_s: Floats
    sun_km: Floats
    moon_km: Floats


@dataclass(frozen=True)
class SkyTable:
    """Apparent places over one span: nodes every six hours, and a half-hour grid made from them.

    first_s, last_s: the span that callers may ask for. nodes_s: shape (n,), POSIX seconds.
    nodes: shape (n, 21): geocentric apparent Sun and Moon in km on the true equator and equinox of
    date (the Moon's length is its geometric distance, so that parallax can be taken off), the
    matrix from ICRS to that frame, the Earth's velocity / c, sidereal time less its mean rate, and the
    pole's x and y on the ground.
    """

    first_s: float
    last_s: float
    nodes_s: Floats
    nodes: Floats

    def _interpolate(self, at_s: npt.ArrayLike, *channels: slice | int) -> tuple[Floats, ...]:
        """Some of the channels at times of any shape, each of that shape and its own; sidereal time whole."""
        at_s = np.asarray(at_s, dtype=np.float64)
        place = (at_s - self.nodes_s[0]) / NODE_STEP_S
        base = np.clip(np.floor(place).astype(np.intp), 3, len(self.nodes_s) - 5)
        weights = _lagrange_weights((place - base).ravel())
        around = base.ravel()[:, None] + np.arange(-3, 5)
        found = []
        for each in channels:
            values = np.einsum("nk,nk...->n...", weights, self.nodes[:, each][around])
            values = values.reshape(at_s.shape + values.shape[1:])
            found.append(self._mean_turn(at_s) + values if each == _SIDEREAL else values)
        return tuple(found)

    def sidereal_rad(self, at_s: npt.ArrayLike) -> Floats:
        """Greenwich apparent sidereal time, not wrapped at a turn; any shape."""
        return self._interpolate(at_s, _SIDEREAL)[0]

    def body_km(self, body: Body, at_s: npt.ArrayLike) -> Floats:
        """Geocentric apparent Earth-fixed place, shape (..., 3) for times of shape (...).

        The Moon's length is its geometric distance.
        """
        vectors, sidereal, pole = self._interpolate(
            at_s, _SUN if body is Body.SUN else _MOON, _SIDEREAL, _POLE
        )
        return _with_pole(_spin(vectors, sidereal), pole)

    def fixed(self, icrs: Floats, at_s: npt.ArrayLike) -> Floats:
        """Earth-fixed unit vectors, shape (..., 3), of one ICRS direction, shape (3,).

        With precession, nutation and annual aberration; light bending by the Sun is left out, and so is
        polar motion (0.5 arcseconds), as wherever `of_date` and sidereal time are put together.
        """
        return _spin(self.of_date(icrs, at_s), self.sidereal_rad(at_s))

    def _mean_turn(self, at_s: Floats) -> Floats:
        """Sidereal time at its mean rate, leap seconds counted, so that what goes beyond it makes no step."""
        before, after = leaps_until(self.nodes_s[[0, -1]])
        leaps = before if before == after else leaps_until(at_s)
        return _mean_turn(at_s + leaps)

    def of_date(self, icrs: Floats, at_s: npt.ArrayLike) -> Floats:
        """As `fixed`, on the true equator and equinox of date: not turning with the Earth.

        Of several directions at once where icrs broadcasts to times and components, as shape (k, 1, 3).
        """
        frame, velocity = self._interpolate(at_s, _FRAME, _VELOCITY)
        moved = icrs + velocity
        moved = moved / np.linalg.norm(moved, axis=-1, keepdims=True)
        return np.asarray(np.einsum("...ij,...j->...i", frame.reshape((*frame.shape[:-1], 3, 3)), moved))

    def moon_lit(self, at_s: npt.ArrayLike) -> Floats:
        """Geocentric illuminated fraction of the Moon, 0..1; (1 + cos i) / 2, Meeus ch. 48."""
        moon, sun = self._interpolate(at_s, _MOON, _SUN)
        to_sun = sun - moon
        cos_phase = -(moon * to_sun).sum(axis=-1)
        cos_phase = cos_phase / (np.linalg.norm(moon, axis=-1) * np.linalg.norm(to_sun, axis=-1))
        return np.asarray((1 + cos_phase) / 2)

    @cached_property
    def grid(self) -> Grid:
        """Whole half hours around the span, on which crossings are looked for."""
        first = math.floor(self.first_s / STEP_S) - GRID_MARGIN
        last = math.ceil(self.last_s / STEP_S) + GRID_MARGIN
        at_s = np.arange(first, last + 1, dtype=np.float64) * STEP_S
        # between two nodes the same weights serve everywhere
        per_node = NODE_STEP_S // STEP_S
        weights = _lagrange_weights(np.arange(per_node) / per_node)
        dense = np.einsum("fk,nck->nfc", weights, sliding_window_view(self.nodes, _POINTS, axis=0))
        skip = round((at_s[0] - self.nodes_s[3]) / STEP_S)
        fine = np.ascontiguousarray(dense.reshape(-1, _CHANNELS)[skip : skip + len(at_s)])
        sidereal = self._mean_turn(at_s) + fine[:, _SIDEREAL]
        sun, moon = (_with_pole(_spin(fine[:, each], sidereal), fine[:, _POLE]) for each in (_SUN, _MOON))
        return Grid(at_s, sun, moon)


def _mean_turn(at_s: Floats) -> Floats:
    return _SIDEREAL_ZERO_RAD + SIDEREAL_RATE_RAD_S * (at_s - _SIDEREAL_ZERO_S)


class KeptArrays(Protocol):
    """Where an ephemeris leaves what it makes and finds it again: floats by name, flat, bit for bit.

    Whoever keeps them sees to it that they are of the same kernel, tables, rules and libraries.
    """

    def get(self, name: str) -> Floats | None: ...
    def put(self, name: str, array: Floats) -> None: ...


class Ephemeris:
    """The planetary kernel, read only when a span is first asked for and then kept in memory.

    path: a JPL SPK file with Sun, Earth and Moon. first, last: dates it covers with room to spare.
    kept: where what was read of it is kept longer.
    first_night, last_night: names of the first and last night that lie in them wherever one stands.
    """

    def __init__(self, path: Path, first: date, last: date, kept: KeptArrays | None = None) -> None:
        self.path, self.kernel_name, self.first, self.last = path, path.name, first, last
        # noon by the Sun is 22:00 UTC of the day before to 2:00 of the day after the name's
        self.first_night, self.last_night = first + timedelta(days=1), last - timedelta(days=2)
        self._blocks: dict[int, Floats] = {}
        self._kept = kept
        # a season looks at the same two months for each of its wishes
        self._newest_tables = lru_cache(maxsize=_NEWEST_TABLES)(self._make_table)

    @classmethod
    def open(cls, path: Path | None = None, *, kept: KeptArrays | None = None) -> Ephemeris:
        """Open a kernel; by default JPL DE421 from the installed data package. No download.

        Raises BadInput when the file can't be read as a kernel.
        """
        if path is None:
            with as_file(files("skyfield_data") / "data" / _KERNEL) as carried:
                return cls.open(carried, kept=kept)
        ends = kept.get("ends") if kept is not None else None
        if ends is None or len(ends) != 2:
            ends = cls._ends(path)
            if kept is not None:
                kept.put("ends", ends)
        first, last = (date.fromordinal(round(each)) for each in ends)
        return cls(path, first, last, kept)

    @staticmethod
    def _ends(path: Path) -> Floats:
        """The first and last date that the kernel covers with room to spare, as ordinals, shape (2,)."""
        with _opened(path) as kernel:
            needed = [s.spk_segment for s in kernel.segments if s.target in (3, 10, 301, 399)]
        if not needed:
            raise BadInput(phrase("sky.kernel-lacks-bodies"))
        epoch, epoch_jd = date(2000, 1, 1), 2_451_544.5
        first = math.ceil(max(s.start_jd for s in needed) - epoch_jd) + _ROOM_DAYS
        last = math.floor(min(s.end_jd for s in needed) - epoch_jd) - _ROOM_DAYS
        return np.array([epoch.toordinal() + first, epoch.toordinal() + last], dtype=np.float64)

    def table(self, first_s: float, last_s: float) -> SkyTable:
        """Apparent places from first_s to last_s (POSIX seconds), computed once and kept.

        The newest few are kept whole. Raises OutsideEphemeris, naming the nights that work.
        """
        return self._newest_tables(first_s, last_s)

    def _make_table(self, first_s: float, last_s: float) -> SkyTable:
        first_date, last_date = (datetime.fromtimestamp(at_s, UTC).date() for at_s in (first_s, last_s))
        if not self.first <= first_date <= last_date <= self.last:
            raise self._outside(last_date if self.first <= first_date else first_date)
        first = math.floor(first_s / NODE_STEP_S) - 5
        last = math.ceil(last_s / NODE_STEP_S) + 6
        blocks = range(first // _BLOCK_NODES, last // _BLOCK_NODES + 1)
        for number in blocks:
            if number not in self._blocks:
                self._blocks[number] = self._block(number)
        skip = first - blocks[0] * _BLOCK_NODES
        nodes = np.concatenate([self._blocks[k] for k in blocks])[skip : skip + last - first + 1]
        return SkyTable(first_s, last_s, np.arange(first, last + 1, dtype=np.float64) * NODE_STEP_S, nodes)

    def require_nights(self, first: date, last: date) -> None:
        """Raise OutsideEphemeris, naming those that work, unless the kernel covers nights of both names."""
        if not self.first_night <= first <= last <= self.last_night:
            raise self._outside(last if self.first_night <= first else first)

    def _outside(self, outside: date) -> OutsideEphemeris:
        return OutsideEphemeris(
            phrase(
                "sky.kernel-lacks-night",
                kernel_name=self.kernel_name,
                outside=outside,
                first_night=self.first_night,
                last_night=self.last_night,
            )
        )

    def _block(self, number: int) -> Floats:
        """`_read_block`, or what was kept of it."""
        name = f"nodes{number:+d}"
        nodes = self._kept.get(name) if self._kept is not None else None
        if nodes is not None and nodes.size == _BLOCK_NODES * _CHANNELS:
            return nodes.reshape(_BLOCK_NODES, _CHANNELS)
        nodes = self._read_block(number)
        if self._kept is not None:
            self._kept.put(name, nodes)
        return nodes

    def _read_block(self, number: int) -> Floats:
        """All channels of `SkyTable.nodes` at 128 nodes, shape (128, 21)."""
        # nodes beyond the kernel's reach repeat the last good ones and are never used
        room = timedelta(days=_ROOM_DAYS - 1)
        ends = self.first - room, self.last + room
        low_s, high_s = (datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp() for d in ends)
        nodes_s = (np.arange(_BLOCK_NODES) + number * _BLOCK_NODES) * float(NODE_STEP_S)
        nodes_s = np.clip(nodes_s, low_s, high_s)
        t = _moments(nodes_s)
        frame = np.moveaxis(t.M, -1, 0)
        nodes = np.empty((len(nodes_s), _CHANNELS))
        with _opened(self.path) as kernel:
            earth = kernel["earth"]
            seen = earth.at(t)
            for channels, body in ((_SUN, kernel["sun"]), (_MOON, kernel["moon"])):
                apparent = seen.observe(body).apparent().position.km
                nodes[:, channels] = np.einsum("nij,jn->ni", frame, apparent)
            moon_km = (kernel["moon"] - earth).at(t).distance().km
        nodes[:, _MOON] *= (moon_km / np.linalg.norm(nodes[:, _MOON], axis=1))[:, None]
        nodes[:, _FRAME] = frame.reshape(-1, 9)
        nodes[:, _VELOCITY] = seen.velocity.km_per_s.T / 299_792.458
        beyond_mean = np.radians(t.gast * 15) - _mean_turn(nodes_s + earth_rotation().leaps(nodes_s))
        nodes[:, _SIDEREAL] = np.remainder(beyond_mean + math.pi, 2 * math.pi) - math.pi
        nodes[:, _POLE] = earth_rotation().pole_at_rad(nodes_s)
        return nodes


def _moments(at_s: Floats) -> Any:
    """skyfield's times for POSIX seconds, shape (n,), with our UT1: its own table ends sooner.

    Before 1972 at_s is UT1 and TT-UT1 is skyfield's, from the spline of Morrison, Stephenson, Hohenkerk and
    Zawilski, Proc. R. Soc. A 477 (2021), 20200776; it bridges 1972 as well.
    """
    scale, rotation = _time_scale(), earth_rotation()
    days, seconds = np.divmod(at_s, 86_400)
    whole, tt_less_utc_s = days + _JD_1970, TT_MINUS_TAI_S + rotation.tai_minus_utc_s(at_s)
    curve_s = scale.delta_t_function(whole + (seconds + tt_less_utc_s) / 86_400)
    known = at_s >= rotation.begins_s
    delta_t_s = np.where(known, tt_less_utc_s - rotation.ut1_minus_utc_s(at_s), curve_s)
    tt_s = seconds + np.where(at_s >= UTC_BEGINS_S, tt_less_utc_s, delta_t_s)
    t = scale.tt_jd(whole, tt_s / 86_400)
    t.delta_t = delta_t_s
    return t


@cache
def _time_scale() -> Any:
    from skyfield.api import load

    return load.timescale(builtin=True)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The kernel while it is read. skyfield is imported only here and in `_time_scale`."""
    from skyfield.api import load_file

    try:
        kernel = load_file(str(path))
    except (OSError, ValueError) as error:
        raise BadInput(phrase("sky.kernel-unreadable", path=path, error=error)) from error
    with closing(kernel):
        yield kernel
