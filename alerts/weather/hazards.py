"""What the air can do to people, glass and pictures: the worst of all sources, named.

Two spans. What spoils comfort or pictures (shaking wind, a wet or misted lens, felt cold, fog, smoke) counts
while one shoots: the best stretch and an hour to each side, or the whole window where there is no best one. A
wet hour long before or after it blocks nothing. What is unsafe (gale, thunder, freezing skin, torrents, an
official warning) counts from leave-by to home.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.comfort import FREEZES_FROM_C, dew_spread, felt, frostbite
from alerts.weather.forecast import Forecast
from alerts.weather.hours import Hours
from alerts.weather.outlook import Hazard, HazardLevel
from alerts.weather.stretches import PartsCut
from alerts.weather.worst_of import (
    KNOWN_FROM_SHARE,
    NOTHING,
    Asked,
    Together,
    Worst,
    field_of,
    made_of,
    together,
    worse_of,
)

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
FOG_IN_VALLEY = "cloud below the site: fog in the valley or on the way up"
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


@value(frozen=True, slots=True)
class Over:
    """A span and what the sources have of it. must: the part of it for which a value must be known.

    sources: those over the same hours together, each with its hours that touch the span and whether these
    cover enough of `must`. found: the worst values so far, as several outlooks share a span.
    """

    span: Span
    must: Span
    sources: tuple[tuple[Together, PartsCut, bool], ...]
    found: dict[Asked, Worst] = field(default_factory=dict)

    @classmethod
    def of(cls, span: Span, must: Span, sources: Sequence[Together]) -> Over:
        cuts = [(each, each.times.cut(span)) for each in sources]
        needed = KNOWN_FROM_SHARE * must.duration
        return cls(span, must, tuple((each, cut, cut.time_inside(must) >= needed) for each, cut in cuts))


def assess(
    window: Span,
    forecasts: Sequence[Forecast],
    *,
    shooting: Span | None = None,
    trip: Span | None = None,
    air: Sequence[Forecast] = (),
) -> tuple[Hazard, ...]:
    """Every hazard, one of each name, in a fixed order; official warnings are added by `build_outlook`.

    shooting: when comfort counts; trip: from leave-by to home, when safety counts; both by default the
    window. air: what tells of aerosols. Safety looks at the worst value of any source. A value that no
    source has for 80 % of the window, or of what the shooting shares with it, is `unknown`, except when
    what is known already fails.
    """
    shooting, trip, sources = shooting or window, trip or window, together(forecasts)
    must = shooting.overlap(window) or shooting
    there = Over.of(shooting, must, sources)
    on_site = assess_on_site(there, Over.of(shooting, must, together(air)))
    return (*assess_trip(there, Over.of(trip, window, sources)), *on_site)


def assess_trip(there: Over, away: Over) -> tuple[Hazard, ...]:
    """The hazards that count on the way too, on what the sources have of each span."""
    return tuple(rule(there, away) for rule in (_wind, _gust, _precipitation, _thunder, _cold, _fog))


def assess_on_site(there: Over, air: Over) -> tuple[Hazard, ...]:
    """The hazards that count while shooting alone."""
    return _lens(there), _smoke(air)


def _worst(over: Over, asked: Asked) -> Worst:
    """The worst value of all sources."""
    known = over.found.get(asked)
    if known is None:
        known = over.found[asked] = _find_worst(over, asked)
    return known


def _find_worst(over: Over, asked: Asked) -> Worst:
    found = NOTHING
    for sources, cut, covers in over.sources:
        mine = sources.worst(asked, cut, over.must, covers=covers)
        found = mine if found is NOTHING else worse_of(found, mine, asked)
    return found


def _level(fails: bool, known: bool, warns: bool) -> HazardLevel:
    """A known failing hazard fails however little is known; else the unknown comes before the fine."""
    if fails:
        return HazardLevel.FAIL
    if not known:
        return HazardLevel.UNKNOWN
    return HazardLevel.WARN if warns else HazardLevel.FINE


@dataclass(frozen=True, slots=True)
class _Kind:
    """A hazard that grows with one value: its limits, and what is said."""

    name: str
    asked: Asked
    shakes: float
    unsafe: float
    known_text: str
    unknown_text: str


_RAIN_PCT = Asked(field_of("precipitation_probability_pct"))
_FOG_NAMED = Asked(field_of("fog_named"))
_CLOUD_BELOW = Asked(field_of("cloud_below_pct"))
_TEMPERATURE_C = Asked(field_of("temperature_c"), least=True)
_FELT_C = Asked(made_of(felt, "temperature_c", "wind_ms"), least=True)
_FROSTBITE_MIN = Asked(made_of(frostbite, "temperature_c", "wind_ms"), least=True)
_DEW_SPREAD_C = Asked(
    made_of(dew_spread, "temperature_c", "dew_point_c", "relative_humidity_pct"), least=True
)
_OPTICAL_DEPTH = Asked(field_of("aerosol_optical_depth"))
_FINE_PARTICLES = Asked(field_of("pm2_5_ug_m3"))

_WIND = _Kind(
    "wind",
    Asked(field_of("wind_ms")),
    WIND_SHAKES_MS,
    WIND_UNSAFE_MS,
    "wind up to {:.0f} m/s",
    "wind unknown",
)
_GUST = _Kind(
    "gust",
    Asked(field_of("gust_ms")),
    GUST_SHAKES_MS,
    GUST_UNSAFE_MS,
    "gusts up to {:.0f} m/s",
    "gusts unknown",
)


def _wind(there: Over, away: Over) -> Hazard:
    return _blowing(_WIND, there, away)


def _gust(there: Over, away: Over) -> Hazard:
    return _blowing(_GUST, there, away)


def _blowing(kind: _Kind, there: Over, away: Over) -> Hazard:
    """The worst while shooting; on the way only what is unsafe."""
    worst, on_way = _worst(there, kind.asked), _worst(away, kind.asked)
    is_away = on_way.at_least(kind.unsafe) and not worst.at_least(kind.unsafe)
    told = on_way if is_away else worst
    level = _level(told.at_least(kind.unsafe), worst.known, worst.at_least(kind.shakes))
    text = kind.known_text + (" on the way" if is_away else "")
    return _hazard(kind.name, level, told, "m/s", text, kind.unknown_text)


def _precipitation(there: Over, away: Over) -> Hazard:
    """Fails from a chance of 30 % or an amount of 0.2 mm/h on while shooting; known when either is.

    On the way only torrents fail; snow or ice on the road warns.
    """
    chance = _worst(there, _RAIN_PCT)
    rate, torrent = _worst(there, _RATE_MM_H), _worst(away, _RATE_MM_H)
    wet = chance.at_least(PRECIPITATION_LIKELY_PCT) or rate.at_least(PRECIPITATION_WET_MM_H)
    fails = wet or torrent.at_least(PRECIPITATION_TORRENT_MM_H)
    icy = torrent.at_least(PRECIPITATION_WET_MM_H) and _worst(away, _ICY).at_least(1.0)
    warns = icy or chance.at_least(PRECIPITATION_UNLIKELY_PCT)
    level = _level(fails, chance.known or rate.known, warns)
    said = [f"{chance.value:.0f} %"] if chance.value is not None else []
    said += [f"up to {rate.value:.1f} mm/h"] if rate.value is not None else []
    text = "rain or snow " + ", ".join(said) if said else "rain and snow unknown"
    text += f"; up to {torrent.value:.0f} mm/h on the way" if fails and not wet else ""
    text += "; snow or ice possible on the road" if icy else ""
    worst, unit = (chance, "%") if chance.value is not None else (rate, "mm/h")
    return Hazard("precipitation", level, text, _rounded(worst.value), unit, worst.at)


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


_RATE_MM_H = Asked(_rates_mm_h)
_ICY = Asked(_icy)


def _thunder(_there: Over, away: Over) -> Hazard:
    """By the feed's chance; where it has none, storms that its words name fail outright."""
    worst = _worst(away, _THUNDER_PCT)
    level = _level(worst.at_least(THUNDER_BLOCKS_PCT), worst.known, worst.at_least(THUNDER_WARNS_PCT))
    named = worst.at_least(100.0)
    text = "thunderstorms in the forecast" if named else "thunderstorms {:.0f} %"
    return _hazard("thunder", level, worst, "%", text, "thunderstorms unknown")


def _thunder_chance(probability_pct: float | None, named: bool | None) -> float | None:
    if probability_pct is not None:
        return probability_pct
    return None if named is None else 100.0 * named


_THUNDER_PCT = Asked(made_of(_thunder_chance, "thunder_probability_pct", "thunder_named"))


def _cold(there: Over, away: Over) -> Hazard:
    """Felt cold while shooting; fails where bare skin freezes within 10 minutes, on the way too."""
    worst, freezes = _worst(there, _FELT_C), NOTHING
    if _worst(away, _TEMPERATURE_C).at_most(FREEZES_FROM_C):
        freezes = _worst(away, _FROSTBITE_MIN)
    level = _level(freezes.at_most(FROSTBITE_BLOCKS_MIN), worst.known, worst.at_most(COLD_FELT_C))
    text = "felt cold down to {:.0f} °C"
    if freezes.at_most(FROSTBITE_WARNS_MIN):
        text += f", bare skin freezes within {freezes.value:.0f} min"
    return _hazard("cold", level, worst, "°C", text, "felt cold unknown")


def _fog(there: Over, away: Over) -> Hazard:
    """Warns of any fog, on the way too; fails when measured fog fills more than half of the shooting.

    Fog that is only named ("patchy fog") warns and no more. So does fog of a cell whose cloud lies below the
    site: the cell's ground is in it, the site above it, and the road leads through it.
    """
    share, on_way = _worst(there, _FOG_PCT), _worst(away, _FOG_PCT)
    named, below = _worst(away, _FOG_NAMED), _worst(away, _CLOUD_BELOW)
    in_valley = below.at_least(CLOUD_BELOW_WARNS_PCT)
    stands_above = _worst(there, _CLOUD_BELOW).at_least(CLOUD_BELOW_WARNS_PCT)
    fills = share.at_least(FOG_SHARE_PCT) and any(
        _foggy_share(hours, cut) > 0.5 for sources, cut, _ in there.sources for hours in sources.members
    )
    is_away = on_way.at_least(FOG_WARNS_SHARE_PCT) and not share.at_least(FOG_WARNS_SHARE_PCT)
    warns = on_way.at_least(FOG_WARNS_SHARE_PCT) or named.at_least(True) or in_valley
    level = _level(fills and not stands_above, share.known or named.known or in_valley, warns)
    valley = FOG_IN_VALLEY if in_valley else ""
    if share.value is None and (named.value is not None or in_valley):
        words = {True: "fog in the forecast", False: "no fog in the forecast"}
        at = named.at if named.value else below.at if in_valley else None
        return Hazard("fog", level, "; ".join(filter(None, (words.get(named.value), valley))), at=at)
    text = "fog up to {:.0f} %" + (", and more on the way" if is_away else "") + (valley and f"; {valley}")
    return _hazard("fog", level, share, "%", text, "fog unknown")


def _fog_share(share_pct: float | None, visibility_m: float | None) -> float | None:
    """The fog share, or 100 and 0 for visibility on either side of 1 km; the worse where both speak."""
    if visibility_m is None:
        return share_pct
    seen_pct = 100.0 if visibility_m < FOG_VISIBILITY_M else 0.0
    return seen_pct if share_pct is None else max(share_pct, seen_pct)


_FOG_PCT = Asked(made_of(_fog_share, "fog_pct", "visibility_m"))


def _foggy_share(hours: Hours, cut: PartsCut) -> float:
    shares_pct = _FOG_PCT.column(hours, cut.within)
    foggy = cut.inside.only([(share_pct or 0.0) >= FOG_SHARE_PCT for share_pct in shares_pct])
    return foggy.total / cut.span.duration


def _lens(there: Over) -> Hazard:
    """Dew on the front glass, or frost when the dew point lies below freezing; never blocks a go."""
    spread = _worst(there, _DEW_SPREAD_C)
    coldest = _worst(there, _TEMPERATURE_C)
    kind = "frost" if coldest.at_most(0.0) else "dew"
    level = _level(False, spread.known, spread.at_most(DEW_SPREAD_C))
    risk = f"{kind} on the lens likely" if level is HazardLevel.WARN else f"no {kind} on the lens"
    text = risk + " ({:.0f} °C above the dew point)"
    return _hazard("lens", level, spread, "°C", text, "dew and frost unknown")


def _smoke(there: Over) -> Hazard:
    """Smoke or dust: dims the sky by its optical depth, and hurts by its fine particles."""
    depth = _worst(there, _OPTICAL_DEPTH)
    fine = _worst(there, _FINE_PARTICLES)
    fails = depth.at_least(HAZE_HIDES) or fine.at_least(SMOKE_VERY_UNHEALTHY_UG_M3)
    warns = depth.at_least(HAZE_DIMS) or fine.at_least(SMOKE_UNHEALTHY_UG_M3)
    level = _level(fails, depth.known or fine.known, warns)
    said = [f"optical depth up to {depth.value:.2f}"] if depth.value is not None else []
    said += [f"fine particles up to {fine.value:.0f} μg/m³"] if fine.value is not None else []
    if not said:
        return Hazard("smoke", level, "smoke and dust unknown")
    kind = "smoke or dust" if fails or warns else "little smoke or dust"
    worst = None if depth.value is None else round(depth.value, 2)
    return Hazard("smoke", level, f"{kind}, {', '.join(said)}", worst, "", depth.at)


def _hazard(
    name: str, level: HazardLevel, worst: Worst, unit: str, known_text: str, unknown_text: str
) -> Hazard:
    text = unknown_text if worst.value is None else known_text.format(worst.value).replace("-", "−")
    if worst.value is not None and level is HazardLevel.UNKNOWN:
        text += " as far as known"
    return Hazard(name, level, text, _rounded(worst.value), unit, worst.at)


def _rounded(value: float | None) -> float | None:
    """To one decimal, as it is stored and judged against a wish."""
    return None if value is None else round(value, 1)
