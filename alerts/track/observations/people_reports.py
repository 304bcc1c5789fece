"""People's own reports of a night: the best witnesses there are, for the nights they went.

Each person has one voice a night, their last. Said too early (before the event could have happened) or
more than two weeks late, it is kept and not counted. Looking elsewhere than the announced direction says
nothing of the event.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from alerts.common.phrases import Phrase, phrase
from alerts.track.observations.evidence import (
    Account,
    Event,
    Judge,
    OutcomeState,
    PersonReport,
    SeenSky,
    long_enough,
)

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
