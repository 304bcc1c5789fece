"""The named rules of a verdict: each looks at one thing and says pass, warn, fail or unknown, and why.

A rule returns None where there is nothing to judge (no cold limit, a target without a height).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.common.phrases import Phrase, Worded, kept, phrase
from alerts.common.plain_values import value
from alerts.common.span import Span, intersect
from alerts.common.time_text import minute_up
from alerts.field.trip_plan import home_by as home_by_moment
from alerts.field.trip_plan import home_span, open_span, plan_trip, usable_span
from alerts.judging.ranking import shape_time
from alerts.sites.model import Site
from alerts.sky.night import DarknessWish, DarkWindow, Night, TargetKind, shape_phrase, target_phrase
from alerts.weather.models import family_name, source_name
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import ALL_WEEK, Wishes

LINEAGES_NEEDED = 2
"""One alone never calls anybody, however clear: feeds have delivered scale slips that look like a perfect
sky."""
PROVIDERS_NEEDED = 2
ESSENTIAL_HAZARDS = ("wind", "precipitation")
"""Without these known there is no go; the others, unknown, only warn."""
SAFETY_FIRST = ("thunder", "warning", "gust", "wind", "precipitation", "cold", "fog", "smoke", "lens")
NOT_EVERYWHERE = ("warning", "smoke")
"""Told of some places alone; any other is named as unknown where an outlook has nothing of it."""


class Result(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    WARN = "warn"
    UNKNOWN = "unknown"


@value(frozen=True, slots=True)
class Reason(Worded):
    """One named rule, what it yields, and what it found, with its margin.

    slack: for rules with a limit, how far from it, as a share of the limit; 0 is on it, negative
    beyond it. Orders reasons by what was near; None where there is no such measure.
    """

    rule: str
    result: Result
    text: Phrase
    slack: float | None = None


def sky_reasons(night: Night, site: Site) -> tuple[Reason, ...]:
    """Why a night has no window, from its dark and moonless spans; the first is what decided."""
    wishes, target = night.wishes, target_phrase(night.wishes.target)
    if not night.dark:
        text = phrase("judging.no-darkness", is_near=wishes.darkness is DarknessWish.NEAR)
        return (Reason("darkness", Result.FAIL, text),)
    passed = Reason("darkness", Result.PASS, phrase("judging.dark", spans=_spans(night.dark, site)))
    moonless = intersect(night.dark, night.moonless) if wishes.moonless else night.dark
    if not moonless:
        return (Reason("moon", Result.FAIL, phrase("judging.moon-all-dark")), passed)

    # a loss was accepted and the Moon is up in some of the dark: without Moon the night would have had its
    # window, unless the target is too low as well
    most = wishes.most_loss_mag
    if most is not None and not wishes.moonless and intersect(night.dark, night.moonless) != night.dark:
        text = phrase("judging.moon-costs-or-too-low", most_loss_mag=most, target=target)
        if wishes.target.kind is TargetKind.NONE:
            text = phrase("judging.moon-costs-too-much", most_loss_mag=most)
        return (Reason("darkness", Result.FAIL, text), passed)

    kept, lowest_deg = [passed], wishes.lowest_altitude_deg
    if wishes.moonless:
        spans = phrase("judging.dark-and-moonless", spans=_spans(moonless, site))
        kept.append(Reason("moon", Result.PASS, spans))
    if wishes.target.kind is TargetKind.BAND:
        text = phrase("judging.band-too-low", target=target, is_moonless=wishes.moonless)
    elif lowest_deg is None:
        text = phrase("judging.target-too-low", target=target, is_moonless=wishes.moonless)
    else:
        text = phrase(
            "judging.target-below", target=target, lowest_deg=lowest_deg, is_moonless=wishes.moonless
        )
    return (Reason("target", Result.FAIL, text), *kept)


def _spans(spans: Sequence[Span], site: Site) -> tuple[Phrase, ...]:
    return tuple(phrase("judging.span", span=each).on(site.zone) for each in spans)


def over(span: Span, outlook: Outlook | None, wishes: Wishes, now: datetime, site: Site) -> Reason:
    """Whether there is still time for the shortest window; what nobody forecast stays unknown."""
    left = span.end - wishes.shortest_window - now
    if left > timedelta(0):
        ahead = phrase("judging.window-ahead", span=span, is_running=span.start <= now)
        return Reason("over", Result.PASS, ahead.on(site.zone))
    has_ended = span.end <= now
    if outlook is not None and outlook.cloud_known:
        ended = phrase("judging.window-over", span=span, has_ended=has_ended)
        return Reason("over", Result.FAIL, ended.on(site.zone))
    ended = phrase("judging.window-over-unforecast", span=span, has_ended=has_ended)
    return Reason("over", Result.UNKNOWN, ended.on(site.zone))


def shape(window: DarkWindow, usable: Span, wishes: Wishes) -> Reason | None:
    """Whether a shape that was asked for stands long enough; None where none was, or there is none."""
    if not wishes.shapes or window.target.kind not in (TargetKind.CORE, TargetKind.BAND):
        return None
    asked = tuple(shape_phrase(each) for each in wishes.shapes)
    stands, wants = shape_time(window, usable, wishes.shapes), wishes.shortest_window
    slack = (stands - wants) / wants if wants else None
    if stands <= timedelta(0):
        standing = (shape for piece in window.shapes for shape in piece.standing)
        seen = tuple(map(shape_phrase, dict.fromkeys(standing)))
        text = phrase("judging.shape-not-seen", seen=seen, asked=asked)
        return Reason("shape", Result.FAIL, text, slack)
    result = Result.PASS if stands >= wants else Result.FAIL
    text = phrase("judging.shape-length", asked=asked, stands=stands, wants=wants)
    return Reason("shape", result, text, slack)


def target(window: DarkWindow, night: Night) -> Reason | None:
    """How high the target gets inside the window; its lowest height is what made the window."""
    kind, lowest = night.wishes.target.kind, night.wishes.lowest_altitude_deg
    if kind not in (TargetKind.CORE, TargetKind.RADEC) or not window.track:
        return None
    highest = max(point.altitude_deg for point in window.track)
    name = target_phrase(window.target)
    if lowest is None or lowest <= 0:
        text = phrase("judging.target-reaches", target=name, highest_deg=highest)
        return Reason("target", Result.PASS, text)
    text = phrase("judging.target-reaches-wish", target=name, highest_deg=highest, lowest_deg=lowest)
    return Reason("target", Result.PASS, text, (highest - lowest) / lowest)


def night_reasons(night_name: date, wishes: Wishes, site: Site) -> Iterator[Reason]:
    """What bears on a whole night, in the order in which it decides: the trip, for who makes one; the
    evening, where not every one suits; the road.

    They know the calendar, not the weather: what fails here is never asked the feeds for.
    """
    mine, coming = wishes.trip_on(night_name), [each for each in wishes.trips if each.first > night_name]
    if mine is not None:
        text = phrase("judging.on-trip", first=mine.first, last=mine.last)
        if mine.start:
            text = phrase("judging.on-trip-from", start=mine.start, first=mine.first, last=mine.last)
        yield Reason("trip", Result.PASS, text)
    elif wishes.trips and wishes.trips_only:
        text = phrase("judging.no-trip-left")
        if coming:
            following = min(coming, key=lambda each: each.first)
            text = phrase("judging.no-trip-before", first=following.first, last=following.last)
        yield Reason("trip", Result.FAIL, text)

    if len(wishes.weekdays) < len(ALL_WEEK):
        today = phrase("judging.weekday", number=night_name.weekday())
        if night_name.weekday() in wishes.weekdays:
            yield Reason("evening", Result.PASS, phrase("judging.evening-suits", weekday=today))
        else:
            asked = tuple(phrase("judging.weekday", number=each) for each in sorted(wishes.weekdays))
            text = phrase("judging.evening-unsuited", weekday=today, asked=asked)
            yield Reason("evening", Result.FAIL, text)

    month, is_open = phrase("judging.month", number=night_name.month), night_name.month in site.access_months
    text = phrase("judging.access", month=month, is_open=is_open)
    if site.access_note:
        text = phrase("judging.access-note", month=month, is_open=is_open, note=site.access_note)
    yield Reason("access", Result.PASS if is_open else Result.FAIL, text)


def is_ruled_out(night_name: date, wishes: Wishes, site: Site) -> bool:
    """Whether nobody would go that night whatever sky and weather do; `night_reasons` says why."""
    at_home = wishes.trips and wishes.trips_only and wishes.trip_on(night_name) is None
    suits = night_name.weekday() in wishes.weekdays and not at_home
    return not suits or night_name.month not in site.access_months


def without_note(reason: Reason) -> Reason:
    """The reason without the note that the site's owner made on how one gets there."""
    if reason.rule != "access":
        return reason
    values = dict(reason.text.values)
    if reason.text.key == "judging.access-note":
        return replace(
            reason, text=phrase("judging.access", month=values["month"], is_open=values["is_open"])
        )
    if reason.text.key == "common.kept":  # of an older version, where the note follows a colon
        return replace(reason, text=kept(str(reason.text).partition(": ")[0]))
    return reason


def window_reasons(night: Night, window: Span, wishes: Wishes, site: Site) -> Iterator[Reason]:
    """How long a window lasts; what the gate and the time to be home leave of it, where they are given."""
    inside, wants = open_span(window, site), wishes.shortest_window
    text = phrase("judging.window-length", lasts=window.duration, wants=wants)
    yield _what_is_left("shortest_window", text, window.duration, wants)

    if site.gate is not None:
        hours, left = str(site.gate.hours), inside.duration if inside is not None else timedelta(0)
        if site.gate.may_stay:
            yield Reason("gate", Result.PASS, phrase("judging.gate-stay", hours=hours))
        elif inside == window:
            yield Reason("gate", Result.PASS, phrase("judging.gate-all-through", hours=hours))
        else:
            text = phrase("judging.gate-leaves-nothing", hours=hours, wants=wants)
            if left:
                text = phrase("judging.gate-leaves", hours=hours, left=left, wants=wants)
            yield _what_is_left("gate", text, left, wants)

    must = home_by_moment(night.name, wishes, site)
    if inside is None or must is None:
        return
    clock, span = wishes.clock_zone or site.zone, home_span(inside, night.name, wishes, site)
    left = span.duration if span is not None else timedelta(0)
    if span is None:
        text = phrase("judging.home-by-leaves-nothing", must=must, wants=wants).on(clock)
        yield _what_is_left("home_by", text, left, wants)
    elif left < wants:
        text = phrase("judging.home-by-leaves", must=must, left=left, wants=wants).on(clock)
        yield _what_is_left("home_by", text, left, wants)
    else:
        home = plan_trip(night, span, wishes, site).home_about
        text = phrase("judging.home-by", home=minute_up(home), must=must).on(clock)
        yield Reason("home_by", Result.PASS if home <= must else Result.FAIL, text)


def _what_is_left(rule: str, text: Phrase, left: timedelta, wants: timedelta) -> Reason:
    enough = timedelta(0) < left and wants <= left
    slack = (left - wants) / wants if wants else None
    return Reason(rule, Result.PASS if enough else Result.FAIL, text, slack)


def usable_spans(night: Night, wishes: Wishes, site: Site) -> Sequence[Span | None]:
    """For each of the night's windows the part that can be used; None where nothing can."""
    return [usable_span(window.span, night.name, wishes, site) for window in night.windows]


_RESULTS = {
    HazardLevel.FINE: Result.PASS,
    HazardLevel.WARN: Result.WARN,
    HazardLevel.FAIL: Result.FAIL,
}


def limit_reasons(outlook: Outlook, wishes: Wishes) -> tuple[Reason, ...]:
    """Hazards by their own level and by the limits that were wished for, safety first; those without a place
    of their own last."""
    named = {hazard.name: hazard for hazard in outlook.hazards}
    limits_ms = {"wind": wishes.wind_limit_ms, "gust": wishes.gust_limit_ms}
    found = []
    for name in (*SAFETY_FIRST, *(name for name in named if name not in SAFETY_FIRST)):
        unknown = Result.UNKNOWN if name in ESSENTIAL_HAZARDS else Result.WARN
        hazard = named.get(name)
        if hazard is None:
            if name not in NOT_EVERYWHERE:
                found.append(Reason(name, unknown, phrase("weather.hazard-unknown", hazard=name)))
            continue
        result, worst = _RESULTS.get(hazard.level, unknown), hazard.worst
        if worst is not None and name in limits_ms:
            limit = limits_ms[name]
            said = phrase("judging.hazard-speed-limit", hazard=hazard.text, limit_ms=limit)
            slack = (limit - worst) / limit if limit else None
            found.append(Reason(name, Result.FAIL if worst > limit else result, said, slack))
        elif worst is not None and name == "cold" and wishes.coldest_c is not None:
            said = phrase("judging.hazard-cold-limit", hazard=hazard.text, limit_c=wishes.coldest_c)
            found.append(Reason(name, Result.FAIL if worst < wishes.coldest_c else result, said))
        else:
            found.append(Reason(name, result, hazard.text))
    return tuple(found)


def chance(outlook: Outlook, wishes: Wishes) -> Reason:
    """The chance against the wish; unknown where no source could say, with the sources' own reasons."""
    if outlook.chance_pct is None:
        whys = tuple(
            phrase("judging.source-why", source=source_name(entry.source), why=entry.why_not)
            for entry in outlook.per_source
            if entry.chance is None and entry.why_not is not None
        )
        text = phrase("judging.cloud-unknown-why", whys=whys) if whys else phrase("judging.cloud-unknown")
        return Reason("cloud", Result.UNKNOWN, text)
    wants = wishes.chance_go_pct
    text = phrase("judging.chance", chance_pct=outlook.chance_pct, wants_pct=wants)
    slack = (outlook.chance_pct - wants) / wants if wants else None
    return Reason("chance", Result.PASS if outlook.chance_pct >= wants else Result.FAIL, text, slack)


def sources(outlook: Outlook) -> Reason:
    lineages, providers = len(outlook.lineages), len(outlook.providers)
    if lineages >= LINEAGES_NEEDED and providers >= PROVIDERS_NEEDED:
        text = phrase("judging.sources", lineages=lineages, providers=providers)
        return Reason("sources", Result.PASS, text)
    if lineages >= LINEAGES_NEEDED:
        text = phrase("judging.one-provider", provider=outlook.providers[0])
    elif lineages:
        text = phrase("judging.one-family", family=family_name(outlook.lineages[0]))
    else:
        text = phrase("judging.no-family")
    return Reason("sources", Result.WARN, text)


def day(night_name: date, now: datetime, site: Site) -> Reason:
    if now.astimezone(site.tz).date() >= night_name:
        return Reason("day", Result.PASS, phrase("judging.day-is-here"))
    return Reason("day", Result.WARN, phrase("judging.day-to-come", night=night_name))
