"""What one source says of one dark window: the evidence it adds for the event, or why it can't say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from datetime import datetime, timedelta
from functools import partial
from math import fsum
from statistics import fmean, median

import numpy as np
from numpy.typing import ArrayLike

from alerts.common.phrases import Phrase, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.clouds import Makeup, SeenHours, cloud_columns, made_up_pct, seen_clouds
from alerts.weather.forecast import Forecast, LayerScheme, Sight, Source
from alerts.weather.freshness import why_unusable
from alerts.weather.hours import Parts
from alerts.weather.line_of_sight import TYPICAL_ALTITUDE_DEG, SightView
from alerts.weather.outlook import SourceChance
from alerts.weather.skill import (
    CLEAR_SHARE,
    Floats,
    chance_of,
    effective_voices,
    evidence,
    usual_log_odds,
)
from alerts.weather.sky_now import StationSky

ALL_CLOUD_PCT = 100.0
MOST_UNKNOWN_SHARE = 0.2
"""A source with more of the window unknown than this can't say."""
MUCH_CLOUD_PCT = 50.0
SHORTEST_MOMENT = timedelta(minutes=1)
HOUR = timedelta(hours=1)


@value(frozen=True, slots=True)
class EventQuery:
    """What is asked of every source alike: the chance of so much clear time in one piece in a dark window.

    shortest: length of the event. is_night_of: it is the day of the night, so runs must be fresher.
    clear_share: how often a night hour is clear at the place in that month (0..1). view: what the camera
    looks at; None: as high as the core usually stands. dark: the whole dark window, that lines of sight were
    asked for; None where that is `window` itself. stations: what those nearby report now; they move the
    chance by all sources together, and neither a source's own nor what counts as a lineage.
    part: the part of the window that is judged; None: what of it lies ahead.
    ahead, length: the part judged, and what is looked for in it; usual_log_odds: of that, whatever is
    forecast.
    """

    window: Span
    shortest: timedelta
    now: datetime
    is_night_of: bool
    clear_share: float = CLEAR_SHARE
    view: SightView | None = None
    dark: Span | None = None
    stations: Sequence[StationSky] = ()
    part: Span | None = None
    ahead: Span = field(init=False)
    length: timedelta = field(init=False)
    ahead_h: float = field(init=False)
    length_h: float = field(init=False)
    usual_log_odds: float = field(init=False)

    def __post_init__(self) -> None:
        length = max(self.shortest, SHORTEST_MOMENT)
        ahead = self.part or still_ahead(self.window, length, self.now)
        ahead_h, length_h = ahead.duration / HOUR, length / HOUR
        derive = partial(object.__setattr__, self)
        derive("ahead", ahead)
        derive("length", length)
        derive("ahead_h", ahead_h)
        derive("length_h", length_h)
        derive("usual_log_odds", float(usual_log_odds(ahead_h, length_h, self.clear_share)))

    @property
    def altitude_deg(self) -> float:
        """Of the frame's middle, where no line of sight says better."""
        return self.view.altitude_deg if self.view else TYPICAL_ALTITUDE_DEG

    def lead_days(self, forecast: Forecast) -> float:
        """From a run's issue to the middle of what is ahead."""
        issued_at = forecast.source.issued_at or self.now
        return max(timedelta(0), self.ahead.middle - issued_at) / timedelta(days=1)

    def chance(self, by_lineage: Sequence[float], voices: Sequence[float], beside: float = 0.0) -> float:
        """The chance of the event (0..1) by the evidence of some lineages; 0 when it can't fit in any
        more. beside: log odds of other evidence than forecasts."""
        if self.length > self.ahead.duration:
            return 0.0
        joint = fmean(by_lineage) * float(effective_voices(fsum(voices)))  # as `pooled_evidence`
        return float(chance_of(self.usual_log_odds + joint + beside))

    def evidence(self, least_cloud_pct: Floats, lead_days: float) -> float:
        """The mean of what members add whose clearest stretches have these clouds, shape (members,)."""
        told = evidence(least_cloud_pct, lead_days, self.ahead_h, self.length_h, self.clear_share)
        return float(told.mean())

    def clearest_pct(self, parts: Parts, cloud_pct: ArrayLike) -> Floats:
        """The worst cloud of each member's clearest stretch, 100 where no stretch is that long, shape
        (members,). cloud_pct: shape (members, parts)."""
        least: Floats = worst_of_stretches(parts, cloud_pct, self.length).min(axis=-1, initial=ALL_CLOUD_PCT)
        return least


def still_ahead(window: Span, length: timedelta, now: datetime) -> Span:
    """The part of the window that can still hold the event; all of it when it is over or to come."""
    return Span(now, window.end) if window.start < now < window.end - length else window


def worst_of_stretches(parts: Parts, cloud_pct: ArrayLike, length: timedelta) -> Floats:
    """The worst cloud of each stretch of that length, shape (members, stretches). cloud_pct: shape (members,
    parts), nothing unknown."""
    clouds, stretches = np.asarray(cloud_pct, dtype=np.float64), parts.stretches(length)
    if not stretches:
        return np.empty((len(clouds), 0))
    edges = [edge for within in stretches.values() for edge in (within.start, within.stop)]
    if max(edges) >= len(parts):  # an edge may stand just behind the last part
        clouds = np.concatenate([clouds, np.zeros((len(clouds), 1))], axis=-1)
    worst: Floats = np.maximum.reduceat(clouds, edges, axis=-1)[:, ::2]
    return worst


NO_PARTS = Parts((), ())
NO_CLOUD: Floats = np.empty((0, 0))


@value(frozen=True, slots=True)
class SeenSource:
    """The cloud that one source has over what is asked about, before it is judged.

    unusable: why nothing of it may be used; why_not: why its cloud gives no chance.
    parts: those that it knows. frame_pct: cloud of its members in the frame, nothing unknown, shape (members,
    parts); beside_pct: if the sky all round were as it is overhead, None where nothing differs; plan_pct: on
    the ground plan. compared: the parts that the run before knew too, and what it had there and what this
    one has, on the ground plan, shape (2, parts); None without a run before.
    seen: a run's cloud hour by hour.
    """

    forecast: Forecast
    unusable: Phrase | None = None
    why_not: Phrase | None = None
    parts: Parts = NO_PARTS
    frame_pct: Floats = field(default_factory=lambda: NO_CLOUD)
    beside_pct: Floats | None = None
    plan_pct: Floats = field(default_factory=lambda: NO_CLOUD)
    compared: tuple[Parts, Floats] | None = None
    seen: SeenHours | None = None
    sight: Sight | None = None
    fog_below: bool = False

    @property
    def answers(self) -> bool:
        """Whether it gives a chance."""
        return self.unusable is None and self.why_not is None


@value(frozen=True, slots=True)
class SourceReading:
    """One source over the window.

    evidence: the log odds that it adds to what is usual. evidence_beside: those it would add if the sky all
    round were as it is overhead. evidence_then: by the run before, and evidence_now: by this one on the same
    terms (the ground plan overhead); None without a run before. voices: `effective_voices` of its members, 1
    for a run.
    lead_days: from its issue to the window's middle.
    worst_pct: the worst cloud in each stretch, shape (members, stretches). chance, chance_beside: its own
    answers, 0..1.
    """

    saw: SeenSource
    evidence: float | None = None
    evidence_beside: float | None = None
    evidence_now: float | None = None
    evidence_then: float | None = None
    voices: float = 1.0
    lead_days: float = 0.0
    chance: float | None = None
    chance_beside: float | None = None
    least_cloud_pct: float | None = None
    least_plan_pct: float | None = None
    worst_pct: Floats = field(default_factory=lambda: NO_CLOUD)

    @property
    def source(self) -> Source:
        return self.saw.forecast.source

    def worst_from(self, starts: Sequence[datetime], length: timedelta) -> Floats:
        """The worst cloud of the stretches that begin at these moments, ascending, 100 where one has a gap:
        (members, starts)."""
        parts, cloud_pct = self.saw.parts, self.saw.frame_pct
        known = parts.stretches(length)
        if list(known) == starts:
            return self.worst_pct
        worst = np.full((len(cloud_pct), len(starts)), ALL_CLOUD_PCT)
        for at, start in enumerate(starts):
            within = known.get(start) or parts.stretch_at(start, length)
            if within is not None:
                worst[:, at] = cloud_pct[:, within].max(axis=-1)
        return worst

    def as_listed(self) -> SourceChance:
        """As the outlook lists it."""
        saw, least, plan, beside = self.saw, self.least_cloud_pct, self.least_plan_pct, self.chance_beside
        return SourceChance(
            source=saw.forecast.source,
            chance=None if self.chance is None else pct(self.chance) / 100,
            why_not=saw.unusable or saw.why_not,
            least_cloud_pct=None if least is None else round(least, 1),
            members=len(saw.forecast.members),
            least_plan_pct=None if plan is None else round(plan, 1),
            chance_overhead=None if beside is None else pct(beside) / 100,
            sight_places=saw.sight.places if saw.sight else 0,
        )


def see_sources(forecasts: Sequence[Forecast], query: EventQuery) -> tuple[SeenSource, ...]:
    """The cloud that each source has there, or why it says nothing.

    Sources with layers are looked at first: what cloud is made of there stands for the layers of the others.
    """
    found: dict[int, SeenSource] = {}
    makeup: Makeup = ()
    for is_layered in (True, False):
        for at, forecast in enumerate(forecasts):
            if (not forecast.members and forecast.layer_scheme is not LayerScheme.NONE) is not is_layered:
                continue
            if unusable := why_unusable(forecast.source, query.now, is_night_of=query.is_night_of):
                found[at] = SeenSource(forecast, unusable=unusable)
                continue
            cut = forecast.hours.cut(query.ahead)
            if not len(cut):
                found[at] = SeenSource(forecast, unusable=phrase("weather.window-out-of-reach"))
                continue
            see = _see_ensemble if forecast.members else _see_run
            found[at] = see(forecast, cut, query, makeup)
        seen = (each.seen for each in found.values() if each.seen)
        makeup = tuple(each for each in seen if len(each.parts) and each.cover.has_layers.all())
    return tuple(found[at] for at in range(len(forecasts)))


def _see_run(forecast: Forecast, cut: Parts, query: EventQuery, makeup: Makeup) -> SeenSource:
    """A single run: an ensemble of one."""
    sight = forecast.sight_over(query.dark or query.window)
    altitude_deg = sight.altitude_deg if sight else query.altitude_deg
    seen = seen_clouds(forecast, cut, altitude_deg, sight.hours if sight else None, makeup)
    if why_not := _too_unknown(1 - seen.parts.total / query.ahead.duration):
        return SeenSource(forecast, why_not=why_not)

    compared, columns = None, cloud_columns(forecast)
    if columns.before_pct is not None:
        both = np.array([columns.told_pct[cut.within], columns.before_pct[cut.within]])
        known = ~np.isnan(both).any(axis=0)
        there = cut if known.all() else cut.only(known)
        if not _too_unknown(1 - there.total / query.ahead.duration):
            compared = there, both[:, known]
    lows = forecast.hours.column("cloud_low_pct", cut.within) if columns.is_low_below else ()
    return SeenSource(
        forecast,
        parts=seen.parts,
        frame_pct=seen.frame_pct[None],
        beside_pct=seen.beside_pct[None] if sight else None,
        plan_pct=seen.cover.plan_pct[None],
        compared=compared,
        seen=seen,
        sight=sight,
        fog_below=any((low or 0.0) >= MUCH_CLOUD_PCT for low in lows),
    )


def _see_ensemble(forecast: Forecast, cut: Parts, query: EventQuery, makeup: Makeup) -> SeenSource:
    """An ensemble: each member over all hours, its total made up as the place's cloud is."""
    totals = cloud_columns(forecast).members_pct[:, cut.within]
    missing = np.isnan(totals)
    known_h = float(((~missing) * cut.lengths_h).sum()) / len(totals)
    if why_not := _too_unknown(1 - known_h / query.ahead_h):
        return SeenSource(forecast, why_not=why_not)
    frame_pct, beside_pct = made_up_pct(totals, cut, makeup, query.altitude_deg)
    return SeenSource(
        forecast,
        parts=cut,
        frame_pct=np.where(missing, ALL_CLOUD_PCT, frame_pct),
        beside_pct=None if beside_pct is frame_pct else np.where(missing, ALL_CLOUD_PCT, beside_pct),
        plan_pct=np.where(missing, ALL_CLOUD_PCT, totals),
    )


def read_source(saw: SeenSource, query: EventQuery) -> SourceReading:
    """What one source says: the evidence of its members' clearest stretches, each one's event joint over all
    hours."""
    if not saw.answers:
        return SourceReading(saw)
    members, lead_days = len(saw.frame_pct), query.lead_days(saw.forecast)

    # 1. What it says now, of the frame and of the sky all round as it is overhead.
    worst_pct = worst_of_stretches(saw.parts, saw.frame_pct, query.length)
    least_pct = worst_pct.min(axis=-1, initial=ALL_CLOUD_PCT)
    found = found_beside = query.evidence(least_pct, lead_days)
    if saw.beside_pct is not None:
        found_beside = query.evidence(query.clearest_pct(saw.parts, saw.beside_pct), lead_days)

    # 2. What it said by the run before, both from the ground plan overhead.
    evidence_now = evidence_then = None
    if saw.compared is not None:
        now, then = query.clearest_pct(*saw.compared)
        evidence_now, evidence_then = query.evidence(now, lead_days), query.evidence(then, lead_days)

    # 3. The clearest stretch: a run's own, of an ensemble the middle one of its members'.
    least = least_plan = None
    if worst_pct.size and saw.forecast.members:
        least = median(least_pct.tolist())
        least_plan = median(query.clearest_pct(saw.parts, saw.plan_pct).tolist())
    elif worst_pct.size:
        within = list(saw.parts.stretches(query.length).values())[int(worst_pct[0].argmin())]
        least, least_plan = float(least_pct[0]), float(saw.plan_pct[0, within].max())
    voices = float(effective_voices(members))
    return SourceReading(
        saw,
        evidence=found,
        evidence_beside=found_beside,
        evidence_now=evidence_now,
        evidence_then=evidence_then,
        voices=voices,
        lead_days=lead_days,
        chance=query.chance([found], [voices]),
        chance_beside=query.chance([found_beside], [voices]),
        least_cloud_pct=least,
        least_plan_pct=least_plan,
        worst_pct=worst_pct,
    )


def _too_unknown(share: float) -> Phrase | None:
    return phrase("weather.too-much-unknown", unknown_pct=pct(share)) if share > MOST_UNKNOWN_SHARE else None


def pct(share: float) -> int:
    """A share in whole per cent, halves upward."""
    return int(100 * share + 0.5)
