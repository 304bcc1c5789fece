"""Cameras and lenses: fields of view, and kit as people type it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.field.kit import DEFAULT_KIT, FORMATS, FULL_FRAME, Camera, Kit, Lens, parse_kit


@pytest.mark.parametrize(
    ("focal_mm", "wide_deg", "high_deg"),
    [
        (14, 104.25, 81.20),
        (16, 96.73, 73.74),
        (20, 83.97, 61.93),
        (24, 73.74, 53.13),
        (35, 54.43, 37.85),
        (50, 39.60, 26.99),
    ],
)
def test_field_of_view_on_full_frame(focal_mm: float, wide_deg: float, high_deg: float) -> None:
    """2 atan(d / 2f) on 36 × 24 mm."""
    kit = Kit(FULL_FRAME, Lens(focal_mm, 2.8))
    assert kit.field_of_view_deg() == pytest.approx((wide_deg, high_deg), abs=0.006)
    assert kit.field_of_view_deg(portrait=True) == pytest.approx((high_deg, wide_deg), abs=0.006)


def test_an_equisolid_fisheye_of_15_mm_sees_180_degrees_from_corner_to_corner() -> None:
    """r = 2 f sin(θ/2): at 90° off the axis r = 1.414 f; the half diagonal is 21.6 mm."""
    kit = Kit(FULL_FRAME, Lens(15.3, 2.8, fisheye=True))
    wide_deg, high_deg = kit.field_of_view_deg()
    assert wide_deg == pytest.approx(144.2, abs=0.5)
    assert high_deg == pytest.approx(92.3, abs=0.5)


@pytest.mark.parametrize(
    ("name", "factor"),
    [("full frame", 1.0), ("aps-c", 1.53), ("four thirds", 2.0), ("one inch", 2.73), ("medium format", 0.79)],
)
def test_crop_factors_of_common_formats(name: str, factor: float) -> None:
    """Common practice: 1.5, 2, 2.7 and 0.79."""
    assert Kit(FORMATS[name], Lens(10, 2.8)).equivalent_mm == pytest.approx(10 * factor, abs=0.05)


@pytest.mark.parametrize("camera", FORMATS.values(), ids=FORMATS)
def test_pixels_are_square(camera: Camera) -> None:
    assert camera.height_mm / camera.height_px == pytest.approx(camera.width_mm / camera.width_px, rel=0.005)


@pytest.mark.parametrize(
    ("text", "camera", "lens", "set_mm"),
    [
        ("full frame 20mm f/2.8", "full frame", Lens(20, 2.8), 20),
        ("Full-Frame, 20 mm, f2.8", "full frame", Lens(20, 2.8), 20),
        ("APS-C 16-50mm f/3.5-5.6", "aps-c", Lens(16, 3.5, 50), 16),
        ("aps-c 16–50 mm f/3.5 at 20mm", "aps-c", Lens(16, 3.5, 50), 20),
        ("micro four thirds 8mm fisheye f/1.8", "four thirds", Lens(8, 1.8, fisheye=True), 8),
        ("1-inch 8.8mm f/1.8", "one inch", Lens(8.8, 1.8), 8.8),
        ("medium format 23mm f/4", "medium format", Lens(23, 4), 23),
        ("mft 12mm f/2", "four thirds", Lens(12, 2), 12),
    ],
)
def test_kit_as_people_type_it(text: str, camera: str, lens: Lens, set_mm: float) -> None:
    kit = parse_kit(text)
    assert (kit.camera.name, kit.lens, kit.focal_mm, kit.assumed) == (camera, lens, set_mm, ())


def test_a_sensor_can_be_given_in_figures() -> None:
    kit = parse_kit("35.9x23.9mm 8256x5504 14mm f/1.8")
    assert kit.camera == Camera("your camera", 35.9, 23.9, 8256, 5504)
    assert kit.camera.pitch_um == pytest.approx(4.35, abs=0.01)


def test_megapixels_set_the_pixel_size() -> None:
    kit = parse_kit("full frame 61 mp 20mm f/1.8")
    assert kit.camera.pitch_um == pytest.approx(3.76, abs=0.01)


@pytest.mark.parametrize(
    ("text", "assumed"),
    [
        ("", ("No camera", "No lens")),
        ("20mm f/1.8", ("No camera",)),
        ("aps-c", ("No lens",)),
        ("aps-c 11mm", ("widest aperture isn't named",)),
        ("35.9x23.9mm 20mm f/2.8", ("pixels isn't named",)),
    ],
    ids=["nothing", "no camera", "no lens", "no aperture", "no pixels"],
)
def test_what_is_missing_is_filled_in_and_said(text: str, assumed: tuple[str, ...]) -> None:
    notes = parse_kit(text).assumed
    assert len(notes) == len(assumed)
    for note, words in zip(notes, assumed, strict=True):
        assert words in str(note)


def test_no_kit_is_a_full_frame_default_that_says_so() -> None:
    assert parse_kit("") == DEFAULT_KIT
    assert "full-frame" in str(DEFAULT_KIT.assumed[0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("my old camera", "isn't understood as kit; write it like this: full frame 20mm f/2.8"),
        ("f/2.8", "needs a focal length"),
        ("full frame 2mm f/2.8", "4 to 1200 mm"),
        ("full frame 35-16mm f/2.8", "shorter focal length first"),
        ("full frame 20mm f/0.1", "widest aperture"),
        ("full frame 16-35mm f/2.8 at 50mm", "can't be set to 50 mm"),
        ("24x36mm 4000x6000 20mm f/2.8", "long side first"),
        ("36x24mm 40000x30000 20mm f/2.8", "pixels can't be right"),
        ("20mm " * 100, "too long"),
    ],
)
def test_kit_that_can_not_be_is_refused_with_what_to_do(text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words.replace("/", "/")):
        parse_kit(text)


@given(st.text(max_size=60))
def test_any_text_gives_a_kit_or_a_sentence(text: str) -> None:
    try:
        kit = parse_kit(text)
    except BadInput:
        return
    assert 4 <= kit.focal_mm <= 1200
