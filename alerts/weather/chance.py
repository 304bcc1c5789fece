"""Forecasts over a dark window -> the chance that the event happens, with its sources and spread.

The event: at least the shortest wished time in one piece, inside the window, with the frame clear
enough (effective cloud of at most 30 %). Missing time is never clear, and never counted on. The numbers
and formulas on the way stand in alerts/weather/skill.py, the event over arrays in
alerts/weather/clear_stretch.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import fmean, median

import numpy as np

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.time_text import minute_up
from alerts.weather import hazards
from alerts.weather.forecast import Forecast, Source
from alerts.weather.line_of_sight import TYPICAL_ALTITUDE_DEG, View
from alerts.weather.line_of_sight_text import say_sight
from alerts.weather.model_families import AIR_LINEAGE, independent_lineages
from alerts.weather.model_names import source_name
from alerts.weather.official_warnings import Bulletin
from alerts.weather.outlook import Hazard, HazardLevel, Outlook
from alerts.weather.skill import CLEAR_SHARE, Floats, chance_of, evidence
from alerts.weather.sky_now import SkyNow, StationSky, credited, say_sky_now, sky_now
from alerts.weather.source_chance import Asking, Reading, dated, pct, read_all, why_unusable
from alerts.weather.warning_overlap import authorities, newest_bulletins, overlapping, warning_hazard
from alerts.weather.worst_of import Together, together

__all__ = ["SAYS_CLEAR_FROM", "build_outlook", "why_unusable"]

SAYS_CLEAR_FROM = 0.5
"""A source whose own chance reaches this is counted as saying "clear"."""
SHORTEST_MOMENT = timedelta(minutes=1)
ROUND_THE_BEST = timedelta(hours=1)
"""To each side of the best stretch: setting up, and packing up."""
USUALLY_AWAY = (timedelta(hours=2, minutes=30), timedelta(hours=1, minutes=45))
"""Before the window: a drive of 90 minutes and an hour of scouting. After it: packing up and the drive."""
OLDEST_AIR = timedelta(hours=36)
"""Aerosols change slowly and are computed twice a day."""


def build_outlook(
    window: Span,
    forecasts: Sequence[Forecast],
    *,
    shortest: timedelta,
    now: datetime,
    is_night_of: bool,
    clear_share: float = CLEAR_SHARE,
    view: View | None = None,
    trip: Span | None = None,
) -> Outlook:
    """The outlook over one dark window, as far as it still lies ahead of `now`.

    shortest: length of the event. is_night_of: it is the day of the night, so runs must be fresher.
    clear_share: how often a night hour is clear at the place in that month (0..1).
    view: what the camera looks at; None: as high as the core usually stands. trip: from leave-by to home;
    None: a usual one.
    Each source adds evidence to what is usual; sources of one lineage are averaged, then the lineages are
    pooled, each weighing the same. A blend that may hide one of the others counts only when it stands alone.
    Sources that can't be used stay listed, with the reason.
    """
    seen = look_at_cloud(
        window,
        forecasts,
        shortest=shortest,
        now=now,
        is_night_of=is_night_of,
        clear_share=clear_share,
        view=view,
    )
    return seen.on_trip(trip or _usual_trip(window))


@value(frozen=True, slots=True)
class Clearness:
    """What all share who ask about the same window, whatever their way there: the outlook as far as it goes
    without a trip, the forecasts fresh enough for hazards, and what these have of the time of shooting.

    on_site: the hazards that count there alone. bulletins: each authority's newest word.
    """

    asking: Asking
    usable: tuple[Together, ...]
    there: hazards.Over
    on_site: tuple[Hazard, ...]
    bulletins: tuple[Bulletin, ...]
    outlook: Outlook

    def on_trip(self, trip: Span) -> Outlook:
        """The outlook for one way there and back."""
        way = _still_ahead_of(trip, self.asking.now)
        away = hazards.Over.of(way, self.asking.ahead, self.usable)
        found = hazards.assess_trip(self.there, away)
        unknown = {hazard.name for hazard in found if hazard.level is HazardLevel.UNKNOWN}
        warnings = overlapping(self.bulletins, way)
        return replace(
            self.outlook,
            hazards=(*found, *self.on_site, warning_hazard(self.bulletins, warnings, way)),
            wind_known="wind" not in unknown,
            precipitation_known="precipitation" not in unknown,
            trip=way,
            warnings=warnings,
        )


def look_at_cloud(
    window: Span,
    forecasts: Sequence[Forecast],
    *,
    shortest: timedelta,
    now: datetime,
    is_night_of: bool,
    clear_share: float = CLEAR_SHARE,
    view: View | None = None,
    dark: Span | None = None,
    stations: Sequence[StationSky] = (),
) -> Clearness:
    """As `build_outlook`, up to where the trip matters. dark: the dark window that lines of sight were asked
    for, where `window` is a part of it. stations: what those nearby report now; they move the chance by all
    sources together, and neither a source's own nor what counts as a lineage."""
    asking = _asking(window, shortest, now, is_night_of, clear_share, view, dark or window)
    asking = _hear(asking, stations, view)
    judged = _Judged.of(forecasts, asking)
    best = _best_stretch(judged.counted, asking)
    shooting = Span(best.start - ROUND_THE_BEST, best.end + ROUND_THE_BEST) if best else asking.ahead
    must = shooting.overlap(asking.ahead) or shooting
    usable = together(judged.usable)
    there = hazards.Over.of(shooting, must, usable)
    on_site = hazards.assess_on_site(there, hazards.Over.of(shooting, must, together(judged.air)))
    bulletins = newest_bulletins(forecasts)
    outlook = _without_trip(judged, best, asking, authorities(bulletins))
    if asking.ahead.start != window.start:
        whole = _hear(replace(asking, ahead=window), stations, view)
        outlook = replace(outlook, whole_pct=_over_whole_window(forecasts, whole))
    return Clearness(asking, usable, there, on_site, bulletins, outlook)


def _hear(asking: Asking, stations: Sequence[StationSky], view: View | None) -> Asking:
    """With what the stations add over what is asked about."""
    toward_deg = view.azimuth_deg if view else None
    heard = sky_now(stations, now=asking.now, middle=asking.ahead.middle, toward_deg=toward_deg)
    return replace(asking, sky_now=heard)


def _over_whole_window(forecasts: Sequence[Forecast], whole: Asking) -> int | None:
    """The chance over all of a window that has begun: newest runs tell what has passed as well."""
    return _stated(whole, _Judged.of(forecasts, whole).counted, lambda reading: reading.evidence)


def _without_trip(
    judged: _Judged, best: Span | None, asking: Asking, authorities: Sequence[Source]
) -> Outlook:
    counted, answering = judged.counted, judged.answering
    per_source = tuple(reading.as_source_chance() for reading in judged.readings)
    overhead_pct = _overhead(counted, asking)
    chance_pct = _stated(asking, counted, lambda reading: reading.evidence)
    heard = _heard(asking, counted) if chance_pct else None
    return Outlook(
        window=asking.window,
        chance_pct=chance_pct,
        spread_pct=_spread(answering),
        best=best,
        per_source=per_source,
        hazards=(),
        cloud_known=bool(answering),
        wind_known=False,
        precipitation_known=False,
        lineages=tuple(sorted({reading.source.lineage for reading in counted})),
        providers=tuple(sorted({reading.source.provider for reading in counted})),
        newest_issue=max((r.source.issued_at for r in answering if r.source.issued_at), default=None),
        notes=(*_notes(judged, asking), *([say_sky_now(heard, chance_pct or 0)] if heard else [])),
        agreement=(sum((each.chance or 0.0) >= SAYS_CLEAR_FROM for each in per_source), len(answering)),
        usual_pct=pct(float(chance_of(asking.usual_log_odds))),
        overhead_pct=overhead_pct,
        sight_text=say_sight([reading.sight for reading in counted if reading.sight], counted, overhead_pct),
        change_pct=_change(counted, asking),
        aerosol_optical_depth=_optical_depth(judged.air, asking.ahead),
        helpers=(*(each.source for each in judged.air), *authorities, *(credited(heard) if heard else ())),
        sky_now=heard,
    )


def _heard(asking: Asking, counted: Sequence[Reading]) -> SkyNow | None:
    """What the stations added, beside the chance as it would be without them."""
    if asking.sky_now is None:
        return None
    without = _stated(replace(asking, sky_now=None), counted, lambda reading: reading.evidence)
    return replace(asking.sky_now, without_pct=without)


def _asking(
    window: Span,
    shortest: timedelta,
    now: datetime,
    is_night_of: bool,
    clear_share: float,
    view: View | None,
    dark: Span,
) -> Asking:
    length = max(shortest, SHORTEST_MOMENT)
    return Asking(
        window=window,
        ahead=still_ahead(window, length, now),
        length=length,
        now=now,
        is_night_of=is_night_of,
        altitude_deg=view.altitude_deg if view else TYPICAL_ALTITUDE_DEG,
        clear_share=clear_share,
        dark=dark,
    )


@value(frozen=True, slots=True)
class _Judged:
    """The sources, sorted by what they are good for.

    usable: forecasts fresh enough to judge hazards by. answering: those that gave a chance; counted:
    those of them whose lineage surely is one of its own. air: what tells of aerosols.
    """

    readings: tuple[Reading, ...]
    usable: tuple[Forecast, ...]
    answering: tuple[Reading, ...]
    counted: tuple[Reading, ...]
    air: tuple[Forecast, ...]

    @classmethod
    def of(cls, forecasts: Sequence[Forecast], asking: Asking) -> _Judged:
        weather = [each for each in forecasts if each.source.lineage != AIR_LINEAGE]
        readings = read_all(weather, asking)
        answering = tuple(reading for reading in readings if reading.chance is not None)
        lineages = independent_lineages(reading.source.lineage for reading in answering)
        return cls(
            readings,
            tuple(reading.forecast for reading in readings if not reading.unusable),
            answering,
            tuple(reading for reading in answering if reading.source.lineage in lineages),
            tuple(each for each in forecasts if _tells_of_air(each, asking)),
        )


def _tells_of_air(forecast: Forecast, asking: Asking) -> bool:
    source = forecast.source
    if source.lineage != AIR_LINEAGE:
        return False
    since = dated(source)
    is_fresh = since is None or timedelta(0) <= asking.now - since <= OLDEST_AIR
    return is_fresh and forecast.reaches(asking.ahead)


def still_ahead(window: Span, length: timedelta, now: datetime) -> Span:
    """The part of the window that can still hold the event; all of it when it is over or to come."""
    return Span(now, window.end) if window.start < now < window.end - length else window


def _still_ahead_of(trip: Span, now: datetime) -> Span:
    return Span(now, trip.end) if trip.contains(now) else trip


def _usual_trip(window: Span) -> Span:
    before, after = USUALLY_AWAY
    return Span(window.start - before, window.end + after)


def _by_lineage(readings: Sequence[Reading]) -> list[list[Reading]]:
    families: dict[str, list[Reading]] = {}
    for reading in readings:
        families.setdefault(reading.source.lineage, []).append(reading)
    return list(families.values())


def _pooled(
    asking: Asking, readings: Sequence[Reading], told: Callable[[Reading], float | None]
) -> float | None:
    """The chance by some evidence of each reading: its mean within a lineage, so that many models of one
    family weigh as one; a lineage has as many voices as its ensemble, if it has one. What stations report now
    comes on top. None without readings."""
    families = _by_lineage(readings)
    if not families:
        return None
    means = [fmean(told(reading) or 0.0 for reading in family) for family in families]
    voices = [max(reading.voices for reading in family) for family in families]
    return asking.chance(means, voices, asking.sky_now.log_odds if asking.sky_now else 0.0)


def _stated(
    asking: Asking, readings: Sequence[Reading], told: Callable[[Reading], float | None]
) -> int | None:
    """The same in whole per cent, never none nor all where the event still fits."""
    chance = _pooled(asking, readings, told)
    if not chance:
        return None if chance is None else 0
    return min(99, max(1, pct(chance)))


def _overhead(counted: Sequence[Reading], asking: Asking) -> int | None:
    """The chance by the sky overhead, where somebody looked along the line of sight."""
    if not any(reading.sight for reading in counted):
        return None
    return _stated(asking, counted, lambda reading: reading.evidence_beside)


def _change(counted: Sequence[Reading], asking: Asking) -> int | None:
    """Points of chance gained since the runs before, over the sources that have one."""
    both = [reading for reading in counted if reading.evidence_then is not None]
    now = _pooled(asking, both, lambda reading: reading.evidence_now)
    then = _pooled(asking, both, lambda reading: reading.evidence_then)
    return None if now is None or then is None else round(100 * (now - then))


def _best_stretch(readings: Sequence[Reading], asking: Asking) -> Span | None:
    """The stretch with the most joint evidence over all lineages, the earliest of equals; it begins on a
    whole minute where one is left, so that it is said as long as it is."""
    length = asking.length
    clouds = [reading.clouds for reading in readings if reading.clouds]
    starts = sorted({stretch.start for each in clouds for stretch in each.stretches})
    if not starts:
        return None
    families = [
        np.mean([_told_from(reading, starts, asking) for reading in family if reading.clouds], axis=0)
        for family in _by_lineage(readings)
    ]
    best = starts[int(np.round(np.mean(families, axis=0), 9).argmax())]
    begins = minute_up(best)
    return Span(begins, begins + length) if begins + length <= asking.ahead.end else Span(best, best + length)


def _told_from(reading: Reading, starts: Sequence[datetime], asking: Asking) -> Floats:
    """What a reading's members add, in the mean, for the stretch that begins at each moment."""
    assert reading.clouds is not None
    lead_days, length_h = reading.lead_days, asking.length_h
    told = evidence(reading.clouds.worst_from(starts), lead_days, length_h, length_h)
    mean: Floats = told.mean(axis=0)
    return mean


def _spread(readings: Sequence[Reading]) -> tuple[int, int] | None:
    chances = [pct(reading.chance or 0.0) for reading in readings]
    return (min(chances), max(chances)) if chances else None


def _optical_depth(air: Sequence[Forecast], span: Span) -> float | None:
    depths = [
        depth
        for each in (forecast.hours for forecast in air)
        for depth in each.column("aerosol_optical_depth", each.cut(span).within)
        if depth is not None
    ]
    return round(median(depths), 3) if depths else None


def _notes(judged: _Judged, asking: Asking) -> tuple[str, ...]:
    """What a reader must know of the sources: what was left out and why, and ages nobody knows."""
    notes = [
        f"{source_name(reading.source)} not used: {why}"
        for reading in judged.readings
        if (why := reading.unusable or reading.why_not)
    ]
    notes += [
        f"{source_name(reading.source)}: age unknown"
        for reading in judged.answering
        if dated(reading.source) is None
    ]
    if any(reading.fog_below for reading in judged.answering):
        notes.append("low cloud lies below the site: possible fog in the valley under a clear sky")
    if asking.ahead != asking.window:
        notes.append("judged on what is left of the window")
    if asking.length > asking.window.duration:
        notes.append("the window is shorter than the time asked for, so the chance is nil")
    return tuple(notes)
