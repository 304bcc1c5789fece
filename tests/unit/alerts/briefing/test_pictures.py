"""Pictures: well formed, inside their frame, legible in every palette, said in words, deaf to names."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.briefing.pictures.drawing import (
    DARK,
    LIGHT,
    PALETTES,
    PRINT,
    Palette,
    Picture,
    mixed,
    text_width,
    xml_text,
)
from alerts.briefing.pictures.night_picture import NightToDraw, draw_night, night_scene
from alerts.briefing.render import draw_pictures
from alerts.field.kit import parse_kit
from tests.unit.alerts.briefing.drawn_samples import every_picture, pictures_of, renamed, season_picture
from tests.unit.alerts.briefing.sample_nights import FLAT, case, ephemeris
from tests.unit.alerts.briefing.test_hostile_names import HOSTILE

SVG = "{http://www.w3.org/2000/svg}"
EVERY = every_picture()


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1..21. Source: WCAG 2.2, relative luminance and contrast ratio."""
    bright, dim = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def _luminance(colour: str) -> float:
    shares = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    red, green, blue = linear
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def tree(picture: Picture) -> ElementTree.Element:
    return ElementTree.fromstring(picture.svg)


def texts_of(picture: Picture) -> list[str]:
    return ["".join(element.itertext()) for element in tree(picture).iter(f"{SVG}text")]


@pytest.mark.parametrize("picture", EVERY.values(), ids=EVERY)
def test_a_picture_is_one_drawing_with_a_title_for_those_who_can_not_see_it(picture: Picture) -> None:
    root = tree(picture)
    assert root.get("role") == "img"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == picture.alt
    assert root.get("aria-labelledby") == title.get("id")
    assert root.get("viewBox") == f"0 0 {picture.width_px} {picture.height_px}"


@pytest.mark.parametrize("picture", EVERY.values(), ids=EVERY)
def test_words_stay_inside_the_picture(picture: Picture) -> None:
    for element in tree(picture).iter(f"{SVG}text"):
        size = float(element.get("font-size", "0"))
        wide = text_width(element.text or "", size, bold=element.get("font-weight") == "bold")
        x, y = float(element.get("x", "0")), float(element.get("y", "0"))
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[element.get("text-anchor", "start")]
        assert left >= -1, element.text
        assert left + wide <= picture.width_px + 1, element.text
        assert 8 <= y <= picture.height_px, element.text
        assert size >= 11


@pytest.mark.parametrize("picture", EVERY.values(), ids=EVERY)
def test_a_picture_asks_nothing_from_elsewhere_and_runs_nothing(picture: Picture) -> None:
    tags = {element.tag.removeprefix(SVG) for element in tree(picture).iter()}
    assert tags <= {
        "svg", "title", "rect", "defs", "linearGradient", "radialGradient", "stop", "pattern", "line",
        "clipPath", "path", "g", "circle", "ellipse", "text",
    }  # fmt: skip
    assert "nan" not in picture.svg.replace("nance", "")
    assert "http" not in picture.svg.replace("http://www.w3.org/2000/svg", "")
    assert len(picture.svg) < 40_000


def test_the_print_palette_holds_greys_alone() -> None:
    for name, picture in EVERY.items():
        if ".print." in name:
            for red, green, blue in re.findall(r'"#(\w\w)(\w\w)(\w\w)"', picture.svg):
                assert red == green == blue, name


@pytest.mark.parametrize("palette", PALETTES.values(), ids=PALETTES)
def test_words_and_lines_stand_out(palette: Palette) -> None:
    """WCAG 2.2: 4.5 : 1 for text, 3 : 1 for lines that carry meaning."""
    for colour in (palette.text, palette.muted, palette.lamp, palette.core, palette.moon):
        assert contrast(colour, palette.surface) >= 4.5
    assert contrast(palette.core, palette.night) >= 4.5
    assert contrast(palette.moon, palette.night) >= 3
    assert contrast(palette.lamp, palette.night) >= 3
    assert contrast(palette.cloud, palette.surface) >= 3
    assert contrast(palette.ground_text, palette.ground) >= 4.5


@pytest.mark.parametrize(
    ("first", "second", "ratio"),
    [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48), ("#ece6d9", "#18212b", 13.1)],
)
def test_contrast_is_that_of_the_guidelines(first: str, second: str, ratio: float) -> None:
    """WCAG 2.2; #777 on white is the well-known 4.48."""
    assert contrast(first, second) == pytest.approx(ratio, abs=0.05)


def test_colours_mix() -> None:
    assert mixed("#000000", "#ffffff", 0.5) == "#808080"
    assert mixed("#102030", "#ffffff", -1) == "#102030"


def test_the_night_says_window_places_moon_and_cloud() -> None:
    picture = pictures_of("july")["night"]
    assert texts_of(picture)[-4:] == [
        "window 23:33 – 03:10",
        "core over the ridge",
        "Moon, 4 % lit, sets 22:41",
        "chance of cloud",
    ]
    assert {"Wednesday night, 15 July", "times in CEST", "S 20°", "SSW 19°", "SW 10°"} <= set(
        texts_of(picture)
    )
    assert picture.alt == (
        "The night of Wednesday 15 July at Windpump Flat, times in CEST. The Sun sets 21:34 and rises 06:49. "
        "The dark window runs from 23:33 to 03:10. In it the core stands south at 20° at 23:33, then "
        "south-south-west at 19° at 01:21, then south-west at 10° at 03:10. Moon, 4 % lit, sets 22:41. "
        "Chance of cloud: 28 % at 22:30, 15 % at 01:30, 28 % at 06:30."
    )


def test_a_polar_summer_has_no_window_and_says_why() -> None:
    picture = pictures_of("polar-summer")["night"]
    assert "no dark window: the Sun stays up" in texts_of(picture)
    assert "The Sun stays up. There is no dark window." in picture.alt
    assert set(pictures_of("polar-summer")) == {"night"}


def test_without_a_forecast_the_night_says_so() -> None:
    from tests.unit.alerts.briefing.sample_nights import ephemeris

    found = case("july")
    picture = draw_night(night_scene(NightToDraw(FLAT, found.night, found.window), ephemeris()))
    assert "no forecast of cloud reaches this night" in texts_of(picture)
    assert "No forecast of cloud reaches this night." in picture.alt


def test_the_view_says_where_it_looks_and_what_stands_there() -> None:
    picture = pictures_of("july")["view"]
    shown = texts_of(picture)
    assert "Through a 20 mm at 01:27" in shown
    assert "toward 196° true (SSW), tilted up 26°" in shown
    assert {"core, 19° up", "the peak"} <= set(shown)
    assert "The core stands over the peak (196° true) at 01:27." in shown
    assert "A town, 41 km away, glows in the south-south-west (212° true)." in picture.alt


def test_what_a_circular_fisheye_leaves_black_is_left_out() -> None:
    """8 mm: a circle of 2 · 8 · sin 45° = 11.31 mm in a frame 36 mm wide; a 15 mm fills it."""
    found = case("july")
    assert found.notes is not None
    for focal_mm, is_circle in ((8, True), (15, False)):
        kit = parse_kit(f"full frame {focal_mm}mm f/2.8 fisheye")
        night = NightToDraw(FLAT, found.night, found.window, replace(found.notes, kit=kit))
        (view,) = (each for each in draw_pictures(night, ephemeris()) if each.name == "view")
        radii = re.findall(r"a([\d.]+) [\d.]+ 0 1 0", view.svg)
        width = float(re.findall(r'<rect x="[^"]+" y="[^"]+" width="([\d.]+)"', view.svg)[-1])
        assert len(radii) == (2 if is_circle else 0)
        assert not radii or float(radii[0]) == pytest.approx(width * 11.31 / 36, abs=0.1)


def test_ones_own_lens_is_called_so_and_a_column_is_held_upright() -> None:
    shown = texts_of(pictures_of("september-column")["view"])
    assert "Through your 16 mm at 21:13" in shown
    assert any("held upright" in text for text in shown)


def test_an_arch_gets_its_panorama_with_numbered_frames() -> None:
    picture = pictures_of("spring-arch")["panorama"]
    shown = texts_of(picture)
    assert "5 upright frames, 20 mm" in shown
    assert {"1", "2", "3", "4", "5"} <= set(shown)
    assert "It takes 5 upright frames with a 20 mm lens, tilted up 18°, 39° apart." in picture.alt
    assert "panorama" not in pictures_of("july")


def test_the_season_names_months_shapes_and_the_marked_night() -> None:
    picture = season_picture()
    assert {"Dark windows 2026", "arch", "upright column", "Mar", "Sep"} <= set(texts_of(picture))
    assert "165 nights have a dark window; the longest, 4 h 52 min, is on Fri 12 June." in picture.alt
    assert "Marked: Wednesday 15 July, 3 h 38 min." in picture.alt


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_no_name_breaks_out_of_a_drawing(text: str) -> None:
    plain = {name: shape(picture) for name, picture in pictures_of("july").items()}
    for picture in renamed("july", text):
        assert shape(picture) == plain[picture.name]


def shape(picture: Picture) -> set[tuple[str, tuple[str, ...]]]:
    """Which elements with which attributes a drawing is made of."""
    return {(element.tag, tuple(sorted(element.attrib))) for element in tree(picture).iter()}


@given(st.text(max_size=60))
@settings(max_examples=15, deadline=None)
def test_any_name_leaves_a_well_formed_drawing(text: str) -> None:
    for picture in renamed("july", text):
        tree(picture)


@pytest.mark.parametrize(
    ("text", "shown"), [("a\ufffeb", "ab"), ("a\ufdd0b", "ab"), ("a\x00b", "ab"), ("a & b", "a & b")]
)
def test_what_xml_can_not_hold_is_left_out(text: str, shown: str) -> None:
    """XML 1.0, production 2: U+FFFE and U+FFFF are no characters."""
    assert xml_text(text) == shown


def test_a_name_that_the_font_lacks_is_told_by_its_bearing() -> None:
    for picture in renamed("july", "風車"):
        if picture.name == "view":
            assert "196°" in texts_of(picture)
            assert not any("風" in text for text in texts_of(picture))
            assert "風車" in picture.alt


def test_dark_light_and_print_say_the_same() -> None:
    for kind in ("night", "view"):
        words = [texts_of(pictures_of("july", palette)[kind]) for palette in PALETTES]
        assert words[0] == words[1] == words[2]
    assert len({DARK.surface, LIGHT.surface, PRINT.surface}) == 3


def test_the_pictures_of_a_night_on_one_page_keep_their_ids_apart() -> None:
    drawn = pictures_of("spring-arch").values()
    ids = [each for picture in drawn for each in set(re.findall(r'id="([^"]+)"', picture.svg))]
    assert len(drawn) == 3
    assert len(ids) == len(set(ids))
    for picture in drawn:
        wanted = set(re.findall(r"url\(#([^)]+)\)", picture.svg))
        assert wanted <= set(re.findall(r'id="([^"]+)"', picture.svg))
