"""The named rules of a verdict: each looks at one thing and says pass, warn, fail or unknown, and why.

A rule returns None where there is nothing to judge (no cold limit, a target without a height).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from alerts.localtime import MONTHS, say_day, say_minutes, say_span
from alerts.night import DarknessWish, DarkWindow, Night, TargetKind
from alerts.site import Site
from alerts.span import Span, intersect
from alerts.weather.outlook import Hazard, HazardLevel, Outlook
from alerts.wishes import Wishes

ESSENTIAL_HAZARDS = ("wind", "precipitation")
"""Without these known there is no go; the others, unknown, only warn."""


class Result(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    WARN = "warn"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
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
    if night.wishes.moonless:
        kept.append(Reason("moon", Result.PASS, f"dark and moonless {_say_spans(moonless, site)}"))
    return (Reason("target", Result.FAIL, _target_too_low(night)), *kept)


def _no_darkness(night: Night) -> str:
    if night.wishes.darkness is DarknessWish.NEAR:
        return "no darkness: the Sun stays above −15° all night"
    return "no astronomical darkness: the Sun stays above −18° all night"


def _say_spans(spans: tuple[Span, ...], site: Site) -> str:
    return ", ".join(say_span(span, site.tz) for span in spans)


def _target_too_low(night: Night) -> str:
    when = "while it is dark and moonless" if night.wishes.moonless else "while it is dark"
    lowest = night.wishes.lowest_altitude_deg
    name = _target_name(night.wishes.target.kind, night.wishes.target.name)
    if night.wishes.target.kind is TargetKind.BAND:
        return f"{name} doesn't stand clear of the horizon {when}"
    limit = "high enough" if lowest is None else f"{lowest:g}°"
    return f"{name} doesn't reach {limit} {when}"


def _target_name(kind: TargetKind, name: str) -> str:
    names = {TargetKind.CORE: "the core", TargetKind.BAND: "the Milky Way", TargetKind.NONE: "the sky"}
    return name or names.get(kind, "the target")


def over(window: DarkWindow, outlook: Outlook | None, wishes: Wishes, now: datetime, site: Site) -> Reason:
    """Whether there is still time for the shortest window; what nobody forecast stays unknown."""
    left = window.span.end - wishes.shortest_window - now
    if left > timedelta(0):
        stands = "is running" if window.span.start <= now else "is still to come"
        return Reason("over", Result.PASS, f"the window {say_span(window.span, site.tz)} {stands}")
    ended = "ended" if window.span.end <= now else "is all but over"
    text = f"this window {ended} ({say_span(window.span, site.tz)})"
    if outlook is not None and outlook.cloud_known:
        return Reason("over", Result.FAIL, text)
    return Reason("over", Result.UNKNOWN, f"{text}, and no forecast we have covers it")


def access(night_name: date, site: Site) -> Reason:
    month = MONTHS[night_name.month - 1]
    note = f": {site.access_note}" if site.access_note else ""
    if night_name.month in site.access_months:
        return Reason("access", Result.PASS, f"the site can be reached in {month}{note}")
    return Reason("access", Result.FAIL, f"the site can't be reached in {month}{note}")


def shortest_window(window: DarkWindow, wishes: Wishes) -> Reason:
    has, wants = window.span.duration, wishes.shortest_window
    text = f"the window lasts {say_minutes(has)}, you asked for {say_minutes(wants)}"
    slack = (has - wants) / wants if wants else None
    return Reason("shortest_window", Result.PASS if has >= wants else Result.FAIL, text, slack)


def target(window: DarkWindow, night: Night) -> Reason | None:
    """How high the target gets inside the window; its lowest height is what made the window."""
    kind, lowest = night.wishes.target.kind, night.wishes.lowest_altitude_deg
    if kind not in (TargetKind.CORE, TargetKind.RADEC) or not window.track:
        return None
    highest = max(point.altitude_deg for point in window.track)
    text = f"{_target_name(kind, window.target.name)} reaches {highest:.0f}°"
    if lowest is None or lowest <= 0:
        return Reason("target", Result.PASS, text)
    return Reason("target", Result.PASS, f"{text}, you asked for {lowest:g}°", (highest - lowest) / lowest)


def limit_reasons(outlook: Outlook, wishes: Wishes) -> tuple[Reason, ...]:
    """Hazards and the wishes that bear on them, safety first."""
    by_wish = {"wind": wishes.wind_limit_ms, "gust": wishes.gust_limit_ms}
    found = []
    for name in ("thunder", "gust", "wind", "precipitation", "cold", "fog", "lens"):
        hazard = outlook.hazard(name)
        if hazard is None:
            found.append(Reason(name, _unknown_result(name), f"{name} unknown"))
        elif name in by_wish:
            found.append(_at_most(hazard, by_wish[name]))
        elif name == "cold" and wishes.coldest_c is not None:
            found.append(_not_colder(hazard, wishes.coldest_c))
        else:
            found.append(_plain(hazard))
    return tuple(found)


def _unknown_result(name: str) -> Result:
    return Result.UNKNOWN if name in ESSENTIAL_HAZARDS else Result.WARN


def _plain(hazard: Hazard) -> Reason:
    results = {
        HazardLevel.FINE: Result.PASS,
        HazardLevel.WARN: Result.WARN,
        HazardLevel.FAIL: Result.FAIL,
        HazardLevel.UNKNOWN: _unknown_result(hazard.name),
    }
    return Reason(hazard.name, results[hazard.level], hazard.text)


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
        whys = "; ".join(f"{entry.source.model}: {entry.why_not}" for entry in outlook.per_source)
        return Reason("cloud", Result.UNKNOWN, "no usable cloud forecast" + (f" ({whys})" if whys else ""))
    wants = wishes.chance_go_pct
    text = f"clear {outlook.chance_pct} %, you asked for {wants} %"
    slack = (outlook.chance_pct - wants) / wants if wants else None
    return Reason("chance", Result.PASS if outlook.chance_pct >= wants else Result.FAIL, text, slack)


def sources(outlook: Outlook, lineages_needed: int, providers_needed: int) -> Reason:
    lineages, providers = len(outlook.lineages), len(outlook.providers)
    if lineages >= lineages_needed and providers >= providers_needed:
        text = f"{lineages} model families from {providers} providers answered"
        return Reason("sources", Result.PASS, text)
    if lineages < lineages_needed:
        only = f"only {outlook.lineages[0]}" if lineages else "no model family"
        text = f"{only} answered; a go needs two model families"
    else:
        text = f"only {outlook.providers[0]} answered; a go needs two providers"
    return Reason("sources", Result.WARN, text)


def day(night_name: date, now: datetime, site: Site) -> Reason:
    if now.astimezone(site.tz).date() >= night_name:
        return Reason("day", Result.PASS, "it is the day of the night")
    return Reason("day", Result.WARN, f"we decide on {say_day(night_name)}")
