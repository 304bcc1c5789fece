"""The sky group of METAR and SPECI against published lines, second readers, and odd input."""

from __future__ import annotations

import re
import warnings
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.common.errors import BadInput
from alerts.track.observations.coded_reports import observed_at, read_metar
from alerts.track.observations.evidence import SkyReading, SkyState
from tests.unit.alerts.track.files import read_json, read_rows

CASES: list[dict[str, Any]] = read_json("metar-sky-cases.json")["cases"]
WITH_AMOUNT = [case for case in CASES if case["state"] == "cloud"]


def line_id(case: dict[str, Any]) -> str:
    return "-".join(case["raw"].split()[:3])


def test_all_lines_are_there() -> None:
    assert (len(CASES), len(WITH_AMOUNT)) == (33, 15)


@pytest.mark.parametrize("case", CASES, ids=line_id)
def test_a_line_reads_as_the_codes_say(case: dict[str, Any]) -> None:
    reading = read_metar(case["raw"])
    assert (
        reading.state,
        reading.okta_min,
        reading.okta_max,
        reading.seen_up_to_ft,
        reading.is_automatic,
    ) == (
        case["state"],
        case["okta_min"],
        case["okta_max"],
        case["seen_up_to_ft"],
        case["auto"],
    )


@pytest.mark.parametrize("case", WITH_AMOUNT, ids=line_id)
def test_two_other_readers_see_the_same_amounts_and_bases(case: dict[str, Any]) -> None:
    """PyPI: metar 2.0.2 (BSD) and metar-taf-parser-mivek 1.13.1 (MIT)."""
    ours = [(layer.okta_min, layer.base_ft) for layer in read_metar(case["raw"]).layers]
    assert ours == by_metar(case["raw"])
    assert [amount for amount, _ in ours] == by_mivek(case["raw"])


OKTA_MIN = {"FEW": 1, "SCT": 3, "BKN": 5, "OVC": 8}


def by_metar(raw: str) -> list[tuple[int, float | None]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from metar.Metar import Metar

        read = Metar(raw, month=7, year=2026, strict=False)
    return [
        (OKTA_MIN[cover], None if height is None else height.value("FT"))
        for cover, height, _ in read.sky
        if cover in OKTA_MIN
    ]


def by_mivek(raw: str) -> list[int]:
    from metar_taf_parser.parser.parser import MetarParser

    clouds = MetarParser().parse(re.sub(r"^(METAR|SPECI) ", "", raw)).clouds
    return [OKTA_MIN[cloud.quantity.name] for cloud in clouds if cloud.quantity.name in OKTA_MIN]


@pytest.mark.parametrize(
    ("raw", "state", "reach_ft"),
    [
        ("KXAA 090253Z AUTO 00000KT 10SM CLR 08/04 A3012", "clear_below", 12_000),
        ("EXXA 090320Z AUTO 24003KT 9999 NCD 09/07 Q1021", "clear_below", 12_000),
        ("EXXA 090350Z 24003KT CAVOK 09/07 Q1021", "clear_below", 5_000),
        ("EXXA 090250Z 24003KT 9999 NSC 09/07 Q1021", "clear_below", 5_000),
        ("MMXX 090250Z 24003KT 10SM SKC 09/07 A3012", "clear", None),
        ("MMXX 090250Z AUTO 24003KT 10SM SKC 09/07 A3012", "clear_below", 12_000),
        ("EXXA 090250Z AUTO 24003KT 9999 FEW012/// 09/07 Q1021", "cloud", 12_000),
        ("EXXA 090250Z 24003KT 9999 FEW250 09/07 Q1021", "cloud", None),
        ("EXXA 090250Z 24003KT 9999 BKN012 09/07 Q1021", "cloud", None),
        ("KXAA 090253Z AUTO 00000KT 10SM FEW180 BKN250 08/04 A3012", "cloud", None),
    ],
    ids=[
        "CLR",
        "NCD",
        "CAVOK",
        "NSC",
        "a person's SKC",
        "SKC by a machine",
        "AUTO",
        "FEW250",
        "BKN",
        "added to by a person",
    ],
)
def test_a_reading_knows_how_far_up_it_may_be_believed(raw: str, state: str, reach_ft: int | None) -> None:
    reading = read_metar(raw)
    assert (reading.state, reading.reach_ft) == (state, reach_ft)


@pytest.mark.parametrize(
    ("raw", "state", "oktas"),
    [
        ("", "unknown", (0, 8)),
        ("  \n", "unknown", (0, 8)),
        ("METAR EDDF 081220Z AUTO 24003KT 9999 //////CB 06/04 Q0993", "unknown", (0, 8)),
        ("METAR EDDF 081220Z 24003KT 9999 08/04 Q0993 TEMPO BKN010", "unknown", (0, 8)),
        ("METAR YBBN 081220Z 24003KT 9999 FEW020 08/04 Q0993 INTER BKN010", "cloud", (1, 2)),
        ("METAR KJFK 081251Z 24003KT 10SM 08/04 A3010 RMK CLR BLO 120", "unknown", (0, 8)),
        ("METAR KJFK 081251Z 24003KT 10SM CLR BKN080 08/04 A3010", "cloud", (5, 7)),
        ("METAR EDDF 081220Z CAVOK 08/04 Q0993=", "clear_below", (0, 0)),
        ("METAR EDDF 081220Z 24003KT 9999 OVC010CB=", "cloud", (8, 8)),
        ("SPECI COR KJFK 081251Z 24003KT 1/4SM FG VV001 08/08 A3010", "obscured", (8, 8)),
        ("METAR EDDF 081220Z 24003KT 9999 0VC010 08/04 Q0993", "unknown", (0, 8)),
    ],
    ids=[
        "empty", "blanks", "only a cloud type", "cloud only in the trend", "Australian trend", "remark",
        "clear and a layer", "end sign", "end sign on a layer", "corrected", "a zero for an O",
    ],
)  # fmt: skip
def test_odd_lines_have_an_answer(raw: str, state: str, oktas: tuple[int, int]) -> None:
    reading = read_metar(raw)
    assert (reading.state, (reading.okta_min, reading.okta_max)) == (state, oktas)


@pytest.mark.parametrize(
    "raw",
    ["Clear", "TAF EDDF 081100Z 0812/0918 24003KT 9999 BKN010", "KJFK 24003KT 10SM CLR", "null"],
    ids=["a word", "a forecast", "no time group", "null"],
)
def test_what_is_no_report_is_refused(raw: str) -> None:
    with pytest.raises(BadInput, match="no METAR or SPECI"):
        read_metar(raw)


@settings(deadline=None)
@given(st.lists(st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/+-", max_size=9), max_size=12))
def test_nothing_but_the_words_for_it_makes_a_sky_clear(tokens: list[str]) -> None:
    reading = read_metar(" ".join(["KXAA", "090253Z", *tokens]))
    said = {"SKC", "CLR", "NSC", "NCD", "CAVOK"} & set(tokens)
    assert bool(said) or reading.state not in (SkyState.CLEAR, SkyState.CLEAR_BELOW)


def test_a_recorded_answer_is_read_by_its_raw_text() -> None:
    """`cover` is OVX there for a hidden sky, and `clouds` is empty for clear and unknown alike."""
    answer = read_json("awc-metar-sky-codes-2026-08-27.json")
    read = {entry["rawOb"].split()[1]: read_metar(entry["rawOb"]).state.value for entry in answer}
    assert read == {
        "KJFK": "cloud",
        "PACD": "obscured",
        "EHAM": "clear_below",
        "MMCL": "clear",
        "CYYL": "clear_below",
        "KLCH": "cloud",
        "KSYR": "cloud",
    }


def test_an_entry_without_raw_text_says_nothing() -> None:
    answer = read_json("awc-metar-mixed-2026.json")
    states = [read_metar(entry.get("rawOb") or "").state.value for entry in answer]
    assert states == ["cloud", "clear_below", "clear_below", "clear_below", "unknown", "unknown"]


def test_station_observations_are_read_by_their_raw_message() -> None:
    features = read_json("nws-station-observations-three.json")["features"]
    read = [read_metar(each["properties"]["rawMessage"]) for each in features]
    assert [(each.state.value, each.okta_min) for each in read] == [
        ("clear_below", 0),
        ("cloud", 5),
        ("cloud", 5),
    ]


def test_an_archive_night_is_read_by_its_raw_column() -> None:
    rows = read_rows("invented-iem-asos-night.csv")
    assert [read_metar(row["metar"]).state.value for row in rows] == [
        "clear_below", "cloud", "cloud", "obscured", "unknown",
        "clear_below", "clear_below", "clear_below", "unknown",
    ]  # fmt: skip


def test_archived_columns_agree_with_the_raw_text() -> None:
    """Amounts and heights of a real archive's own columns; blanks and M are missing."""
    for row in read_rows("iem-asos-cxy-1996-01-01.csv"):
        columns = [(row[f"skyc{i}"].strip(), row[f"skyl{i}"]) for i in range(1, 5)]
        theirs = [(OKTA_MIN[cover], float(level)) for cover, level in columns if cover in OKTA_MIN]
        assert [(layer.okta_min, layer.base_ft) for layer in read_metar(row["metar"]).layers] == theirs


@pytest.mark.parametrize(
    ("group", "received", "made"),
    [
        ("142253Z", (2026, 1, 14, 22, 56), (2026, 1, 14, 22, 53)),
        ("010000Z", (2025, 12, 31, 23, 55), (2026, 1, 1, 0, 0)),
        ("312350Z", (2026, 1, 1, 0, 5), (2025, 12, 31, 23, 50)),
        ("281200Z", (2026, 2, 27, 12, 0), (2026, 1, 28, 12, 0)),
        ("310000Z", (2026, 3, 1, 0, 0), (2026, 1, 31, 0, 0)),
    ],
    ids=["minutes ago", "our clock is slow", "over the new year", "a month late", "over February"],
)
def test_the_time_group_dates_a_report(group: str, received: tuple[int, ...], made: tuple[int, ...]) -> None:
    at = observed_at(f"KXAA {group} CLR", received_at=datetime(*received, tzinfo=UTC))  # type: ignore[arg-type, misc]
    assert at == datetime(*made, tzinfo=UTC)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize("group", ["322253Z", "142453Z", "142260Z"])
def test_an_impossible_time_group_is_refused(group: str) -> None:
    with pytest.raises(BadInput, match="is no time"):
        observed_at(f"KXAA {group} CLR", received_at=datetime(2026, 1, 14, tzinfo=UTC))


def test_an_unknown_reading_claims_nothing() -> None:
    assert SkyReading(SkyState.UNKNOWN).reach_ft is None
    assert (SkyReading(SkyState.UNKNOWN).okta_min, SkyReading(SkyState.UNKNOWN).okta_max) == (0, 8)
