"""Total cloud from land SYNOP."""

from __future__ import annotations

import pytest

from alerts.common.errors import BadInput
from alerts.common.units import FEET_PER_M
from alerts.track.observations.coded_reports import read_synop
from tests.unit.alerts.track.files import DATA


def test_a_real_archive_line_is_read() -> None:
    """N = 4, the lowest cloud at 300 to 600 m, by an observer."""
    line = (DATA / "track" / "ogimet-getsynop-87736.txt").read_text(encoding="utf-8")
    reading = read_synop(line)
    assert reading.state == "cloud"
    assert (reading.okta_min, reading.okta_max, reading.is_automatic) == (4, 4, False)
    assert reading.layers[0].base_ft == pytest.approx(300 * FEET_PER_M)


@pytest.mark.parametrize(
    ("groups", "state", "oktas", "is_automatic", "reach_ft"),
    [
        ("11463 01813", "clear", (0, 0), False, None),
        ("16/99 01813", "clear_below", (0, 0), True, 12_000),
        ("11463 91813", "obscured", (8, 8), False, None),
        ("11463 /1813", "unknown", (0, 8), False, None),
        ("17/// /////", "unknown", (0, 8), True, 12_000),
        ("11463 81813", "cloud", (8, 8), False, None),
        ("41/20 11813", "cloud", (1, 1), False, None),
        ("NIL", "unknown", (0, 8), False, None),
    ],
    ids=["0 by a person", "0 by a machine", "9", "not seen", "all missing", "8", "1", "nothing sent"],
)
def test_n_reads_as_the_code_table_says(
    groups: str, state: str, oktas: tuple[int, int], is_automatic: bool, reach_ft: int | None
) -> None:
    reading = read_synop(f"AAXX 01183 10384 {groups} 10330=")
    assert (reading.state, (reading.okta_min, reading.okta_max)) == (state, oktas)
    assert (reading.is_automatic, reading.reach_ft) == (is_automatic, reach_ft)


@pytest.mark.parametrize(
    ("h", "base_m"),
    [("0", 0), ("1", 50), ("3", 200), ("8", 2000), ("9", 2500), ("/", 0)],
)
def test_the_base_is_the_lower_end_of_its_class(h: str, base_m: int) -> None:
    layer = read_synop(f"AAXX 01184 10384 11{h}63 71813").layers[0]
    assert layer.base_ft == pytest.approx(base_m * FEET_PER_M)


@pytest.mark.parametrize(
    "raw",
    ["", "BBXX SHIP 01183 99500 70100 41463 41813", "AAXX 01183 87736 11463", "METAR KXAA 010000Z CLR"],
    ids=["empty", "a ship", "cut short", "a METAR"],
)
def test_what_is_no_land_synop_is_refused(raw: str) -> None:
    with pytest.raises(BadInput, match="no land SYNOP"):
        read_synop(raw)
