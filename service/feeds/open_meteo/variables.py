"""Open-Meteo's variables: what each becomes in our record, in which units it may come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_PERCENT = {"%": (1.0, 0.0)}
_CELSIUS = {"°C": (1.0, 0.0), "°F": (1 / 1.8, -32 / 1.8)}
_SPEED = {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "mp/h": (0.44704, 0.0), "kn": (1852 / 3600, 0.0)}
_METRES = {"m": (1.0, 0.0), "ft": (0.3048, 0.0)}
_MILLIMETRES = {"mm": (1.0, 0.0), "inch": (25.4, 0.0)}
_MICROGRAMS = {"μg/m³": (1.0, 0.0)}
"""With a Greek mu, as the service writes it."""


@dataclass(frozen=True, slots=True)
class Variable:
    """What a variable becomes: a field of the record, and factor and offset by unit."""

    field: str
    units: Mapping[str, tuple[float, float]]


INSTANT = {
    "cloud_cover": Variable("cloud_total_pct", _PERCENT),
    "cloud_cover_low": Variable("cloud_low_pct", _PERCENT),
    "cloud_cover_mid": Variable("cloud_mid_pct", _PERCENT),
    "cloud_cover_high": Variable("cloud_high_pct", _PERCENT),
    "visibility": Variable("visibility_m", _METRES),
    "temperature_2m": Variable("temperature_c", _CELSIUS),
    "dew_point_2m": Variable("dew_point_c", _CELSIUS),
    "relative_humidity_2m": Variable("relative_humidity_pct", _PERCENT),
    "wind_speed_10m": Variable("wind_ms", _SPEED),
}
HIGHEST = {
    "wind_gusts_10m": Variable("gust_ms", _SPEED),
    "precipitation_probability": Variable("precipitation_probability_pct", _PERCENT),
}
AMOUNT = {"precipitation": Variable("precipitation_mm", _MILLIMETRES)}
AIR = {
    "aerosol_optical_depth": Variable("aerosol_optical_depth", {"": (1.0, 0.0)}),
    "pm2_5": Variable("pm2_5_ug_m3", _MICROGRAMS),
    "dust": Variable("dust_ug_m3", _MICROGRAMS),
}
"""Of its air quality service, values of the moment."""
CODE = {"weather_code": Variable("weather_code", {"wmo code": (1.0, 0.0)})}
WEATHER = {**INSTANT, **HIGHEST, **AMOUNT, **CODE}
"""All that is asked of a single run overhead."""
CLOUD = ("cloud_cover", "cloud_cover_low", "cloud_cover_mid", "cloud_cover_high")
"""All that is asked of a single run along a line of sight."""
ENSEMBLE = ("cloud_cover",)
"""All that is asked of ensembles, whose every member counts against the limits."""
LEVEL_CLOUD, LEVEL_HEIGHT = "cloud_cover", "geopotential_height"
LEVEL_UNITS = {LEVEL_CLOUD: _PERCENT, LEVEL_HEIGHT: _METRES}
"""By level of pressure: `cloud_cover_850hPa`, and how high the level lies above the sea."""
LOW_LEVELS_HPA = (1000, 950, 925, 900, 850, 800, 700)
HIGH_LEVELS_HPA = (900, 850, 800, 700, 600, 500, 400)
"""Below and above a site that stands in the low and one that may stand in the mid cloud. A level that a model
lacks comes back as unknown throughout."""
VARIABLES = {**WEATHER, **AIR}
"""Everything read, by Open-Meteo's name."""


def level_names(levels_hpa: tuple[int, ...]) -> tuple[str, ...]:
    """What is asked about those levels."""
    return tuple(f"{name}_{hpa}hPa" for hpa in levels_hpa for name in LEVEL_UNITS)
