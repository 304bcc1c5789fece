"""What the air can do to people, glass and pictures: the worst of all sources, one hazard of each name.
Official warnings are added by `WindowChance`. A value that no source has for most of a span is unknown,
except where what is known already fails.

Two spans. What spoils comfort or pictures (shaking wind, a wet or misted lens, felt cold, fog, smoke) counts
while one shoots: the best stretch and an hour to each side, or the whole window where there is no best one. A
wet hour long before or after it blocks nothing. What is unsafe (gale, thunder, freezing skin, torrents, an
official warning) counts from leave-by to home. With one span for both, rain at dinner blocked good nights.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from alerts.common.phrases import Phrase, phrase
from alerts.weather.hours import HourlyWeather, Hours
from alerts.weather.outlook import Hazard, HazardLevel
from alerts.weather.worst_of import NOTHING, HazardQuery, HazardSpan, Worst

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


def assess_trip(there: HazardSpan, away: HazardSpan) -> tuple[Hazard, ...]:
    """The hazards that count on the way too, on what the sources have of each span."""
    return (
        _blowing(_WIND, there, away),
        _blowing(_GUST, there, away),
        _precipitation(there, away),
        _thunder(away),
        _cold(there, away),
        _fog(there, away),
    )


def assess_on_site(there: HazardSpan, air: HazardSpan) -> tuple[Hazard, ...]:
    """The hazards that count while shooting alone."""
    return _lens(there), _smoke(air)


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


# ---- what cold and damp do

FREEZES_FROM_C = -15.0
"""In air warmer than this bare skin doesn't freeze within half an hour."""


def wind_chill_c(temperature_c: float, wind_ms: float) -> float | None:
    """Felt temperature; None outside the index's range (above 10 °C, or wind of 4.8 km/h and less).

    wind_ms: mean wind at 10 m. Source: U.S. National Weather Service and Environment Canada,
    wind chill index of November 2001, metric form.
    """
    wind_kmh = wind_ms * 3.6
    if temperature_c > 10 or wind_kmh <= 4.8:
        return None
    power: float = wind_kmh**0.16
    return 13.12 + 0.6215 * temperature_c - 11.37 * power + 0.3965 * temperature_c * power


def frostbite_minutes(temperature_c: float, wind_ms: float) -> float | None:
    """Minutes until bare skin freezes, where that is 30 or less; None where it takes longer.

    wind_ms: mean wind at 10 m. Source: the formula behind the NWS wind chill chart (2001).
    """
    if temperature_c > FREEZES_FROM_C:
        return None
    minutes = float((-24.5 * (0.667 * wind_ms * 3.6 + 4.8) + 2111) * (-4.8 - temperature_c) ** -1.668)
    return max(minutes, 0.0) if minutes <= 30 else None


def dew_point_c(temperature_c: float, relative_humidity_pct: float) -> float:
    """Dew point over water. Source: Alduchov and Eskridge 1996, J. Appl. Meteor. 35, 601-609.

    relative_humidity_pct: above 0; -40..50 °C, vapour pressure within 0.4 %.
    """
    gamma = log(relative_humidity_pct / 100) + 17.625 * temperature_c / (243.04 + temperature_c)
    return 243.04 * gamma / (17.625 - gamma)


def felt(temperature_c: float | None, wind_ms: float | None) -> float | None:
    """Wind chill where it is defined, else the air temperature; None while either is missing."""
    if temperature_c is None or wind_ms is None:
        return None
    chill = wind_chill_c(temperature_c, wind_ms)
    return temperature_c if chill is None else chill


def dew_spread(
    temperature_c: float | None, own_c: float | None, relative_humidity_pct: float | None
) -> float | None:
    """How far the air is above its dew point, from the feed's own or from relative humidity."""
    if temperature_c is None:
        return None
    if own_c is not None:
        return temperature_c - own_c
    return (
        temperature_c - dew_point_c(temperature_c, relative_humidity_pct) if relative_humidity_pct else None
    )


def dew_spread_c(hour: HourlyWeather) -> float | None:
    """The same of an hour."""
    return dew_spread(hour.temperature_c, hour.dew_point_c, hour.relative_humidity_pct)


def frostbite(temperature_c: float | None, wind_ms: float | None) -> float | None:
    """Minutes until bare skin freezes; None where it takes longer or isn't known."""
    return None if temperature_c is None or wind_ms is None else frostbite_minutes(temperature_c, wind_ms)


# ---- one hazard after the other


@dataclass(frozen=True, slots=True)
class _Blowing:
    """Wind or gusts: from which speeds on they shake a tripod, and are unsafe."""

    name: str
    query: HazardQuery
    shakes_ms: float
    unsafe_ms: float


_WIND = _Blowing("wind", HazardQuery.of_field("wind_ms"), WIND_SHAKES_MS, WIND_UNSAFE_MS)
_GUST = _Blowing("gust", HazardQuery.of_field("gust_ms"), GUST_SHAKES_MS, GUST_UNSAFE_MS)


def _blowing(kind: _Blowing, there: HazardSpan, away: HazardSpan) -> Hazard:
    """The worst while shooting; on the way only what is unsafe."""
    worst, on_way = there.worst(kind.query), away.worst(kind.query)
    is_away = on_way.at_least(kind.unsafe_ms) and not worst.at_least(kind.unsafe_ms)
    told = on_way if is_away else worst
    level = _level(told.at_least(kind.unsafe_ms), worst.known, worst.at_least(kind.shakes_ms))
    said = phrase("weather.blowing-away" if is_away else "weather.blowing", kind=kind.name, ms=_figure(told))
    return _hazard(kind.name, level, told, "m/s", said)


def _rates_mm_h(hours: Hours, within: slice) -> list[float | None]:
    amounts_mm = hours.column("precipitation_mm", within)
    lengths_h = hours.times.lengths_h[within]
    return [
        None if amount_mm is None else amount_mm / length_h
        for amount_mm, length_h in zip(amounts_mm, lengths_h, strict=True)
    ]


def _icy(hours: Hours, within: slice) -> list[float | None]:
    """1 where what falls may freeze on the road."""
    temperatures_c = hours.column("temperature_c", within)
    return [
        None
        if rate is None or temperature_c is None
        else float(rate >= PRECIPITATION_WET_MM_H and temperature_c <= ICY_BELOW_C)
        for rate, temperature_c in zip(_rates_mm_h(hours, within), temperatures_c, strict=True)
    ]


_RAIN_PCT = HazardQuery.of_field("precipitation_probability_pct")
_RATE_MM_H = HazardQuery(_rates_mm_h)
_ICY = HazardQuery(_icy)


def _precipitation(there: HazardSpan, away: HazardSpan) -> Hazard:
    """Fails from a chance of 30 % or an amount of 0.2 mm/h on while shooting; known when either is.

    On the way only torrents fail; snow or ice on the road warns.
    """
    chance = there.worst(_RAIN_PCT)
    rate, torrent = there.worst(_RATE_MM_H), away.worst(_RATE_MM_H)
    wet = chance.at_least(PRECIPITATION_LIKELY_PCT) or rate.at_least(PRECIPITATION_WET_MM_H)
    fails = wet or torrent.at_least(PRECIPITATION_TORRENT_MM_H)
    icy = torrent.at_least(PRECIPITATION_WET_MM_H) and away.worst(_ICY).at_least(1.0)
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


def _thunder_chance(probability_pct: float | None, named: bool | None) -> float | None:
    if probability_pct is not None:
        return probability_pct
    return None if named is None else 100.0 * named


_THUNDER_PCT = HazardQuery.made_by(_thunder_chance, "thunder_probability_pct", "thunder_named")


def _thunder(away: HazardSpan) -> Hazard:
    """By the feed's chance; where it has none, storms that its words name fail outright."""
    worst = away.worst(_THUNDER_PCT)
    level = _level(worst.at_least(THUNDER_BLOCKS_PCT), worst.known, worst.at_least(THUNDER_WARNS_PCT))
    if worst.at_least(100.0):
        return _hazard("thunder", level, worst, "%", phrase("weather.thunder-named"))
    return _hazard("thunder", level, worst, "%", phrase("weather.thunder", chance_pct=_figure(worst)))


_TEMPERATURE_C = HazardQuery.of_field("temperature_c", least=True)
_FELT_C = HazardQuery.made_by(felt, "temperature_c", "wind_ms", least=True)
_FROSTBITE_MIN = HazardQuery.made_by(frostbite, "temperature_c", "wind_ms", least=True)


def _cold(there: HazardSpan, away: HazardSpan) -> Hazard:
    """Felt cold while shooting; fails where bare skin freezes within 10 minutes, on the way too."""
    worst, freezes = there.worst(_FELT_C), NOTHING
    if away.worst(_TEMPERATURE_C).at_most(FREEZES_FROM_C):
        freezes = away.worst(_FROSTBITE_MIN)
    level = _level(freezes.at_most(FROSTBITE_BLOCKS_MIN), worst.known, worst.at_most(COLD_FELT_C))
    if freezes.at_most(FROSTBITE_WARNS_MIN):
        said = phrase("weather.cold-frostbite", felt_c=_figure(worst), freezes_min=_figure(freezes))
    else:
        said = phrase("weather.cold", felt_c=_figure(worst))
    return _hazard("cold", level, worst, "°C", said)


def _fog_share(share_pct: float | None, visibility_m: float | None) -> float | None:
    """The fog share, or 100 and 0 for visibility on either side of 1 km; the worse where both speak."""
    if visibility_m is None:
        return share_pct
    seen_pct = 100.0 if visibility_m < FOG_VISIBILITY_M else 0.0
    return seen_pct if share_pct is None else max(share_pct, seen_pct)


_FOG_PCT = HazardQuery.made_by(_fog_share, "fog_pct", "visibility_m")
_FOG_NAMED = HazardQuery.of_field("fog_named")
_CLOUD_BELOW = HazardQuery.of_field("cloud_below_pct")


def _fog(there: HazardSpan, away: HazardSpan) -> Hazard:
    """Warns of any fog, on the way too; fails when measured fog fills more than half of the shooting.

    Fog that is only named ("patchy fog") warns and no more. So does fog of a cell whose cloud lies below the
    site: the cell's ground is in it, the site above it, and the road leads through it.
    """
    share, on_way = there.worst(_FOG_PCT), away.worst(_FOG_PCT)
    named, below = away.worst(_FOG_NAMED), away.worst(_CLOUD_BELOW)
    in_valley = below.at_least(CLOUD_BELOW_WARNS_PCT)
    stands_above = there.worst(_CLOUD_BELOW).at_least(CLOUD_BELOW_WARNS_PCT)
    fills = False
    if share.at_least(FOG_SHARE_PCT) and not stands_above:  # one source has it in more than half of the span
        for hours, cut in ((each, cut) for sources, cut, _ in there.sources for each in sources.members):
            shares_pct = _FOG_PCT.column(hours, cut.within)
            foggy = cut.inside.only([(share_pct or 0.0) >= FOG_SHARE_PCT for share_pct in shares_pct])
            fills = fills or foggy.total / cut.span.duration > 0.5
    warns = on_way.at_least(FOG_WARNS_SHARE_PCT) or named.at_least(True) or in_valley
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


_DEW_SPREAD_C = HazardQuery.made_by(
    dew_spread, "temperature_c", "dew_point_c", "relative_humidity_pct", least=True
)


def _lens(there: HazardSpan) -> Hazard:
    """Dew on the front glass, or frost when the dew point lies below freezing; never blocks a go."""
    spread = there.worst(_DEW_SPREAD_C)
    kind = "frost" if there.worst(_TEMPERATURE_C).at_most(0.0) else "dew"
    level = _level(False, spread.known, spread.at_most(DEW_SPREAD_C))
    key = "weather.lens-likely" if level is HazardLevel.WARN else "weather.lens-dry"
    return _hazard("lens", level, spread, "°C", phrase(key, kind=kind, spread_c=_figure(spread)))


_OPTICAL_DEPTH = HazardQuery.of_field("aerosol_optical_depth")
_FINE_PARTICLES = HazardQuery.of_field("pm2_5_ug_m3")


def _smoke(there: HazardSpan) -> Hazard:
    """Smoke or dust: dims the sky by its optical depth, and hurts by its fine particles."""
    depth, fine = there.worst(_OPTICAL_DEPTH), there.worst(_FINE_PARTICLES)
    fails = depth.at_least(HAZE_HIDES) or fine.at_least(SMOKE_VERY_UNHEALTHY_UG_M3)
    warns = depth.at_least(HAZE_DIMS) or fine.at_least(SMOKE_UNHEALTHY_UG_M3)
    level = _level(fails, depth.known or fine.known, warns)
    if depth.value is None and fine.value is None:
        return Hazard("smoke", level, phrase("weather.hazard-unknown", hazard="smoke"))

    told = [phrase("weather.smoke-depth", depth=_figure(depth))] if depth.value is not None else []
    told += [phrase("weather.smoke-fine", ug_m3=_figure(fine))] if fine.value is not None else []
    said = phrase("weather.smoke", is_much=fails or warns, figures=tuple(told))
    worst = None if depth.value is None else round(depth.value, 2)
    return Hazard("smoke", level, said, worst, "", depth.at)
