"""What weather stations nearby report now -> log odds to add to a chance: evidence, not a source.

A report is a witness of the sky a little while ago and some way off. How far it may be believed goes through
one number, the chance that the sky over the site is clear now as far as that one report can tell, where
before it both were as likely (`believed_clear`):

- By distance: 16 km apart two stations were on the same side of "clear" on 89 % of days, 30 km on 87 %, about
  90 km on 78 % (16 Australian stations at 9 h, Bureau of Meteorology, 2007 to 2017). Beyond 60 km nothing.
- By instrument: a "clear" may have cloud above what the instrument sees, an overcast can't be clear above.
  So cloud proves more than its absence.

What a sky known for certain adds to an event some hours later, over what the forecasts say of it, is
`AMOUNT` times exp(-hours / `FADES_H`), fitted by `tests/unit/alerts/weather/fit_sky_now.py` on the real
pairs of alerts/weather/skill.py: hours of one night at five places, the pooled forecasts of one to four runs
held fixed. Each place left out in turn, the log score there fell from .394 to .353 with four runs; at one of
the five, Rovaniemi with its short nights, it rose. The sky there is
a model's analysis of the very place: that stations are further off and see less is the number above.

Reports of neighbouring stations are of one sky: their mean counts, never their sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from math import cos, exp, log, radians

import numpy as np

from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.weather.forecast import Source

AMOUNT = 1.632
FADES_H = 7.14
"""Log odds that a sky known for certain adds to what is forecast for the same hour, and the hours in which
that falls to 37 %."""
LONGEST = timedelta(hours=12)
"""Between a report and the middle of what is judged; the data reach to ten hours."""
OLDEST = timedelta(hours=2)
"""Stations report once or twice an hour; who is silent for longer says nothing of now."""
REACH_KM = 60.0

OTHER_SIDE_KM = (16.0, 30.0, 90.0)
OTHER_SIDE_SHARE = (0.11, 0.13, 0.22)
"""How often a station so far off is on the other side of "clear"; nearer than the first as there, since a
ceilometer sees its zenith alone."""

HIGH_REACH_FT = 10_000
UNSEEN_BY_EYE, UNSEEN_HIGH, UNSEEN_LOW = 0.15, 0.25, 0.5
"""The share of skies that aren't clear and look so: to a person in the dark, to an instrument that sees to
12,000 ft, and where nothing is stated above 5,000 ft. Our own caution, to be measured: cirrus with nothing
beneath it is common, and people see little of it without a Moon (Hahn, Warren and London 1995, J. Climate 8,
1429-1446)."""

MOUNTAIN_M = 300.0
"""A station that much higher or lower counts half, as it does for the record."""


class Says(StrEnum):
    """What a station's report comes to. PARTLY is three or four eighths, which decide nothing."""

    CLEAR = "clear"
    PARTLY = "partly"
    CLOUD = "cloud"


@value(frozen=True, slots=True)
class StationSky:
    """One station's newest word on the sky that the site sees.

    bearing_deg: of the station, from the site. higher_m: how much higher than the site it stands.
    reach_ft: up to which height above it a "clear" speaks; None where a person looked.
    wind_from_deg: of the wind there; None when it is calm, variable or unknown. source: who brought it.
    """

    station: str
    says: Says
    at: datetime
    distance_km: float
    bearing_deg: float
    higher_m: float = 0.0
    reach_ft: int | None = None
    wind_from_deg: float | None = None
    source: str = ""


@value(frozen=True, slots=True)
class SkyNow:
    """What was added to a chance, and by whose word, the weightiest first.

    hours: between the mean report and the middle of what is judged. without_pct: the chance (0..100) that it
    would have been.
    """

    log_odds: float
    hours: float
    stations: tuple[StationSky, ...]
    without_pct: int | None = None


def sky_now(
    stations: Sequence[StationSky], *, now: datetime, middle: datetime, toward_deg: float | None = None
) -> SkyNow | None:
    """What the reports add to the log odds of an event round `middle`; None where they can't say anything.

    toward_deg: where the camera looks. In the mean a station under the line of sight counts up to twice as
    much as one elsewhere, one from which its own wind blows towards the site as well, one that is both up
    to three times.
    """
    heard, weights = [], []
    for each in stations:
        # near, not of the future, not silent for long; a "clear" far above says nothing of a site below
        is_recent = timedelta(0) <= now - each.at <= OLDEST and abs(middle - each.at) <= LONGEST
        is_above = each.says is Says.CLEAR and each.higher_m > MOUNTAIN_M
        if each.distance_km > REACH_KM or not is_recent or is_above:
            continue
        # the nearer the more, and more where the weather comes from or the camera looks
        beside = [way for way in (each.wind_from_deg, toward_deg) if way is not None]
        ahead = sum(max(0.0, cos(radians(each.bearing_deg - way))) for way in beside)
        heard.append(each)
        weights.append((1 + ahead) / (1 + each.distance_km / OTHER_SIDE_KM[0]))
    if not heard:
        return None
    hours = [abs(middle - each.at) / timedelta(hours=1) for each in heard]
    added = [added_by(each, ahead_h) for each, ahead_h in zip(heard, hours, strict=True)]
    order = sorted(range(len(heard)), key=lambda i: (-weights[i], heard[i].distance_km, heard[i].station))
    return SkyNow(
        log_odds=round(float(np.average(added, weights=weights)), 4),
        hours=round(float(np.average(hours, weights=weights)), 2),
        stations=tuple(heard[i] for i in order),
    )


def added_by(station: StationSky, hours: float) -> float:
    """The log odds that one station's report adds to an event so many hours after it.

    The chance of the event follows a clear sky now with one chance and a cloudy one with its opposite; the
    report leaves both possible.
    """
    certain = AMOUNT * exp(-hours / FADES_H)
    after_clear = 1 / (1 + exp(-certain))
    clear = believed_clear(station)
    came = clear * after_clear + (1 - clear) * (1 - after_clear)
    return log(came / (1 - came))


def believed_clear(station: StationSky) -> float:
    """The chance that the sky over the site is clear as far as this report tells."""
    if station.says is Says.PARTLY:
        return 0.5
    unseen = UNSEEN_BY_EYE
    if station.reach_ft is not None:
        unseen = UNSEEN_HIGH if station.reach_ft >= HIGH_REACH_FT else UNSEEN_LOW
    there = 1 / (1 + unseen) if station.says is Says.CLEAR else 0.0
    other_side = float(np.interp(station.distance_km, OTHER_SIDE_KM, OTHER_SIDE_SHARE))
    here = there * (1 - other_side) + (1 - there) * other_side
    return (0.5 + here) / 2 if abs(station.higher_m) > MOUNTAIN_M else here


def credited(found: SkyNow) -> tuple[Source, ...]:
    """Who brought the reports, to be named with what rests on them."""
    newest: dict[str, datetime] = {}
    for each in found.stations:
        if each.source:
            newest[each.source] = max(each.at, newest.get(each.source, each.at))
    return tuple(
        Source("stations", name, "", "station reports", f"Station reports: {name}", "", issued_at=at)
        for name, at in sorted(newest.items())
    )


def station_note(found: SkyNow, chance_pct: int) -> Phrase:
    """For the notes of an outlook: who reports what, and by how many points that moved the chance."""
    said = tuple(
        phrase(
            "weather.station-says", station=each.station, distance_km=each.distance_km, says=each.says.value
        )
        for each in found.stations[:3]
    )
    moved = chance_pct - (found.without_pct if found.without_pct is not None else chance_pct)
    return phrase("weather.stations-moved", stations=said, points=moved)
