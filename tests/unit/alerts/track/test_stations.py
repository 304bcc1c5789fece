"""What a station proves of an event: distance, height, cloud below the site, gaps and rewritten reports."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from alerts.common.errors import BadInput
from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.track.observations.coded_reports import read_synop
from alerts.track.observations.evidence import Event, OutcomeState, SkyReport, free_of, joined
from alerts.track.observations.stations import account_of_station, reports_in_time, station_weight
from tests.unit.alerts.track.files import EVENT, HOUR, MINUTE, SITE, WINDOW, hourly, report, station, utc


def says(skies: list[str], *, height_m: float = 0.0, event: Event = EVENT) -> OutcomeState:
    witness = station(height_m=height_m)
    return account_of_station(event, SITE, witness, hourly("KXAA", skies)).says


@pytest.mark.parametrize(
    ("km", "height_m", "weight"),
    [
        (0, 0, 1.0),
        (29.9, 299, 1.0),
        (29.9, -299, 1.0),
        (31, 0, 0.5),
        (59.9, 0, 0.5),
        (10, 301, 0.5),
        (10, -999, 0.5),
        (61, 0, 0.0),
        (80, 0, 0.0),
        (10, -1500, 0.0),
        (10, None, 0.0),
    ],
)
def test_a_station_weighs_less_the_further_off_it_is(
    km: float, height_m: float | None, weight: float
) -> None:
    said = account_of_station(EVENT, SITE, station("KXAA", km, height_m), hourly("KXAA", ["OVC030"] * 5))
    assert said.weight == weight
    assert said.distance_km == pytest.approx(km, abs=0.06)
    assert said.height_difference_m == height_m


@pytest.mark.parametrize(
    ("km", "height_m", "why"),
    [(80, 0, "80 km away"), (10, -1500, "1500 m higher or lower"), (10, None, "nobody knows its height")],
)
def test_a_station_that_doesnt_count_says_why(km: float, height_m: float | None, why: str) -> None:
    assert why in str(station_weight(km, station("KXAA", km, height_m), SITE)[1])


def test_distances_are_great_circles() -> None:
    """Paris to New York on a sphere of 6,371 km: 5,837 km."""
    assert distance_km(48.8566, 2.3522, 40.7128, -74.0060) == pytest.approx(5837, abs=2)
    assert distance_km(-17.0, 179.9, -17.0, -179.9) == pytest.approx(21.3, abs=0.1)


@pytest.mark.parametrize(
    ("skies", "state"),
    [
        (["OVC030"] * 5, "not_clear"),
        (["BKN250"] * 5, "not_clear"),
        (["VV020"] * 5, "not_clear"),
        (["AUTO CLR"] * 5, "clear"),
        (["CAVOK"] * 5, "clear"),
        (["NCD"] * 5, "clear"),
        (["NSC"] * 5, "clear"),
        (["SKC"] * 5, "clear"),
        (["FEW040"] * 5, "clear"),
        (["SCT040"] * 5, "unsure"),
        (["BKN///"] * 5, "unsure"),
        (["//////"] * 5, "unsure"),
        ([""] * 5, "unsure"),
        ([], "unsure"),
        (["OVC030", "OVC030", "SKC", "SKC", "OVC030"], "clear"),
        (["OVC030", "OVC030", "SKC", "OVC030", "OVC030"], "unsure"),
        (["OVC030", "OVC030", "SCT030", "SCT030", "OVC030"], "unsure"),
        (["OVC030", "", "", "OVC030", "OVC030"], "unsure"),
        (["SKC", "", "", "", "SKC"], "unsure"),
        (["SKC", "", "SKC", "", "SKC"], "unsure"),
    ],
    ids=[
        "overcast", "cirrus seen by a person", "hidden", "CLR", "CAVOK", "NCD", "NSC", "SKC", "few",
        "scattered", "base not measured", "slashes", "no sky group", "no report",
        "an hour and more clear", "one gap", "scattered gap", "silent hours between clouds",
        "silent hours between clear ones", "every other hour",
    ],
)  # fmt: skip
def test_hours_of_reports_make_one_word(skies: list[str], state: str) -> None:
    assert says(skies) == state


@pytest.mark.parametrize(
    ("sky", "site_above_m", "state"),
    [
        ("OVC030", 0, "not_clear"),
        ("OVC010", 250, "not_clear"),
        ("OVC007", 250, "unsure"),
        ("VV002", 0, "not_clear"),
        ("VV002", 60, "not_clear"),
        ("VV002", 200, "unsure"),
        ("VV///", 0, "not_clear"),
        ("VV///", 100, "unsure"),
        ("BKN007 OVC250", 250, "unsure"),
        ("FEW007 OVC250", 250, "not_clear"),
        ("FEW007 BKN250", 250, "unsure"),
        ("SCT030 BKN250", 250, "not_clear"),
        ("OVC010", 900, "unsure"),
        ("OVC250", 900, "not_clear"),
    ],
    ids=[
        "level", "base above the site", "sea of cloud", "fog at the site", "fog to just above",
        "valley fog", "fog of unknown depth", "valley fog of unknown depth",
        "cloud above, how much is hidden below", "little below", "the sum may be what lies below",
        "all above", "valley station", "high cloud over a valley station",
    ],
)  # fmt: skip
def test_cloud_that_may_lie_below_the_site_proves_nothing(sky: str, site_above_m: float, state: str) -> None:
    assert says([sky] * 5, height_m=-site_above_m) == state


@pytest.mark.parametrize(
    ("height_m", "state"), [(300, "clear"), (400, "unsure")], ids=["just above", "on the summit"]
)
def test_a_clear_summit_says_nothing_of_the_valley(height_m: float, state: str) -> None:
    assert says(["SKC"] * 5, height_m=height_m) == state


@pytest.mark.parametrize(
    ("skies", "why"),
    [
        (["AUTO CLR"] * 5, "clear up to 12,000 ft above it"),
        (["AUTO CLR", "CAVOK", "AUTO CLR", "CAVOK", "SKC"], "clear up to 5,000 ft above it"),
        (["SKC"] * 5, "clear, as a person saw it"),
    ],
    ids=["a ceilometer", "CAVOK among others", "a person"],
)
def test_a_clear_account_says_how_far_up_it_sees(skies: list[str], why: str) -> None:
    assert str(account_of_station(EVENT, SITE, station(), hourly("KXAA", skies)).why) == why


def test_synop_amounts_count_alike() -> None:
    raw = "AAXX 16021 72507 11463 81813"
    reports = [SkyReport("72507", WINDOW.start + i * HOUR, read_synop(raw), raw) for i in range(5)]
    said = account_of_station(EVENT, SITE, station("72507"), reports)
    assert said.says is OutcomeState.NOT_CLEAR
    three_hourly = account_of_station(EVENT, SITE, station("72507"), reports[::3])
    assert three_hourly.says is OutcomeState.UNSURE


def test_a_longer_wish_needs_a_longer_clear_stretch() -> None:
    skies = ["OVC030", "SKC", "SKC", "OVC030", "OVC030"]
    assert says(skies, event=replace(EVENT, shortest=timedelta(minutes=90))) == "clear"
    assert says(skies, event=replace(EVENT, shortest=timedelta(minutes=150))) == "not_clear"


def test_a_short_window_may_rest_on_one_report() -> None:
    event = Event(Span(utc(16, 2, 40), utc(16, 3, 20)), timedelta(minutes=30))
    assert says(["", "SKC", ""], event=event) == "clear"


def test_an_automatic_report_speaks_for_the_time_before_it() -> None:
    """Cloud reported at 03:00 by a machine ends a clear spell 15 minutes sooner than an observer's."""
    skies = ["CLR", "OVC030", "OVC030", "OVC030", "OVC030"]
    by_person, by_machine = (
        account_of_station(replace(EVENT, shortest=20 * MINUTE), SITE, station(), hourly("KXAA", each))
        for each in (skies, [f"AUTO {sky}" for sky in skies])
    )
    assert (by_person.says, by_machine.says) == ("unsure", "not_clear")


@pytest.mark.parametrize(("shortest_min", "state"), [(60, "not_clear"), (25, "unsure")])
def test_special_reports_cut_the_hour(shortest_min: int, state: str) -> None:
    """Clear on the hour and overcast at a quarter past: half an hour each may be clear, an hour can't."""
    skies = hourly("KXAA", ["SKC"] * 5)
    specials = [report("KXAA", WINDOW.start + HOUR * h + 15 * MINUTE, "OVC020") for h in range(5)]
    event = replace(EVENT, shortest=shortest_min * MINUTE)
    assert account_of_station(event, SITE, station(), [*skies, *specials]).says == state


def test_repeated_reports_count_once() -> None:
    skies = hourly("KXAA", ["SKC", "OVC030", "SKC", "SKC", "OVC030"])
    once, often = (account_of_station(EVENT, SITE, station(), each) for each in (skies, skies * 3))
    assert once == often


def test_the_last_correction_within_two_days_counts_and_a_later_rewrite_doesnt() -> None:
    at = WINDOW.start
    first = report("KXAA", at, "CLR")
    corrected = report("KXAA", at, "OVC030", received_at=at + 20 * MINUTE)
    rewritten = report("KXAA", at, "SKC", received_at=at + timedelta(hours=49))
    assert reports_in_time(EVENT, [rewritten, corrected, first]) == [corrected]
    assert reports_in_time(EVENT, [rewritten]) == [rewritten]


def test_reports_of_other_stations_and_other_hours_are_ignored() -> None:
    others = [*hourly("KYYY", ["OVC030"] * 5), report("KXAA", WINDOW.start - 2 * HOUR, "OVC030")]
    said = account_of_station(EVENT, SITE, station(), [*hourly("KXAA", ["SKC"] * 5), *others])
    assert (said.says, len(said.raw)) == ("clear", 5)


def test_the_raw_lines_are_kept() -> None:
    said = account_of_station(EVENT, SITE, station(), hourly("KXAA", ["OVC030"] * 5))
    assert said.raw[0] == "METAR KXAA 160200Z 00000KT 10SM OVC030 08/04 A3012"


@pytest.mark.parametrize("shortest_min", [0, -30, 241])
def test_an_event_must_fit_its_window(shortest_min: int) -> None:
    with pytest.raises(BadInput, match="fit the window"):
        Event(WINDOW, timedelta(minutes=shortest_min))


def test_spans_are_joined_and_subtracted() -> None:
    def span(first: int, last: int) -> Span:
        return Span(utc(16, first), utc(16, last))

    assert joined([span(4, 5), span(1, 2), span(2, 3)]) == (span(1, 3), span(4, 5))
    assert free_of(span(1, 9), [span(2, 3), span(5, 12)]) == (span(1, 2), span(3, 5))
    assert free_of(span(1, 9), []) == (span(1, 9),)
    assert free_of(span(1, 9), [span(1, 9)]) == ()
