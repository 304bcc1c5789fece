"""Where directions fall in the picture, and how far stars move over it."""

from __future__ import annotations

import astropy.units as u
import numpy as np
import numpy.typing as npt
import pytest
from astropy.coordinates.matrix_utilities import rotation_matrix
from hypothesis import given
from hypothesis import strategies as st

from alerts.field.exposure import middle_trail_px
from alerts.field.kit import DEFAULT_KIT, FULL_FRAME, Kit, Lens
from alerts.field.projection import CameraView, trail_rates, worst_speed_mm_s

Floats = npt.NDArray[np.float64]

FISHEYE = Kit(FULL_FRAME, Lens(15, 2.8, fisheye=True))


def test_a_20_mm_tilted_up_26_degrees_sees_the_worked_example() -> None:
    """84° × 62°: the top corners are 55° to either side and 42° up (rectilinear, r = f tan θ)."""
    view = CameraView.of(DEFAULT_KIT, 0, 26)
    altitude, azimuth = view.direction(np.array([-18.0, 18.0]), np.array([12.0, 12.0]))
    top_left, top_right = zip(altitude, azimuth, strict=True)
    assert [round(value) for value in (*top_left, *top_right)] == [42, 305, 42, 55]


def test_axis_is_the_middle_and_a_right_turn_goes_right() -> None:
    view = CameraView.of(DEFAULT_KIT, 196, 24)
    assert view.project(24, 196) == pytest.approx((0, 0), abs=1e-9)
    x, y = view.project(24, 206)
    assert x > 0
    assert abs(y) < 0.5
    assert float(view.project(34, 196)[1]) == pytest.approx(20 * np.tan(np.radians(10)))


def test_an_equisolid_fisheye_stretches_as_it_says() -> None:
    """r = 2 f sin(θ/2) at 60° off the axis."""
    x, _ = CameraView.of(FISHEYE, 0, 0).project(0, 60)
    assert float(x) == pytest.approx(2 * 15 * np.sin(np.radians(30)))


def test_a_flat_picture_does_not_show_what_is_beside_or_behind() -> None:
    x, y = CameraView.of(DEFAULT_KIT, 0, 0).project(np.array([0.0, 0.0]), np.array([90.0, 180.0]))
    assert np.isnan(x).all()
    assert np.isnan(y).all()


def test_an_upright_frame_is_the_same_frame_on_its_side() -> None:
    view = CameraView.of(DEFAULT_KIT, 0, 0, portrait=True)
    assert (view.width_mm, view.height_mm) == (24, 36)
    assert view.holds(40, 0)
    assert not view.holds(0, 40)


@given(
    st.sampled_from([DEFAULT_KIT, FISHEYE]),
    st.floats(0, 359),
    st.floats(-60, 85),
    st.floats(-18, 18),
    st.floats(-12, 12),
)
def test_a_place_on_the_sensor_comes_back(kit: Kit, azimuth: float, tilt: float, x: float, y: float) -> None:
    view = CameraView.of(kit, azimuth, tilt)
    again = view.project(*view.direction(x, y))
    assert again == pytest.approx((x, y), abs=1e-6)


def test_trail_in_the_middle_is_the_small_field_one() -> None:
    """15.041067″/s · cos δ over the pixel scale: at 40° N, due south, 21° up the declination is −29°."""
    kit = DEFAULT_KIT
    rates = trail_rates(kit, CameraView.of(kit, 180, 21), 40, (21, 180), -29)
    assert rates.core_px_s == pytest.approx(middle_trail_px(1, 20, kit.camera.pitch_um, -29), rel=2e-4)


def test_trail_at_the_core_is_5_4_px_in_25_s() -> None:
    """20 mm on 24 megapixels of full frame: 206.26 · 5.95 / 20 = 61.4″ a pixel, 329″ of sky."""
    kit = DEFAULT_KIT
    rates = trail_rates(kit, CameraView.of(kit, 180, 24), 40, (21, 180), -29)
    assert round(25 * rates.core_px_s, 1) == 5.4


def test_stars_trail_longest_in_the_corner_toward_the_equator() -> None:
    view = CameraView.of(DEFAULT_KIT, 180, 26)
    speed, rise = view.speed_mm_s(np.array([-18.0, 18.0, 0.0, 0.0]), np.array([12.0, 12.0, 0.0, -12.0]), 40)
    assert rise[3] < 0  # the ground at the bottom
    assert worst_speed_mm_s(view, 40) == pytest.approx(speed[:2].max())
    assert speed[0] > 2 * speed[2]


def test_the_celestial_pole_stands_still() -> None:
    kit = DEFAULT_KIT
    rates = trail_rates(kit, CameraView.of(kit, 0, 40), 40, (40, 0), 90)
    assert rates.core_px_s < 1e-4
    assert rates.worst_px_s > 0.1


def test_a_core_outside_the_frame_trails_by_its_declination() -> None:
    kit = DEFAULT_KIT
    rates = trail_rates(kit, CameraView.of(kit, 0, 20), 40, (20, 180), -29)
    assert rates.core_px_s == pytest.approx(middle_trail_px(1, 20, kit.camera.pitch_um, -29))


DIAGONAL = FISHEYE
CIRCULAR = Kit(FULL_FRAME, Lens(8, 3.5, fisheye=True))
WIDE = Kit(FULL_FRAME, Lens(10, 3.5, fisheye=True))


@pytest.mark.parametrize("kit", [CIRCULAR, WIDE, DIAGONAL, DEFAULT_KIT], ids=lambda kit: kit.lens_words)
@pytest.mark.parametrize(
    ("lat_deg", "azimuth_deg", "tilt_deg", "portrait"),
    [(40, 180, 30, False), (-30, 180, 60, True), (5, 0, 40, False)],
)
def test_the_worst_in_the_frame_is_that_of_many_stars(
    kit: Kit, lat_deg: float, azimuth_deg: float, tilt_deg: float, portrait: bool
) -> None:
    """Stars all over the sky, turned by 10 s of sidereal rotation (astropy), drawn by the lens's own law.

    The law is written out here once more: r = 2 f sin(θ/2) or f tan θ, in a frame of 36 × 24 mm, up to 90
    degrees off the axis where a fisheye's circle lies inside the frame.
    """
    view = CameraView.of(kit, azimuth_deg, tilt_deg, portrait=portrait)
    found = worst_speed_mm_s(view, lat_deg)
    stars = lattice(300_000)
    pole = direction(lat_deg, 0.0)
    angle = 10 * 15.041067 / 3600
    later = stars @ rotation_matrix(angle * u.deg, axis=pole).T
    ahead = direction(tilt_deg, azimuth_deg)
    right, up = direction(0, azimuth_deg + 90), direction(tilt_deg + 90, azimuth_deg)
    reach_deg = 90.0 if kit in (CIRCULAR, WIDE) else 95.0 if kit is DIAGONAL else 80.0
    near = (stars[:, 2] >= 0) & (stars @ ahead >= np.cos(np.radians(reach_deg)))
    stars, later = stars[near], later[near]
    before, after = (drawn(each, right, up, ahead, kit) for each in (stars, later))
    sides = (24, 36) if portrait else (36, 24)
    inside = (np.abs(before[0]) <= sides[0] / 2) & (np.abs(before[1]) <= sides[1] / 2)
    trail_mm = np.hypot(after[0] - before[0], after[1] - before[1])[inside]
    worst = trail_mm.max() / 10
    assert found == pytest.approx(worst, rel=0.01)
    assert found >= worst * 0.999


def lattice(count: int) -> Floats:
    """Directions (east, north, up) evenly over the sphere: a Fibonacci lattice."""
    index = np.arange(count) + 0.5
    up = 1 - 2 * index / count
    turn = np.pi * (1 + 5**0.5) * index
    level = np.sqrt(1 - up**2)
    return np.stack([level * np.cos(turn), level * np.sin(turn), up], axis=-1)


def direction(altitude_deg: float, azimuth_deg: float) -> Floats:
    """A unit vector (east, north, up)."""
    altitude, azimuth = np.radians(altitude_deg), np.radians(azimuth_deg)
    return np.array(
        [np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth), np.sin(altitude)]
    )


def drawn(stars: Floats, right: Floats, up: Floats, ahead: Floats, kit: Kit) -> tuple[Floats, Floats]:
    x, y, theta = stars @ right, stars @ up, np.arccos(np.clip(stars @ ahead, -1, 1))
    focal = kit.focal_mm
    radius = 2 * focal * np.sin(theta / 2) if kit.lens.fisheye else focal * np.tan(theta)
    aside = np.maximum(np.hypot(x, y), 1e-12)
    return radius * x / aside, radius * y / aside


def test_a_circular_fisheye_shows_half_a_sphere() -> None:
    """8 mm equisolid: its circle, of 2 · 8 · sin 45° = 11.3 mm radius, leaves the frame's sides black."""
    view = CameraView.of(CIRCULAR, 0, 0)
    assert view.circle_mm == pytest.approx(11.31, abs=0.01)
    assert CIRCULAR.field_of_view_deg() == pytest.approx((180, 180))
    assert not view.holds(0, 91)
    assert view.holds(0, 89)
    assert not view.shows(np.array([18.0]), np.array([0.0]))[0]
    # a 15 mm fills the frame: 2 asin(21.63 / 30) = 92.3° in its corners
    assert CameraView.of(DIAGONAL, 0, 0).reach_deg == pytest.approx(92.3, abs=0.05)
