"""Horizon lines: files read, altitudes between points, targets that rise over a ridge, the band's share."""

from __future__ import annotations

import math
from contextlib import suppress
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.sites.horizon import KNOWN_LEVEL, horizon_from_csv, ridge_deg
from alerts.sites.model import HorizonLine, Site
from alerts.sky import milky_way
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.milky_way import CORE, GALACTIC_AXES, galactic_direction
from alerts.sky.night import WINTER_ARC_L_DEG, SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named, nights
from alerts.sky.refraction import air_share, airless_ridge_deg, refraction_at_apparent_deg
from alerts.sky.span_arrays import RowSpans, overlaps
from alerts.sky.target_visibility import target_spans
from tests.unit.alerts.sky.reference import DAY_S, airless_deg, one_place, table_at, utc_s

LEVEL = HorizonLine()
JAGGED = HorizonLine(tuple(np.arange(0.0, 360, 7.5)), tuple(6 + 5 * np.sin(np.arange(48) * 1.7)))

# --- files -------------------------------------------------------------------------------------

GOOD_FILES = {
    "commas": "azimuth,altitude\n0,1\n90,2\n180,3\n270,4\n",
    "semicolons": "Azimut;Höhe\n0;1\n90;2\n180;3\n270;4",
    "tabs and blanks": "0\t1\n90\t2\n180   3\n 270 4 \n",
    "unsorted, negative and 360": "-90,4\n180,3\n360,1\n90,2\n",
    "comments and a byte order mark": "\ufeff# made with a clinometer\n\n0,1\n 90,2\n# south\n180,3\n270,4\n",
    "a point twice": "0,1\n90,2\n180,3\n270,4\n360,1\n",
}


@pytest.mark.parametrize("text", GOOD_FILES.values(), ids=GOOD_FILES.keys())
def test_lines_are_read_however_they_are_written(text: str) -> None:
    assert horizon_from_csv(text) == HorizonLine((0.0, 90.0, 180.0, 270.0), (1.0, 2.0, 3.0, 4.0))


@pytest.mark.parametrize("text", ["level", " Level\n", "\ufefflevel"])
def test_a_word_says_that_it_is_level_which_is_more_than_no_line(text: str) -> None:
    line = horizon_from_csv(text)
    assert line == KNOWN_LEVEL
    assert not line.is_level
    assert not ridge_deg(line, np.arange(360.0)).any()


BAD_FILES = {
    "empty": ("", "at least two points"),
    "one point": ("0,3\n", "at least two points"),
    "words": ("0,1\nnorth,2\n", "line 2: 'north,2' is not two numbers"),
    "two headings": ("azimuth,altitude\ndeg,deg\n0,1\n", "line 2"),
    "three numbers": ("0,1,2\n90,1,2\n", "line 1"),
    "decimal commas": ("0;1,5\n90;2,5\n", "line 1: .* decimal sign"),
    "azimuth out of range": ("0,1\n400,2\n", "line 2: azimuth 400 is outside"),
    "altitude out of range": ("0,1\n90,88\n", "line 2: altitude 88 is outside"),
    "not a number": ("0,1\n90,nan\n", "line 2: altitude nan is outside"),
    "infinite": ("0,1\ninf,2\n", "line 2: azimuth inf is outside"),
    "duplicates that differ": ("0,1\n90,2\n90,3\n", "line 3: azimuth 90 has two different altitudes"),
    "a wide gap": ("0,1\n90,2\n180,3\n", "nothing is given between azimuth 180 and 0"),
    "too long": ("\n".join(f"{k / 20},1" for k in range(4000)), "at most 3600 points"),
    "a picture": ("\x89PNG\x00\x01\n\x00\x00", "is not two numbers"),
}


@pytest.mark.parametrize(("text", "message"), BAD_FILES.values(), ids=BAD_FILES.keys())
def test_files_that_hold_no_ridge_are_refused_with_the_line(text: str, message: str) -> None:
    with pytest.raises(BadInput, match=message):
        horizon_from_csv(text)


@given(st.text(max_size=200))
@settings(max_examples=60, deadline=None)
def test_any_text_gives_a_line_or_a_sentence(text: str) -> None:
    with suppress(BadInput):
        assert len(horizon_from_csv(text).azimuths_deg) >= 2


@pytest.mark.parametrize(
    ("azimuth", "want"),
    [(0, 1), (45, 1.5), (90, 2), (225, 3.5), (315, 2.5), (359.999, 1), (360, 1), (-45, 2.5)],
)
def test_the_ridge_is_straight_between_points_and_wraps_at_north(azimuth: float, want: float) -> None:
    line = HorizonLine((0.0, 90.0, 180.0, 270.0), (1.0, 2.0, 3.0, 4.0))
    assert ridge_deg(line, azimuth) == pytest.approx(want, abs=1e-4)


def test_a_level_horizon_is_zero_all_round() -> None:
    assert not ridge_deg(LEVEL, np.arange(360.0)).any()


# --- targets over a ridge ------------------------------------------------------------------------


def seen_from_sea_deg(ridge: np.ndarray, line: HorizonLine) -> np.ndarray:
    """The airless altitude of what is seen on a ridge; on a line that nobody gave 0 as it stands."""
    return ridge if line.is_level else np.array([airless_deg(each, 1013.25, 15.0) for each in ridge.tolist()])


def recount(ephemeris: Ephemeris, lat: float, line: HorizonLine, spans: RowSpans, lowest_deg: float) -> float:
    """Largest time, in seconds, by which sampling every 10 seconds disagrees with the spans. Over a ridge the
    core stands where PyEphem's refraction lifts it to, in the standard atmosphere's air at the sea."""
    start_s = utc_s("2026-05-10T12:00:00")
    at_s = np.arange(start_s, start_s + 2 * DAY_S, 10.0)
    table = ephemeris.table(at_s[0], at_s[-1])
    altitude, azimuth = one_place(lat, 20).altaz(table.fixed(CORE, at_s)[None], near=False)
    want = altitude[0] >= np.maximum(lowest_deg, seen_from_sea_deg(ridge_deg(line, azimuth[0]), line))
    got = np.zeros(len(at_s), dtype=bool)
    for first, last in zip(spans.start_s, spans.end_s, strict=True):
        got |= (at_s >= first) & (at_s < last)
    return float((want != got).sum() * 10)


@pytest.mark.parametrize("lat", [-80.0, -45.0, -29.0, 0.0, 30.0, 44.0, 58.0])
@pytest.mark.parametrize("line", [LEVEL, JAGGED], ids=["level", "jagged"])
@pytest.mark.parametrize("lowest_deg", [0.0, 10.0])
def test_the_core_is_up_when_it_stands_above_limit_and_ridge(
    ephemeris: Ephemeris, lat: float, line: HorizonLine, lowest_deg: float
) -> None:
    start_s = utc_s("2026-05-10T12:00:00")
    table = ephemeris.table(start_s, start_s + 2 * DAY_S)
    spans = target_spans(one_place(lat, 20), [line], table, Target(), np.array([lowest_deg]))
    edges = 2 * len(spans) + 4
    assert recount(ephemeris, lat, line, spans, lowest_deg) <= 10 * edges / 2
    assert (spans.start_s[1:] >= spans.end_s[:-1]).all()


@pytest.mark.parametrize("lat", [-33.0, 25.0, 44.0])
def test_a_flat_ridge_is_the_same_as_a_limit(ephemeris: Ephemeris, lat: float) -> None:
    """The one goes by sampled hour angles, the other by the closed formula: a year within 0.1 s."""
    flat = HorizonLine((0.0, 120.0, 240.0), (12.0, 12.0, 12.0))
    table = ephemeris.table(utc_s("2026-01-01"), utc_s("2026-12-31"))
    ground = one_place(lat, -60)
    by_ridge = target_spans(ground, [flat], table, Target(), np.array([0.0]))
    just_there_deg = 12 - float(air_share(0.0) * refraction_at_apparent_deg(12.0))
    by_limit = target_spans(ground, [LEVEL], table, Target(), np.array([just_there_deg]))
    assert len(by_ridge) == len(by_limit)
    assert np.abs(by_ridge.start_s - by_limit.start_s).max() < 0.1
    assert np.abs(by_ridge.end_s - by_limit.end_s).max() < 0.1


def test_a_notch_in_the_ridge_gives_a_window_of_its_own(ephemeris: Ephemeris) -> None:
    wall = HorizonLine((0.0, 169.9, 170.0, 175.0, 175.1), (25.0, 25.0, 0.0, 0.0, 25.0))
    night = night_named(Site("Notch", 40, 0, horizon=wall), date(2026, 6, 14), SkyWishes(), ephemeris)
    (window,) = night.windows
    assert [point.azimuth_deg for point in window.track] == pytest.approx([169.99, 172.5, 175.01], abs=0.1)


# --- the band --------------------------------------------------------------------------------------


def counted_deg(lat: float, sidereal: float, line: HorizonLine, arc: milky_way.Arc | None) -> float:
    """Degrees of longitude up, counted one by one every 0.1 degree, straight from the definition."""
    first, length = (arc[0] if arc else 0.0), milky_way.arc_length_deg(arc)
    longitudes = first + np.arange(0.05, length, 0.1)
    up = np.ones(len(longitudes), dtype=bool)
    phi = math.radians(lat)
    zenith = np.array([math.cos(phi) * math.cos(sidereal), math.cos(phi) * math.sin(sidereal), math.sin(phi)])
    east = np.array([-math.sin(sidereal), math.cos(sidereal), 0])
    north = np.cross(zenith, east)
    for latitude in np.arange(-5, 5.01, 1):
        places = galactic_direction(longitudes, latitude)
        altitude = np.degrees(np.arcsin(places @ zenith))
        azimuth = np.degrees(np.arctan2(places @ east, places @ north)) % 360
        up &= altitude >= np.maximum(15.0, airless_ridge_deg(line, 0.0, azimuth))
    return float(up.sum() * 0.1)


def up_deg(
    lat: float, turns: np.ndarray, line: HorizonLine, axes: np.ndarray, arc: milky_way.Arc | None
) -> np.ndarray:
    margin = milky_way.share_margin(one_place(lat, 20), [line], axes, arc)
    return margin(np.zeros(len(turns), dtype=np.intp), turns) + milky_way.needed_deg(arc)


SMOOTH = HorizonLine((0.0, 60.0, 120.0, 180.0, 240.0, 300.0), (5.0, 22.0, 30.0, 8.0, 18.0, 25.0))


@pytest.mark.parametrize("lat", [-70.0, -30.0, 0.0, 28.0, 45.0, 62.0])
@pytest.mark.parametrize("arc", [None, WINTER_ARC_L_DEG, (330.0, 30.0)], ids=["all", "winter", "core"])
@pytest.mark.parametrize("line", [LEVEL, SMOOTH], ids=["level", "ridge"])
def test_the_bands_share_is_what_counting_gives(
    lat: float, arc: milky_way.Arc | None, line: HorizonLine
) -> None:
    turns = np.linspace(-3, 3, 9)
    got = up_deg(lat, turns, line, GALACTIC_AXES, arc)
    want = [counted_deg(lat, turn, line, arc) for turn in turns]
    assert np.abs(got - want).max() < (0.25 if line.is_level else 2.5)


@pytest.mark.parametrize("lat", [-30.0, 45.0])
@pytest.mark.parametrize("turn", [-2.0, 0.3, 1.7])
@pytest.mark.parametrize("arc", [None, (300.0, 60.0)], ids=["all", "through zero"])
def test_the_longitudes_that_are_up_add_up(lat: float, turn: float, arc: milky_way.Arc | None) -> None:
    stretches = milky_way.longitudes_up_deg(Site("There", lat, 20), turn, GALACTIC_AXES, arc)
    assert all(0 <= start < 360 and start < end for start, end in stretches)
    total = sum(end - start for start, end in stretches)
    assert total == pytest.approx(counted_deg(lat, turn, LEVEL, arc), abs=0.6)


def test_the_winter_arc_gives_windows_from_november_to_january(ephemeris: Ephemeris) -> None:
    arc = SkyWishes(target=Target(TargetKind.BAND, arc_l_deg=WINTER_ARC_L_DEG), moonless=False)
    row = nights(Site("There", 45, 7), date(2026, 11, 1), 90, arc, ephemeris)
    assert all(sum(w.span.minutes for w in night.windows) > 180 for night in row)
    core = nights(Site("There", 45, 7), date(2026, 11, 1), 90, SkyWishes(moonless=False), ephemeris)
    assert all(night.windows == () for night in core)


def test_windows_of_the_band_tell_which_longitudes_are_up(ephemeris: Ephemeris) -> None:
    wishes = SkyWishes(target=Target(TargetKind.BAND))
    night = night_named(Site("There", 45, 7), date(2026, 8, 10), wishes, ephemeris)
    for window in night.windows:
        assert sum(end - start for start, end in window.longitudes_up_deg) >= 60


def test_the_band_must_clear_the_ridge(ephemeris: Ephemeris) -> None:
    wishes = SkyWishes(target=Target(TargetKind.BAND))
    pit = HorizonLine((0.0, 90.0, 180.0, 270.0), (60.0, 60.0, 60.0, 60.0))
    night = night_named(Site("Pit", 45, 7, horizon=pit), date(2026, 8, 10), wishes, ephemeris)
    assert night.windows == ()


@pytest.mark.parametrize("year", [1905, 2000, 2026, 2051])
def test_the_bands_axes_of_a_year_are_those_of_any_day_in_it(ephemeris: Ephemeris, year: int) -> None:
    for month in (1, 5, 10):
        at_s = utc_s(f"{year}-{month:02}-15")
        table = table_at(ephemeris, at_s)
        want = np.stack([table.of_date(axis, at_s) for axis in GALACTIC_AXES])
        got = milky_way.axes_in(float(milky_way.epoch_of(at_s)))
        assert np.degrees(np.linalg.norm(got - want, axis=1)).max() * 3600 < 65


@pytest.mark.parametrize("line", [LEVEL, SMOOTH], ids=["level", "ridge"])
def test_the_bands_windows_do_not_depend_on_the_span_computed(
    ephemeris: Ephemeris, line: HorizonLine
) -> None:
    site, wishes = Site("There", 45, 7, horizon=line), SkyWishes(target=Target(TargetKind.BAND))
    long = nights(site, date(2026, 11, 20), 60, wishes, ephemeris)
    for k in (0, 24, 41, 59):
        assert nights(site, long[k].name, 1, wishes, ephemeris) == (long[k],)


def test_the_band_turns_with_the_stars(ephemeris: Ephemeris) -> None:
    """Edges of the band's spans lie where its share is sixty degrees."""
    start_s = utc_s("2026-08-10T12:00:00")
    table = ephemeris.table(start_s, start_s + DAY_S)
    ground = one_place(-30, 150)
    spans = target_spans(ground, [LEVEL], table, Target(TargetKind.BAND), np.zeros(1))
    edges = np.concatenate([spans.start_s, spans.end_s])
    edges = edges[(edges > start_s) & (edges < start_s + DAY_S)]
    assert len(edges)
    for at_s in edges:
        sidereal = table_at(ephemeris, at_s).sidereal_rad(at_s) + math.radians(150)
        axes = np.stack([table.of_date(axis, at_s) for axis in GALACTIC_AXES])
        assert up_deg(-30, np.array([sidereal]), LEVEL, axes, None) == pytest.approx(60, abs=0.1)


# --- span arithmetic ---------------------------------------------------------------------------------

one_row = st.lists(st.integers(0, 400), max_size=14, unique=True).map(sorted)


def spans_of(rows: list[list[int]]) -> RowSpans:
    pairs = [(k, a, b) for k, row in enumerate(rows) for a, b in zip(row[0::2], row[1::2], strict=False)]
    columns = np.array(pairs, dtype=float).reshape(-1, 3).T
    return RowSpans(columns[0].astype(np.intp), columns[1], columns[2])


@given(st.lists(st.tuples(one_row, one_row), min_size=1, max_size=4))
@settings(max_examples=80, deadline=None)
def test_overlaps_are_what_counting_seconds_gives(rows: list[tuple[list[int], list[int]]]) -> None:
    left, right = spans_of([a for a, _ in rows]), spans_of([b for _, b in rows])
    shared, source = overlaps(left, right)

    def seconds(spans: RowSpans) -> set[tuple[int, int]]:
        return {
            (int(row), second)
            for row, start, end in zip(spans.row, spans.start_s, spans.end_s, strict=True)
            for second in range(int(start), int(end))
        }

    assert seconds(shared) == seconds(left) & seconds(right)
    assert np.array_equal(shared.row, left.row[source])
    assert ((left.start_s[source] <= shared.start_s) & (shared.end_s <= left.end_s[source])).all()


def test_touching_spans_are_joined() -> None:
    row = np.array([0, 0, 0, 1], dtype=np.intp)
    spans = RowSpans(row, np.array([0.0, 10.2, 30.0, 40.0]), np.array([10.0, 20.0, 40.0, 50.0])).joined()
    assert spans.start_s.tolist() == [0, 30, 40]
    assert spans.end_s.tolist() == [20, 40, 50]
