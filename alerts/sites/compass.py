"""Azimuths as words."""

from __future__ import annotations

_WORDS = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)


def direction_word(azimuth_deg: float) -> str:
    """One of the sixteen points of the compass, nearest to an azimuth from north through east."""
    return _WORDS[round(azimuth_deg / 22.5) % 16]
