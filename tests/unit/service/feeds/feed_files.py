"""Recorded answers by name, and ways to look into forecasts."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alerts.weather.forecast import Forecast
from alerts.weather.hours import HourlyWeather

FILES = Path(__file__).parents[3] / "data/feeds"

BERLIN_72H = "open-meteo-forecast-50n10e-72h-2026-03-02.json"
MELBOURNE = "open-meteo-forecast-melbourne-unixtime-layers-2024-01-16.json"
ENSCHEDE = "open-meteo-forecast-layers-enschede-2026-10-03.json"
GEPS = "open-meteo-ensemble-cloud-geps-whistler-2025-12-15.json"
NORDIC = "metno-complete-59n10e-2022-05-18.json"
GLOBAL = "metno-complete-global-43n6e-2024-10-02-excerpt.json"
BOX = "nws-gridpoint-box-70-82-reanchored-2026-07-15.json"
FGZ = "nws-gridpoint-fgz-74-89-reanchored-2024-02-20.json"
TAE = "nws-gridpoint-tae-58-65-2022-02-04.json"
NWS_EDGES = "invented-nws-gridpoint-edge-cases.json"


def read_bytes(name: str) -> bytes:
    return (FILES / name).read_bytes()


def read_json(name: str) -> Any:
    return json.loads(read_bytes(name))


def as_bytes(value: Any) -> bytes:
    return json.dumps(value).encode()


def utc(text: str) -> datetime:
    """`2026-03-02T19:00` as UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def hour_at(forecast: Forecast, text: str) -> HourlyWeather:
    """The record that stands for that UTC time."""
    at = utc(text)
    (found,) = (hour for hour in forecast.hours if hour.starts <= at < hour.ends)
    return found


def values(hour: HourlyWeather, *names: str) -> tuple[object, ...]:
    return tuple(round(v, 4) if isinstance(v := getattr(hour, name), float) else v for name in names)
