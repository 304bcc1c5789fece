"""A reader of its own for every recorded answer: plain JSON, hour by hour, against the project's parsers.

It knows no class of the project's but the record it compares with. Each value of the answer must be found at
its time, and each value of the record must stand in the answer.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.feeds.replay import read_recorded_fully
from tests.unit.service.feeds.feed_files import FILES
from tests.unit.service.feeds.test_every_sample import READ

HOUR = timedelta(hours=1)
WITHOUT_WEATHER = {
    "invented-open-meteo-pressure-levels.json",
    "open-meteo-16day-null-tail-2026-10-18.json",
    "open-meteo-air-quality-enschede-2026-10-03.json",
}
"""Of what this reader knows."""

OPEN_METEO = {
    "cloud_cover": "cloud_total_pct",
    "cloud_cover_low": "cloud_low_pct",
    "cloud_cover_mid": "cloud_mid_pct",
    "cloud_cover_high": "cloud_high_pct",
    "visibility": "visibility_m",
    "temperature_2m": "temperature_c",
    "dew_point_2m": "dew_point_c",
    "relative_humidity_2m": "relative_humidity_pct",
    "wind_speed_10m": "wind_ms",
}
MET = {
    "cloud_area_fraction": "cloud_total_pct",
    "cloud_area_fraction_low": "cloud_low_pct",
    "cloud_area_fraction_medium": "cloud_mid_pct",
    "cloud_area_fraction_high": "cloud_high_pct",
    "fog_area_fraction": "fog_pct",
    "air_temperature": "temperature_c",
    "dew_point_temperature": "dew_point_c",
    "relative_humidity": "relative_humidity_pct",
    "wind_speed": "wind_ms",
}
NWS = {
    "skyCover": "cloud_total_pct",
    "temperature": "temperature_c",
    "dewpoint": "dew_point_c",
    "relativeHumidity": "relative_humidity_pct",
    "windSpeed": "wind_ms",
    "windGust": "gust_ms",
    "visibility": "visibility_m",
    "probabilityOfPrecipitation": "precipitation_probability_pct",
    "probabilityOfThunder": "thunder_probability_pct",
}
PER_UNIT = {"km/h": 1 / 3.6, "wmoUnit:km_h-1": 1 / 3.6}


def rows_of_open_meteo(answer):
    """For each place and model: moment -> field -> value, in our units."""
    for element in answer if isinstance(answer, list) else [answer]:
        hourly, units = element["hourly"], element["hourly_units"]
        shift = timedelta(seconds=element["utc_offset_seconds"])
        moments = [
            datetime.fromtimestamp(mark, UTC)
            if isinstance(mark, int)
            else datetime.fromisoformat(mark).replace(tzinfo=UTC) - shift
            for mark in hourly["time"]
        ]
        models: dict[str, dict] = {}
        for key, column in hourly.items():
            name = max(
                (each for each in OPEN_METEO if key == each or key.startswith(each + "_")),
                key=len,
                default=None,
            )
            rest = key[len(name) :].lstrip("_") if name else ""
            if name == "cloud_cover" and (member := re.fullmatch(r"member(\d+)_?(.*)", rest)):
                rows = models.setdefault(member[2], {at: {} for at in moments})
                for at, value in zip(moments, column, strict=True):
                    rows[at][int(member[1])] = value
                continue
            if name is None or re.match(r"(member\d|spread|previous_day\d|max|min|\d+hPa)", rest):
                continue
            rows = models.setdefault(rest, {at: {} for at in moments})
            for at, value in zip(moments, column, strict=True):
                if value is not None:
                    rows[at][OPEN_METEO[name]] = value * PER_UNIT.get(units[key], 1)
        yield from models.values()


def rows_of_met(answer):
    yield {
        datetime.fromisoformat(step["time"]): {
            MET[name]: value for name, value in step["data"]["instant"]["details"].items() if name in MET
        }
        for step in answer["properties"]["timeseries"]
    }


def rows_of_nws(answer):
    """Each layer's intervals, hour by hour; only those of whole hours are looked at."""
    rows: dict[datetime, dict] = {}
    for name, field in NWS.items():
        layer = answer["properties"].get(name) or {"values": []}
        for entry in layer["values"]:
            start, _, length = entry["validTime"].partition("/")
            days, hours, minutes = re.fullmatch(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?", length).groups()
            at = datetime.fromisoformat(start)
            end = at + timedelta(days=int(days or 0), hours=int(hours or 0), minutes=int(minutes or 0))
            while at < end:
                if entry["value"] is not None:
                    rows.setdefault(at, {})[field] = entry["value"] * PER_UNIT.get(layer.get("uom"), 1)
                at += HOUR
    yield rows


def rows_of(answer):
    if isinstance(answer, list) or "hourly" in answer:
        return list(rows_of_open_meteo(answer))
    reads = rows_of_met if "timeseries" in answer["properties"] else rows_of_nws
    return list(reads(answer))


def disagreements(path: Path) -> tuple[int, list[str]]:
    """How many values were compared, and which differ."""
    forecasts = [each for each in read_recorded_fully(path).forecasts if each.source.model != "cams"]
    told = rows_of(json.loads(path.read_text(encoding="utf-8")))
    found, compared = [], 0
    if len(told) != len(forecasts):
        return 0, [f"{len(told)} series in the answer, {len(forecasts)} read"]
    for rows, forecast in zip(told, forecasts, strict=True):
        fields = {field for row in rows.values() for field in row}
        for at, row in rows.items():
            hours = [hour for hour in forecast.hours if hour.starts <= at < hour.ends]
            if len(hours) != 1:
                found.append(f"{at}: {len(hours)} records")
                continue
            for field in fields:
                is_member = isinstance(field, int)
                index = forecast.hours.index(hours[0])
                read = forecast.members[field][index] if is_member else getattr(hours[0], field)
                value = row.get(field)
                compared += 1
                same = value is read is None or (
                    value is not None and read is not None and read == pytest.approx(value, abs=1e-9)
                )
                if not same:
                    found.append(f"{forecast.source.model} {at} {field}: {value} in the answer, {read} read")
    return compared, found


@pytest.mark.parametrize("name", [name for name in READ if name not in WITHOUT_WEATHER])
def test_row_160_another_reader_finds_the_same_in_every_hour(name):
    compared, found = disagreements(FILES / name)
    assert found[:5] == []
    assert compared > 0
