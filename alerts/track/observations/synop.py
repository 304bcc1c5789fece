"""SYNOP (FM 12) from land stations: total cloud N in eighths, and nothing else of the report.

Code tables: WMO-No. 306, volume I.1: 1860 (i_x), 2700 (N), 1600 (h).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.units import FEET_PER_M
from alerts.track.observations.evidence import CloudLayer, SkyReading, SkyState

OBSCURED_N = 9
MANNED_IX = "123"
LOWEST_BASE_M = {
    "0": 0, "1": 50, "2": 100, "3": 200, "4": 300, "5": 600, "6": 1000, "7": 1500, "8": 2000, "9": 2500
}  # fmt: skip
"""The lower end of each class of h, the base of the lowest cloud (code table 1600)."""

_REPORT = re.compile(
    r"\bAAXX\s+(\d{4})[\d/]\s+(\d{5})\s+(?:(NIL)|[\d/]([\d/])([\d/])[\d/]{2}\s+([\d/])[\d/]{4})"
)


@dataclass(frozen=True, slots=True)
class SynopReport:
    """One station's sky. day_hour: `DDHH`, the report's day of the month and hour in UTC."""

    station: str
    day_hour: str
    reading: SkyReading


def read_synop(raw: str) -> SynopReport:
    """The sky of one raw land SYNOP, with or without an archive's columns before `AAXX`.

    N = 9 is obscured, N = `/` and NIL are unknown. N = 0 by an instrument proves only what it can see.
    The base is the lower end of the class of the lowest cloud, 0 where it wasn't measured.
    BadInput for other kinds of message and for text cut before N.
    """
    match = _REPORT.search(raw)
    if match is None:
        raise BadInput(phrase("track.no-synop", report=raw.strip()[:40]))
    day_hour, station, nil, kind, height, amount = match.groups()
    is_automatic = not nil and kind not in MANNED_IX
    if nil or amount == "/":
        reading = SkyReading(SkyState.UNKNOWN, is_automatic=is_automatic)
    elif int(amount) == 0:
        state = SkyState.CLEAR_BELOW if is_automatic else SkyState.CLEAR
        reading = SkyReading(state, 0, 0, is_automatic=is_automatic)
    elif int(amount) == OBSCURED_N:
        hidden = CloudLayer(8, 8, 0.0)
        reading = SkyReading(SkyState.OBSCURED, 8, 8, is_automatic=is_automatic, layers=(hidden,))
    else:
        oktas = int(amount)
        layer = CloudLayer(oktas, oktas, FEET_PER_M * LOWEST_BASE_M.get(height, 0))
        reading = SkyReading(SkyState.CLOUD, oktas, oktas, is_automatic=is_automatic, layers=(layer,))
    return SynopReport(station, day_hour, reading)
