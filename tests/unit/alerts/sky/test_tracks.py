"""Tracks, moonlit foregrounds, and the core over things on the ground."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from alerts.common.span import Span
from alerts.sites.model import Foreground, HorizonLine, Site
from alerts.sky.ephemeris import Body, Ephemeris
from alerts.sky.milky_way import geometry
from alerts.sky.night import Target, TargetKind
from alerts.sky.span_arrays import RowSpans, minute_marks, where_held
from alerts.sky.tracks import Over, alignments, sky_track
from tests.unit.alerts.sky.reference import one_place, read_json, utc_s

NIGHT = Span(datetime(2026, 7, 15, 20, tzinfo=UTC), datetime(2026, 7, 16, 4, tzinfo=UTC))
SITE = Site("There", 45.0, 0.0, 300)


def test_tracks_begin_and_end_with_the_span(ephemeris: Ephemeris) -> None:
    track = sky_track(SITE, Target(), NIGHT, ephemeris, step=timedelta(minutes=50))
    assert track[0].at == NIGHT.start
    assert track[-1].at == NIGHT.end
    assert [b.at - a.at for a, b in pairwise(track[:4])] == [timedelta(minutes=50)] * 3


@pytest.mark.parametrize("body", ["sun", "moon", "galactic_centre"])
def test_points_on_the_tracks_are_the_published_places(ephemeris: Ephemeris, body: str) -> None:
    for case in read_json("bodies-reference.json")["cases"][::6]:
        site = Site(case["site"], case["lat_deg"], case["lon_deg"], case["elev_m"])
        at = datetime.fromtimestamp(utc_s(case["utc"]), UTC)
        span = Span(at, at + timedelta(minutes=1))
        if body == "galactic_centre":
            point = sky_track(site, Target(TargetKind.BAND), span, ephemeris)[0]
        else:
            point = sky_track(site, Body(body), span, ephemeris)[0]
        assert point.altitude_deg == pytest.approx(case[body]["astropy_alt_deg"], abs=0.004)


def test_a_named_target_is_followed(ephemeris: Ephemeris) -> None:
    polaris = Target(TargetKind.RADEC, "Polaris", 37.9546, 89.2641)
    track = sky_track(SITE, polaris, NIGHT, ephemeris)
    assert all(abs(point.altitude_deg - 45) < 0.7 for point in track)
    assert all(point.azimuth_deg < 1.1 or point.azimuth_deg > 358.9 for point in track)


@pytest.mark.parametrize(
    ("values", "want"),
    [
        ([1, 1, 1], [(0, 120)]),
        ([-1, -1, -1], []),
        ([-1, 1, -1], [(30, 90)]),
        ([1, -3, 3], [(0, 15), (90, 120)]),
    ],
)
def test_what_holds_is_cut_between_marks(values: list[float], want: list[tuple[float, float]]) -> None:
    """In each of two spans for itself, though the second one begins where the first one ends."""
    spans = RowSpans(np.array([0, 3]), np.array([0.0, 120.0]), np.array([120.0, 240.0]))
    at_s, span_of = minute_marks(spans)
    assert at_s.tolist() == [0, 60, 120, 120, 180, 240]
    start_s, end_s, source = where_held(at_s, span_of, np.array([*values, *values], dtype=float))
    both = [*want, *((start + 120, end + 120) for start, end in want)]
    assert list(zip(start_s.tolist(), end_s.tolist(), strict=True)) == both
    assert source.tolist() == [0] * len(want) + [1] * len(want)


def test_the_core_passes_over_a_tower_in_the_south(ephemeris: Ephemeris) -> None:
    site = Site("There", 45.0, 0.0, 300, foregrounds=(Foreground("tower", 190.0, width_deg=4.0),))
    found = {alignment.over: alignment for alignment in alignments(site, NIGHT, ephemeris)}
    core = found[Over.CORE]
    assert core.at.azimuth_deg == pytest.approx(190, abs=0.01)
    edges = sky_track(site, Target(), core.span, ephemeris, step=timedelta(hours=9))
    assert [point.azimuth_deg for point in edges] == pytest.approx([188, 192], abs=0.02)
    assert core.span.contains(core.at.at)


def test_the_foot_stands_where_the_band_meets_the_horizon_below_the_core(ephemeris: Ephemeris) -> None:
    site = Site("There", 45.0, 0.0, 300, foregrounds=(Foreground("barn", 200.0, width_deg=2.0),))
    found = [a for a in alignments(site, NIGHT, ephemeris) if a.over is Over.FOOT]
    (foot,) = found
    assert foot.at.altitude_deg == 0
    at_s = np.array([foot.at.at.timestamp()])
    sky = geometry(one_place(45, 0, 300), ephemeris.table(at_s[0], at_s[0] + 1), at_s)
    feet = sky.horizon_azimuths_deg[0, 0]
    assert min(abs(feet - 200)) < 0.02
    assert abs(sky.core_azimuth_deg[0, 0] - 200) < 40


def test_a_ridge_before_the_core_leaves_no_alignment(ephemeris: Ephemeris) -> None:
    wall = HorizonLine((0.0, 90.0, 180.0, 270.0), (40.0, 40.0, 40.0, 40.0))
    site = Site("Wall", 45.0, 0.0, 300, horizon=wall, foregrounds=(Foreground("tower", 190.0),))
    assert [a for a in alignments(site, NIGHT, ephemeris) if a.over is Over.CORE] == []


def test_a_foreground_in_the_north_never_has_the_core(ephemeris: Ephemeris) -> None:
    site = Site("There", 45.0, 0.0, 300, foregrounds=(Foreground("church", 0.0, width_deg=30.0),))
    assert [a for a in alignments(site, NIGHT, ephemeris) if a.over is Over.CORE] == []


def test_the_core_culminates_in_the_south_north_of_its_own_latitude(ephemeris: Ephemeris) -> None:
    site = Site("There", -15.0, 0.0, 300, foregrounds=(Foreground("rock", 180.0, width_deg=10.0),))
    (core,) = [a for a in alignments(site, NIGHT, ephemeris) if a.over is Over.CORE]
    assert core.at.azimuth_deg == pytest.approx(180, abs=0.05)
    assert core.at.altitude_deg == pytest.approx(90 - (28.95 - 15), abs=0.1)
