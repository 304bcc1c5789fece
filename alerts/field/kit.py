"""Cameras and lenses: what decides how long a star stays a point and how much sky fits the frame."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, Worded, phrase, say

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
FISHEYE_DEG, FISHEYE_MOST_DEG = 90.0, 95.0
"""How far off its axis a fisheye draws (common practice: a half sphere), and how far at most one draws that
fills its frame: of the equisolid ones a 15 mm on 36 × 24 mm reaches 92.3 degrees in the corners."""


def fisheye_reach_deg(focal_mm: float, width_mm: float, height_mm: float) -> float:
    """How far off its axis a fisheye shows something in such a frame: up to the corners, or where those lie
    outside its picture, a circle of half a sphere."""
    corner_deg = 2 * math.degrees(math.asin(min(1.0, math.hypot(width_mm, height_mm) / 4 / focal_mm)))
    return corner_deg if corner_deg <= FISHEYE_MOST_DEG else FISHEYE_DEG


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera body: its sensor, long side first.

    name: as people say it. Raises BadInput for a sensor that no camera for the field has.
    """

    name: str
    width_mm: float
    height_mm: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        if not (4 <= self.height_mm <= self.width_mm <= 70):
            raise BadInput(phrase("field.sensor-size", width_mm=self.width_mm, height_mm=self.height_mm))
        if not (500 <= self.height_px <= self.width_px <= 30_000):
            raise BadInput(phrase("field.pixel-count", width_px=self.width_px, height_px=self.height_px))

    @property
    def pitch_um(self) -> float:
        """From one pixel's middle to the next, in micrometres."""
        return 1000 * self.width_mm / self.width_px


@dataclass(frozen=True, slots=True)
class Lens:
    """A lens. focal_mm: its only focal length, or a zoom's shortest; longest_mm: a zoom's longest.

    widest_f: the smallest f-number, at focal_mm. fisheye: reckoned as equisolid-angle
    (r = 2 f sin(θ/2)), as most fisheyes are. Raises BadInput for what no lens has.
    """

    focal_mm: float
    widest_f: float
    longest_mm: float | None = None
    fisheye: bool = False

    def __post_init__(self) -> None:
        if not 4 <= self.focal_mm <= 1200:
            raise BadInput(phrase("field.focal-length-range", focal_mm=self.focal_mm))
        if not 0.7 <= self.widest_f <= 32:
            raise BadInput(phrase("field.aperture-range", widest_f=self.widest_f))
        if self.longest_mm is not None and not self.focal_mm < self.longest_mm <= 1200:
            raise BadInput(phrase("field.zoom-order", focal_mm=self.focal_mm, longest_mm=self.longest_mm))


@dataclass(frozen=True, slots=True)
class Kit(Worded):
    """A camera and the lens on it.

    set_mm: where a zoom is set; None means its wide end. assumed: sentences on what nobody told us
    and what was taken instead; empty when all is known.
    """

    camera: Camera
    lens: Lens
    set_mm: float | None = None
    assumed: tuple[Phrase, ...] = ()

    def __post_init__(self) -> None:
        longest = self.lens.longest_mm or self.lens.focal_mm
        if self.set_mm is not None and not self.lens.focal_mm <= self.set_mm <= longest:
            raise BadInput(
                phrase(
                    "field.zoom-reach",
                    set_mm=self.set_mm,
                    focal_mm=self.lens.focal_mm,
                    longest=longest,
                )
            )

    @property
    def focal_mm(self) -> float:
        return self.set_mm or self.lens.focal_mm

    @property
    def equivalent_mm(self) -> float:
        """Focal length that gives the same view on 36 × 24 mm."""
        crop_factor = FULL_FRAME_DIAGONAL_MM / math.hypot(self.camera.width_mm, self.camera.height_mm)
        return self.focal_mm * crop_factor

    @property
    def lens_words(self) -> str:
        """`20 mm f/2.8`, `16 mm f/2.8 (zoom 16–35 mm)`, `8 mm f/3.5 fisheye`."""
        lens = self.lens
        given = {"focal_mm": self.focal_mm, "widest_f": lens.widest_f, "is_fisheye": lens.fisheye}
        if lens.longest_mm is None:
            return say("field.lens", **given)
        return say("field.lens-zoom", **given, shortest_mm=lens.focal_mm, longest_mm=lens.longest_mm)

    def field_of_view_deg(self, *, portrait: bool = False) -> tuple[float, float]:
        """Horizontal and vertical angle through the middle of the frame, in degrees."""
        sides_mm = self.camera.width_mm, self.camera.height_mm
        if self.lens.fisheye:
            reach = math.radians(fisheye_reach_deg(self.focal_mm, *sides_mm))
            half = [min(2 * math.asin(min(1.0, side_mm / 4 / self.focal_mm)), reach) for side_mm in sides_mm]
        else:
            half = [math.atan(side_mm / 2 / self.focal_mm) for side_mm in sides_mm]
        wide, high = (math.degrees(2 * angle) for angle in half)
        return (high, wide) if portrait else (wide, high)


FULL_FRAME = Camera("full frame", 36.0, 24.0, 6048, 4032)
FORMATS = {
    camera.name: camera
    for camera in (
        FULL_FRAME,
        Camera("aps-c", 23.5, 15.7, 6000, 4000),
        Camera("four thirds", 17.3, 13.0, 5184, 3888),
        Camera("one inch", 13.2, 8.8, 5472, 3648),
        Camera("medium format", 43.8, 32.9, 8256, 6192),
    )
}
"""Common sensor formats with a usual number of pixels each (common practice: makers differ by a few
per cent in size, and by more in pixels)."""

USUAL_LENS = Lens(20.0, 2.8)
NO_CAMERA = phrase("field.assumed-camera")
NO_LENS = phrase("field.assumed-lens")
NO_APERTURE = phrase("field.assumed-aperture")
NO_PIXELS = phrase("field.assumed-pixels")


DEFAULT_KIT = Kit(FULL_FRAME, USUAL_LENS, assumed=(NO_CAMERA, NO_LENS))
"""What stands in when a person named no kit; it says so."""


LONGEST_TEXT = 200


_NUMBER = r"\d+(?:\.\d+)?"


_PATTERNS = {
    "sensor": re.compile(rf"({_NUMBER})\s*[x×*]\s*({_NUMBER})\s*mm"),
    "pixels": re.compile(r"(\d{3,5})\s*[x×*]\s*(\d{3,5})(?:\s*px)?(?![\d.])"),
    "megapixels": re.compile(rf"({_NUMBER})\s*(?:mp|mpx|megapixels?)\b"),
    "aperture": re.compile(rf"\bf\s*/?\s*({_NUMBER})(?:\s*[-–]\s*(?:f\s*/?\s*)?{_NUMBER})?"),
    "focal": re.compile(rf"({_NUMBER})(?:\s*mm)?(?:\s*[-–]\s*({_NUMBER}))?\s*mm"),
    "set": re.compile(rf"(?:@|\bat)\s*({_NUMBER})\s*mm"),
    "fisheye": re.compile(r"\bfish[- ]?eye\b"),
}


_ALIASES = {
    "full frame": ("full frame", "fullframe", "full-frame", "35mm format", "24x36"),
    "aps-c": ("aps-c", "apsc", "aps c", "crop sensor"),
    "four thirds": ("micro four thirds", "four thirds", "four-thirds", "mft", "m43"),
    "one inch": ("one inch", "one-inch", "1 inch", "1-inch", '1"'),
    "medium format": ("medium format", "medium-format"),
}


KIT_EXAMPLE = "full frame 20mm f/2.8"


@dataclass(slots=True)
class _Rest:
    """What of the text hasn't been understood yet."""

    text: str

    def take(self, name: str) -> re.Match[str] | None:
        match = _PATTERNS[name].search(self.text)
        if match is not None:
            self.text = self.text[: match.start()] + " " + self.text[match.end() :]
        return match


def parse_kit(text: str) -> Kit:
    """The kit that a person typed; what is missing is filled in and said in `Kit.assumed`.

    A zoom may say where it is set: `16-35mm f/2.8 at 24mm`. Raises BadInput, with an example, for
    anything that isn't understood.
    """
    rest = _Rest(" ".join(text.lower().replace(",", " ").split()))
    if len(rest.text) > LONGEST_TEXT:
        raise BadInput(phrase("field.kit-too-long", example=KIT_EXAMPLE))
    camera, camera_notes = _camera(rest)
    set_at = rest.take("set")
    aperture, focal = rest.take("aperture"), rest.take("focal")
    fisheye = rest.take("fisheye") is not None
    lens, lens_notes = USUAL_LENS, [NO_LENS]
    if focal is not None:
        widest_f = float(aperture[1]) if aperture else USUAL_LENS.widest_f
        lens = Lens(float(focal[1]), widest_f, float(focal[2]) if focal[2] else None, fisheye)
        lens_notes = [] if aperture else [NO_APERTURE]
    elif aperture is not None or fisheye:
        raise BadInput(phrase("field.lens-without-focal-length", example=KIT_EXAMPLE))
    left = rest.text.strip(" ;+&")
    if left:
        raise BadInput(phrase("field.kit-unreadable", left=left[:40], example=KIT_EXAMPLE))
    return Kit(camera, lens, float(set_at[1]) if set_at else None, (*camera_notes, *lens_notes))


def _camera(rest: _Rest) -> tuple[Camera, tuple[Phrase, ...]]:
    base, is_named = FULL_FRAME, False
    for name, alias in ((name, alias) for name, aliases in _ALIASES.items() for alias in aliases):
        if alias in rest.text:
            rest.text = rest.text.replace(alias, " ", 1)
            base, is_named = FORMATS[name], True
            break
    sensor, pixels, millions = rest.take("sensor"), rest.take("pixels"), rest.take("megapixels")
    if sensor is not None:
        wide, high = float(sensor[1]), float(sensor[2])
        across = round(FULL_FRAME.width_px * wide / FULL_FRAME.width_mm)
        base = Camera(
            base.name if is_named else "your camera", wide, high, across, round(across * high / wide)
        )
    told_pixels = pixels is not None or millions is not None
    notes = [NO_CAMERA] if sensor is None and not is_named and not told_pixels else []
    notes += [NO_PIXELS] if sensor is not None and not told_pixels else []
    if pixels is not None:
        base = replace(base, width_px=int(pixels[1]), height_px=int(pixels[2]))
    elif millions is not None:
        wide_px = math.sqrt(float(millions[1]) * 1e6 * base.width_mm / base.height_mm)
        high_px = wide_px * base.height_mm / base.width_mm
        base = replace(base, width_px=round(wide_px), height_px=round(high_px))
    return base, tuple(notes)
