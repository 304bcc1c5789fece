"""Coordinates as people type them."""

from __future__ import annotations

import math
import re

from alerts.errors import BadInput

_PAIR = re.compile(r"^\s*([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)°?\s*[,;\s]\s*([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)°?\s*$")


def parse_lat_lon(text: str) -> tuple[float, float]:
    """Latitude and longitude in decimal degrees from `40.3,-1.4`; north and east are positive.

    BadInput when it isn't two numbers, or when they can't be coordinates (with a hint when they
    look swapped).
    """
    match = _PAIR.match(text.replace("−", "-"))
    if match is None:
        raise BadInput(
            f"{text!r} is no LAT,LON; write decimal degrees such as 40.3,-1.4 (south and west negative)."
        )
    lat_deg, lon_deg = float(match[1]), float(match[2])
    if not math.isfinite(lat_deg) or abs(lat_deg) > 90:
        hint = f" Latitude comes first; did you mean {lon_deg:g},{lat_deg:g}?" if abs(lon_deg) <= 90 else ""
        raise BadInput(f"latitude {lat_deg:g} is outside -90..90.{hint}")
    if not math.isfinite(lon_deg) or abs(lon_deg) > 180:
        raise BadInput(f"longitude {lon_deg:g} is outside -180..180.")
    return lat_deg, lon_deg
