"""The Milky Way's shapes: against points along the band, by month and latitude, and what is photographed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from pydantic import TypeAdapter

from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.sky.band_shapes import (
    COLUMN_ABOVE_DEG,
    FEET_BELOW_DEG,
    FRAME_HALF_DEG,
    HIGHEST_ARCH_DEG,
    LOW_ARCH_DEG,
    LOWEST_ARCH_DEG,
    SEEN_UP_TO_DEG,
    SHAPES_BY_CODE,
    framed_arc,
    standing,
)
from alerts.sky.ephemeris import Ephemeris, posix_s
from alerts.sky.milky_way import geometry, zeniths
from alerts.sky.night import (
    WINTER_ARC_L_DEG,
    Night,
    Shape,
    ShapeSpan,
    SkyWishes,
    Target,
    TargetKind,
    piece_phrase,
    told_pieces,
)
from alerts.sky.nights.night_builder import nights, nights_for_sites, readable_nights
from alerts.sky.tracks import apex_track, best_minute, shapes_at
from tests.unit.alerts.sky.band_by_points import DAYS, LATITUDES_DEG, YEAR, dark_times, points_seen
from tests.unit.alerts.sky.one_by_one import shape_pieces
from tests.unit.alerts.sky.reference import one_place, read_rows, table_at, utc_s

MOON_OR_NOT = SkyWishes(moonless=False)
DARKNESS = SkyWishes(target=Target(TargetKind.NONE), moonless=False)


def zenith(l_deg: float, b_deg: float) -> npt.NDArray[np.float64]:
    l_rad, b_rad = np.radians([l_deg, b_deg])
    return np.array([[np.cos(b_rad) * np.cos(l_rad)], [np.cos(b_rad) * np.sin(l_rad)], [np.sin(b_rad)]])


def stand(l_deg: float, b_deg: float, arc: tuple[float, float] | None = None) -> tuple[Shape, ...]:
    return SHAPES_BY_CODE[standing(zenith(l_deg, b_deg), arc).codes[0]]


def minutes(night: Night, shape: Shape) -> float:
    pieces = (piece for window in night.windows for piece in window.shapes)
    return sum(piece.span.minutes for piece in pieces if piece.has((shape,)))


# --- the limits --------------------------------------------------------------------------------


def test_the_limits_are_what_the_lenses_give() -> None:
    """24 mm upright sees 73.74 degrees of height, 18 mm 90: angles of view as in any table of lenses."""
    assert pytest.approx(73.74 - 17, abs=0.01) == LOW_ARCH_DEG
    assert pytest.approx(90 - 17, abs=0.01) == HIGHEST_ARCH_DEG
    assert pytest.approx(73.74 - 7, abs=0.01) == SEEN_UP_TO_DEG
    assert pytest.approx(73.74 / 2, abs=0.01) == FRAME_HALF_DEG
    assert pytest.approx(53.13 / 2, abs=0.01) == FEET_BELOW_DEG
    assert pytest.approx(12.43, abs=0.01) == LOWEST_ARCH_DEG
    assert pytest.approx(74.45, abs=0.01) == COLUMN_ABOVE_DEG


CASES = (
    ("a low arch over the core", 0, 60, (Shape.ARCH,)),
    ("the same south of the plane", 0, -60, (Shape.ARCH,)),
    ("a high arch leans in one frame", 303, 25, (Shape.ARCH, Shape.LEANING)),
    ("just low enough for the usual lens", 340, 33.3, (Shape.ARCH,)),
    ("too high for the wide lens", 303, 16.9, (Shape.LEANING,)),
    ("too low over the haze", 20, 77.7, (Shape.LEANING,)),
    ("upright beside the core", 60, 10, (Shape.COLUMN,)),
    ("not upright enough", 60, 15.7, (Shape.LEANING,)),
    ("the southern column, the core down", 260, 5, (Shape.COLUMN,)),
    ("a core overhead over a column", 5, 10, (Shape.OVERHEAD, Shape.COLUMN)),
    ("a core overhead, atop of an arch", 2, 23, (Shape.OVERHEAD, Shape.ARCH)),
    ("the northern winter's band is too faint to carry an arch", 180, 50, (Shape.LEANING,)),
    ("or a column", 180, 3, (Shape.LEANING,)),
    ("a low arch with a faint foot", 75, 40, (Shape.ARCH,)),
    ("a high one with a faint foot", 75, 30, (Shape.LEANING,)),
)


@pytest.mark.parametrize(("l_deg", "b_deg", "shapes"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_what_stands_under_a_zenith(l_deg: float, b_deg: float, shapes: tuple[Shape, ...]) -> None:
    assert stand(l_deg, b_deg) == shapes


@pytest.mark.parametrize(("b_deg", "shape"), [(50, Shape.ARCH), (3, Shape.COLUMN)])
def test_an_arc_that_is_wished_for_carries_the_frame(b_deg: float, shape: Shape) -> None:
    l_deg = 180.0 if shape is Shape.ARCH else 215.0
    assert stand(l_deg, b_deg, WINTER_ARC_L_DEG)[0] is shape


def test_a_short_arc_is_looked_at_with_what_lies_beside_it() -> None:
    assert framed_arc((170.0, 190.0)) == (180.0, 60.0)
    assert framed_arc(WINTER_ARC_L_DEG) == (180.0, 60.0)
    assert framed_arc(None) == (357.5, 122.5)


# --- against points along the band -------------------------------------------------------------


def two_hundred() -> list[tuple[float, float, float]]:
    random = np.random.default_rng(20260301)
    first_s, last_s = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2024, 2030))
    columns = random.uniform((-60, -180, first_s), (66, 180, last_s), (200, 3))
    return [(lat_deg, lon_deg, round(at_s)) for lat_deg, lon_deg, at_s in columns.tolist()]


def test_positions_and_shapes_at_two_hundred_places_and_times(ephemeris: Ephemeris) -> None:
    """Core and apex within 0.02 degrees; the same shapes, for the bright part and for winter's."""
    for number, (lat_deg, lon_deg, at_s) in enumerate(two_hundred()):
        arc = WINTER_ARC_L_DEG if number % 2 else None
        want = points_seen(lat_deg, lon_deg, np.array([at_s]), *(arc or (235.0, 120.0)), 0.02)
        ground, table, at = one_place(lat_deg, lon_deg), table_at(ephemeris, at_s), np.array([at_s])
        sky = geometry(ground, table, at)
        assert sky.core_altitude_deg[0, 0] == pytest.approx(want.core_deg[0], abs=0.02)
        assert sky.apex_altitude_deg[0, 0] == pytest.approx(want.apex_deg[0], abs=0.02)
        got = SHAPES_BY_CODE[standing(zeniths(ground, table, at), arc).codes[0, 0]]
        flags = {
            Shape.OVERHEAD: want.overhead, Shape.COLUMN: want.column,
            Shape.ARCH: want.arch, Shape.LEANING: want.leaning,
        }  # fmt: skip
        assert got == tuple(shape for shape, stands in flags.items() if stands[0]), (lat_deg, lon_deg, at_s)


BY_MONTH = read_rows("band-shapes-by-month.csv")


@pytest.mark.parametrize("lat_deg", LATITUDES_DEG)
def test_the_share_of_dark_time_by_month(ephemeris: Ephemeris, lat_deg: int) -> None:
    """Whole windows of darkness against the table: 1.5 points, as it is sampled three minutes apart."""
    site, rows = Site("There", lat_deg, 0), [r for r in BY_MONTH if int(r["lat_deg"]) == lat_deg]
    for row in rows:
        made = [nights(site, date(YEAR, int(row["month"]), day), 1, DARKNESS, ephemeris)[0] for day in DAYS]
        dark = sum(window.span.minutes for night in made for window in night.windows)
        assert dark / 60 / len(DAYS) == pytest.approx(float(row["dark_h"]), abs=0.1)
        for shape in Shape:
            if row[shape.value] and dark > 180:
                share = 100 * sum(minutes(night, shape) for night in made) / dark
                assert share == pytest.approx(float(row[shape.value]), abs=1.5), (row["month"], shape)


def test_the_table_is_what_its_script_makes() -> None:
    """One cell made anew."""
    (row,) = (r for r in BY_MONTH if (r["lat_deg"], r["month"]) == ("-35", "3"))
    at_s = np.concatenate([dark_times(-35, datetime(YEAR, 3, day, tzinfo=UTC)) for day in DAYS])
    assert f"{100 * points_seen(-35, 0.0, at_s).arch.mean():.1f}" == row["arch"]


# --- every shape that people photograph --------------------------------------------------------


def share(lat_deg: int, month: int, shape: str) -> float:
    (row,) = (r for r in BY_MONTH if (int(r["lat_deg"]), int(r["month"])) == (lat_deg, month))
    return float(row[shape] or 0)


@pytest.mark.parametrize("lat_deg", [-45, -40, -35, -30])
@pytest.mark.parametrize("month", [2, 3, 4])
def test_an_arch_occurs_in_the_southern_late_summer(lat_deg: int, month: int) -> None:
    assert share(lat_deg, month, "arch") > 10


@pytest.mark.parametrize("lat_deg", [-45, -42, -35, -28])
def test_so_it_does_while_the_core_is_up(ephemeris: Ephemeris, lat_deg: int) -> None:
    """By the usual wishes, toward the south, with the core in the southeast on its way up."""
    for month in (2, 3, 4):
        (night,) = nights(Site("There", lat_deg, 170), date(2026, month, 15), 1, MOON_OR_NOT, ephemeris)
        assert minutes(night, Shape.ARCH) > 30
        (first, *_) = (p for w in night.windows for p in w.shapes if p.has((Shape.ARCH,)))
        at_s = np.array([posix_s(first.span.middle)])
        sky = geometry(one_place(lat_deg, 170), table_at(ephemeris, at_s[0]), at_s)
        assert 135 < sky.apex_azimuth_deg[0, 0] < 225
        assert first.apex_deg is not None
        assert abs(first.apex_deg - sky.apex_altitude_deg[0, 0]) < 6


@pytest.mark.parametrize("lat_deg", range(-40, 6, 5))
def test_a_column_occurs_in_the_tropics_and_the_south(lat_deg: int) -> None:
    assert max(share(lat_deg, month, "column") for month in range(1, 13)) > 20


@pytest.mark.parametrize("lat_deg", [-42, -35, -28, -20, -10, 0, 5])
def test_so_it_does_while_the_core_is_up_by_the_usual_wishes(ephemeris: Ephemeris, lat_deg: int) -> None:
    whole = nights_for_sites([Site("There", lat_deg, 20)], date(2026, 2, 1), 240, MOON_OR_NOT, ephemeris)
    found = [night for _, night in readable_nights(whole) if minutes(night, Shape.COLUMN) >= 30]
    assert len(found) > 60


@pytest.mark.parametrize("lat_deg", LATITUDES_DEG)
def test_each_latitude_has_its_shapes(lat_deg: int) -> None:
    most = {s: max(share(lat_deg, month, s) for month in range(1, 13)) for s in ("arch", "column", "leaning")}
    assert most["column"] > 20
    assert most["leaning"] > 20
    assert most["arch"] > 40
    overhead = max(share(lat_deg, month, "overhead") for month in range(1, 13))
    assert (overhead > 5) == (lat_deg < 0)


# --- what photographers know -------------------------------------------------------------------

NORTHERN = (40.0, 42.5, 45.0)


@pytest.mark.parametrize("lat", NORTHERN)
def test_in_april_and_may_the_first_dark_hour_is_an_arch_toward_the_east(
    ephemeris: Ephemeris, lat: float
) -> None:
    site = Site("There", lat, 0)
    for night in nights(site, date(2026, 4, 1), 61, MOON_OR_NOT, ephemeris)[::6]:
        (window,) = night.windows
        first = window.shapes[0]
        assert first.shape is Shape.ARCH
        assert first.span.minutes >= min(60, window.span.minutes)
        assert first.apex_deg is not None
        assert first.apex_deg < 45
        start_s = window.span.start.timestamp()
        hour = start_s + np.array([0.0, 1800.0, min(3600.0, window.span.minutes * 60)])
        sky = geometry(one_place(lat, 0), ephemeris.table(hour[0], hour[-1]), hour)
        assert ((sky.apex_azimuth_deg > 0) & (sky.apex_azimuth_deg < 180)).all()


def test_in_july_at_forty_north_it_is_too_high_for_a_single_row(ephemeris: Ephemeris) -> None:
    lasts, arch = 0.0, 0.0
    for night in nights(Site("There", 40, 0), date(2026, 7, 1), 31, MOON_OR_NOT, ephemeris)[::3]:
        at_s = np.array([night.span.middle.timestamp()])
        assert geometry(one_place(40, 0), table_at(ephemeris, at_s[0]), at_s).apex_altitude_deg[0, 0] > 70
        (window,) = night.windows
        assert not any(p.has((Shape.ARCH,)) for p in window.shapes if p.span.contains(night.span.middle))
        lasts, arch = lasts + window.span.minutes, arch + minutes(night, Shape.ARCH)
    assert arch < 0.15 * lasts


@pytest.mark.parametrize("lat", NORTHERN)
def test_in_the_middle_of_july_the_band_leans_and_the_core_goes_from_southeast_to_southwest(
    ephemeris: Ephemeris, lat: float
) -> None:
    for night in nights(Site("There", lat, 0), date(2026, 7, 10), 11, MOON_OR_NOT, ephemeris):
        (window,) = night.windows
        (middle,) = [piece.shape for piece in window.shapes if piece.span.contains(window.span.middle)]
        assert middle is Shape.LEANING
        start, half, end = (point.azimuth_deg for point in window.track)
        assert 135 < start < half < end < 225


@pytest.mark.parametrize("lat", NORTHERN)
def test_in_the_middle_of_september_it_is_a_column_in_the_southwest_after_dusk(
    ephemeris: Ephemeris, lat: float
) -> None:
    for night in nights(Site("There", lat, 0), date(2026, 9, 10), 11, MOON_OR_NOT, ephemeris):
        (window,) = night.windows
        assert [piece.shape for piece in window.shapes] == [Shape.COLUMN]
        assert window.span.start == night.astronomical.sets[0]
        assert all(191 < point.azimuth_deg < 236 for point in window.track)


def test_in_june_at_thirty_south_the_core_passes_overhead_at_midnight(ephemeris: Ephemeris) -> None:
    for night in nights(Site("There", -30, 20), date(2026, 6, 5), 20, MOON_OR_NOT, ephemeris)[::5]:
        (window,) = night.windows
        (piece,) = [piece for piece in window.shapes if piece.span.contains(night.span.middle)]
        assert piece.standing == (Shape.OVERHEAD, Shape.COLUMN)
        assert window.shapes[0].shape in (Shape.ARCH, Shape.LEANING, Shape.COLUMN)
        assert window.track[0].azimuth_deg < 180 < window.track[-1].azimuth_deg


# --- pieces ------------------------------------------------------------------------------------


def test_pieces_fill_the_span_and_split_at_whole_minutes(ephemeris: Ephemeris) -> None:
    start_s, end_s = utc_s("2026-07-15T22:22:41"), utc_s("2026-07-16T02:36:29")
    pieces = shape_pieces(one_place(42, 0), ephemeris.table(start_s, end_s), start_s, end_s)
    assert posix_s(pieces[0].span.start) == start_s
    assert posix_s(pieces[-1].span.end) == end_s
    assert len(pieces) > 1
    for before, after in pairwise(pieces):
        assert before.span.end == after.span.start
        assert before.span.end.second == 0
        assert before.standing != after.standing


@pytest.mark.parametrize("seconds", [1, 59, 61])
def test_a_short_span_has_one_shape(ephemeris: Ephemeris, seconds: int) -> None:
    start_s = utc_s("2026-07-15T22:22:41")
    table = ephemeris.table(start_s, start_s + seconds)
    assert len(shape_pieces(one_place(42, 0), table, start_s, start_s + seconds)) == 1


def test_an_arch_tells_how_high_its_top_is_at_its_lowest(ephemeris: Ephemeris) -> None:
    """With the galactic pole in the meridian amid the arch: lower then than at either end."""
    (night,) = nights(Site("There", -35, 0), date(2026, 4, 5), 1, DARKNESS, ephemeris)
    pieces: list[ShapeSpan] = [p for w in night.windows for p in w.shapes if p.shape is Shape.ARCH]
    (longest,) = sorted(pieces, key=lambda piece: piece.span.minutes)[-1:]
    at_s = np.linspace(posix_s(longest.span.start), posix_s(longest.span.end), 200)
    apex = geometry(one_place(-35, 0), ephemeris.table(at_s[0], at_s[-1]), at_s).apex_altitude_deg[0]
    assert longest.apex_deg == round(apex.min()) == 62
    assert min(apex[0], apex[-1]) > apex.min() + 0.5
    assert all(p.apex_deg is None for w in night.windows for p in w.shapes if not p.has((Shape.ARCH,)))


def test_a_night_stored_by_earlier_rules_stays_readable(ephemeris: Ephemeris) -> None:
    """Its pieces tell no other shapes and no height; they are called what they were."""
    (night,) = nights(Site("There", -35, 0), date(2026, 4, 5), 1, DARKNESS, ephemeris)
    stored = TypeAdapter(Night).dump_python(night, mode="json")
    for piece in (piece for window in stored["windows"] for piece in window["shapes"]):
        del piece["also"], piece["apex_deg"]
    read = TypeAdapter(Night).validate_python(stored)
    pieces = [piece for window in read.windows for piece in window.shapes]
    assert [piece.shape for piece in pieces] == [p.shape for w in night.windows for p in w.shapes]
    assert all((piece.also, piece.apex_deg) == ((), None) for piece in pieces)
    assert {say(piece_phrase(piece)) for piece in pieces if piece.shape is Shape.ARCH} == {"arch"}


def test_neighbours_of_one_name_are_told_as_one() -> None:
    at = [datetime(2026, 4, 5, hour, tzinfo=UTC) for hour in range(4)]
    spans = [Span(a, b) for a, b in pairwise(at)]
    high = ShapeSpan(Shape.ARCH, spans[0], (Shape.LEANING,), 62)
    low, above = ShapeSpan(Shape.ARCH, spans[1], (), 55), ShapeSpan(Shape.OVERHEAD, spans[2], (Shape.COLUMN,))
    told = told_pieces([high, low, above])
    assert [piece.span for piece in told] == [Span(at[0], at[2]), spans[2]]
    assert [say(piece_phrase(piece)) for piece in told] == [
        "arch 55° high",
        "overhead, for a time an upright column too",
    ]


@pytest.mark.parametrize("shape", [Shape.ARCH, Shape.COLUMN, Shape.OVERHEAD, Shape.LEANING])
def test_each_shape_has_its_best_minute(ephemeris: Ephemeris, shape: Shape) -> None:
    site = Site("There", -30, 20)
    (night,) = nights(site, date(2026, 6, 5), 1, MOON_OR_NOT, ephemeris)
    (window,) = night.windows
    at = best_minute(site, window, shape, ephemeris)
    assert at is not None
    assert shape in shapes_at(site, window.target, at, ephemeris)
    assert window.span.contains(at)
    whole = replace(window, shapes=tuple(p for p in window.shapes if not p.has((shape,))))
    assert best_minute(site, whole, shape, ephemeris) is None
    if shape is Shape.ARCH:
        assert round(apex_track(site, [at], ephemeris)[0].altitude_deg) == min(
            piece.apex_deg for piece in window.shapes if piece.apex_deg is not None
        )
