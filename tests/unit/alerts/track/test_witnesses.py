"""Stations that are no witnesses of their own."""

from __future__ import annotations

from datetime import timedelta

import pytest

from alerts.common.phrases import phrase
from alerts.track.observations.evidence import OutcomeState, SkyReport, Station
from alerts.track.observations.stations import NightSeen, find_copies, find_never_cloudy, find_same_place
from tests.unit.alerts.track.files import NIGHT, report, station, utc

CLEAR, NOT_CLEAR, UNSURE = OutcomeState
SKIES = ("CLR", "FEW040", "BKN020", "OVC010")


def series(name: str, skies: tuple[str, ...] = SKIES, count: int = 60) -> list[SkyReport]:
    start = utc(1, 0)
    return [report(name, start + timedelta(hours=i), skies[i % len(skies)]) for i in range(count)]


def test_a_station_that_copies_another_is_found() -> None:
    assert find_copies(series("KAAA") + series("KBBB")) == {
        "KBBB": phrase("observations.repeats", station="KAAA")
    }


@pytest.mark.parametrize(
    "others",
    [
        series("KBBB", count=47),
        series("KBBB", ("CLR",)),
        series("KBBB", (*SKIES[:3], "OVC011")),
        [report(each.station, each.at + timedelta(minutes=5), "CLR") for each in series("KBBB")],
    ],
    ids=["too few shared", "other readings", "one base differs", "never the same minute"],
)
def test_a_station_of_its_own_is_kept(others: list[SkyReport]) -> None:
    assert find_copies(series("KAAA") + others) == {}


def test_two_stations_under_one_clear_sky_are_no_copies() -> None:
    assert find_copies(series("KAAA", ("CLR",), 500) + series("KBBB", ("CLR",), 500)) == {}


def test_the_better_of_two_at_one_place_is_kept() -> None:
    places = [station("KAAA", 10), station("72507", 11), station("KBBB", 20), station("10001", 12.5)]
    assert find_same_place(places) == {
        "72507": phrase("observations.same-place", station="KAAA"),
        "10001": phrase("observations.same-place", station="KAAA"),
    }


def test_same_place_is_measured_in_kilometres_at_any_latitude() -> None:
    north = [Station(name, "METAR", 70.0, lon, 0.0) for name, lon in (("A", 20.0), ("B", 20.07))]
    assert find_same_place(north) == {"B": phrase("observations.same-place", station="A")}


@pytest.mark.parametrize(
    ("said", "others", "is_dull"),
    [
        ([CLEAR] * 30, [NOT_CLEAR] * 5 + [CLEAR] * 25, True),
        ([CLEAR] * 29, [NOT_CLEAR] * 29, False),
        ([CLEAR] * 300, [CLEAR] * 296 + [NOT_CLEAR] * 4, False),
        ([CLEAR] * 300, [UNSURE] * 300, False),
        ([CLEAR] * 29 + [NOT_CLEAR], [NOT_CLEAR] * 30, False),
        ([CLEAR] * 29 + [UNSURE], [NOT_CLEAR] * 30, False),
    ],
    ids=[
        "always clear",
        "too few nights",
        "a dry season",
        "nobody knows better",
        "saw cloud once",
        "was unsure once",
    ],
)
def test_a_station_that_never_sees_cloud(
    said: list[OutcomeState], others: list[OutcomeState], is_dull: bool
) -> None:
    nights = [
        NightSeen("KAAA", NIGHT + timedelta(days=i), mine, theirs)
        for i, (mine, theirs) in enumerate(zip(said, others, strict=True))
    ]
    assert ("KAAA" in find_never_cloudy(nights)) is is_dull
