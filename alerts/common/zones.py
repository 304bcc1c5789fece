"""Time zones by their IANA names."""

from __future__ import annotations

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase


def zone_info(zone: str) -> ZoneInfo:
    """The zone of that IANA name; BadInput when there is none."""
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(phrase("common.not-a-zone", zone=zone)) from error
