"""Figures in the units that a person wished, and our own sentences turned into them."""

from __future__ import annotations

from alerts.common.units import MILES_PER_KM, MPH_PER_MS, Units, _whole


def say_temperature(celsius: float, units: Units) -> str:
    """`−4 °C`, `25 °F`."""
    return f"{_whole(celsius * 9 / 5 + 32)} °F" if units.fahrenheit else f"{_whole(celsius)} °C"


def say_speed(ms: float, units: Units) -> str:
    """`7 m/s`, `16 mph`."""
    return f"{ms * MPH_PER_MS:.0f} mph" if units.miles else f"{ms:.0f} m/s"


def say_distance(km: float, units: Units) -> str:
    """`41 km`, `25 miles`."""
    return f"{km * MILES_PER_KM:.0f} miles" if units.miles else f"{km:.0f} km"
