"""The feeds' later analyses of a night: they see high cloud, and are models. Never a judge alone."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from alerts.span import Span
from alerts.track.evidence import (
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
from alerts.weather.clearness import effective_cloud_pct
from alerts.weather.record import Forecast
from alerts.weather.skill import CLEAR_LIMIT_PCT

ANALYSIS_WEIGHT = 0.5


def accounts_of_analyses(event: Event, analyses: Iterable[Forecast]) -> tuple[Account, ...]:
    """One account for each lineage and provider, from the first answer fetched after the window.

    Feeds rewrite their past: later answers change nothing. An answer fetched before the window ended is
    a forecast and no witness; one without a time of fetching (played from a file) is accepted.
    """
    first: dict[tuple[str, str], Forecast] = {}
    for analysis in sorted(analyses, key=_fetched):
        if analysis.source.fetched_at is None or analysis.source.fetched_at >= event.window.end:
            first.setdefault((analysis.source.lineage, analysis.source.provider), analysis)
    return tuple(_account(event, first[key]) for key in sorted(first))


def _fetched(analysis: Forecast) -> float:
    fetched: datetime | None = analysis.source.fetched_at
    return fetched.timestamp() if fetched else 0.0


def _account(event: Event, analysis: Forecast) -> Account:
    known: list[Span] = []
    clear: list[Span] = []
    for part, hour in analysis.over(event.window):
        cloud_pct = effective_cloud_pct(hour, analysis.layer_scheme)
        if cloud_pct is not None:
            known.append(part)
        if cloud_pct is not None and cloud_pct <= CLEAR_LIMIT_PCT:
            clear.append(part)
    covered = total(known) / event.window.duration
    says, why = _verdict(event, known, clear, covered)
    return Account(
        judge=Judge.ANALYSIS,
        witness=f"{analysis.source.lineage} from {analysis.source.provider}",
        says=says,
        why=why,
        weight=ANALYSIS_WEIGHT,
        clear_parts=long_enough(event, clear),
        covered_share=round(covered, 3),
    )


def _verdict(event: Event, known: list[Span], clear: list[Span], covered: float) -> tuple[OutcomeState, str]:
    if covered < 1 - MOST_UNKNOWN_SHARE:
        return OutcomeState.UNSURE, "its analysis leaves too much of the window open"
    if long_enough(event, clear):
        return OutcomeState.CLEAR, "its analysis has little cloud for long enough"
    cloudy = [part for part in known if part not in clear]
    if longest(free_of(event.window, cloudy)) < event.shortest:
        return OutcomeState.NOT_CLEAR, "its analysis has cloud through the window"
    return OutcomeState.UNSURE, "its analysis has gaps that could hold the event"
