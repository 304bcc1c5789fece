"""The feeds' later analyses of a night: they see high cloud, and are models. Never a judge alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from math import isnan
from statistics import fmean

from alerts.common.phrases import phrase
from alerts.common.span import Span
from alerts.track.observations.evidence import (
    MOST_UNKNOWN_SHARE,
    Account,
    Event,
    Judge,
    OutcomeState,
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
    for part, cloud_pct in zip(cut, cover_above_site(analysis, cut).plan_pct.tolist(), strict=True):
        if not isnan(cloud_pct):
            yield part, cloud_pct
