"""The track record as a table for spreadsheets: one row a judged window."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from sqlalchemy.orm import Session

from alerts.track.calibration.leads import LEADS
from service.store.repositories.judged_events import read_outcome
from service.store.repositories.record_rows import RecordedEvent, recorded_events

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
HEADER = (
    "site",
    "night",
    "window_start",
    "window_end",
    "told_go",
    *(f"chance_{lead.value}_pct" for lead in LEADS),
    "outcome",
    "judge",
    "why",
    "disagreement",
)


def record_csv(session: Session, site_ids: Iterable[int] | None = None) -> str:
    """What was said at each lead, and what came, of these sites or of all, in order of time. Safe to open
    in a spreadsheet."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(HEADER)
    for each in recorded_events(session, site_ids):
        rows.writerow([safe_cell(cell) for cell in _cells(each)])
    return out.getvalue()


def _cells(recorded: RecordedEvent) -> list[object]:
    event, outcome = recorded.event, recorded.outcome
    standing = [recorded.said.get(lead.value) for lead in LEADS]
    last = next((each for each in standing if each is not None), None)
    facts = read_outcome(outcome)
    return [
        recorded.site_name,
        event.night_name.isoformat(),
        *(f"{at:%Y-%m-%dT%H:%M:%SZ}" for at in (event.window_start, event.window_end)),
        "" if last is None else "yes" if last.told_go else "no",
        *("" if each is None else each.chance_pct for each in standing),
        outcome.state,
        outcome.judge,
        facts.why,
        "; ".join(facts.disagreement),
    ]


def safe_cell(value: object) -> object:
    """The value, with an apostrophe before a text that a spreadsheet would run as a formula."""
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value
