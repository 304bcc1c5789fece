"""The named rules of a verdict: each looks at one thing and says pass, warn, fail or unknown, and why.

A rule returns None where there is nothing to judge (no cold limit, a target without a height).
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.common.phrases import say
from alerts.common.plain_values import value
from alerts.common.span import Span, intersect
from alerts.common.time_text import say_day, say_minutes, say_span
from alerts.judging.ranking import shape_time
from alerts.sites.model import Site
from alerts.sky.night import DarknessWish, DarkWindow, Night, TargetKind
from alerts.sky.target_text import shape_phrase, target_name
from alerts.weather.model_names import family_name, source_name
from alerts.weather.outlook import Hazard, HazardLevel, Outlook
from alerts.wishes.model import Wishes

ESSENTIAL_HAZARDS = ("wind", "precipitation")
"""Without these known there is no go; the others, unknown, only warn."""
SAFETY_FIRST = ("thunder", "warning", "gust", "wind", "precipitation", "cold", "fog", "smoke", "lens")
ALWAYS_LOOKED_AT = ("thunder", "gust", "wind", "precipitation", "cold", "fog", "lens")
"""Named as unknown where an outlook has nothing of them."""


class Result(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    WARN = "warn"
    UNKNOWN = "unknown"


@value(frozen=True, slots=True)
class Reason:
    """One named rule, what it yields, and a sentence with its margin.

    slack: for rules with a limit, how far from it, as a share of the limit; 0 is on it, negative
    beyond it. Orders reasons by what was near; None where there is no such measure.
    """

    rule: str
    result: Result
    text: str
    slack: float | None = None


def sky_reasons(night: Night, site: Site) -> tuple[Reason, ...]:
    """Why a night has no window, from its dark and moonless spans; the first is what decided."""
    if not night.dark:
        return (Reason("darkness", Result.FAIL, _no_darkness(night)),)
    dark = f"dark {_say_spans(night.dark, site)}"
    passed = Reason("darkness", Result.PASS, dark)
    moonless = intersect(night.dark, night.moonless) if night.wishes.moonless else night.dark
    if not moonless:
        return (Reason("moon", Result.FAIL, "the Moon is up through all the dark hours"), passed)
    kept = [passed]
    if _moon_may_cost(night):
        return (Reason("darkness", Result.FAIL, _too_much_moon(night)), passed)
    if night.wishes.moonless:
        kept.append(Reason("moon", Result.PASS, f"dark and moonless {_say_spans(moonless, site)}"))
    return (Reason("target", Result.FAIL, _target_too_low(night)), *kept)


def _no_darkness(night: Night) -> str:
    if night.wishes.darkness is DarknessWish.NEAR:
        return "no darkness: the Sun stays above −15° all night"
    return "no astronomical darkness: the Sun stays above −18° all night"


def _moon_may_cost(night: Night) -> bool:
    """Whether a loss was accepted and the Moon is up in some of the dark."""
    has_limit = night.wishes.most_loss_mag is not None and not night.wishes.moonless
    return has_limit and intersect(night.dark, night.moonless) != night.dark


def _too_much_moon(night: Night) -> str:
    """A night without Moon would have had its window, unless the target is too low as well."""
    costs = f"the Moon costs more than {night.wishes.most_loss_mag:g} mag"
    if night.wishes.target.kind is TargetKind.NONE:
        return f"{costs} through all the dark hours"
    name = target_name(night.wishes.target)
    return f"through all the dark hours {costs} at {name}, or {name} stands too low"


def _say_spans(spans: tuple[Span, ...], site: Site) -> str:
    return ", ".join(say_span(span, site.tz) for span in spans)


def _target_too_low(night: Night) -> str:
    when = "while it is dark and moonless" if night.wishes.moonless else "while it is dark"
    lowest = night.wishes.lowest_altitude_deg
    name = target_name(night.wishes.target)
    if night.wishes.target.kind is TargetKind.BAND:
        return f"{name} doesn't stand clear of the horizon {when}"
    limit = "high enough" if lowest is None else f"{lowest:g}°"
    return f"{name} doesn't reach {limit} {when}"


def over(span: Span, outlook: Outlook | None, wishes: Wishes, now: datetime, site: Site) -> Reason:
    """Whether there is still time for the shortest window; what nobody forecast stays unknown."""
    left = span.end - wishes.shortest_window - now
    if left > timedelta(0):
        stands = "is running" if span.start <= now else "is still to come"
        return Reason("over", Result.PASS, f"the window {say_span(span, site.tz)} {stands}")
    ended = "ended" if span.end <= now else "is all but over"
    text = f"this window {ended} ({say_span(span, site.tz)})"
    if outlook is not None and outlook.cloud_known:
        return Reason("over", Result.FAIL, text)
    return Reason("over", Result.UNKNOWN, f"{text}, and no forecast we have covers it")


def shortest_window(span: Span, wishes: Wishes) -> Reason:
    has, wants = span.duration, wishes.shortest_window
    text = f"the window lasts {say_minutes(has)}, you asked for {say_minutes(wants)}"
    slack = (has - wants) / wants if wants else None
    return Reason("shortest_window", Result.PASS if has >= wants else Result.FAIL, text, slack)


def shape(window: DarkWindow, usable: Span, wishes: Wishes) -> Reason | None:
    """Whether a shape that was asked for stands long enough; None where none was, or there is none."""
    if not wishes.shapes or window.target.kind not in (TargetKind.CORE, TargetKind.BAND):
        return None
    asked = " or ".join(say(shape_phrase(each)) for each in wishes.shapes)
    stands, wants = shape_time(window, usable, wishes.shapes), wishes.shortest_window
    slack = (stands - wants) / wants if wants else None
    if stands <= timedelta(0):
        seen = ", then ".join(say(shape_phrase(piece.shape)) for piece in window.shapes)
        return Reason("shape", Result.FAIL, f"the Milky Way stands as {seen}; you asked for {asked}", slack)
    result = Result.PASS if stands >= wants else Result.FAIL
    text = f"{asked} stands for {say_minutes(stands)}, you asked for {say_minutes(wants)}"
    return Reason("shape", result, text, slack)


def target(window: DarkWindow, night: Night) -> Reason | None:
    """How high the target gets inside the window; its lowest height is what made the window."""
    kind, lowest = night.wishes.target.kind, night.wishes.lowest_altitude_deg
    if kind not in (TargetKind.CORE, TargetKind.RADEC) or not window.track:
        return None
    highest = max(point.altitude_deg for point in window.track)
    text = f"{target_name(window.target)} reaches {highest:.0f}°"
    if lowest is None or lowest <= 0:
        return Reason("target", Result.PASS, text)
    return Reason("target", Result.PASS, f"{text}, you asked for {lowest:g}°", (highest - lowest) / lowest)


def limit_reasons(outlook: Outlook, wishes: Wishes) -> tuple[Reason, ...]:
    """Hazards and the wishes that bear on them, safety first; those without a place of their own last."""
    named = {hazard.name: hazard for hazard in outlook.hazards}
    others = [name for name in named if name not in SAFETY_FIRST]
    found = []
    for name in (*SAFETY_FIRST, *others):
        if name in named:
            found.append(_limit_reason(named[name], wishes))
        elif name in ALWAYS_LOOKED_AT:
            found.append(Reason(name, _unknown_result(name), f"{name} unknown"))
    return tuple(found)


def _limit_reason(hazard: Hazard, wishes: Wishes) -> Reason:
    if hazard.name == "wind":
        return _at_most(hazard, wishes.wind_limit_ms)
    if hazard.name == "gust":
        return _at_most(hazard, wishes.gust_limit_ms)
    if hazard.name == "cold" and wishes.coldest_c is not None:
        return _not_colder(hazard, wishes.coldest_c)
    return _plain(hazard)


def _unknown_result(name: str) -> Result:
    return Result.UNKNOWN if name in ESSENTIAL_HAZARDS else Result.WARN


_RESULTS = {
    HazardLevel.FINE: Result.PASS,
    HazardLevel.WARN: Result.WARN,
    HazardLevel.FAIL: Result.FAIL,
}


def _plain(hazard: Hazard) -> Reason:
    result = _RESULTS.get(hazard.level) or _unknown_result(hazard.name)
    return Reason(hazard.name, result, str(hazard.text))


def _at_most(hazard: Hazard, limit: float) -> Reason:
    plain = _plain(hazard)
    if hazard.worst is None:
        return plain
    result = Result.FAIL if hazard.worst > limit else plain.result
    text = f"{hazard.text}, your limit is {limit:g} {hazard.unit}"
    return Reason(hazard.name, result, text, (limit - hazard.worst) / limit if limit else None)


def _not_colder(hazard: Hazard, coldest_c: float) -> Reason:
    plain = _plain(hazard)
    if hazard.worst is None:
        return plain
    result = Result.FAIL if hazard.worst < coldest_c else plain.result
    return Reason("cold", result, f"{hazard.text}, your limit is {coldest_c:g} °C")


def chance(outlook: Outlook, wishes: Wishes) -> Reason:
    """The chance against the wish; unknown where no source could say, with the sources' own reasons."""
    if outlook.chance_pct is None:
        whys = "; ".join(
            f"{source_name(entry.source)}: {entry.why_not}"
            for entry in outlook.per_source
            if entry.chance is None
        )
        return Reason("cloud", Result.UNKNOWN, "no usable cloud forecast" + (f" ({whys})" if whys else ""))
    wants = wishes.chance_go_pct
    text = f"the chance is {outlook.chance_pct} %, you asked for {wants} %"
    slack = (outlook.chance_pct - wants) / wants if wants else None
    return Reason("chance", Result.PASS if outlook.chance_pct >= wants else Result.FAIL, text, slack)


def sources(outlook: Outlook, lineages_needed: int, providers_needed: int) -> Reason:
    lineages, providers = len(outlook.lineages), len(outlook.providers)
    if lineages >= lineages_needed and providers >= providers_needed:
        text = f"{lineages} model families from {providers} providers answered"
        return Reason("sources", Result.PASS, text)
    if lineages < lineages_needed:
        names = [family_name(each) for each in outlook.lineages]
        said = f"one model family alone answered ({names[0]})" if names else "no model family answered"
        text = f"{said}; a go needs two"
    else:
        text = f"one provider alone answered ({outlook.providers[0]}); a go needs two"
    return Reason("sources", Result.WARN, text)


def day(night_name: date, now: datetime, site: Site) -> Reason:
    if now.astimezone(site.tz).date() >= night_name:
        return Reason("day", Result.PASS, "it is the day of the night")
    return Reason("day", Result.WARN, f"we decide on {say_day(night_name)}")
