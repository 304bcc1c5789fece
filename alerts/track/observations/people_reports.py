"""People's own reports of a night: the best witnesses there are, for the nights they went.

Each person has one voice a night, their last. Said too early (before the event could have happened) or
more than two weeks late, it is kept and not counted. Looking elsewhere than the announced direction says
nothing of the event.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

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
    return tuple(_account(event, last[person]) for person in sorted(last))


def _account(event: Event, report: PersonReport) -> Account:
    why_not = _why_not_counted(event, report)
    says, why = (OutcomeState.UNSURE, why_not) if why_not else _what_was_seen(event, report)
    spans = (report.clear_span or event.window,) if says is OutcomeState.CLEAR else ()
    return Account(
        judge=Judge.PEOPLE,
        witness=report.person,
        says=says,
        why=why,
        weight=0.0 if why_not else VOICE_WEIGHT,
        clear_parts=long_enough(event, spans),
        covered_share=0.0 if why_not else 1.0,
    )


def _why_not_counted(event: Event, report: PersonReport) -> str:
    if report.seen is SeenSky.DID_NOT_GO:
        return "didn't go"
    if report.reported_at < event.window.start + event.shortest:
        return "said before the night could be judged"
    if report.reported_at > event.window.end + LATEST_AFTER:
        return f"said more than {LATEST_AFTER.days} days later"
    if _degrees_apart(report.toward_deg, event.toward_deg) > FRAME_HALF_WIDTH_DEG:
        return "looked in another direction than the one announced"
    return ""


def _degrees_apart(one_deg: float | None, other_deg: float | None) -> float:
    """0 where a direction is missing: such a report is about the whole sky."""
    if one_deg is None or other_deg is None:
        return 0.0
    return abs((one_deg - other_deg + 180) % 360 - 180)


def _what_was_seen(event: Event, report: PersonReport) -> tuple[OutcomeState, str]:
    """Times, where they were given, count for more than the word."""
    if report.seen is SeenSky.CLOUDY:
        return OutcomeState.NOT_CLEAR, "saw cloud"
    if report.clear_span is not None:
        if long_enough(event, [report.clear_span]):
            return OutcomeState.CLEAR, "saw it clear for long enough"
        return OutcomeState.NOT_CLEAR, "saw it clear, but not for long enough inside the window"
    if report.seen is SeenSky.CLEAR:
        return OutcomeState.CLEAR, "saw it clear"
    return OutcomeState.UNSURE, "saw it partly clear, without saying for how long"
