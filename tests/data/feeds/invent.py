"""Writes the invented answers that have the whole shape of real ones: nothing in them is anybody's weather.

    python tests/data/feeds/invent.py

From SEED alone; a test compares the files with what this makes. Shapes: api.weather.gov/openapi.json,
api.met.no/doc/locationforecast/datamodel, open-meteo.com/en/docs.
"""

from __future__ import annotations

import json
import math
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

SEED = 1_711
HERE = Path(__file__).parent
HOUR = timedelta(hours=1)

MEASURED = {
    # layer: unit, lowest, highest, step of its values
    "temperature": ("wmoUnit:degC", 4, 19, 5 / 9),
    "dewpoint": ("wmoUnit:degC", 1, 9, 5 / 9),
    "maxTemperature": ("wmoUnit:degC", 15, 19, 5 / 9),
    "minTemperature": ("wmoUnit:degC", 3, 6, 5 / 9),
    "relativeHumidity": ("wmoUnit:percent", 40, 96, 1),
    "apparentTemperature": ("wmoUnit:degC", 4, 19, 5 / 9),
    "wetBulbGlobeTemperature": ("wmoUnit:degC", 3, 17, 5 / 9),
    "heatIndex": ("wmoUnit:degC", 10, 19, 5 / 9),
    "windChill": ("wmoUnit:degC", 0, 9, 5 / 9),
    "skyCover": ("wmoUnit:percent", 0, 100, 1),
    "windDirection": ("wmoUnit:degree_(angle)", 0, 350, 10),
    "windSpeed": ("wmoUnit:km_h-1", 1.852, 24.076, 1.852),
    "windGust": ("wmoUnit:km_h-1", 3.704, 38.892, 1.852),
    "probabilityOfPrecipitation": ("wmoUnit:percent", 0, 60, 1),
    "quantitativePrecipitation": ("wmoUnit:mm", 0, 4, 0.254),
    "iceAccumulation": ("wmoUnit:mm", 0, 0, 1),
    "snowfallAmount": ("wmoUnit:mm", 0, 0, 1),
    "ceilingHeight": ("wmoUnit:m", 300, 3000, 30.48),
    "visibility": ("wmoUnit:m", 800, 16093.44, 160.9344),
    "transportWindSpeed": ("wmoUnit:km_h-1", 5.556, 40.744, 1.852),
    "transportWindDirection": ("wmoUnit:degree_(angle)", 0, 350, 10),
    "mixingHeight": ("wmoUnit:m", 100, 2500, 30.48),
    "twentyFootWindSpeed": ("wmoUnit:km_h-1", 1.852, 22.224, 1.852),
    "twentyFootWindDirection": ("wmoUnit:degree_(angle)", 0, 350, 10),
    # the schema leaves `uom` optional, and these come without it
    "probabilityOfThunder": (None, 0, 30, 1),
    "hainesIndex": (None, 2, 6, 1),
    "lightningActivityLevel": (None, 1, 4, 1),
    "redFlagThreatIndex": (None, 0, 2, 1),
    "heatRisk": (None, 0, 2, 1),
}
EMPTY = (
    "snowLevel",
    "waveHeight",
    "wavePeriod",
    "waveDirection",
    "primarySwellHeight",
    "primarySwellDirection",
    "secondarySwellHeight",
    "secondarySwellDirection",
    "wavePeriod2",
    "windWaveHeight",
    "dispersionIndex",
    "pressure",
    "probabilityOfTropicalStormWinds",
    "probabilityOfHurricaneWinds",
    "potentialOf15mphWinds",
    "potentialOf25mphWinds",
    "potentialOf35mphWinds",
    "potentialOf45mphWinds",
    "potentialOf20mphWindGusts",
    "potentialOf30mphWindGusts",
    "potentialOf40mphWindGusts",
    "potentialOf50mphWindGusts",
    "potentialOf60mphWindGusts",
    "grasslandFireDangerIndex",
    "davisStabilityIndex",
    "atmosphericDispersionIndex",
    "lowVisibilityOccurrenceRiskIndex",
    "stability",
)


def zulu(at: datetime) -> str:
    return f"{at:%Y-%m-%dT%H:%M:%SZ}"


def duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")


def walk(dice: random.Random, low: float, high: float, step: float, count: int) -> list[float]:
    """A series that wanders between two values in whole steps."""
    at, top, found = dice.uniform(0.2, 0.8), round((high - low) / step), []
    for _ in range(count):
        at = min(1.0, max(0.0, at + dice.choice((0, 0, 1)) * dice.gauss(0, 0.2)))
        value = low + step * round(top * at)
        found.append(int(value) if value == int(value) else value)
    return found


def merged(start: datetime, values: list[Any], hours: int = 1) -> list[dict[str, Any]]:
    """Intervals as the service writes them: equal neighbours as one."""
    runs: list[list[Any]] = []
    for value in values:
        if runs and runs[-1][0] == value:
            runs[-1][1] += hours
        else:
            runs.append([value, hours])
    found = []
    for value, length in runs:
        stamp = f"{start:%Y-%m-%dT%H:%M:%S}+00:00/{duration(length)}"
        found.append({"validTime": stamp, "value": value})
        start += length * HOUR
    return found


def gridpoint(dice: random.Random) -> dict[str, Any]:
    start = datetime(2026, 10, 9, 12, tzinfo=UTC)
    layers: dict[str, Any] = {}
    for name, (unit, low, high, step) in MEASURED.items():
        every = 6 if name in ("quantitativePrecipitation", "iceAccumulation", "snowfallAmount") else 1
        values = merged(start, walk(dice, low, high, step, 181 // every), every)
        layers[name] = ({"uom": unit} if unit else {}) | {"values": values}
    layers["windChill"] = {"uom": "wmoUnit:degC", "values": merged(start, [None] * 181)}
    nothing = [
        {
            "coverage": None,
            "weather": None,
            "intensity": None,
            "visibility": {"unitCode": "wmoUnit:km", "value": None},
            "attributes": [],
        }
    ]
    fog = [{**nothing[0], "coverage": "patchy", "weather": "fog"}]
    layers["weather"] = {"values": merged(start, [nothing] * 14 + [fog] * 5 + [nothing] * 162)}
    layers["hazards"] = {"values": []}
    layers |= {name: {"values": []} for name in EMPTY}
    corners = [[-101.02, 40.01], [-101.02, 40.03], [-100.99, 40.03], [-100.99, 40.01], [-101.02, 40.01]]
    return {
        "@context": ["https://geojson.org/geojson-ld/geojson-context.jsonld"],
        "id": "https://api.weather.gov/gridpoints/INV/7,11",
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [corners]},
        "properties": {
            "@id": "https://api.weather.gov/gridpoints/INV/7,11",
            "@type": "wx:Gridpoint",
            "updateTime": "2026-10-09T17:36:45+00:00",
            "validTimes": f"2026-10-09T12:00:00+00:00/{duration(181)}",
            "elevation": {"unitCode": "wmoUnit:m", "value": 911.9616},
            "forecastOffice": "https://api.weather.gov/offices/INV",
            "gridId": "INV",
            "gridX": 7,
            "gridY": 11,
            **layers,
        },
    }


KINDS = (
    ("Wind Advisory", "Moderate"),
    ("Winter Storm Watch", "Severe"),
    ("Dense Fog Advisory", "Minor"),
    ("Flood Watch", "Unknown"),
)


def alerts(dice: random.Random) -> dict[str, Any]:
    """Forty alerts, of which one has a time that nobody can read and one none at all."""
    features = []
    for number in range(40):
        event, severity = KINDS[number % len(KINDS)]
        onset = datetime(2026, 10, 9, tzinfo=UTC) + dice.randrange(72) * HOUR
        ends = onset + dice.randrange(3, 30) * HOUR
        alert_id = f"urn:oid:2.49.0.1.840.0.invented.{number:03d}.1"
        features.append(
            {
                "id": f"https://api.weather.gov/alerts/{alert_id}",
                "type": "Feature",
                "geometry": None,
                "properties": {
                    "@id": f"https://api.weather.gov/alerts/{alert_id}",
                    "@type": "wx:Alert",
                    "id": alert_id,
                    "areaDesc": f"Invented County {number}; Invented Coast",
                    "geocode": {"SAME": ["000000"], "UGC": ["ZZZ000"]},
                    "affectedZones": ["https://api.weather.gov/zones/forecast/ZZZ000"],
                    "references": [],
                    "sent": zulu(onset - 5 * HOUR),
                    "effective": zulu(onset - 5 * HOUR),
                    "onset": zulu(onset),
                    "expires": zulu(ends),
                    "ends": None if number % 9 == 4 else zulu(ends),
                    "status": "Actual",
                    "messageType": "Update" if number % 7 == 3 else "Alert",
                    "category": "Met",
                    "severity": severity,
                    "certainty": "Likely",
                    "urgency": "Expected",
                    "event": event,
                    "sender": "nobody@weather.invalid",
                    "senderName": "An invented office",
                    "headline": f"{event}, number {number}",
                    "description": "* WHAT...Nothing.\n\n* WHERE...Nowhere.",
                    "instruction": None,
                    "response": "Monitor",
                    "parameters": {"VTEC": ["/O.NEW.KINV.XX.Y.0001.000000T0000Z-000000T0000Z/"]},
                },
            }
        )
    features[11]["properties"]["ends"] = "the day after, about noon"
    features[23]["properties"] |= {"ends": None, "expires": None}
    return {
        "@context": [],
        "type": "FeatureCollection",
        "features": features,
        "title": "Invented alerts",
        "updated": "2026-10-09T17:00:00Z",
    }


def locationforecast(dice: random.Random, *, complete: bool) -> dict[str, Any]:
    """A global run as served nine hours and a half after its update: 61 hours, then six-hourly."""
    updated, first = datetime(2026, 10, 9, 1, 30, 57, tzinfo=UTC), datetime(2026, 10, 9, 11, tzinfo=UTC)
    times = [first + k * HOUR for k in range(61)]
    times += [times[-1] + (k + 1) * 6 * HOUR for k in range(29)]
    details = {
        "air_pressure_at_sea_level": ("hPa", 995, 1030, 0.1),
        "air_temperature": ("celsius", 3, 18, 0.1),
        "cloud_area_fraction": ("%", 0, 100, 0.8),
        "relative_humidity": ("%", 40, 98, 0.1),
        "wind_from_direction": ("degrees", 0, 359.9, 0.1),
        "wind_speed": ("m/s", 0.2, 9, 0.1),
    }
    if complete:
        details |= {
            "cloud_area_fraction_high": ("%", 0, 100, 0.8),
            "cloud_area_fraction_low": ("%", 0, 100, 0.8),
            "cloud_area_fraction_medium": ("%", 0, 100, 0.8),
            "dew_point_temperature": ("celsius", 0, 9, 0.1),
            "fog_area_fraction": ("%", 0, 30, 0.8),
            "ultraviolet_index_clear_sky": ("1", 0, 4, 0.1),
        }
    columns = {
        name: [round(value, 1) for value in walk(dice, low, high, step, len(times))]
        for name, (_, low, high, step) in details.items()
    }
    rain = [round(max(0.0, dice.gauss(-0.5, 0.6)), 1) for _ in times]
    series = []
    for index, at in enumerate(times):
        hourly, last = index < 61, index == len(times) - 1
        here = {
            name: column[index]
            for name, column in sorted(columns.items())
            if hourly or name not in ("fog_area_fraction", "ultraviolet_index_clear_sky")
        }
        data: dict[str, Any] = {"instant": {"details": here}}
        code = "fog" if index == 30 else "lightrainshowers_night" if rain[index] else "fair_night"
        if not last:
            data["next_12_hours"] = {"summary": {"symbol_code": code}} | ({"details": {}} if complete else {})
            if hourly:
                data["next_1_hours"] = {
                    "summary": {"symbol_code": code},
                    "details": {"precipitation_amount": rain[index]},
                }
            more = {"air_temperature_max": 12.1, "air_temperature_min": 6.4} if complete else {}
            data["next_6_hours"] = {
                "summary": {"symbol_code": code},
                "details": more | {"precipitation_amount": rain[index]},
            }
        series.append({"time": zulu(at), "data": data})
    units = {name: unit for name, (unit, *_) in details.items()} | {"precipitation_amount": "mm"}
    units |= {"air_temperature_max": "celsius", "air_temperature_min": "celsius"} if complete else {}
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [10.5, 44.25, 640]},
        "properties": {
            "meta": {"updated_at": zulu(updated), "units": dict(sorted(units.items()))},
            "timeseries": series,
        },
    }


WEATHER = {
    "temperature_2m": ("°C", 2, 17, 0.1),
    "relative_humidity_2m": ("%", 40, 98, 1),
    "dew_point_2m": ("°C", 0, 8, 0.1),
    "cloud_cover": ("%", 0, 100, 1),
    "cloud_cover_low": ("%", 0, 100, 1),
    "cloud_cover_mid": ("%", 0, 100, 1),
    "cloud_cover_high": ("%", 0, 100, 1),
    "visibility": ("m", 900, 24140, 20),
    "wind_speed_10m": ("m/s", 0.2, 9, 0.1),
    "wind_gusts_10m": ("m/s", 1, 15, 0.1),
    "precipitation": ("mm", 0, 0.6, 0.1),
    "precipitation_probability": ("%", 0, 60, 1),
    "weather_code": ("wmo code", 0, 3, 1),
}


def openmeteo(
    times: list[Any], columns: dict[str, list[Any]], units: dict[str, str], **more: Any
) -> dict[str, Any]:
    return {
        "latitude": -34.75,
        "longitude": 138.75,
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": 1850.0,
        **more,
        "hourly_units": units,
        "hourly": {"time": times, **columns},
    }


def half_hour_zone(dice: random.Random) -> dict[str, Any]:
    """Three days of wall time at +9:30."""
    local = datetime(2026, 10, 9)  # noqa: DTZ001  # wall time, as the answer has it
    times = [f"{local + k * HOUR:%Y-%m-%dT%H:%M}" for k in range(72)]
    columns = {
        name: [round(each, 1) for each in walk(dice, low, high, step, 72)]
        for name, (_, low, high, step) in WEATHER.items()
    }
    units = {"time": "iso8601"} | {name: unit for name, (unit, *_) in WEATHER.items()}
    zone = {
        "utc_offset_seconds": 34200,
        "timezone": "Australia/Adelaide",
        "timezone_abbreviation": "GMT+9:30",
        "elevation": 12.0,
    }
    return openmeteo(times, columns, units, **zone)


LEVELS_M = {1000: 128, 950: 561, 925: 786, 900: 1014, 850: 1488, 800: 1985, 700: 3060}


def pressure_levels(dice: random.Random) -> dict[str, Any]:
    """Two days over a mountain: stratus up to 1,250 m for 18 hours, and a level that the model lacks."""
    start = datetime(2026, 10, 9, 12, tzinfo=UTC)
    times = [int((start + k * HOUR).timestamp()) for k in range(48)]
    deck = [100 if k < 18 else 0 for k in range(48)]
    columns: dict[str, list[Any]] = {}
    units = {"time": "unixtime"}
    for hpa, height_m in LEVELS_M.items():
        lacks = hpa == 800
        cloud, height = f"cloud_cover_{hpa}hPa", f"geopotential_height_{hpa}hPa"
        waves = [round(height_m + 12 * math.sin(k / 5) + dice.uniform(-2, 2)) for k in range(48)]
        columns[cloud] = [None] * 48 if lacks else deck if height_m < 1250 else [0] * 48
        columns[height] = [None] * 48 if lacks else waves
        units |= {cloud: "undefined" if lacks else "%", height: "undefined" if lacks else "m"}
    return openmeteo(times, columns, units, latitude=46.5, longitude=8.0)


def answers() -> dict[str, dict[str, Any]]:
    """Every invented answer of a whole shape by its file's name."""
    makers = {
        "invented-nws-gridpoint-whole.json": gridpoint,
        "invented-nws-alerts-forty.json": alerts,
        "invented-metno-complete-global-whole.json": lambda dice: locationforecast(dice, complete=True),
        "invented-metno-compact-global-whole.json": lambda dice: locationforecast(dice, complete=False),
        "invented-open-meteo-half-hour-zone.json": half_hour_zone,
        "invented-open-meteo-pressure-levels.json": pressure_levels,
    }
    return {name: make(random.Random(f"{SEED} {name}")) for name, make in makers.items()}


def as_text(answer: dict[str, Any]) -> str:
    return json.dumps(answer, ensure_ascii=False, separators=(",", ":")) + "\n"


if __name__ == "__main__":
    for file_name, made in answers().items():
        (HERE / file_name).write_text(as_text(made), encoding="utf-8")
