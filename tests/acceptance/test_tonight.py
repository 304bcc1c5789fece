"""`duskbell tonight` on recorded answers: real nights, each with its window and verdict.

Windows were computed independently with PyEphem and DE421 (see tests/data/sky/README.md); they are
asserted to the minute.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any

import pytest

from tests.acceptance.conftest import DATA, Run

FEEDS = DATA / "feeds"
BOX = FEEDS / "nws-gridpoint-box-70-82-reanchored-2026-07-15.json"
FGZ = FEEDS / "nws-gridpoint-fgz-74-89-reanchored-2024-02-20.json"
NORDIC = FEEDS / "metno-complete-59n10e-2022-05-18.json"
GERMAN = FEEDS / "open-meteo-forecast-50n10e-72h-2026-03-02.json"
MELBOURNE = FEEDS / "open-meteo-forecast-melbourne-unixtime-layers-2024-01-16.json"

KEYS = {
    "site",
    "night",
    "sun",
    "dark",
    "moon",
    "windows",
    "outlook",
    "verdict",
    "reasons",
    "sources",
}


def _tonight(run: Run, *args: object) -> dict[str, Any]:
    ran = run("tonight", "--json", *map(str, args))
    assert ran.code == 0, ran.err
    assert ran.err == ""
    answer = json.loads(ran.out)
    assert isinstance(answer, dict)
    return answer


def _assert_span(span: dict[str, str], start: str, end: str) -> None:
    """Within half a minute of times given to the minute."""
    for got, wanted in ((span["start"], start), (span["end"], end)):
        apart = datetime.fromisoformat(got) - datetime.fromisoformat(wanted)
        assert abs(apart.total_seconds()) <= 45, (got, wanted)


def test_box_a_july_night_judged_on_its_real_sky_cover(run: Run) -> None:
    answer = _tonight(run, "--at", "41.96,-71.20", "--date", "2026-07-15", "--weather", BOX)
    assert set(answer) >= KEYS
    assert answer["site"]["zone"] == "America/New_York"
    assert len(answer["windows"]) == 1
    _assert_span(answer["windows"][0], "2026-07-16T02:23:00Z", "2026-07-16T05:36:00Z")
    assert answer["verdict"] == "wait"
    assert answer["reasons"][0]["rule"] == "sources"
    assert answer["outlook"]["chance_pct"] > 50  # 27 to 40 % sky cover early, clearing after midnight
    (source,) = answer["sources"]
    assert source["lineage"] == "nws"
    assert source["issued_at"] == "2026-07-15T18:29:19Z"
    assert "National Weather Service" in source["attribution"]


def test_fgz_at_the_issue_time_the_window_before_dawn_is_over(run: Run) -> None:
    answer = _tonight(run, "--at", "35.20,-111.65", "--date", "2024-02-19", "--weather", FGZ)
    _assert_span(answer["windows"][0], "2024-02-20T12:09:00Z", "2024-02-20T12:43:00Z")
    assert answer["windows"][0]["minutes"] == 34
    assert answer["verdict"] == "stay"
    assert answer["reasons"][0]["rule"] == "over"


def test_fgz_before_the_window_the_answer_had_not_been_issued_so_nothing_is_known(run: Run) -> None:
    answer = _tonight(
        run,
        *("--at", "35.20,-111.65", "--date", "2024-02-19", "--weather", FGZ),
        *("--as-of", "2024-02-20T05:00Z"),
    )
    assert answer["verdict"] == "unknown"
    assert answer["sources"] == []
    assert "issued after" in answer["reasons"][0]["text"]


def test_fgz_the_night_of_the_20th_has_no_window(run: Run) -> None:
    answer = _tonight(run, "--at", "35.20,-111.65", "--date", "2024-02-20", "--weather", FGZ)
    assert answer["windows"] == []
    assert answer["verdict"] == "stay"


def test_nordic_may_has_no_astronomical_darkness_so_stay_from_the_sky_alone(run: Run) -> None:
    answer = _tonight(run, "--at", "59,10", "--date", "2022-05-18", "--weather", NORDIC)
    assert (answer["dark"], answer["windows"], answer["outlook"]) == ([], [], None)
    assert answer["verdict"] == "stay"
    assert answer["reasons"][0]["rule"] == "darkness"


def test_the_german_answer_meets_a_full_moon_up_from_dusk_to_dawn(run: Run) -> None:
    answer = _tonight(run, "--at", "50,10", "--date", "2026-03-02", "--weather", GERMAN)
    assert answer["windows"] == []
    _assert_span(answer["dark"][0], "2026-03-02T18:51:00Z", "2026-03-03T04:12:00Z")
    assert answer["moon"]["lit"] > 0.99
    assert answer["verdict"] == "stay"
    assert answer["reasons"][0]["rule"] == "moon"


def test_the_melbourne_answer_has_a_moonless_summer_night_without_the_core(run: Run) -> None:
    answer = _tonight(run, "--at", "-37.75,144.875", "--date", "2024-01-16", "--weather", MELBOURNE)
    assert answer["site"]["zone"] == "Australia/Melbourne"
    assert answer["windows"] == []
    _assert_span(answer["dark"][0], "2024-01-16T11:33:00Z", "2024-01-16T17:28:00Z")
    assert answer["verdict"] == "stay"
    assert answer["reasons"][0]["rule"] == "target"


def test_a_night_the_answers_do_not_cover_is_unknown(run: Run) -> None:
    answer = _tonight(run, "--at", "41.96,-71.20", "--date", "2026-08-12", "--weather", BOX)
    assert answer["windows"]
    assert answer["verdict"] == "unknown"


def test_offline_is_unknown_with_the_sky_itself_told(run: Run) -> None:
    answer = _tonight(
        run, "--at", "40.3,-1.4", "--date", "2027-07-03", "--as-of", "2027-07-01T12:00Z", "--offline"
    )
    assert answer["verdict"] == "unknown"
    assert answer["outlook"] is None
    assert "dark" in answer["reasons"][0]["text"]


def test_two_lineages_that_agree_make_a_go_on_the_day(run: Run) -> None:
    """An invented pair, since no two recorded answers share place and time."""
    pair = [str(DATA / "tonight" / name) for name in ("invented-clear-metno.json", "invented-clear-gfs.json")]
    answer = _tonight(
        run,
        *("--at", "40.31,-1.42", "--date", "2027-07-03"),
        *("--weather", pair[0], "--weather", f"open-meteo/gfs_seamless={pair[1]}"),
    )
    assert answer["verdict"] == "go", answer["reasons"]
    assert {source["lineage"] for source in answer["sources"]} == {"ecmwf", "gfs"}


def test_southern_and_western_values_work_with_a_space_and_with_an_equals_sign(run: Run) -> None:
    when = ("--date", "2027-06-05", "--as-of", "2027-06-05T12:00Z", "--offline")
    spaced = _tonight(run, "--at", "-32.4,20.8", *when)
    joined = _tonight(run, "--at=-32.4,20.8", *when)
    assert spaced == joined
    assert spaced["site"]["lat"] == -32.4


def test_polar_summer_and_polar_night_are_answers(run: Run) -> None:
    summer = _tonight(run, "--at", "78.22,15.63", "--date", "2026-06-21", "--offline")
    assert summer["sun"] == {"set": None, "rise": None}
    assert summer["verdict"] == "stay"
    winter = _tonight(run, "--at", "78.22,15.63", "--date", "2024-01-11", "--offline")
    assert winter["sun"] == {"set": None, "rise": None}
    assert len(winter["dark"]) == 1


def test_the_page_says_the_word_first_and_the_zone_with_each_time(run: Run) -> None:
    ran = run("tonight", "--at", "41.96,-71.20", "--date", "2026-07-15", "--weather", str(BOX))
    assert ran.code == 0
    assert "Wait: one model family alone answered (US National Weather Service)" in ran.out
    assert "Wed 22:23–01:36 EDT" in ran.out
    assert "NOAA / National Weather Service" in ran.out


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--at", "95,10"], "outside -90..90"),
        (["--at", "120.5,40.1"], "did you mean 40.1,120.5"),
        (["--at", "40,190"], "outside -180..180"),
        (["--at", "here"], "no LAT,LON"),
        (["--at", "40,-1", "--zone", "Mars/Base"], "no time zone we know"),
        (["--at", "40,-1", "--date", "2026-02-30"], "no date"),
        (["--at", "40,-1", "--date", "1700-01-01", "--offline"], "1899-08-04 to 2053-10-02"),
        (["--at", "40,-1", "--date", "2400-01-01", "--offline"], "1899-08-04 to 2053-10-02"),
        (["--at", "40,-1", "--as-of", "2026-07-15T18:00"], "has no zone"),
        (["--at", "40,-1", "--elevation", "20000", "--offline"], "elevation"),
        (["--at", "40,-1", "--weather", "/nowhere.json"], "/nowhere.json"),
        (["--at", "40,-1", "--weather", str(BOX)], "km"),
        (["--at", "40,-1", "--weather", str(BOX), "--offline"], "use one of them"),
        (["--at", "40,-1", "--name", "a\nb", "--offline"], "line breaks"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) else None,
)
def test_bad_input_is_one_sentence_and_a_code(run: Run, args: list[str], says: str) -> None:
    ran = run("tonight", *args)
    assert ran.code != 0
    assert says in ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"<html>Bad gateway</html>", "a web page, not data"),
        (b'{"hello": 1}', "no feed's answer"),
        (b'{"error": true, "reason": "Daily API request limit exceeded."}', "limit exceeded"),
        (b"\xff\xfe\x00", "can't be used"),
    ],
    ids=["empty", "html", "foreign", "error-answer", "bytes"],
)
def test_a_file_that_is_no_forecast_says_so(run: Run, tmp_path: Any, content: bytes, says: str) -> None:
    file = tmp_path / "answer.json"
    file.write_bytes(content)
    ran = run("tonight", "--at", "40,-1", "--weather", str(file))
    assert ran.code == 1
    assert says in ran.err
    assert str(file) in ran.err
    assert "Traceback" not in ran.err


def test_a_night_beyond_the_forecasts_asks_nobody_and_tells_the_first_look(run: Run) -> None:
    where = ("tonight", "--at", "40.31,-1.42", "--zone", "Europe/Madrid", "--as-of", "2027-06-01T12:00Z")
    out = run(*where, "--date", "2027-07-03").out
    assert "\nToo early for weather; first look Thu 24 June.\n" in out
    assert "Dark windows" in out
    assert "  unknown" not in out
    values = json.loads(run(*where, "--date", "2027-07-03", "--json").out)
    assert (values["verdict"], values["first_look"], values["event"]) == ("unknown", "2027-06-24", None)


def test_a_bare_night_names_the_next_window_and_other_targets(run: Run) -> None:
    where = ("tonight", "--at", "40.31,-1.42", "--zone", "Europe/Madrid", "--as-of", "2027-11-30T12:00Z")
    out = run(*where, "--date", "2027-12-01", "--offline").out
    assert "No dark window in this night.\nThe next: " in out
    assert re.search(r"Other targets that night:\n  band .*\n  winter .*\n  none ", out)
