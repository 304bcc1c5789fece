"""What one source says of one dark window: the evidence it adds for the event, or why it can't say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.weather.clear_stretch import ALL_CLOUD_PCT, Clouds
from alerts.weather.clouds import (
    OVERHEAD_ALONE,
    Makeup,
    SeenHours,
    cover_as_told,
    low_lies_below,
    made_up_pct,
    seen_clouds,
)
from alerts.weather.forecast import Forecast, LayerScheme, Sight, Source
from alerts.weather.freshness import dated as dated
from alerts.weather.freshness import why_stale
from alerts.weather.outlook import SourceChance
from alerts.weather.skill import (
    CLEAR_SHARE,
    Floats,
    chance_of,
    effective_voices,
    evidence,
    pooled_evidence,
    usual_log_odds,
)
from alerts.weather.sky_now import SkyNow
from alerts.weather.stretches import PartsCut

MOST_UNKNOWN_SHARE = 0.2
"""A source with more of the window unknown than this can't say."""
MUCH_CLOUD_PCT = 50.0
HOUR = timedelta(hours=1)


@value(frozen=True, slots=True)
class Asking:
    """What is asked of every source alike.

    window: the dark window; ahead: the part of it that can still hold the event. length: of the event.
    altitude_deg: of the frame's middle, where no line of sight says better. clear_share: of the place's night
    hours in that month. dark: the whole dark window, that lines of sight were asked for; None where that is
    `window` itself. makeup: what cloud is made of there, for sources that tell a total alone.
    sky_now: what stations nearby add to the chance by all sources together.
    """

    window: Span
    ahead: Span
    length: timedelta
    now: datetime
    is_night_of: bool
    altitude_deg: float
    clear_share: float = CLEAR_SHARE
    dark: Span | None = None
    makeup: Makeup = OVERHEAD_ALONE
    sky_now: SkyNow | None = None

    @property
    def ahead_h(self) -> float:
        return self.ahead.duration / HOUR

    @property
    def length_h(self) -> float:
        return self.length / HOUR

    @property
    def usual_log_odds(self) -> float:
        """Of the event in what is ahead, whatever is forecast."""
        return float(usual_log_odds(self.ahead_h, self.length_h, self.clear_share))

    def chance(self, by_lineage: Sequence[float], voices: Sequence[float], beside: float = 0.0) -> float:
        """The chance of the event (0..1) by the evidence of some lineages; 0 when it can't fit in any
        more. beside: log odds of other evidence than forecasts."""
        if self.length > self.ahead.duration:
            return 0.0
        return float(chance_of(self.usual_log_odds + pooled_evidence(by_lineage, voices) + beside))

    def evidence(self, least_cloud_pct: Floats, lead_days: float) -> float:
        """The mean of what members add whose clearest stretches have these clouds, shape (members,)."""
        told = evidence(least_cloud_pct, lead_days, self.ahead_h, self.length_h, self.clear_share)
        return float(told.mean())


@value(frozen=True, slots=True)
class Reading:
    """One source over the window.

    unusable: why nothing of it may be used; why_not: why its cloud gives no chance.
    evidence: the log odds that it adds to what is usual. evidence_beside: those it would add if the sky all
    round were as it is overhead. evidence_then: by the run before, and evidence_now: by this one on the same
    terms (the ground plan overhead); None without a run before. voices: `effective_voices` of its members, 1
    for a run.
    lead_days: from its issue to the window's middle. seen: a run's cloud hour by hour.
    clouds: of its members in the frame. chance, chance_beside: its own answers, 0..1.
    """

    forecast: Forecast
    unusable: str = ""
    why_not: str = ""
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
    clouds: Clouds | None = None
    seen: SeenHours | None = None
    sight: Sight | None = None
    fog_below: bool = False

    @property
    def source(self) -> Source:
        return self.forecast.source

    def as_source_chance(self) -> SourceChance:
        return SourceChance(
            source=self.source,
            chance=None if self.chance is None else pct(self.chance) / 100,
            why_not=self.unusable or self.why_not,
            least_cloud_pct=None if self.least_cloud_pct is None else round(self.least_cloud_pct, 1),
            members=len(self.forecast.members),
            least_plan_pct=None if self.least_plan_pct is None else round(self.least_plan_pct, 1),
            chance_overhead=None if self.chance_beside is None else pct(self.chance_beside) / 100,
            sight_places=self.sight.places if self.sight else 0,
        )


def read_all(forecasts: Sequence[Forecast], asking: Asking) -> tuple[Reading, ...]:
    """Each source's answer, or a reading that says why there is none.

    Sources with layers are read first: what cloud is made of there stands for the layers of the others.
    """
    layered = {at: read(each, asking) for at, each in enumerate(forecasts) if _has_layers(each)}
    if len(layered) == len(forecasts):
        return tuple(layered.values())
    makeup = Makeup.of(each.seen for each in layered.values() if each.seen)
    asking = replace(asking, makeup=makeup)
    return tuple(layered.get(at) or read(each, asking) for at, each in enumerate(forecasts))


def _has_layers(forecast: Forecast) -> bool:
    return not forecast.members and forecast.layer_scheme is not LayerScheme.NONE


def read(forecast: Forecast, asking: Asking) -> Reading:
    """The source's answer, or a reading that says why there is none."""
    if unusable := why_unusable(forecast.source, asking.now, asking.is_night_of):
        return Reading(forecast, unusable=unusable)
    cut = forecast.hours.cut(asking.ahead)
    if not len(cut):
        return Reading(forecast, unusable="doesn't reach this window")
    return _read_members(forecast, cut, asking) if forecast.members else _read_single(forecast, cut, asking)


def why_unusable(source: Source, now: datetime, is_night_of: bool) -> str:
    """Why a run may not be used at `now`, or "" when it may.

    A run with no time at all (played from a file) is accepted.
    """
    since = dated(source)
    if since is None:
        return ""
    if since > now:
        return "issued after the moment we judge for"
    return why_stale(source, now, is_night_of=is_night_of)


def _lead_days(forecast: Forecast, asking: Asking) -> float:
    issued = forecast.source.issued_at or asking.now
    return max(timedelta(0), asking.ahead.middle - issued) / timedelta(days=1)


def _read_single(forecast: Forecast, cut: PartsCut, asking: Asking) -> Reading:
    """A single run: an ensemble of one."""
    sight = forecast.sight_over(asking.dark or asking.window)
    altitude_deg = sight.altitude_deg if sight else asking.altitude_deg
    seen = seen_clouds(forecast, cut, altitude_deg, sight.hours if sight else None, asking.makeup)
    if why_not := _too_unknown(1 - seen.parts.total / asking.ahead.duration):
        return Reading(forecast, why_not=why_not)
    lead_days = _lead_days(forecast, asking)
    frame = Clouds.of(seen.parts, [seen.frame_pct], asking.length)
    beside = Clouds.of(seen.parts, [seen.beside_pct], asking.length) if sight else frame
    found = asking.evidence(frame.least_pct, lead_days)
    found_beside = found if beside is frame else asking.evidence(beside.least_pct, lead_days)
    evidence_now, evidence_then = _change(forecast, cut, asking, lead_days)
    stretch = frame.clearest_stretch
    plan = None if stretch is None else max(seen.plan_pct[stretch.first : stretch.after])
    return Reading(
        forecast,
        evidence=found,
        evidence_beside=found_beside,
        evidence_now=evidence_now,
        evidence_then=evidence_then,
        lead_days=lead_days,
        chance=asking.chance([found], [1.0]),
        chance_beside=asking.chance([found_beside], [1.0]),
        least_cloud_pct=None if stretch is None else float(frame.least_pct[0]),
        least_plan_pct=plan,
        clouds=frame,
        seen=seen,
        sight=sight,
        fog_below=_fog_below(forecast, cut),
    )


def _change(
    forecast: Forecast, cut: PartsCut, asking: Asking, lead_days: float
) -> tuple[float | None, float | None]:
    """The evidence now and by the run before, both from the ground plan overhead."""
    if not forecast.cloud_before_pct:
        return None, None
    nows = cover_as_told(forecast.hours, forecast.layer_scheme, cut.within).plan_pct
    both = np.array([nows, np.array(forecast.cloud_before_pct[cut.within], dtype=np.float64)])
    known = ~np.isnan(both).any(axis=0)
    parts = cut.inside.only(list(known))
    if _too_unknown(1 - parts.total / asking.ahead.duration):
        return None, None
    now, then = Clouds.of(parts, both[:, known], asking.length).least_pct
    return asking.evidence(now, lead_days), asking.evidence(then, lead_days)


def _fog_below(forecast: Forecast, cut: PartsCut) -> bool:
    """Much low cloud, and the site above its top."""
    if not low_lies_below(forecast):
        return False
    lows = forecast.hours.column("cloud_low_pct", cut.within)
    return max((low or 0.0 for low in lows), default=0.0) >= MUCH_CLOUD_PCT


def _read_members(forecast: Forecast, cut: PartsCut, asking: Asking) -> Reading:
    """An ensemble: each member's event joint over all hours, its total made up as the place's cloud is."""
    parts = cut.inside
    totals = np.array([member[cut.within] for member in forecast.members], dtype=np.float64)
    missing = np.isnan(totals)
    known_h = float(((~missing) * parts.lengths_h).sum()) / len(totals)
    if why_not := _too_unknown(1 - known_h / asking.ahead_h):
        return Reading(forecast, why_not=why_not)
    seen_pct, beside_pct = made_up_pct(totals, parts, asking.makeup, asking.altitude_deg)
    frame = Clouds.of(parts, np.where(missing, ALL_CLOUD_PCT, seen_pct), asking.length)
    beside = frame
    if beside_pct is not seen_pct:
        beside = Clouds.of(parts, np.where(missing, ALL_CLOUD_PCT, beside_pct), asking.length)
    plan = Clouds.of(parts, np.where(missing, ALL_CLOUD_PCT, totals), asking.length)
    lead_days = _lead_days(forecast, asking)
    found = asking.evidence(frame.least_pct, lead_days)
    found_beside = found if beside is frame else asking.evidence(beside.least_pct, lead_days)
    voices = float(effective_voices(len(forecast.members)))
    has_stretch = bool(frame.stretches)
    return Reading(
        forecast,
        evidence=found,
        evidence_beside=found_beside,
        voices=voices,
        lead_days=lead_days,
        chance=asking.chance([found], [voices]),
        chance_beside=asking.chance([found_beside], [voices]),
        least_cloud_pct=float(np.median(frame.least_pct)) if has_stretch else None,
        least_plan_pct=float(np.median(plan.least_pct)) if has_stretch else None,
        clouds=frame,
    )


def _too_unknown(share: float) -> str:
    return f"{pct(share)} % of the window is unknown" if share > MOST_UNKNOWN_SHARE else ""


def pct(share: float) -> int:
    """A share in whole per cent, halves upward."""
    return int(100 * share + 0.5)
