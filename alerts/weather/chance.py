"""Forecasts over a dark window -> the chance that the event happens, with its sources and spread; and the
chance of cloud hour by hour, for the picture of a night.

The event: at least the shortest wished time in one piece, inside the window, with the frame clear
enough (effective cloud of at most 30 %). Missing time is never clear, and never counted on. The numbers
and formulas on the way stand in alerts/weather/skill.py.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import fmean, median
from typing import Literal, TypeAlias

import numpy as np

from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.time_text import minute_up
from alerts.weather import hazards
from alerts.weather.clouds import cover_as_told, sight_difference
from alerts.weather.forecast import Bulletin, Forecast
from alerts.weather.freshness import dated
from alerts.weather.hazards import authorities, newest_bulletins, overlapping, warning_hazard
from alerts.weather.hours import Hours
from alerts.weather.models import AIR_LINEAGE, independent_lineages, source_name
from alerts.weather.outlook import Hazard, HazardLevel, Outlook
from alerts.weather.skill import chance_of, effective_voices, evidence, pooled_evidence, usual_log_odds
from alerts.weather.sky_now import SkyNow, credited, sky_now, station_note
from alerts.weather.source_chance import (
    HOUR,
    EventQuery,
    SeenSource,
    SourceReading,
    pct,
    read_source,
    see_sources,
)

SAYS_CLEAR_FROM = 0.5
"""A source whose own chance reaches this is counted as saying "clear"."""
ROUND_THE_BEST = timedelta(hours=1)
"""To each side of the best stretch: setting up, and packing up."""
USUALLY_AWAY = (timedelta(hours=2, minutes=30), timedelta(hours=1, minutes=45))
"""Before the window: a drive of 90 minutes and an hour of scouting. After it: packing up and the drive."""
OLDEST_AIR = timedelta(hours=36)
"""Aerosols change slowly and are computed twice a day."""

SAME_EVIDENCE = 9
"""Decimals to which evidence of two stretches is compared: sums in another order aren't better."""

Families: TypeAlias = Sequence[Sequence[SourceReading]]
"""Readings by lineage."""
Told: TypeAlias = Literal["evidence", "evidence_beside", "evidence_now", "evidence_then"]
"""Which of a reading's evidences."""


@value(frozen=True, slots=True)
class WindowChance:
    """What all share who ask about the same window, whatever their way there: the outlook as far as it goes
    without a trip, the hours fresh enough for hazards, and the worst that these have of the time of shooting.

    on_site: the hazards that count there alone. bulletins: each authority's newest word.
    """

    query: EventQuery
    usable: tuple[Hours, ...]
    there: hazards.WorstOf
    on_site: tuple[Hazard, ...]
    bulletins: tuple[Bulletin, ...]
    outlook: Outlook

    def on_trip(self, trip: Span | None = None) -> Outlook:
        """The outlook for one way there and back: from leave-by to home; None: a usual one."""
        if trip is None:
            before, after = USUALLY_AWAY
            trip = Span(self.query.window.start - before, self.query.window.end + after)
        way = self.still_to_go(trip)
        return self.on_way(way, hazards.worst_of(self.usable, way, self.query.ahead))

    def still_to_go(self, trip: Span) -> Span:
        """What of a trip lies ahead."""
        return Span(self.query.now, trip.end) if trip.contains(self.query.now) else trip

    def on_way(self, way: Span, away: hazards.WorstOf) -> Outlook:
        """The outlook by the worst that the sources have of what is left of a trip."""
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


def look_at_cloud(query: EventQuery, forecasts: Sequence[Forecast]) -> WindowChance:
    """The chance over one dark window, as far as it still lies ahead of now, up to where the trip matters.

    Each source adds evidence to what is usual; sources of one lineage are averaged, then the lineages are
    pooled, each weighing the same. A blend that may hide one of the others counts only when it stands alone.
    Sources that can't be used stay listed, with the reason.

    What many windows ask is worked out at once by alerts/weather/chance_columns.py, to the same answers.
    """
    # 1. What each source says, and when it is clearest by those whose word counts.
    readings = _readings(query, forecasts)
    best = _best_stretch(_families(readings), query)

    # 2. What the air does to people and pictures round that time.
    shooting, must = shooting_spans(query, best)
    usable, air = usable_hours([each.saw for each in readings]), fresh_air(query, forecasts)
    there = hazards.worst_of(usable, shooting, must)
    on_air = hazards.worst_of((each.hours for each in air), shooting, must)

    # 3. The chance by all of them.
    return window_chance(query, forecasts, readings, best, there, on_air)


def weather_of(forecasts: Sequence[Forecast]) -> list[Forecast]:
    """Those that tell of cloud."""
    return [each for each in forecasts if each.source.lineage != AIR_LINEAGE]


def fresh_air(query: EventQuery, forecasts: Sequence[Forecast]) -> list[Forecast]:
    """Those that tell of aerosols over what is asked about, and aren't too old."""
    found = []
    for each in forecasts:
        if each.source.lineage != AIR_LINEAGE:
            continue
        since = dated(each.source)
        is_fresh = since is None or timedelta(0) <= query.now - since <= OLDEST_AIR
        if is_fresh and len(each.hours.cut(query.ahead)):
            found.append(each)
    return found


def usable_hours(seen: Sequence[SeenSource]) -> tuple[Hours, ...]:
    """Those whose other weather may be used."""
    return tuple(each.forecast.hours for each in seen if each.unusable is None)


def shooting_spans(query: EventQuery, best: Span | None) -> tuple[Span, Span]:
    """The time of shooting, and the part of it for which the weather must be known."""
    shooting = Span(best.start - ROUND_THE_BEST, best.end + ROUND_THE_BEST) if best else query.ahead
    return shooting, shooting.overlap(query.ahead) or shooting


def window_chance(
    query: EventQuery,
    forecasts: Sequence[Forecast],
    readings: Sequence[SourceReading],
    best: Span | None,
    there: hazards.WorstOf,
    on_air: hazards.WorstOf,
) -> WindowChance:
    """The outlook by what the sources say of cloud and of the time of shooting.

    Once the window has begun the chance is told over all of it too: newest runs tell what has passed as well.
    A go is held against that, as what has passed may have been the event; judged by what is left, people who
    had had their hour were turned round.
    """
    outlook = _outlook(query, readings, best)
    whole_pct = None
    if query.ahead.start != query.window.start:
        whole = replace(query, part=query.window)
        families = _families(_readings(whole, forecasts))
        whole_pct = _stated(_pooled(whole, families, _heard(whole), "evidence"))

    air = fresh_air(query, forecasts)
    depths = [
        depth
        for each in air
        for depth in each.hours.column("aerosol_optical_depth", each.hours.cut(query.ahead).within)
        if depth is not None
    ]
    bulletins, heard = newest_bulletins(forecasts), outlook.sky_now
    outlook = replace(
        outlook,
        whole_pct=whole_pct,
        aerosol_optical_depth=round(median(depths), 3) if depths else None,
        helpers=(
            *(each.source for each in air),
            *authorities(bulletins),
            *(credited(heard) if heard else ()),
        ),
    )
    usable, on_site = usable_hours([each.saw for each in readings]), hazards.assess_on_site(there, on_air)
    return WindowChance(query, usable, there, on_site, bulletins, outlook)


def _readings(query: EventQuery, forecasts: Sequence[Forecast]) -> tuple[SourceReading, ...]:
    return tuple(read_source(saw, query) for saw in see_sources(weather_of(forecasts), query))


def families_of(seen: Sequence[SeenSource]) -> list[list[int]]:
    """Those that give a chance and whose lineage surely is one of its own, by lineage: their places."""
    answering = [(at, each.forecast.source.lineage) for at, each in enumerate(seen) if each.answers]
    lineages = independent_lineages(lineage for _, lineage in answering)
    families: dict[str, list[int]] = {}
    for at, lineage in answering:
        if lineage in lineages:
            families.setdefault(lineage, []).append(at)
    return list(families.values())


def _families(readings: Sequence[SourceReading]) -> list[list[SourceReading]]:
    return [[readings[at] for at in family] for family in families_of([each.saw for each in readings])]


def _best_stretch(families: Families, query: EventQuery) -> Span | None:
    """The stretch with the most joint evidence over all lineages, the earliest of equals."""
    length, length_h = query.length, query.length_h
    starts = sorted(
        {start for family in families for each in family for start in each.saw.parts.stretches(length)}
    )
    if not starts:
        return None
    by_lineage = []
    for family in families:
        told = [
            evidence(each.worst_from(starts, length), each.lead_days, length_h, length_h).mean(axis=0)
            for each in family
        ]
        by_lineage.append(np.mean(told, axis=0))
    return stretch_from(starts[int(np.round(np.mean(by_lineage, axis=0), SAME_EVIDENCE).argmax())], query)


def stretch_from(best: datetime, query: EventQuery) -> Span:
    """The stretch from that moment on; it begins on a whole minute where one is left, so that it is said as
    long as it is."""
    begins = minute_up(best)
    if begins + query.length <= query.ahead.end:
        return Span(begins, begins + query.length)
    return Span(best, best + query.length)


def _heard(query: EventQuery) -> SkyNow | None:
    """What the stations add over what is asked about."""
    toward_deg = query.view.azimuth_deg if query.view else None
    return sky_now(query.stations, now=query.now, middle=query.ahead.middle, toward_deg=toward_deg)


def _pooled(query: EventQuery, families: Families, heard: SkyNow | None, told: Told) -> float | None:
    """The chance by some evidence of each reading: its mean within a lineage, so that many models of one
    family weigh as one; a lineage has as many voices as its ensemble, if it has one. What stations report now
    comes on top. None without readings."""
    if not families:
        return None
    means = [fmean(getattr(reading, told) for reading in family) for family in families]
    voices = [max(reading.voices for reading in family) for family in families]
    return query.chance(means, voices, heard.log_odds if heard else 0.0)


def _stated(chance: float | None) -> int | None:
    """In whole per cent, never none nor all where the event still fits."""
    if not chance:
        return None if chance is None else 0
    return min(99, max(1, pct(chance)))


def _outlook(query: EventQuery, readings: Sequence[SourceReading], best: Span | None) -> Outlook:
    """What the sources say of cloud, and what stations nearby add to that."""
    families = _families(readings)
    heard, answering = _heard(query), [reading for reading in readings if reading.chance is not None]
    counted = [reading for family in families for reading in family]
    chance_pct = _stated(_pooled(query, families, heard, "evidence"))
    if heard is not None:
        without_pct = _stated(_pooled(query, families, None, "evidence"))
        heard = replace(heard, without_pct=without_pct) if chance_pct else None

    overhead_pct, sight_text = None, None
    sights = [reading.saw.sight for reading in counted if reading.saw.sight]
    if sights:
        overhead_pct = _stated(_pooled(query, families, heard, "evidence_beside"))
        frame, beside = (
            round(100 * fmean(chance or 0.0 for chance in chances))
            for chances in zip(*((each.chance, each.chance_beside) for each in counted), strict=True)
        )
        sight_text = sight_difference(sights, frame, beside)

    twice = [[each for each in family if each.evidence_then is not None] for family in families]
    twice = [family for family in twice if family]
    now = _pooled(query, twice, heard, "evidence_now")
    then = _pooled(query, twice, heard, "evidence_then")
    per_source = tuple(reading.as_listed() for reading in readings)
    chances_pct = [pct(reading.chance or 0.0) for reading in answering]
    return Outlook(
        window=query.window,
        chance_pct=chance_pct,
        spread_pct=(min(chances_pct), max(chances_pct)) if chances_pct else None,
        best=best,
        per_source=per_source,
        hazards=(),
        cloud_known=bool(answering),
        wind_known=False,
        precipitation_known=False,
        lineages=tuple(sorted({reading.source.lineage for reading in counted})),
        providers=tuple(sorted({reading.source.provider for reading in counted})),
        newest_issue=max((r.source.issued_at for r in answering if r.source.issued_at), default=None),
        notes=(*_notes(readings, query), *([station_note(heard, chance_pct or 0)] if heard else [])),
        agreement=(sum((each.chance or 0.0) >= SAYS_CLEAR_FROM for each in per_source), len(answering)),
        usual_pct=pct(float(chance_of(query.usual_log_odds))),
        overhead_pct=overhead_pct,
        sight_text=sight_text,
        change_pct=None if now is None or then is None else round(100 * (now - then)),
        sky_now=heard,
    )


def _notes(readings: Sequence[SourceReading], query: EventQuery) -> tuple[Phrase, ...]:
    """What a reader must know of the sources: what was left out and why, and ages nobody knows."""
    answering = [reading for reading in readings if reading.chance is not None]
    notes = [
        phrase("weather.source-not-used", source=source_name(reading.source), why=why)
        for reading in readings
        if (why := reading.saw.unusable or reading.saw.why_not)
    ]
    notes += [
        phrase("weather.source-age-unknown", source=source_name(reading.source))
        for reading in answering
        if dated(reading.source) is None
    ]
    if any(reading.saw.fog_below for reading in answering):
        notes.append(phrase("weather.low-cloud-below"))
    if query.ahead != query.window:
        notes.append(phrase("weather.judged-on-the-rest"))
    if query.length > query.window.duration:
        notes.append(phrase("weather.window-too-short"))
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class CloudHour:
    """One hour and the chance (0..100) that cloud spoils the frame in it; None: no forecast says."""

    span: Span
    cloud_pct: int | None


def cloud_hours(span: Span, forecasts: Sequence[Forecast], *, now: datetime) -> tuple[CloudHour, ...]:
    """The hours that touch `span`, whole hours of UTC, each with its chance of cloud.

    By the hour of each source that holds the middle, pooled as an outlook is: those of one lineage are
    averaged, then the lineages. now: when the runs without an issue time count as issued.
    """
    found = []
    start = span.start.replace(minute=0, second=0, microsecond=0)
    while start < span.end:
        hour = Span(start, start + HOUR)
        families: defaultdict[str, list[tuple[float, float]]] = defaultdict(list)  # evidence and voices
        for forecast in forecasts:
            index = forecast.hours.index_at(hour.middle)
            if index is None:
                continue
            members = [row[index] for row in forecast.members if row[index] is not None]
            cover = cover_as_told(forecast.hours, forecast.layer_scheme, slice(index, index + 1))
            clouds = np.array(members, dtype=np.float64) if members else cover.plan_pct
            if np.isnan(clouds).any():
                continue
            lead_days = max((hour.middle - (forecast.source.issued_at or now)) / timedelta(days=1), 0.0)
            added = float(evidence(clouds, lead_days, 1.0, 1.0).mean())
            families[forecast.source.lineage].append((added, float(effective_voices(len(clouds)))))
        cloud_pct = None
        if families:
            means = [fmean(added for added, _ in family) for family in families.values()]
            voices = [max(voices for _, voices in family) for family in families.values()]
            clear = float(chance_of(usual_log_odds(1.0, 1.0) + pooled_evidence(means, voices)))
            cloud_pct = round(100 * (1 - clear))
        found.append(CloudHour(hour, cloud_pct))
        start = hour.end
    return tuple(found)
