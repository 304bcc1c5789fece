"""The picture of a record: well formed, inside its frame, in words and counts, never in colour alone."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from alerts.briefing.pictures.drawing import NARROW, PALETTES, WIDE, Picture, text_width
from alerts.briefing.pictures.record_picture import draw_record, record_alt
from alerts.track.calibration.model import LEADS, Lead
from alerts.track.record.summary import Record, build_record
from tests.unit.alerts.track.files import pairs

SVG = "{http://www.w3.org/2000/svg}"
FEW = build_record(pairs([0.1, 0.72, 0.74, 0.9], [0, 1, 1, 1]))
SURE_OF_ITSELF = build_record(
    pairs([0.05] * 40 + [0.45] * 30 + [0.95] * 60, [0] * 39 + [1] * 16 + [0] * 45 + [1] * 30)
)
HOSTILE = '<b>Flat</b> & "co"\u202e'
DRAWN = {
    f"{palette}.{width}.{count}": draw_record(record, Lead.EVENING, name, PALETTES[palette], width=width)
    for palette in PALETTES
    for width in (NARROW, WIDE)
    for count, record, name in (("few", FEW, "Windpump Flat"), ("many", SURE_OF_ITSELF, HOSTILE))
}


@pytest.mark.parametrize("picture", DRAWN.values(), ids=DRAWN)
def test_it_is_one_drawing_whose_title_says_what_it_says(picture: Picture) -> None:
    root = ElementTree.fromstring(picture.svg)
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == picture.alt
    assert root.get("aria-labelledby") == title.get("id")
    assert "http" not in picture.svg.replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize("picture", DRAWN.values(), ids=DRAWN)
def test_words_stay_inside(picture: Picture) -> None:
    for element in ElementTree.fromstring(picture.svg).iter(f"{SVG}text"):
        size, x, y = (float(element.get(name, "0")) for name in ("font-size", "x", "y"))
        wide = text_width(element.text or "", size, bold=element.get("font-weight") == "bold")
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[element.get("text-anchor", "start")]
        assert left >= -1, element.text
        assert left + wide <= picture.width_px + 1, element.text
        assert 8 <= y <= picture.height_px, element.text


def test_print_holds_greys_alone() -> None:
    for name, picture in DRAWN.items():
        if name.startswith("print"):
            for red, green, blue in re.findall(r'"#(\w\w)(\w\w)(\w\w)"', picture.svg):
                assert red == green == blue, name


def test_what_luck_does_not_explain_has_a_shape_of_its_own() -> None:
    assert "<path" in DRAWN["light.360.many"].svg
    assert "<path" not in DRAWN["light.360.few"].svg
    assert DRAWN["light.360.few"].svg.count("<circle") == 3


def test_it_is_said_in_counts() -> None:
    assert record_alt(FEW, Lead.EVENING, "Windpump Flat") == (
        "What was said in the evening and what came, Windpump Flat. "
        "Said about 10 %: 0 of 1 came clear, within what luck explains. "
        "Said about 73 %: 2 of 2 came clear, within what luck explains. "
        "Said about 90 %: 1 of 1 came clear, within what luck explains."
    )
    assert "30 of 60 came clear, further off than luck explains" in DRAWN["dark.720.many"].alt


@pytest.mark.parametrize("lead", LEADS)
def test_every_lead_is_drawn(lead: Lead) -> None:
    assert draw_record(FEW, lead, "Flat").height_px > 200


def test_marks_lie_where_the_figures_say() -> None:
    record: Record = build_record(pairs([0.5] * 4, [1, 1, 0, 0]))
    root = ElementTree.fromstring(draw_record(record, Lead.EVENING, "Flat", width=NARROW).svg)
    (mark,) = root.iter(f"{SVG}circle")
    box = next(each for each in root.iter(f"{SVG}rect") if each.get("fill") == PALETTES["light"].night)
    left, top, wide, tall = (float(box.get(name, "0")) for name in ("x", "y", "width", "height"))
    assert float(mark.get("cx", "0")) == pytest.approx(left + wide / 2, abs=0.1)
    assert float(mark.get("cy", "0")) == pytest.approx(top + tall / 2, abs=0.1)
