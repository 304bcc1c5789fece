"""The track record as a table for spreadsheets: one row a judged window."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.track.calibration.leads import LEADS
from service.store.chunks import in_chunks
from service.store.repositories.judged_events import read_outcome
from service.store.schema import core_tables
from service.store.schema.track_tables import JudgedEvent, RecordRow

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
    for row in _rows(session, site_ids):
        rows.writerow([safe_cell(each) for each in row])
    return out.getvalue()


def _rows(session: Session, site_ids: Iterable[int] | None) -> Iterator[list[object]]:
    query = select(JudgedEvent.id).where(JudgedEvent.outcome_id.is_not(None))
    if site_ids is not None:
        query = query.where(JudgedEvent.site_id.in_(set(site_ids)))
    ids = session.scalars(query.order_by(JudgedEvent.night_name, JudgedEvent.id)).all()
    for some in in_chunks(ids):
        yield from _block(session, some)


def _block(session: Session, ids: Sequence[int]) -> Iterator[list[object]]:
    said: dict[tuple[int, str], RecordRow] = {
        (row.event_id, row.lead): row
        for row in session.scalars(select(RecordRow).where(RecordRow.event_id.in_(ids), RecordRow.is_counted))
    }
    found = session.execute(
        select(JudgedEvent, core_tables.Outcome, core_tables.Site.name)
        .join(core_tables.Outcome, JudgedEvent.outcome_id == core_tables.Outcome.id)
        .join(core_tables.Site, JudgedEvent.site_id == core_tables.Site.id)
        .where(JudgedEvent.id.in_(ids))
        .order_by(JudgedEvent.night_name, JudgedEvent.id)
    )
    for event, outcome, name in found:
        standing = [said.get((event.id, lead.value)) for lead in LEADS]
        last = next((each for each in standing if each is not None), None)
        facts = read_outcome(outcome)
        yield [
            name,
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
