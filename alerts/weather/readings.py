"""What one source says of one dark window: its own chance of the event, or why it can't say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from statistics import median

from alerts.span import Span
from alerts.values import value
from alerts.weather.clouds import effective_cloud_pct, known_of, low_lies_below, seen_clouds
from alerts.weather.freshness import dated as dated
from alerts.weather.freshness import why_stale
from alerts.weather.outlook import SourceChance
from alerts.weather.record import Forecast, Sight, Source
from alerts.weather.series import Cut
from alerts.weather.skill import BASE_RATE, CLEAR_LIMIT_PCT, chance_between, chance_of_members, rates_at
from alerts.weather.stretches import Parts, Stretch

MOST_UNKNOWN_SHARE = 0.2
"""A source with more of the window unknown than this can't say."""
ALL_CLOUD_PCT = 100.0
MUCH_CLOUD_PCT = 50.0


@value(frozen=True, slots=True)
class Asking:
    """What is asked of every source alike.

    window: the dark window; ahead: the part of it that can still hold the event. length: of the event.
    altitude_deg: of the frame's middle, where no line of sight says better. dark: the whole dark window,
    that lines of sight were asked for; None where that is `window` itself.
    """

    window: Span
    ahead: Span
    length: timedelta
    now: datetime
    is_night_of: bool
    altitude_deg: float
    base_rate: float = BASE_RATE
    dark: Span | None = None


@value(frozen=True, slots=True)
class Reading:
    """One source over the window.

    unusable: why nothing of it may be used; why_not: why its cloud gives no chance.
    chance_beside: the chance if the sky all round were as it is overhead. chance_then: by the run before,
    and chance_now: by this one on the same terms (the ground plan overhead); None without a run before.
    stretches: those worth trying; chances_from: the chance of the event in those that begin at given moments.
    """

    forecast: Forecast
    unusable: str = ""
    why_not: str = ""
    chance: float | None = None
    chance_beside: float | None = None
    chance_now: float | None = None
    chance_then: float | None = None
    least_cloud_pct: float | None = None
    least_plan_pct: float | None = None
    stretches: tuple[Stretch, ...] = ()
    chances_from: Callable[[Sequence[datetime]], list[float]] = lambda starts: [0.0] * len(starts)
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


def read(forecast: Forecast, asking: Asking) -> Reading:
    """The source's answer, or a reading that says why there is none."""
    if unusable := why_unusable(forecast.source, asking.now, asking.is_night_of):
        return Reading(forecast, unusable=unusable)
    cut = forecast.series.cut(asking.ahead)
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


def _read_single(forecast: Forecast, cut: Cut, asking: Asking) -> Reading:
    """A single run's chance, from the worst hour of its clearest stretch."""
    sight = forecast.sight_over(asking.dark or asking.window)
    altitude_deg = sight.altitude_deg if sight else asking.altitude_deg
    along = {hour.starts: hour for hour in sight.hours} if sight else None
    seen = seen_clouds(forecast, cut, altitude_deg, along)
    if why_not := _too_unknown(1 - seen.parts.total / asking.ahead.duration):
        return Reading(forecast, why_not=why_not)
    frame = _Clearest(seen.parts, seen.frame_pct, asking, _lead_days(forecast, asking))
    chance_now, chance_then = _change(forecast, asking)
    chance = frame.chance
    return Reading(
        forecast,
        chance=chance,
        chance_beside=_beside(frame, seen.beside_pct, asking).chance if sight else chance,
        chance_now=chance_now,
        chance_then=chance_then,
        least_cloud_pct=frame.least_pct,
        least_plan_pct=_plan_then(frame, seen.plan_pct),
        stretches=frame.stretches,
        chances_from=frame.chances_from,
        sight=sight,
        fog_below=_fog_below(forecast, cut),
    )


class _Clearest:
    """A series of cloud, and its clearest stretch of the event's length; None when none is that long.

    least_pct: the worst cloud of that stretch.
    """

    def __init__(self, parts: Parts, clouds: Sequence[float], asking: Asking, lead_days: float) -> None:
        self.parts, self.clouds, self.asking, self.lead_days = parts, clouds, asking, lead_days
        self.rates = rates_at(lead_days)
        self.stretches = parts.stretches(asking.length)
        self.worst = [max(clouds[each.first : each.after]) for each in self.stretches]
        self.least_pct = min(self.worst, default=None)
        self.stretch = None if self.least_pct is None else self.stretches[self.worst.index(self.least_pct)]

    @property
    def chance(self) -> float:
        if self.asking.length > self.asking.ahead.duration:
            return 0.0
        least_pct = ALL_CLOUD_PCT if self.least_pct is None else self.least_pct
        return chance_between(least_pct, *self.rates)

    def chances_from(self, starts: Sequence[datetime]) -> list[float]:
        own, worst = [each.start for each in self.stretches], self.worst
        if starts != own:
            known = dict(zip(own, worst, strict=True))
            worst = [known[start] if start in known else self._worst_from(start) for start in starts]
        return [chance_between(cloud_pct, *self.rates) for cloud_pct in worst]

    def _worst_from(self, start: datetime) -> float:
        stretch = self.parts.stretch_at(start, self.asking.length)
        return max(self.clouds[stretch.first : stretch.after]) if stretch else ALL_CLOUD_PCT


def _beside(frame: _Clearest, beside_pct: Sequence[float], asking: Asking) -> _Clearest:
    return _Clearest(frame.parts, beside_pct, asking, frame.lead_days)


def _plan_then(frame: _Clearest, plan_pct: Sequence[float]) -> float | None:
    """The ground plan's worst cloud in the stretch that the frame finds clearest."""
    stretch = frame.stretch
    return max(plan_pct[stretch.first : stretch.after]) if stretch else None


def _change(forecast: Forecast, asking: Asking) -> tuple[float | None, float | None]:
    """The chance now and by the run before, both from the ground plan overhead."""
    if not forecast.cloud_before_pct:
        return None, None
    cut = forecast.series.cut(asking.ahead)
    nows = [effective_cloud_pct(hour, forecast.layer_scheme) for hour in cut.hours]
    befores = forecast.cloud_before_pct[cut.first : cut.after]
    each_hour = zip(nows, befores, strict=True)
    parts, both = known_of(
        cut, [None if now is None or before is None else (now, before) for now, before in each_hour]
    )
    if _too_unknown(1 - parts.total / asking.ahead.duration):
        return None, None
    lead_days = _lead_days(forecast, asking)
    now = _Clearest(parts, [now for now, _ in both], asking, lead_days)
    then = _Clearest(parts, [before for _, before in both], asking, lead_days)
    return now.chance, then.chance


def _fog_below(forecast: Forecast, cut: Cut) -> bool:
    """Much low cloud, and the site above its top."""
    if not low_lies_below(forecast):
        return False
    return max((hour.cloud_low_pct or 0.0 for hour in cut.hours), default=0.0) >= MUCH_CLOUD_PCT


def _read_members(forecast: Forecast, cut: Cut, asking: Asking) -> Reading:
    """An ensemble's chance: the share of members in which the event happens, each over all hours."""
    span, length = asking.ahead, asking.length
    parts, told = cut.parts, [member[cut.first : cut.after] for member in forecast.members]
    if why_not := _too_unknown(_unknown_share(parts, told, span)):
        return Reading(forecast, why_not=why_not)
    rows = [[ALL_CLOUD_PCT if cloud is None else cloud for cloud in member] for member in told]
    stretches = parts.stretches(length)
    own = {stretch.start: stretch for stretch in stretches}
    least = [min((max(row[s.first : s.after]) for s in stretches), default=ALL_CLOUD_PCT) for row in rows]
    lead_days = _lead_days(forecast, asking)

    def chance_from(start: datetime) -> float:
        stretch = own.get(start) or parts.stretch_at(start, length)
        clear = 0
        if stretch:
            clear = sum(max(row[stretch.first : stretch.after]) <= CLEAR_LIMIT_PCT for row in rows)
        return chance_of_members(clear, len(rows), lead_days, asking.base_rate)

    happens = sum(cloud <= CLEAR_LIMIT_PCT for cloud in least)
    chance = chance_of_members(happens, len(rows), lead_days, asking.base_rate)
    chance = 0.0 if length > span.duration else chance
    middle = median(least) if stretches else None
    return Reading(
        forecast,
        chance=chance,
        chance_beside=chance,
        least_cloud_pct=middle,
        least_plan_pct=middle,
        stretches=stretches,
        chances_from=lambda starts: list(map(chance_from, starts)),
    )


def _unknown_share(parts: Parts, members: Sequence[Sequence[float | None]], span: Span) -> float:
    """The share of member-time inside `span` without a value."""
    lengths = [part.duration for part in parts]
    known, whole = timedelta(0), parts.total
    for row in members:
        gone = (length for length, cloud in zip(lengths, row, strict=True) if cloud is None)
        known += whole - sum(gone, timedelta(0)) if None in row else whole
    return 1 - known / (span.duration * len(members))


def _too_unknown(share: float) -> str:
    return f"{pct(share)} % of the window is unknown" if share > MOST_UNKNOWN_SHARE else ""


def pct(share: float) -> int:
    """A share in whole per cent, halves upward."""
    return int(100 * share + 0.5)
