"""What many sources say of many windows at once: `alerts.weather.chance.look_at_cloud` in columns.

What a source sees and how an outlook is put together is the same code for one window as for many; here is the
arithmetic between the two. Stretches are rows of (window, start), padded to the longest; clouds are rows of
(source, member, part). Every start that one of a window's sources is worth trying at is tried with all of
them: where one source alone has its least, it has it at a start of its own that isn't later.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alerts.common.span import Span
from alerts.weather.chance import (
    SAME_EVIDENCE,
    WindowChance,
    families_of,
    fresh_air,
    shooting_spans,
    stretch_from,
    usable_hours,
    weather_of,
    window_chance,
)
from alerts.weather.forecast import Forecast
from alerts.weather.hazard_columns import Ints, worst_of_each
from alerts.weather.hours import EPOCH, US, Parts
from alerts.weather.outlook import Outlook
from alerts.weather.skill import Floats, chance_of, effective_voices, evidence
from alerts.weather.source_chance import ALL_CLOUD_PCT, EventQuery, SeenSource, SourceReading, see_sources

Flags = npt.NDArray[np.bool_]
NEVER_US = np.iinfo(np.int64).max // 2
"""Later than any hour."""

Asked = tuple[EventQuery, Sequence[Forecast]]


def look_at_clouds(asked: Sequence[Asked]) -> list[WindowChance]:
    """For each the same as `look_at_cloud` finds one after the other."""
    # 1. What each source says, and when it is clearest.
    queries = [query for query, _ in asked]
    seen = [see_sources(weather_of(forecasts), query) for query, forecasts in asked]
    readings, bests = read_at_once(queries, seen)

    # 2. What the air does to people and pictures round that time.
    spans = [shooting_spans(query, best) for query, best in zip(queries, bests, strict=True)]
    air = [[each.hours for each in fresh_air(*one)] for one in asked]
    there = worst_of_each([(usable_hours(some), *span) for some, span in zip(seen, spans, strict=True)])
    on_air = worst_of_each([(some, *span) for some, span in zip(air, spans, strict=True)])

    # 3. The chance by all of them.
    rows = zip(asked, readings, bests, there, on_air, strict=True)
    return [window_chance(*one, said, best, worst, smoke) for one, said, best, worst, smoke in rows]


def on_trips(asked: Sequence[tuple[WindowChance, Span]]) -> list[Outlook]:
    """The outlook of each window for one way there and back: from leave-by to home."""
    ways = [chance.still_to_go(trip) for chance, trip in asked]
    chances = [chance for chance, _ in asked]
    spans = [(each.usable, way, each.query.ahead) for each, way in zip(chances, ways, strict=True)]
    away = worst_of_each(spans)
    return [each.on_way(way, worst) for each, way, worst in zip(chances, ways, away, strict=True)]


@dataclass(frozen=True, slots=True)
class Stretches:
    """The stretches of each window's length in the parts of time that its sources know.

    starts_us: those to try in each window, ascending, shape (windows, starts). Of each pair of a window and
    some parts, shape (pairs, starts): first, after: the parts that a stretch touches; is_covered: whether it
    lies in them without a gap.
    """

    starts_us: Ints
    first: Ints
    after: Ints
    is_covered: Flags

    def worst_pct(self, pairs: Sequence[int], clouds_pct: Sequence[Floats]) -> Floats:
        """The worst cloud of each stretch, 100 where there is none.

        pairs: whose each cloud is; clouds_pct: each of shape (members, parts), of as many members each. Shape
        (clouds, members, starts).
        """
        longest = max(each.shape[1] for each in clouds_pct)
        clouds = np.zeros((len(clouds_pct), len(clouds_pct[0]), longest))
        for row, each in zip(clouds, clouds_pct, strict=True):
            row[:, : each.shape[1]] = each
        first, last = (np.clip(each[pairs], 0, longest - 1) for each in (self.first, self.after - 1))
        is_covered = self.is_covered[pairs]
        worst = np.take_along_axis(clouds, first[:, None], axis=2)
        for further in range(1, int((last - first)[is_covered].max(initial=0)) + 1):
            at = np.minimum(first + further, last)
            np.maximum(worst, np.take_along_axis(clouds, at[:, None], axis=2), out=worst)
        return np.where(is_covered[:, None], worst, ALL_CLOUD_PCT)


def find_stretches(lengths_us: Ints, pairs: Sequence[tuple[int, int]], parts: Sequence[Parts]) -> Stretches:
    """lengths_us: of each window. pairs: each of a window and of the parts by their place, those of a window
    one after the other."""
    # 1. Starts and ends of the parts, behind the last never; how many gaps there are before each.
    longest = max(len(each) for each in parts)
    edges = np.full((2, len(parts), longest), NEVER_US)
    for at, each in enumerate(parts):
        edges[:, at, : len(each)] = each.edges_us
    starts_us, ends_us = edges
    gaps = np.zeros(starts_us.shape, dtype=np.int64)
    np.cumsum(starts_us[:, 1:] != ends_us[:, :-1], axis=1, out=gaps[:, 1:])

    # 2. A stretch is worth trying where it begins with a part or ends with one.
    window, part = np.array(pairs, dtype=np.int64).T
    rank = np.arange(len(pairs)) - np.searchsorted(window, window)
    mine = starts_us[part], ends_us[part]
    tries = np.full((len(lengths_us), int(rank.max()) + 1, 2, longest), NEVER_US)
    tries[window, rank, 0] = mine[0]
    tries[window, rank, 1] = np.where(mine[1] < NEVER_US, mine[1] - lengths_us[window, None], NEVER_US)
    tried_us = np.sort(tries.reshape(len(lengths_us), -1), axis=1)
    tried_us = tried_us[:, : int((tried_us < NEVER_US).sum(axis=1).max())]

    # 3. What each touches.
    begins_us = tried_us[window]
    until_us = begins_us + lengths_us[window, None]
    first = (mine[1][:, None] <= begins_us[:, :, None]).sum(axis=2)
    after = (mine[0][:, None] < until_us[:, :, None]).sum(axis=2)
    at, last = np.minimum(first, longest - 1), np.maximum(after - 1, 0)
    starts, ends, before = (each[part] for each in (starts_us, ends_us, gaps))
    is_covered = (
        (first < after)
        & (begins_us < NEVER_US)
        & (np.take_along_axis(starts, at, axis=1) <= begins_us)
        & (np.take_along_axis(ends, last, axis=1) >= until_us)
        & (np.take_along_axis(before, at, axis=1) == np.take_along_axis(before, last, axis=1))
    )
    return Stretches(tried_us, first, after, is_covered)


@dataclass(slots=True)
class Rows:
    """Clouds of as many members each: by whom, in which window, over which pair of window and parts."""

    of: list[int] = field(default_factory=list)
    pair: list[int] = field(default_factory=list)
    cloud_pct: list[Floats] = field(default_factory=list)
    plan_pct: list[Floats] = field(default_factory=list)

    def add(self, of: int, pair: int, cloud_pct: Floats) -> None:
        self.of.append(of)
        self.pair.append(pair)
        self.cloud_pct.append(cloud_pct)


class HeardSource(NamedTuple):
    """A source that gives a chance: its window, and how much it weighs in what all say of it."""

    window: int
    saw: SeenSource
    weight: float


def read_at_once(
    queries: Sequence[EventQuery], seen: Sequence[Sequence[SeenSource]]
) -> tuple[list[list[SourceReading]], list[Span | None]]:
    """What each source says of its window, and each window's best stretch."""
    # 1. All that answer in one row, and their clouds: in the frame; beside it, now and by the run before.
    answering: list[HeardSource] = []
    parts: dict[int, tuple[int, Parts]] = {}
    pairs: dict[tuple[int, int], int] = {}
    frames, others = defaultdict[int, Rows](Rows), defaultdict[int, Rows](Rows)

    def pair(window: int, its: Parts) -> int:
        number, _ = parts.setdefault(id(its), (len(parts), its))
        return pairs.setdefault((window, number), len(pairs))

    for number, some in enumerate(seen):
        families = families_of(some)
        weights = {at: 1 / (len(families) * len(family)) for family in families for at in family}
        for at, saw in enumerate(some):
            if not saw.answers:
                continue
            of, its = len(answering), pair(number, saw.parts)
            frames[len(saw.frame_pct)].add(of, its, saw.frame_pct)
            frames[len(saw.frame_pct)].plan_pct.append(saw.plan_pct)
            if saw.beside_pct is not None:
                others[len(saw.beside_pct)].add(3 * of, its, saw.beside_pct)
            if saw.compared is not None:
                both, (now, then) = pair(number, saw.compared[0]), saw.compared[1]
                others[1].add(3 * of + 1, both, now[None])
                others[1].add(3 * of + 2, both, then[None])
            answering.append(HeardSource(number, saw, weights.get(at, 0.0)))
    if not answering:
        return [[SourceReading(saw) for saw in some] for some in seen], [None] * len(seen)

    # 2. What is asked of each.
    window: Ints = np.array([each.window for each in answering])
    length_h, ahead_h, clear_share, usual = (
        np.array([getattr(each, name) for each in queries])[window]
        for name in ("length_h", "ahead_h", "clear_share", "usual_log_odds")
    )
    fits = np.array([each.length <= each.ahead.duration for each in queries])[window]
    lead_days = np.array([queries[each.window].lead_days(each.saw.forecast) for each in answering])
    weight = np.array([each.weight for each in answering])
    is_run = np.array([not each.saw.forecast.members for each in answering])
    lengths_us = np.array([each.length // US for each in queries])
    stretches = find_stretches(lengths_us, list(pairs), [each for _, each in parts.values()])

    def added(worst_pct: Floats, of: Ints) -> Floats:
        """The mean evidence of the members' clearest stretches."""
        least_pct = np.minimum(worst_pct.min(axis=2), ALL_CLOUD_PCT)
        asked = (each[of, None] for each in (lead_days, ahead_h, length_h, clear_share))
        means: Floats = evidence(least_pct, *asked).mean(axis=1)
        return means

    # 3. What each says, and what all say of each stretch.
    found, least, least_plan, voices = np.empty((4, len(answering)))
    joint = np.zeros(stretches.starts_us.shape)
    is_known = np.zeros(joint.shape, dtype=np.bool_)
    has_stretch = np.zeros(len(answering), dtype=np.bool_)
    for members, rows in frames.items():
        mine: Ints = np.array(rows.of)
        worst = stretches.worst_pct(rows.pair, rows.cloud_pct)
        plan = stretches.worst_pct(rows.pair, rows.plan_pct)
        found[mine], voices[mine] = added(worst, mine), effective_voices(members)
        least[mine] = np.median(np.minimum(worst.min(axis=2), ALL_CLOUD_PCT), axis=1)
        own = np.median(np.minimum(plan.min(axis=2), ALL_CLOUD_PCT), axis=1)
        is_covered = stretches.is_covered[rows.pair]
        clearest = np.where(is_covered, worst[:, 0], np.inf).argmin(axis=1)
        same = plan[np.arange(len(mine)), 0, clearest]
        least_plan[mine] = np.where(is_run[mine], same, own)
        has_stretch[mine] = is_covered.any(axis=1)

        asked_h = length_h[mine, None, None]
        said = evidence(worst, lead_days[mine, None, None], asked_h, asked_h).mean(axis=1)
        np.add.at(joint, window[mine], weight[mine, None] * said)
        np.logical_or.at(is_known, window[mine], is_covered & (weight[mine, None] > 0))
    further = np.full(3 * len(answering), np.nan)
    for rows in others.values():
        places: Ints = np.array(rows.of)
        further[places] = added(stretches.worst_pct(rows.pair, rows.cloud_pct), places // 3)
    beside, now, then = further.reshape(-1, 3).T
    beside = np.where(np.isnan(beside), found, beside)
    alone, alone_beside = (
        np.where(fits, chance_of(usual + each * effective_voices(voices)), 0.0) for each in (found, beside)
    )

    # 4. As readings of each window, and the stretch that begins at the earliest of the best.
    columns = (found, beside, now, then, voices, lead_days, alone, alone_beside, least, least_plan)
    figures = iter(np.stack(columns, axis=1).tolist())
    sure = iter(zip(has_stretch.tolist(), (~np.isnan(now)).tolist(), strict=True))
    readings = [
        [_reading(saw, *next(sure), next(figures)) if saw.answers else SourceReading(saw) for saw in some]
        for some in seen
    ]
    told = np.round(np.where(is_known, joint, -np.inf), SAME_EVIDENCE)
    best_us = stretches.starts_us[np.arange(len(told)), told.argmax(axis=1)]
    has_best = (is_known.sum(axis=1) > 0).tolist()
    bests = [
        stretch_from(EPOCH + us * US, query) if has_one else None
        for us, has_one, query in zip(best_us.tolist(), has_best, queries, strict=True)
    ]
    return readings, bests


def _reading(saw: SeenSource, has_stretch: bool, had_run: bool, figures: Sequence[float]) -> SourceReading:
    """figures: as `SourceReading` has them, numbers also where there is none."""
    found, beside, now, then, voices, lead_days, alone, alone_beside, least, plan = figures
    return SourceReading(
        saw,
        evidence=found,
        evidence_beside=beside,
        evidence_now=now if had_run else None,
        evidence_then=then if had_run else None,
        voices=voices,
        lead_days=lead_days,
        chance=alone,
        chance_beside=alone_beside,
        least_cloud_pct=least if has_stretch else None,
        least_plan_pct=plan if has_stretch else None,
    )
