"""What speaks against a trip: what the air can do to people, glass and pictures, and official warnings.

Of the air, the worst of all sources, one hazard of each name. A value that no source has for most of a span
is unknown, except where what is known already fails.

Two spans. What spoils comfort or pictures (shaking wind, a wet or misted lens, felt cold, fog, smoke) counts
while one shoots: the best stretch and an hour to each side, or the whole window where there is no best one. A
wet hour long before or after it blocks nothing. What is unsafe (gale, thunder, freezing skin, torrents, an
official warning) counts from leave-by to home. With one span for both, rain at dinner blocked good nights.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.weather.forecast import Bulletin, Forecast, OfficialWarning, Severity, Source
from alerts.weather.hours import US, Hours
from alerts.weather.outlook import Hazard, HazardLevel
from alerts.weather.skill import Floats

WIND_SHAKES_MS = 8.0  # Beaufort 5: small trees sway, and so does a tripod
WIND_UNSAFE_MS = 17.2  # Beaufort 8, gale: walking is hard
GUST_SHAKES_MS = 10.8  # Beaufort 6
GUST_UNSAFE_MS = 20.8  # Beaufort 9: branches come down
PRECIPITATION_LIKELY_PCT = 30.0
PRECIPITATION_UNLIKELY_PCT = 15.0
PRECIPITATION_WET_MM_H = 0.2
PRECIPITATION_TORRENT_MM_H = 10.0  # heavy rain begins here (WMO Guide No. 8, 14.A)
ICY_BELOW_C = 1.0
THUNDER_BLOCKS_PCT = 20.0  # our own choice, as the next: a tripod on a ridge forgives nothing
THUNDER_WARNS_PCT = 5.0
FOG_VISIBILITY_M = 1000.0  # fog by WMO's definition
FOG_SHARE_PCT = 50.0
FOG_WARNS_SHARE_PCT = 20.0
CLOUD_BELOW_WARNS_PCT = 50.0  # more likely than not on any road through it
DEW_SPREAD_C = 3.0
"""A lens under a clear sky cools below the air; within this of the dew point it mists over."""
COLD_FELT_C = -10.0
FROSTBITE_WARNS_MIN = 30.0
FROSTBITE_BLOCKS_MIN = 10.0
HAZE_DIMS = 0.3
"""Optical depth at 550 nm that costs a target at 20 degrees one magnitude: 1.086 x 0.3 x 2.9 air masses."""
HAZE_HIDES = 1.0
SMOKE_UNHEALTHY_UG_M3 = 35.5
SMOKE_VERY_UNHEALTHY_UG_M3 = 125.5
"""PM2.5 from which the air is unhealthy for some, and very unhealthy for all (US EPA, 40 CFR 58, appendix G,
as of 2024)."""


KNOWN_FROM_SHARE = 0.8
"""A value is known over a span when one source has it for this share of the time."""


class Worst(NamedTuple):
    """The worst value found and when it begins, and whether one source knows it for most of the span; None
    where nobody says anything."""

    value: float | None = None
    known: bool = False
    at: datetime | None = None

    def at_least(self, limit: float) -> bool:
        return self.value is not None and self.value >= limit

    def at_most(self, limit: float) -> bool:
        return self.value is not None and self.value <= limit


NOTHING = Worst()
WorstOf = Mapping[str, Worst]
"""By quantity, as `quantities` names them; `foggy_share`: the most of the span that one source has in fog."""


# ---- what cold and damp do

FREEZES_FROM_C = -15.0
"""In air warmer than this bare skin doesn't freeze within half an hour."""


def wind_chill_c(temperature_c: ArrayLike, wind_ms: ArrayLike) -> Floats:
    """Felt temperature; NaN outside the index's range (above 10 °C, or wind of 4.8 km/h and less).

    wind_ms: mean wind at 10 m. Source: U.S. National Weather Service and Environment Canada,
    wind chill index of November 2001, metric form.
    """
    air_c, wind_kmh = np.asarray(temperature_c, dtype=np.float64), np.multiply(wind_ms, 3.6)
    power = wind_kmh**0.16
    chill_c = 13.12 + 0.6215 * air_c - 11.37 * power + 0.3965 * air_c * power
    return np.where((air_c > 10) | (wind_kmh <= 4.8), np.nan, chill_c)


def frostbite_minutes(temperature_c: ArrayLike, wind_ms: ArrayLike) -> Floats:
    """Minutes until bare skin freezes, where that is 30 or less; NaN where it takes longer.

    wind_ms: mean wind at 10 m. Source: the formula behind the NWS wind chill chart (2001).
    """
    air_c = np.asarray(temperature_c, dtype=np.float64)
    freezes = np.where(air_c > FREEZES_FROM_C, np.nan, -4.8 - air_c) ** -1.668
    minutes = (-24.5 * (0.667 * np.multiply(wind_ms, 3.6) + 4.8) + 2111) * freezes
    return np.where(minutes <= 30, np.maximum(minutes, 0.0), np.nan)


def dew_point_c(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Floats:
    """Dew point over water. Source: Alduchov and Eskridge 1996, J. Appl. Meteor. 35, 601-609.

    relative_humidity_pct: -40..50 °C, vapour pressure within 0.4 %; NaN where it is 0.
    """
    air_c, humidity = (np.asarray(each, dtype=np.float64) for each in (temperature_c, relative_humidity_pct))
    gamma = np.log(np.where(humidity > 0, humidity, np.nan) / 100) + 17.625 * air_c / (243.04 + air_c)
    found: Floats = 243.04 * gamma / (17.625 - gamma)
    return found


def felt_c(temperature_c: ArrayLike, wind_ms: ArrayLike) -> Floats:
    """Wind chill where it is defined, else the air temperature; NaN while either is missing."""
    air_c, chill_c = np.asarray(temperature_c, dtype=np.float64), wind_chill_c(temperature_c, wind_ms)
    return np.where(np.isnan(np.multiply(wind_ms, 1.0)), np.nan, np.where(np.isnan(chill_c), air_c, chill_c))


def dew_spread_c(temperature_c: ArrayLike, own_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Floats:
    """How far the air is above its dew point, from the feed's own or from relative humidity."""
    air_c, own = (np.asarray(each, dtype=np.float64) for each in (temperature_c, own_c))
    return air_c - np.where(np.isnan(own), dew_point_c(air_c, relative_humidity_pct), own)


# ---- the worst of each quantity over a span

LEAST = frozenset({"temperature", "felt", "frostbite", "dew_spread"})
"""Quantities whose least value is the worst one."""


def quantities(hours: Hours) -> dict[str, Floats]:
    """What hazards are judged by in each hour, NaN where it is unknown; each of shape (hours,)."""
    told = hours.numbers
    temperature_c, wind_ms, visibility_m = told("temperature_c"), told("wind_ms"), told("visibility_m")
    rate_mm_h, thunder_pct = told("precipitation_mm") / hours.times.lengths_h, told("thunder_probability_pct")
    is_icy = (rate_mm_h >= PRECIPITATION_WET_MM_H) & (temperature_c <= ICY_BELOW_C)
    in_fog_pct = np.where(np.isnan(visibility_m), np.nan, 100.0 * (visibility_m < FOG_VISIBILITY_M))
    return {
        "wind": wind_ms,
        "gust": told("gust_ms"),
        "rain_pct": told("precipitation_probability_pct"),
        "rate_mm_h": rate_mm_h,
        "icy": np.where(np.isnan(rate_mm_h + temperature_c), np.nan, is_icy),  # may freeze on the road
        # by the feed's chance; where it has none, storms that its words name
        "thunder_pct": np.where(np.isnan(thunder_pct), 100.0 * told("thunder_named"), thunder_pct),
        "temperature": temperature_c,
        "felt": felt_c(temperature_c, wind_ms),
        "frostbite": frostbite_minutes(temperature_c, wind_ms),
        # the share of fog, or 100 and 0 for visibility on either side of 1 km; the worse where both speak
        "fog_pct": np.fmax(told("fog_pct"), in_fog_pct),
        "fog_named": told("fog_named"),
        "cloud_below_pct": told("cloud_below_pct"),
        "dew_spread": dew_spread_c(temperature_c, told("dew_point_c"), told("relative_humidity_pct")),
        "optical_depth": told("aerosol_optical_depth"),
        "fine_ug_m3": told("pm2_5_ug_m3"),
    }


def hazard_table(hours: Hours) -> Floats:
    """The quantities as rows, so that the most is the worst; unknown is less than all. Made once."""
    if hours.hazards is None:
        rows = quantities(hours)
        table = np.stack([-row if name in LEAST else row for name, row in rows.items()])
        hours.hazards = np.where(np.isnan(table), -np.inf, table)
    return hours.hazards


NAMES = tuple(quantities(Hours((), (), {})))
SIGNS = np.array([-1.0 if name in LEAST else 1.0 for name in NAMES])
FOG_ROW = NAMES.index("fog_pct")


def worst_of(sources: Iterable[Hours], span: Span, must: Span) -> WorstOf:
    """The worst of each quantity in the hours that touch the span, as any of the sources has it, the earliest
    of equals. must: the part of the span for which a value must be known."""
    tables, starts = [], list[datetime]()
    known_us, foggy_us = np.zeros(len(NAMES)), 0.0
    for times, run in groupby(sources, key=attrgetter("times")):
        cut = times.cut(span)
        if not len(cut):
            continue
        told = np.stack(
            [hazard_table(hours)[:, cut.within] for hours in run]
        )  # shape (sources, quantities, hours)
        known_us = np.maximum(known_us, ((told > -np.inf) @ cut.shared_us(must)).max(axis=0))
        foggy_us = max(foggy_us, ((told[:, FOG_ROW] >= FOG_SHARE_PCT) @ cut.shared_us(span)).max())
        tables.append(told.max(axis=0))
        starts += cut.starts
    if not tables:
        return dict.fromkeys((*NAMES, "foggy_share"), NOTHING)
    if len(tables) > 1:
        order = sorted(range(len(starts)), key=starts.__getitem__)
        starts = [starts[at] for at in order]
        table = np.concatenate(tables, axis=1)[:, order]
    else:
        (table,) = tables
    at = table.argmax(axis=1)
    values = (SIGNS * table[np.arange(len(NAMES)), at] + 0.0).tolist()  # the sum: there is one zero alone
    is_known = known_us >= KNOWN_FROM_SHARE * must.duration / US
    found = {
        name: Worst(value, known, starts[first]) if abs(value) < np.inf else NOTHING
        for name, value, known, first in zip(NAMES, values, is_known.tolist(), at.tolist(), strict=True)
    }
    return found | {"foggy_share": Worst(float(foggy_us * US / span.duration))}


# ---- one hazard after the other


def _level(fails: bool, known: bool, warns: bool) -> HazardLevel:
    """A known failing hazard fails however little is known; else the unknown comes before the fine."""
    if fails:
        return HazardLevel.FAIL
    if not known:
        return HazardLevel.UNKNOWN
    return HazardLevel.WARN if warns else HazardLevel.FINE


def _hazard(name: str, level: HazardLevel, worst: Worst, unit: str, said: Phrase) -> Hazard:
    """said: of the worst value, where there is one; that is kept to one decimal and judged so by a wish."""
    if worst.value is None:
        return Hazard(name, level, phrase("weather.hazard-unknown", hazard=name), None, unit)
    if level is HazardLevel.UNKNOWN:
        said = phrase("weather.as-far-as-known", said=said)
    return Hazard(name, level, said, round(worst.value, 1), unit, worst.at)


def _figure(worst: Worst) -> float | None:
    """A worst value as phrases carry it."""
    return None if worst.value is None else round(float(worst.value), 3)


def _blowing(name: str, there: WorstOf, away: WorstOf, shakes_ms: float, unsafe_ms: float) -> Hazard:
    """Wind or gusts: from which speeds on they shake a tripod, and are unsafe. The worst while shooting; on
    the way only what is unsafe."""
    worst, on_way = there[name], away[name]
    is_away = on_way.at_least(unsafe_ms) and not worst.at_least(unsafe_ms)
    told = on_way if is_away else worst
    level = _level(told.at_least(unsafe_ms), worst.known, worst.at_least(shakes_ms))
    said = phrase("weather.blowing-away" if is_away else "weather.blowing", kind=name, ms=_figure(told))
    return _hazard(name, level, told, "m/s", said)


def _precipitation(there: WorstOf, away: WorstOf) -> Hazard:
    """Fails from a chance of 30 % or an amount of 0.2 mm/h on while shooting; known when either is.

    On the way only torrents fail; snow or ice on the road warns.
    """
    chance = there["rain_pct"]
    rate, torrent = there["rate_mm_h"], away["rate_mm_h"]
    wet = chance.at_least(PRECIPITATION_LIKELY_PCT) or rate.at_least(PRECIPITATION_WET_MM_H)
    fails = wet or torrent.at_least(PRECIPITATION_TORRENT_MM_H)
    icy = torrent.at_least(PRECIPITATION_WET_MM_H) and away["icy"].at_least(1.0)
    level = _level(fails, chance.known or rate.known, icy or chance.at_least(PRECIPITATION_UNLIKELY_PCT))

    told = "both" if None not in (chance.value, rate.value) else "chance" if rate.value is None else "rate"
    if chance.value is None and rate.value is None:
        said = phrase("weather.hazard-unknown", hazard="precipitation")
    else:
        said = phrase("weather.wet", told=told, chance_pct=_figure(chance), rate_mm_h=_figure(rate))
    if fails and not wet:
        said = phrase("weather.torrent-away", said=said, rate_mm_h=_figure(torrent))
    if icy:
        said = phrase("weather.icy-road", said=said)
    worst, unit = (chance, "%") if chance.value is not None else (rate, "mm/h")
    value = None if worst.value is None else round(worst.value, 1)
    return Hazard("precipitation", level, said, value, unit, worst.at)


def _cold(there: WorstOf, away: WorstOf) -> Hazard:
    """Felt cold while shooting; fails where bare skin freezes within 10 minutes, on the way too."""
    worst, freezes = there["felt"], away["frostbite"]
    level = _level(freezes.at_most(FROSTBITE_BLOCKS_MIN), worst.known, worst.at_most(COLD_FELT_C))
    if freezes.at_most(FROSTBITE_WARNS_MIN):
        said = phrase("weather.cold-frostbite", felt_c=_figure(worst), freezes_min=_figure(freezes))
    else:
        said = phrase("weather.cold", felt_c=_figure(worst))
    return _hazard("cold", level, worst, "°C", said)


def _fog(there: WorstOf, away: WorstOf) -> Hazard:
    """Warns of any fog, on the way too; fails when measured fog fills more than half of the shooting.

    Fog that is only named ("patchy fog") warns and no more. So does fog of a cell whose cloud lies below the
    site: the cell's ground is in it, the site above it, and the road leads through it.
    """
    share, on_way, named, below = (
        there["fog_pct"],
        away["fog_pct"],
        away["fog_named"],
        away["cloud_below_pct"],
    )
    in_valley = below.at_least(CLOUD_BELOW_WARNS_PCT)
    stands_above = there["cloud_below_pct"].at_least(CLOUD_BELOW_WARNS_PCT)
    fills = not stands_above and (there["foggy_share"].value or 0.0) > 0.5
    warns = on_way.at_least(FOG_WARNS_SHARE_PCT) or named.at_least(1.0) or in_valley
    level = _level(fills, share.known or named.known or in_valley, warns)

    if share.value is None and (named.value is not None or in_valley):
        at = named.at if named.value else below.at if in_valley else None
        said = [] if named.value is None else [phrase("weather.fog-named", is_named=bool(named.value))]
        said += [phrase("weather.fog-in-valley")] if in_valley else []
        return Hazard("fog", level, phrase("weather.clauses", clauses=tuple(said)), at=at)
    is_away = on_way.at_least(FOG_WARNS_SHARE_PCT) and not share.at_least(FOG_WARNS_SHARE_PCT)
    fog = phrase("weather.fog", share_pct=_figure(share), is_more_away=is_away)
    if in_valley:
        fog = phrase("weather.clauses", clauses=(fog, phrase("weather.fog-in-valley")))
    return _hazard("fog", level, share, "%", fog)


def assess_trip(there: WorstOf, away: WorstOf) -> tuple[Hazard, ...]:
    """The hazards that count on the way too, by the worst that the sources have of each span."""
    storm = away["thunder_pct"]  # those that the feed's words name fail outright
    level = _level(storm.at_least(THUNDER_BLOCKS_PCT), storm.known, storm.at_least(THUNDER_WARNS_PCT))
    is_named = storm.at_least(100.0)
    said = (
        phrase("weather.thunder-named") if is_named else phrase("weather.thunder", chance_pct=_figure(storm))
    )
    return (
        _blowing("wind", there, away, WIND_SHAKES_MS, WIND_UNSAFE_MS),
        _blowing("gust", there, away, GUST_SHAKES_MS, GUST_UNSAFE_MS),
        _precipitation(there, away),
        _hazard("thunder", level, storm, "%", said),
        _cold(there, away),
        _fog(there, away),
    )


def assess_on_site(there: WorstOf, air: WorstOf) -> tuple[Hazard, ...]:
    """The hazards that count while shooting alone. air: by what tells of aerosols."""
    # 1. Dew on the front glass, or frost when the dew point lies below freezing; never blocks a go.
    spread = there["dew_spread"]
    kind = "frost" if there["temperature"].at_most(0.0) else "dew"
    level = _level(False, spread.known, spread.at_most(DEW_SPREAD_C))
    key = "weather.lens-likely" if level is HazardLevel.WARN else "weather.lens-dry"
    lens = _hazard("lens", level, spread, "°C", phrase(key, kind=kind, spread_c=_figure(spread)))

    # 2. Smoke or dust: dims the sky by its optical depth, and hurts by its fine particles.
    depth, fine = air["optical_depth"], air["fine_ug_m3"]
    fails = depth.at_least(HAZE_HIDES) or fine.at_least(SMOKE_VERY_UNHEALTHY_UG_M3)
    warns = depth.at_least(HAZE_DIMS) or fine.at_least(SMOKE_UNHEALTHY_UG_M3)
    level = _level(fails, depth.known or fine.known, warns)
    if depth.value is None and fine.value is None:
        return lens, Hazard("smoke", level, phrase("weather.hazard-unknown", hazard="smoke"))
    told = [phrase("weather.smoke-depth", depth=_figure(depth))] if depth.value is not None else []
    told += [phrase("weather.smoke-fine", ug_m3=_figure(fine))] if fine.value is not None else []
    said = phrase("weather.smoke", is_much=fails or warns, figures=tuple(told))
    worst = None if depth.value is None else round(depth.value, 2)
    return lens, Hazard("smoke", level, said, worst, "", depth.at)


BLOCKING = frozenset({Severity.SEVERE, Severity.EXTREME})
_RANK = (Severity.EXTREME, Severity.SEVERE, Severity.UNKNOWN, Severity.MODERATE, Severity.MINOR)
OFFICIAL_LINEAGE = "official"
"""In place of a model's family: an authority's own word."""


def newest_bulletins(forecasts: Sequence[Forecast]) -> tuple[Bulletin, ...]:
    """Each authority's newest word among what the forecasts carry; recorded ones count as oldest."""
    newest: dict[str, Bulletin] = {}
    for bulletin in (each for forecast in forecasts for each in forecast.bulletins):
        known = newest.get(bulletin.authority)
        if known is None or _when(bulletin) >= _when(known):
            newest[bulletin.authority] = bulletin
    return tuple(newest[authority] for authority in sorted(newest))


def authorities(bulletins: Sequence[Bulletin]) -> tuple[Source, ...]:
    """Whose word on warnings was used, to be credited: that nothing is in force is a word too."""
    return tuple(
        Source(
            feed=bulletin.feed,
            provider=bulletin.authority,
            lineage=OFFICIAL_LINEAGE,
            model="warnings",
            attribution=bulletin.attribution,
            attribution_url=bulletin.attribution_url,
            issued_at=bulletin.asked_at,
            fetched_at=bulletin.asked_at,
        )
        for bulletin in bulletins
    )


def _when(bulletin: Bulletin) -> float:
    return bulletin.asked_at.timestamp() if bulletin.asked_at else float("-inf")


def overlapping(bulletins: Sequence[Bulletin], trip: Span) -> tuple[OfficialWarning, ...]:
    """Warnings in force at some time of the trip, the gravest first."""
    found = {
        warning.warning_id: warning
        for bulletin in bulletins
        for warning in bulletin.warnings
        if warning.span.overlap(trip) is not None
    }
    return tuple(sorted(found.values(), key=lambda each: (_RANK.index(each.severity), each.span, each.event)))


def warning_hazard(bulletins: Sequence[Bulletin], warnings: Sequence[OfficialWarning], trip: Span) -> Hazard:
    """Fails at severe and extreme; warns at any other and at one that couldn't be read; unknown where no
    authority was asked.

    warnings: those that overlap the trip.
    """
    if not bulletins:
        return Hazard("warning", HazardLevel.UNKNOWN, phrase("weather.warnings-unasked"))
    unread = next((bulletin for bulletin in bulletins if bulletin.unread), None)
    if not warnings and unread:
        said = phrase("weather.warning-unread", authority=unread.authority)
        return Hazard("warning", HazardLevel.WARN, said, url=unread.attribution_url)
    if not warnings:
        names = tuple(bulletin.authority for bulletin in bulletins)
        return Hazard("warning", HazardLevel.FINE, phrase("weather.warnings-none", authorities=names))
    blocks = any(warning.severity in BLOCKING for warning in warnings)
    told = tuple(
        each.event
        if each.severity is Severity.UNKNOWN
        else phrase("weather.warning-severity", event=each.event, severity=each.severity.value)
        for each in warnings[:3]
    )
    gravest = warnings[0]
    return Hazard(
        "warning",
        HazardLevel.FAIL if blocks else HazardLevel.WARN,
        phrase("weather.warnings", warnings=told, more=len(warnings) - len(told)),
        at=max(gravest.span.start, trip.start),
        url=gravest.url,
    )
