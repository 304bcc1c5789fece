"""What people and the feeds' later analyses say of a night; stations, who want more care, have `stations`.

People's own reports are the best there are, for the nights they went. Each person has one voice a night,
their last. Said too early (before the event could have happened) or more than two weeks late, it is kept and
not counted. Looking elsewhere than the announced direction says nothing of the event. Analyses see high
cloud, and are models: never a judge alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from math import isnan
from statistics import fmean

from alerts.common.phrases import Phrase, phrase
from alerts.common.span import Span
from alerts.track.observations.evidence import (
    MOST_UNKNOWN_SHARE,
    Account,
    Event,
    Judge,
    OutcomeState,
    PersonReport,
    SeenSky,
    free_of,
    long_enough,
    longest,
    total,
)
from alerts.weather.clouds import cover_above_site
from alerts.weather.forecast import Forecast
from alerts.weather.models import family_name
from alerts.weather.skill import CLEAR_LIMIT_PCT

ANALYSIS_WEIGHT = 0.5


def accounts_of_analyses(event: Event, analyses: Iterable[Forecast]) -> tuple[Account, ...]:
    """One account for each lineage and provider, from the first answer fetched after the window.

    Feeds rewrite their past: later answers change nothing. An answer fetched before the window ended is
    a forecast and no witness; one without a time of fetching (played from a file) is accepted.
    """
    accounts = []
    for analysis in _first_answers(event.window, analyses):
        known = list(_above(event.window, analysis))
        clear = [part for part, cloud_pct in known if cloud_pct <= CLEAR_LIMIT_PCT]
        cloudy = [part for part, cloud_pct in known if cloud_pct > CLEAR_LIMIT_PCT]
        covered = total(part for part, _ in known) / event.window.duration
        says = OutcomeState.UNSURE
        if covered < 1 - MOST_UNKNOWN_SHARE:
            why = phrase("observations.analysis-too-short")
        elif long_enough(event, clear):
            says, why = OutcomeState.CLEAR, phrase("observations.analysis-clear")
        elif longest(free_of(event.window, cloudy)) < event.shortest:
            says, why = OutcomeState.NOT_CLEAR, phrase("observations.analysis-cloudy")
        else:
            why = phrase("observations.analysis-has-gaps")
        accounts.append(
            Account(
                judge=Judge.ANALYSIS,
                witness=f"{family_name(analysis.source.lineage)} from {analysis.source.provider}",
                says=says,
                why=why,
                weight=ANALYSIS_WEIGHT,
                clear_parts=long_enough(event, clear),
                covered_share=round(covered, 3),
            )
        )
    return tuple(accounts)


def clear_share_of(window: Span, analyses: Iterable[Forecast]) -> float | None:
    """How much of the window was clear above the site (0..1): the mean over lineages, each by its first
    answer of any provider. None where none of them knows enough of it."""
    shares: dict[str, float] = {}
    for analysis in _first_answers(window, analyses):
        known = list(_above(window, analysis))
        covered = total(part for part, _ in known)
        if covered / window.duration >= 1 - MOST_UNKNOWN_SHARE:
            clear = total(part for part, cloud_pct in known if cloud_pct <= CLEAR_LIMIT_PCT)
            shares.setdefault(analysis.source.lineage, clear / covered)
    return fmean(shares.values()) if shares else None


def _first_answers(window: Span, analyses: Iterable[Forecast]) -> list[Forecast]:
    """By lineage, then provider."""
    first: dict[tuple[str, str], Forecast] = {}
    undated = datetime.min.replace(tzinfo=UTC)
    for analysis in sorted(analyses, key=lambda each: each.source.fetched_at or undated):
        if analysis.source.fetched_at is None or analysis.source.fetched_at >= window.end:
            first.setdefault((analysis.source.lineage, analysis.source.provider), analysis)
    return [first[key] for key in sorted(first)]


def _above(window: Span, analysis: Forecast) -> Iterator[tuple[Span, float]]:
    """The known parts of the window with the cloud above the site: a deck below it hides nothing."""
    cut = analysis.hours.cut(window)
    above = cover_above_site(analysis).within(cut.within)
    for part, cloud_pct in zip(cut, above.plan_pct.tolist(), strict=True):
        if not isnan(cloud_pct):
            yield part, cloud_pct


LATEST_AFTER = timedelta(days=14)
"""How long after the window's end a person may still say what it was like."""
FRAME_HALF_WIDTH_DEG = 45.0
"""Half of what a wide lens shows: a report for a direction further off is about another picture."""
VOICE_WEIGHT = 1.0


def accounts_of_people(event: Event, reports: Iterable[PersonReport]) -> tuple[Account, ...]:
    """One account for each person, in the order of their keys."""
    last: dict[str, PersonReport] = {}
    for report in sorted(reports, key=lambda each: each.reported_at):
        last[report.person] = report
    accounts = []
    for person, report in sorted(last.items()):
        why_not = _why_not_counted(event, report)
        says, why = (OutcomeState.UNSURE, why_not) if why_not else _what_was_seen(event, report)
        spans = (report.clear_span or event.window,) if says is OutcomeState.CLEAR else ()
        accounts.append(
            Account(
                judge=Judge.PEOPLE,
                witness=person,
                says=says,
                why=why,
                weight=0.0 if why_not else VOICE_WEIGHT,
                clear_parts=long_enough(event, spans),
                covered_share=0.0 if why_not else 1.0,
            )
        )
    return tuple(accounts)


def _why_not_counted(event: Event, report: PersonReport) -> Phrase | None:
    if report.seen is SeenSky.DID_NOT_GO:
        return phrase("observations.did-not-go")
    if report.reported_at < event.window.start + event.shortest:
        return phrase("observations.said-too-early")
    if report.reported_at > event.window.end + LATEST_AFTER:
        return phrase("observations.said-too-late", days=LATEST_AFTER.days)
    if report.toward_deg is not None and event.toward_deg is not None:  # else it is about the whole sky
        apart_deg = abs((report.toward_deg - event.toward_deg + 180) % 360 - 180)
        if apart_deg > FRAME_HALF_WIDTH_DEG:
            return phrase("observations.looked-elsewhere")
    return None


def _what_was_seen(event: Event, report: PersonReport) -> tuple[OutcomeState, Phrase]:
    """Times, where they were given, count for more than the word."""
    if report.seen is SeenSky.CLOUDY:
        return OutcomeState.NOT_CLEAR, phrase("observations.saw-cloud")
    if report.clear_span is not None:
        if long_enough(event, [report.clear_span]):
            return OutcomeState.CLEAR, phrase("observations.saw-it-long-enough")
        return OutcomeState.NOT_CLEAR, phrase("observations.saw-it-too-short")
    if report.seen is SeenSky.CLEAR:
        return OutcomeState.CLEAR, phrase("observations.saw-it-clear")
    return OutcomeState.UNSURE, phrase("observations.saw-it-partly")
