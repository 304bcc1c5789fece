"""Every recorded and invented answer, read or refused: how many hours and members, of which model.

Their values at chosen hours are asserted in each feed's own tests.
"""

import runpy

import pytest

from alerts.common.errors import BadInput
from service.feeds.replay import read_recorded_fully
from tests.unit.service.feeds.feed_files import FILES, hour_at, utc, values

READ = {
    "invented-nws-gridpoint-edge-cases.json": [("gridpoint", 55, 0, "2026-10-09T12:00")],
    "invented-open-meteo-dst-fixed-offset-berlin-2026-10-25.json": [("unknown", 10, 0, "2026-10-24T20:00")],
    "invented-open-meteo-ensemble-clearing-night.json": [("unknown", 14, 21, "2026-10-09T18:00")],
    "invented-open-meteo-multilocation-cloud-layers.json": [("unknown", 12, 0, "2026-10-09T18:00")] * 3,
    "invented-open-meteo-multimodel-cloud-layers.json": [
        ("icon_seamless", 24, 0, "2026-10-09T12:00"),
        ("gfs_seamless", 24, 0, "2026-10-09T12:00"),
        ("metno_nordic", 24, 0, "2026-10-09T12:00"),
    ],
    "invented-metno-compact-global-whole.json": [("global", 90, 0, "2026-10-09T11:00")],
    "invented-metno-complete-global-whole.json": [("global", 90, 0, "2026-10-09T11:00")],
    "invented-nws-gridpoint-whole.json": [("gridpoint", 181, 0, "2026-10-09T12:00")],
    "invented-open-meteo-half-hour-zone.json": [("unknown", 72, 0, "2026-10-08T14:30")],
    "invented-open-meteo-pressure-levels.json": [("unknown", 48, 0, "2026-10-09T12:00")],
    "metno-complete-59n10e-2022-05-18.json": [("nordic", 79, 0, "2022-05-18T21:00")],
    "metno-complete-global-43n6e-2024-10-02-excerpt.json": [("global", 12, 0, "2024-10-02T08:00")],
    "nws-gridpoint-box-70-82-reanchored-2026-07-15.json": [("gridpoint", 186, 0, "2026-07-15T12:00")],
    "nws-gridpoint-fgz-74-89-reanchored-2024-02-20.json": [("gridpoint", 187, 0, "2024-02-20T11:00")],
    "nws-gridpoint-tae-58-65-2022-02-04.json": [("gridpoint", 183, 0, "2022-02-03T21:00")],
    "open-meteo-16day-null-tail-2026-10-18.json": [("unknown", 4, 0, "2026-10-18T20:00")],
    "open-meteo-air-quality-enschede-2026-10-03.json": [("cams", 3, 0, "2026-10-02T22:00")],
    "open-meteo-ensemble-amsterdam-temperature-2026-07-11.json": [("unknown", 1, 0, "2026-07-10T22:00")],
    "open-meteo-ensemble-cloud-geps-whistler-2025-12-15.json": [("unknown", 120, 21, "2025-12-15T00:00")],
    "open-meteo-ensemble-mean-spread-2026-10-03.json": [("unknown", 2, 0, "2026-10-03T19:00")],
    "open-meteo-ensemble-multimodel-suffix-2026-10-03.json": [
        ("icon_seamless_eps", 1, 0, "2026-10-03T18:00"),
        ("ecmwf_ifs025_ensemble", 1, 0, "2026-10-03T18:00"),
    ],
    "open-meteo-forecast-50n10e-72h-2026-03-02.json": [("unknown", 72, 0, "2026-03-01T23:00")],
    "open-meteo-forecast-layers-enschede-2026-10-03.json": [("unknown", 3, 0, "2026-10-02T22:00")],
    "open-meteo-forecast-melbourne-unixtime-layers-2024-01-16.json": [("unknown", 24, 0, "2024-01-16T09:00")],
    "open-meteo-multimodel-one-covering-enschede-2026-10-03.json": [("unknown", 2, 0, "2026-10-03T11:00")],
    "open-meteo-multimodel-zurich-2026-10-03.json": [
        ("icon_seamless", 2, 0, "2026-10-03T11:00"),
        ("meteoswiss_icon_seamless", 2, 0, "2026-10-03T11:00"),
        ("gfs_seamless", 2, 0, "2026-10-03T11:00"),
    ],
    "open-meteo-previous-runs-multimodel-2026-10-03.json": [
        ("icon_seamless", 2, 0, "2026-10-03T18:00"),
        ("gfs_seamless", 2, 0, "2026-10-03T18:00"),
    ],
}
REFUSED = (
    "invented-metno-alerts.json",
    "invented-nws-alerts-forty.json",
    "invented-nws-alerts-edge-cases.json",
    "invented-open-meteo-meta.json",
    "invented-open-meteo-truncated-stream-200.txt",
    "metno-errors.json",
    "nws-alerts-three-reanchored-2026-07-15.json",
    "nws-errors.json",
    "nws-points-30-85.json",
    "nws-points-box-2026-07-15.json",
    "open-meteo-elevation-enschede.json",
    "open-meteo-errors.json",
    "open-meteo-multilocation-daily-2025-01-28.json",
    "open-meteo-uncovered-nan-200.txt",
)
REJECTED = ("invented-open-meteo-ensemble-unit-slip-0-1.json",)


def test_no_sample_is_left_out():
    there = {path.name for path in FILES.iterdir() if path.suffix in (".json", ".txt")}
    assert there == {*READ, *REFUSED, *REJECTED}


def test_invented_answers_of_a_whole_shape_are_those_that_their_script_makes():
    made = runpy.run_path(str(FILES / "invent.py"))
    for name, answer in made["answers"]().items():
        assert (FILES / name).read_text(encoding="utf-8") == made["as_text"](answer), name


@pytest.mark.parametrize("name", READ)
def test_what_a_sample_holds_is_read(name):
    gathered = read_recorded_fully(FILES / name)
    found = [
        (each.source.model, len(each.hours), len(each.members), each.hours[0].starts)
        for each in gathered.forecasts
    ]
    expected = [(model, hours, members, utc(first)) for model, hours, members, first in READ[name]]
    starts = [(model, hours, members) for model, hours, members, _ in found]
    assert starts == [entry[:3] for entry in expected]
    for each, (*_, first) in zip(gathered.forecasts, expected, strict=True):
        assert each.hours[0].starts <= first < each.hours[0].ends
    assert gathered.failures == ()


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_forecast_is_refused(name):
    with pytest.raises(BadInput):
        read_recorded_fully(FILES / name)


@pytest.mark.parametrize("name", REJECTED)
def test_what_closes_a_gate_is_rejected_with_its_reason(name):
    gathered = read_recorded_fully(FILES / name)
    assert gathered.forecasts == ()
    assert "share of 1, not percent" in gathered.failures[0].text


def test_the_air_quality_sample_is_read_on_its_hours():
    """Its first and last values; the answer is in local time, two hours ahead of UTC."""
    (air,) = read_recorded_fully(FILES / "open-meteo-air-quality-enschede-2026-10-03.json").forecasts
    names = ("aerosol_optical_depth", "pm2_5_ug_m3", "dust_ug_m3", "cloud_total_pct")
    assert values(hour_at(air, "2026-10-02T22:00"), *names) == (0.12, 20.5, 0.0, None)
    assert values(hour_at(air, "2026-10-03T00:00"), *names) == (0.13, 18.9, 0.0, None)
    assert air.source.lineage == "cams"
