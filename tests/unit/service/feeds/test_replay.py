"""Recorded answers from files: recognised by content or by name, and told plainly when they aren't any."""

import pytest

from alerts.common.errors import BadInput
from alerts.weather.forecast import Place
from alerts.weather.quality_gates import QualityCheck
from service.feeds.replay import as_of_default, read_recorded, read_recorded_fully
from tests.unit.service.feeds.feed_files import (
    BERLIN_72H,
    BOX,
    ENSCHEDE,
    FGZ,
    FILES,
    GEPS,
    GLOBAL,
    MELBOURNE,
    NORDIC,
    NWS_EDGES,
    TAE,
    as_bytes,
    read_bytes,
    read_json,
    utc,
)

RECOGNISED = [
    (BERLIN_72H, "open-meteo", "unknown"),
    (MELBOURNE, "open-meteo", "unknown"),
    (ENSCHEDE, "open-meteo", "unknown"),
    (GEPS, "open-meteo", "unknown"),
    (NORDIC, "metno", "nordic"),
    (GLOBAL, "metno", "global"),
    (BOX, "nws", "gridpoint"),
    (FGZ, "nws", "gridpoint"),
    (TAE, "nws", "gridpoint"),
    (NWS_EDGES, "nws", "gridpoint"),
]


@pytest.mark.parametrize(("name", "feed", "model"), RECOGNISED)
def test_the_content_tells_the_feed(name, feed, model):
    (forecast,) = read_recorded(FILES / name)
    assert (forecast.source.feed, forecast.source.model) == (feed, model)
    assert forecast.source.fetched_at is None
    assert forecast.place is None


@pytest.mark.parametrize(
    ("name", "named", "model", "lineage"),
    [
        (BERLIN_72H, "open-meteo/icon_seamless", "icon_seamless", "icon"),
        (BERLIN_72H, "open-meteo", "unknown", "open-meteo-best-match"),
        (BERLIN_72H, "open-meteo/best_match", "best_match", "open-meteo-best-match"),
        (BERLIN_72H, "open-meteo/my_own_model", "my_own_model", "open-meteo-unlisted"),
        (GEPS, "open-meteo/gem_global_ensemble", "gem_global_ensemble", "gem"),
        ("open-meteo-multimodel-zurich-2026-10-03.json", "open-meteo/gfs_seamless", "gfs_seamless", "gfs"),
        (NORDIC, "metno", "nordic", "harmonie"),
        (BOX, "nws", "gridpoint", "nws"),
        (BOX, "nws/gridpoint", "gridpoint", "nws"),
    ],
)
def test_a_name_gives_the_model_where_the_answer_does_not(name, named, model, lineage):
    (forecast,) = read_recorded(FILES / name, named=named)
    assert (forecast.source.model, forecast.source.lineage) == (model, lineage)


@pytest.mark.parametrize(
    ("named", "words"),
    [
        pytest.param("accurate", "the feeds are metno, nws, open-meteo", id="no such feed"),
        pytest.param("", "is no feed", id="an empty name"),
        pytest.param("nws", "holds an answer of open-meteo, not of nws", id="another feed"),
        pytest.param("metno/mars", "metno has no model 'mars'", id="no such model"),
    ],
)
def test_a_name_that_does_not_fit_is_refused(named, words):
    with pytest.raises(BadInput, match=words):
        read_recorded(FILES / BERLIN_72H, named=named)


def test_a_model_that_several_models_lack_is_refused_with_those_there_are():
    with pytest.raises(BadInput, match="it has gfs_seamless, icon_seamless, meteoswiss_icon_seamless"):
        read_recorded(FILES / "open-meteo-multimodel-zurich-2026-10-03.json", named="open-meteo/gem_seamless")


FOREIGN = [
    ("open-meteo-multilocation-daily-2025-01-28.json", "without an hourly block"),
    ("open-meteo-elevation-enschede.json", "about elevation"),
    ("open-meteo-uncovered-nan-200.txt", "broken JSON"),
    ("invented-open-meteo-truncated-stream-200.txt", "cut off or broken JSON"),
    ("invented-open-meteo-meta.json", "table of a model's runs"),
    ("invented-open-meteo-ensemble-unit-slip-0-1.json", "share of 1, not percent"),
    ("nws-points-30-85.json", "only names the grid cell"),
    ("nws-points-box-2026-07-15.json", "only names the grid cell"),
    ("open-meteo-errors.json", "is no feed's answer"),
    ("metno-errors.json", "is no feed's answer"),
    ("nws-errors.json", "is no feed's answer"),
    ("README.md", "no JSON"),
]


@pytest.mark.parametrize(("name", "words"), FOREIGN, ids=[name for name, _ in FOREIGN])
def test_a_file_that_is_no_forecast_is_told_for_what_it_is(name, words):
    with pytest.raises(BadInput, match=words) as caught:
        read_recorded(FILES / name)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"", "empty", id="row_22_empty"),
        pytest.param(b"<!DOCTYPE html><html></html>", "a web page", id="row_22_a_web_page"),
        pytest.param(b"\x89PNG\r\n\x1a\n", "no JSON", id="a picture"),
        pytest.param(b"[]", "a list of something else", id="an empty list"),
        pytest.param(b"{}", "no feed's answer", id="an empty object"),
        pytest.param(b"42", "no feed's answer", id="a number"),
        pytest.param(read_bytes(NORDIC)[:5000], "cut off or broken JSON", id="row_22_half_a_file"),
        pytest.param(
            b'{"error":true,"reason":"Invalid timezone"}', "error: Invalid timezone", id="an error answer"
        ),
        pytest.param(
            read_json("nws-errors.json")["cases"][0]["body"].encode(),
            "problem: The requested forecast grid",
            id="a problem document",
        ),
    ],
)
def test_a_file_of_anything_else_gets_one_clear_sentence(tmp_path, content, words):
    file = tmp_path / "answer.json"
    file.write_bytes(content)
    with pytest.raises(BadInput, match=words) as caught:
        read_recorded(file)
    assert str(file) in str(caught.value)


def test_a_missing_file_a_folder_and_a_huge_file_are_told_apart(tmp_path):
    with pytest.raises(BadInput, match="isn't there"):
        read_recorded(tmp_path / "none.json")
    with pytest.raises(BadInput, match="is a folder"):
        read_recorded(tmp_path)
    with pytest.raises(BadInput, match="can't be read"):
        read_recorded(tmp_path / "a\0b.json")
    huge = tmp_path / "huge.json"
    with huge.open("wb") as file:
        file.truncate(20_000_001)
    with pytest.raises(BadInput, match="20,000,001 bytes"):
        read_recorded(huge)


def test_row_29_an_answer_for_somewhere_else_is_refused_when_the_place_is_known():
    (forecast,) = read_recorded(FILES / BOX, place=Place(41.96, -71.2))
    assert forecast.place == Place(41.96, -71.2)
    with pytest.raises(BadInput, match="km away"):
        read_recorded(FILES / BOX, place=Place(40.3, -1.4))


def test_of_many_places_those_in_reach_are_kept():
    name = "invented-open-meteo-multilocation-cloud-layers.json"
    (palma,) = read_recorded(FILES / name, place=Place(28.7, -17.9))
    assert palma.grid_lat_deg == 28.76
    with pytest.raises(BadInput, match="km away"):
        read_recorded(FILES / name, place=Place(0, 0))


def test_rejected_series_are_told_beside_the_good_ones(tmp_path):
    answer = read_json("invented-open-meteo-multimodel-cloud-layers.json")
    answer["hourly"]["cloud_cover_gfs_seamless"][3] = 250
    file = tmp_path / "answer.json"
    file.write_bytes(as_bytes(answer))
    gathered = read_recorded_fully(file)
    assert [forecast.source.model for forecast in gathered.forecasts] == ["icon_seamless", "metno_nordic"]
    assert [(failure.model, failure.gate) for failure in gathered.failures] == [
        ("gfs_seamless", QualityCheck.RANGE)
    ]


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        pytest.param([BOX], "2026-07-15T18:29:19", id="NWS: its update time"),
        pytest.param([FGZ], "2024-02-20T17:13:54", id="NWS after the first window"),
        pytest.param([NORDIC], "2022-05-18T20:36:05", id="MET Norway: its update time"),
        pytest.param([FGZ, BOX, NORDIC], "2026-07-15T18:29:19", id="the newest of several"),
        pytest.param([MELBOURNE], "2024-01-16T09:30", id="Open-Meteo: its current time"),
        pytest.param([BERLIN_72H], "2026-03-01T23:00", id="Open-Meteo without one: its first hour"),
        pytest.param([BOX, ENSCHEDE], "2026-07-15T18:29:19", id="an issue time goes before a current time"),
    ],
)
def test_recorded_answers_are_judged_as_of_their_newest_issue_time(names, expected):
    forecasts = [forecast for name in names for forecast in read_recorded(FILES / name)]
    assert as_of_default(forecasts) == utc(expected)


def test_without_any_forecast_there_is_no_moment_to_judge_at():
    assert as_of_default([]) is None
