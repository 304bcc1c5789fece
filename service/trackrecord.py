"""The track record as a page of text, as JSON and as a table for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alerts.track.climatology import climatology
from alerts.track.evidence import OutcomeState
from alerts.track.leads import LEADS, Lead, moment_of, standing_at
from alerts.track.pairs import Pairs
from alerts.track.record import Record, build_record
from alerts.track.regret import RegretRow, regret_ledger
from alerts.track.words import (
    NO_RECORD,
    say_calls,
    say_judges,
    say_lead,
    say_regret,
    say_share,
    say_skill,
    say_worth,
)
from service.store import tables
from service.store.codec import to_json
from service.store.pairs import Told, find_told, load_pairs
from service.store.tables_track import JudgedEvent

USUAL_LIMIT_PCT = 70
_BEFORE = ("site", "night", "window_start", "window_end", "told_go")
_AFTER = ("outcome", "judge", "why")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def load_records(session: Session, site_id: int | None = None) -> tuple[Pairs, dict[Lead, Record]]:
    """The pairs of a site, or of all, and a record for each lead that has any; the nearest lead first.

    Climatology is worked out over all sites; nights that nobody could settle are counted at each lead.
    """
    pairs = load_pairs(session)
    rates = climatology(pairs)
    unsure = count_unsure(session, site_id)
    if site_id is not None:
        chosen = pairs.site == site_id
        pairs, rates = pairs.where(chosen), rates[chosen]
    records = {}
    for index, lead in enumerate(LEADS):
        own = pairs.lead == index
        if own.any():
            records[lead] = build_record(pairs.where(own), reference=rates[own], unsure=unsure)
    return pairs, records


def count_unsure(session: Session, site_id: int | None) -> int:
    """Judged events that nobody could settle."""
    query = (
        select(func.count())
        .select_from(JudgedEvent)
        .join(tables.Outcome, JudgedEvent.outcome_id == tables.Outcome.id)
        .where(tables.Outcome.state == OutcomeState.UNSURE.value)
    )
    if site_id is not None:
        query = query.where(JudgedEvent.site_id == site_id)
    return session.scalar(query) or 0


def record_page(
    title: str,
    pairs: Pairs,
    records: dict[Lead, Record],
    unsure: int,
    limit_pct: int = USUAL_LIMIT_PCT,
) -> Iterator[str]:
    """The record in lines to read. limit_pct: the go limit that others are compared with."""
    yield title
    if not records:
        yield NO_RECORD
        if unsure:
            yield f"Nights that nobody could settle so far: {unsure}."
        return
    lead = next(iter(records))
    nearest = records[lead]
    yield say_calls(nearest.calls, "told go" if lead in (Lead.EVENING, Lead.MORNING) else "leaned to go")
    yield say_judges(nearest)
    yield say_worth(nearest)
    yield say_skill(nearest)
    yield from (say_lead(each, record) for each, record in list(records.items())[1:])
    yield from _reliability_lines(nearest)
    yield from regret_lines(pairs.at_lead(lead), limit_pct)


def _reliability_lines(record: Record) -> Iterator[str]:
    if record.scores is None:
        return
    yield "What was said, and how often it came clear:"
    for each in record.reliability:
        note = "  (outside what luck explains)" if each.is_outside else ""
        yield f"  {round(100 * each.said):>3} %  {say_share(each.clear, each.cases)}{note}"


def regret_lines(own: Pairs, limit_pct: int) -> Iterator[str]:
    """What other limits than this one would have led to. own: pairs of one lead."""
    (now,) = regret_ledger(own, (limit_pct,))
    for other in regret_ledger(own):
        if other.limit_pct != limit_pct:
            yield say_regret(now, other)


def record_json(site: str | None, pairs: Pairs, records: dict[Lead, Record], unsure: int) -> dict[str, Any]:
    """The record as JSON values; chances and shares are 0..1, `scores` null under 30 pairs."""
    lead = next(iter(records), None)
    ledger: Iterable[RegretRow] = regret_ledger(pairs.at_lead(lead)) if lead else ()
    return {
        "schema": "duskbell.record/1",
        "site": site,
        "note": None if records else NO_RECORD,
        "unsure": unsure,
        "leads": {each.value: to_json(record) for each, record in records.items()},
        "regret": [{**to_json(row), "wasted": row.wasted} for row in ledger],
    }


def record_csv(session: Session, site_id: int | None = None) -> str:
    """One row a judged event: what was said at each lead, and what came. Safe to open in a spreadsheet."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    said = [f"chance_{lead.value}_pct" for lead in LEADS]
    rows.writerow(
        ["site", "night", "window_start", "window_end", "told_go", *said, "outcome", "judge", "why"]
    )
    names = {row.id: row.name for row in session.scalars(select(tables.Site))}
    for told in find_told(session, site_id=site_id):
        rows.writerow([safe_cell(each) for each in _cells(told, names[told.event.site_id])])
    return out.getvalue()


def _cells(told: Told, name: str) -> Iterator[object]:
    event, outcome = told.event, told.judged.outcome
    standing = [standing_at(told.judged.statements, moment_of(lead, event.window_start)) for lead in LEADS]
    yield from (name, event.night_name.isoformat())
    yield from (f"{at:%Y-%m-%dT%H:%M:%SZ}" for at in (event.window_start, event.window_end))
    last = next((each for each in standing if each is not None), None)
    yield "" if last is None else "yes" if last.told_go else "no"
    for each in standing:
        yield "" if each is None or each.chance is None else round(100 * each.chance)
    yield from (outcome.state.value, outcome.judge.value if outcome.judge else "nobody", outcome.why)


def safe_cell(value: object) -> object:
    """The value, with an apostrophe before a text that a spreadsheet would run as a formula."""
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value
