"""Stations' reports in code. METAR and SPECI: our own small reader of the sky group, and of nothing else.

Codes: U.S. Federal Meteorological Handbook No. 1 (1995), chapter 9; WMO-No. 306, volume I.1, FM 15.
No amount is ever made up: `//////`, a report without a sky group and NIL are unknown, not clear.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from itertools import takewhile

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.span import require_utc
from alerts.common.units import FEET_PER_M
from alerts.track.observations.evidence import (
    CAVOK_REACH_FT,
    CEILOMETER_REACH_FT,
    CloudLayer,
    SkyReading,
    SkyState,
)

OKTAS = {"FEW": (1, 2), "SCT": (3, 4), "BKN": (5, 7), "OVC": (8, 8)}
ALL_HIDDEN = (8, 8)
CLOCK_SKEW = timedelta(minutes=10)
"""A report may be dated this much after our own clock."""

_TIME = re.compile(r"(\d{2})(\d{2})(\d{2})Z")
_LAYER = re.compile(r"(FEW|SCT|BKN|OVC)(\d{3}|///)(?:CB|TCU|///)?")
_HIDDEN = re.compile(r"VV(\d{3}|///)")
_CLEAR_REACH_FT = {"CLR": CEILOMETER_REACH_FT, "NSC": CAVOK_REACH_FT, "CAVOK": CAVOK_REACH_FT, "NCD": None}
_ENDS_BODY = {"NOSIG", "BECMG", "TEMPO", "INTER", "RMK"}
_NOT_REPORTS = {"TAF", "AIRMET", "SIGMET"}


def read_metar(raw: str) -> SkyReading:
    """The sky of one raw METAR or SPECI.

    Layers stand for more than a word of clear sky in the same report. Amounts are those of the densest
    layer: in the U.S. they already include what lies beneath, elsewhere the whole may be more.
    Blank text is unknown. BadInput for text that has no time group or is another kind of message.
    """
    if not raw.strip():
        return SkyReading(SkyState.UNKNOWN)
    tokens = raw.replace("=", " ").split()
    body = tokens[tokens.index(_time_group(raw.replace("=", " ")).group()) + 1 :]
    # up to the trend forecast or the remarks: those hold clouds, too
    tokens = list(takewhile(lambda token: token not in _ENDS_BODY, body))
    is_automatic = "AUTO" in tokens
    hidden = _hidden(tokens)
    if hidden is not None:
        return SkyReading(SkyState.OBSCURED, *ALL_HIDDEN, is_automatic=is_automatic, layers=(hidden,))
    layers = tuple(
        CloudLayer(*OKTAS[match[1]], base_ft=None if match[2] == "///" else 100.0 * int(match[2]))
        for match in map(_LAYER.fullmatch, tokens)
        if match
    )
    if layers:
        densest = max(layers, key=lambda layer: layer.okta_max)
        # 12,000 ft for automatic stations that report by the U.S. handbook (visibility in miles), unless a
        # higher layer shows that a person added to the report
        by_us_code = any(token.endswith("SM") for token in tokens)
        is_higher = any((layer.base_ft or 0) > CEILOMETER_REACH_FT for layer in layers)
        seen_up_to_ft = CEILOMETER_REACH_FT if is_automatic and by_us_code and not is_higher else None
        oktas = densest.okta_min, densest.okta_max
        return SkyReading(SkyState.CLOUD, *oktas, seen_up_to_ft, is_automatic, layers)
    if "SKC" in tokens and not is_automatic:
        return SkyReading(SkyState.CLEAR, 0, 0)
    word = "CLR" if "SKC" in tokens else next((token for token in tokens if token in _CLEAR_REACH_FT), None)
    if word is None:
        return SkyReading(SkyState.UNKNOWN, is_automatic=is_automatic)
    return SkyReading(SkyState.CLEAR_BELOW, 0, 0, _CLEAR_REACH_FT[word], is_automatic)


def observed_at(raw: str, *, received_at: datetime) -> datetime:
    """When the report was made: the newest time with its day, hour and minute, not after receipt.

    For feeds that date a stuck or old report anew. BadInput without a time group, or where the day of
    the month can't be in the 62 days before receipt.
    """
    day, hour, minute = (int(part) for part in _time_group(raw).groups())
    newest = require_utc(received_at) + CLOCK_SKEW
    for days_back in range(62):
        on = (newest - timedelta(days=days_back)).date()
        if on.day == day and hour < 24 and minute < 60:
            at = datetime(on.year, on.month, on.day, hour, minute, tzinfo=UTC)
            if at <= newest:
                return at
    raise BadInput(phrase("track.metar-without-time", report=raw.strip()[:40]))


def _time_group(raw: str) -> re.Match[str]:
    tokens = raw.split()
    found = next((match for token in tokens if (match := _TIME.fullmatch(token))), None)
    if found is None or tokens[0] in _NOT_REPORTS:
        raise BadInput(phrase("track.no-metar", report=raw.strip()[:40]))
    return found


def _hidden(tokens: list[str]) -> CloudLayer | None:
    """An obscured sky; its depth counts as the base, 0 where it wasn't measured."""
    for i, token in enumerate(tokens):
        if match := _HIDDEN.fullmatch(token):
            return CloudLayer(*ALL_HIDDEN, base_ft=0 if match[1] == "///" else 100.0 * int(match[1]))
        if tokens[i : i + 2] == ["SKY", "OBS"]:
            return CloudLayer(*ALL_HIDDEN, base_ft=0)
    return None


# ---- SYNOP (FM 12) from land stations: total cloud N in eighths, and nothing else of the report. Code
# tables: WMO-No. 306, volume I.1: 1860 (i_x), 2700 (N), 1600 (h).

OBSCURED_N = 9
MANNED_IX = "123"
LOWEST_BASE_M = {
    "0": 0, "1": 50, "2": 100, "3": 200, "4": 300, "5": 600, "6": 1000, "7": 1500, "8": 2000, "9": 2500
}  # fmt: skip
"""The lower end of each class of h, the base of the lowest cloud (code table 1600)."""

_REPORT = re.compile(r"\bAAXX\s+\d{4}[\d/]\s+\d{5}\s+(?:(NIL)|[\d/]([\d/])([\d/])[\d/]{2}\s+([\d/])[\d/]{4})")


def read_synop(raw: str) -> SkyReading:
    """The sky of one raw land SYNOP, with or without an archive's columns before `AAXX`.

    N = 9 is obscured, N = `/` and NIL are unknown. N = 0 by an instrument proves only what it can see.
    The base is the lower end of the class of the lowest cloud, 0 where it wasn't measured.
    BadInput for other kinds of message and for text cut before N.
    """
    match = _REPORT.search(raw)
    if match is None:
        raise BadInput(phrase("track.no-synop", report=raw.strip()[:40]))
    nil, kind, height, amount = match.groups()
    is_automatic = not nil and kind not in MANNED_IX
    if nil or amount == "/":
        return SkyReading(SkyState.UNKNOWN, is_automatic=is_automatic)
    oktas = int(amount)
    if oktas == 0:
        state = SkyState.CLEAR_BELOW if is_automatic else SkyState.CLEAR
        return SkyReading(state, 0, 0, is_automatic=is_automatic)
    if oktas == OBSCURED_N:
        layer = CloudLayer(*ALL_HIDDEN, base_ft=0.0)
        return SkyReading(SkyState.OBSCURED, *ALL_HIDDEN, is_automatic=is_automatic, layers=(layer,))
    layer = CloudLayer(oktas, oktas, FEET_PER_M * LOWEST_BASE_M.get(height, 0))
    return SkyReading(SkyState.CLOUD, oktas, oktas, is_automatic=is_automatic, layers=(layer,))
