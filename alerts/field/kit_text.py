"""Kit as people type it, such as `full frame 20mm f/2.8` or `aps-c 16-50 mm f/3.5 at 16mm`."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from alerts.common.errors import BadInput
from alerts.common.phrases import Phrase, phrase
from alerts.field.kit import (
    FORMATS,
    FULL_FRAME,
    NO_APERTURE,
    NO_CAMERA,
    NO_LENS,
    NO_PIXELS,
    USUAL_LENS,
    Camera,
    Kit,
    Lens,
)

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
EXAMPLE = "full frame 20mm f/2.8"


@dataclass(slots=True)
class _Rest:
    """What of the text hasn't been understood yet."""

    text: str

    def take(self, name: str) -> re.Match[str] | None:
        match = _PATTERNS[name].search(self.text)
        if match is not None:
            self.text = self.text[: match.start()] + " " + self.text[match.end() :]
        return match

    def take_format(self) -> str | None:
        for name, aliases in _ALIASES.items():
            for alias in aliases:
                if alias in self.text:
                    self.text = self.text.replace(alias, " ", 1)
                    return name
        return None


def parse_kit(text: str) -> Kit:
    """The kit that a person typed; what is missing is filled in and said in `Kit.assumed`.

    A zoom may say where it is set: `16-35mm f/2.8 at 24mm`. Raises BadInput, with an example, for
    anything that isn't understood.
    """
    rest = _Rest(" ".join(text.lower().replace(",", " ").split()))
    if len(rest.text) > LONGEST_TEXT:
        raise BadInput(phrase("field.kit-too-long", example=EXAMPLE))
    camera, camera_notes = _camera(rest)
    set_at = rest.take("set")
    lens, lens_notes = _lens(rest)
    left = rest.text.strip(" ;+&")
    if left:
        raise BadInput(phrase("field.kit-unreadable", left=left[:40], example=EXAMPLE))
    return Kit(camera, lens, float(set_at[1]) if set_at else None, camera_notes + lens_notes)


def _camera(rest: _Rest) -> tuple[Camera, tuple[Phrase, ...]]:
    name = rest.take_format()
    sensor, pixels, millions = rest.take("sensor"), rest.take("pixels"), rest.take("megapixels")
    base = FORMATS[name] if name else FULL_FRAME
    if sensor is not None:
        wide, high = float(sensor[1]), float(sensor[2])
        across = round(FULL_FRAME.width_px * wide / FULL_FRAME.width_mm)
        base = Camera(name or "your camera", wide, high, across, round(across * high / wide))
    told_pixels = pixels is not None or millions is not None
    notes = [NO_CAMERA] if sensor is None and name is None and not told_pixels else []
    notes += [NO_PIXELS] if sensor is not None and not told_pixels else []
    if pixels is not None:
        base = replace(base, width_px=int(pixels[1]), height_px=int(pixels[2]))
    elif millions is not None:
        base = _with_megapixels(base, float(millions[1]))
    return base, tuple(notes)


def _with_megapixels(camera: Camera, millions: float) -> Camera:
    across = math.sqrt(millions * 1e6 * camera.width_mm / camera.height_mm)
    return replace(
        camera, width_px=round(across), height_px=round(across * camera.height_mm / camera.width_mm)
    )


def _lens(rest: _Rest) -> tuple[Lens, tuple[Phrase, ...]]:
    aperture, focal = rest.take("aperture"), rest.take("focal")
    fisheye = rest.take("fisheye") is not None
    if focal is None:
        if aperture is not None or fisheye:
            raise BadInput(phrase("field.lens-without-focal-length", example=EXAMPLE))
        return USUAL_LENS, (NO_LENS,)
    longest = float(focal[2]) if focal[2] else None
    widest_f = float(aperture[1]) if aperture else USUAL_LENS.widest_f
    return Lens(float(focal[1]), widest_f, longest, fisheye), () if aperture else (NO_APERTURE,)
