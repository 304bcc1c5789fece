"""Pictures made into PNG for mail: the same on every machine, with the packaged font alone."""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files

from alerts.briefing.pictures.drawing import Picture
from alerts.briefing.render import PngPicture

FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
SCALE = 1.4
"""Pixels of the file for one of the page: mail shows a picture 280 to 500 wide, and must stay small."""


def render_png(picture: Picture, *, scale: float = SCALE) -> bytes:
    """The picture as PNG, `scale` times its own size; no system font is used."""
    import resvg_py

    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=picture.svg,
            width=round(picture.width_px * scale),
            skip_system_fonts=True,
            font_files=font_files(),
            font_family="DejaVu Sans",
            sans_serif_family="DejaVu Sans",
        )
    )


def with_file(picture: Picture) -> PngPicture:
    return PngPicture(picture, render_png(picture))


@cache
def font_files() -> list[str]:
    """Where the fonts lie; they are plain files of the installed package."""
    folder = files("service.delivery") / "fonts"
    paths = []
    for name in FONTS:
        with as_file(folder / name) as path:
            paths.append(str(path))
    return paths
