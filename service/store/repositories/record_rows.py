"""The record's rows: written once an event's outcome is known, and anew when it changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import delete, func, insert, or_, select, update
from sqlalchemy.orm import Session

from alerts.track.calibration.model import LEADS, Lead, moment_of, standing_at
from alerts.track.observations.evidence import OutcomeState
from alerts.wishes.model import Wishes, as_judged
from service.store.engine import in_chunks
from service.store.json_values import from_json, to_json
from service.store.repositories.judged_events import NOBODY
from service.store.repositories.pairs import BLOCK, ENDED, Told, told_of
from service.store.schema.core_tables import OutcomeRow, SiteRow, digest_of
from service.store.schema.track_tables import JudgedEventRow, RecordRow, WishSetRow


def write_due(session: Session) -> int:
    """Write the rows of the next events that have an outcome and no rows for it yet, at most 500; how many
    events that were."""
    recorded = JudgedEventRow.recorded_outcome_id
    is_due = or_(recorded.is_(None), recorded != JudgedEventRow.outcome_id)
    # in order of time, so that the decisions of one night or few are read together
    ended = [(event, outcome) for event, outcome in session.execute(ENDED.where(is_due).limit(BLOCK))]
    if not ended:
        return 0
    told = list(told_of(session, ended))
    remembered = {each.event.id for each in told}
    session.execute(delete(RecordRow).where(RecordRow.event_id.in_(remembered)))
    rows = list(_rows(session, told))
    if rows:
        session.execute(insert(RecordRow), rows)
    for event, outcome in ended:
        if event.id not in remembered:
            # where the decisions are forgotten by now, what was said stays and only what came is new
            is_settled = outcome.state != OutcomeState.UNSURE.value
            session.execute(
                update(RecordRow)
                .where(RecordRow.event_id == event.id)
                .values(
                    judge=outcome.judge if is_settled else NOBODY,
                    clear=outcome.state == OutcomeState.CLEAR.value if is_settled else None,
                )
            )
        event.recorded_outcome_id = outcome.id
    session.flush()
    return len(ended)


def _rows(session: Session, all_told: Iterable[Told]) -> Iterator[dict[str, Any]]:
    """The first who was told counts in the record; of others only those who wish something else are kept."""
    seen: dict[int, set[str]] = {}
    for told in all_told:
        wishes = from_json(Wishes, told.decisions[-1].wishes)
        key = wishes_key(wishes)
        known = seen.setdefault(told.event.id, set())
        if key not in known:
            if session.get(WishSetRow, key) is None:
                session.add(WishSetRow(key=key, wishes=to_json(_without_limit(wishes))))
            yield from _rows_of(told, key, wishes.chance_go_pct, is_counted=not known)
        known.add(key)


def _without_limit(wishes: Wishes) -> Wishes:
    """What bars a night whatever its chance; where somebody's trips start from is nobody's business here."""
    trips = tuple(replace(trip, start="") for trip in wishes.trips)
    return replace(as_judged(wishes), chance_go_pct=0, trips=trips)


def wishes_key(wishes: Wishes) -> str:
    """What to know wishes by that differ in nothing but the go limit, as far as verdicts go."""
    values = to_json(_without_limit(wishes))
    values.pop("drive_estimate")  # verdicts read none, and keys from before this field stay good
    return digest_of(values)


@dataclass(frozen=True, slots=True)
class FoundWishes:
    """Wishes that nights were judged by, with the go limit of the newest; nights: at that lead."""

    key: str
    nights: int
    wishes: Wishes


def find_wishes(session: Session, site_id: int | None, lead: Lead, *, most: int) -> list[FoundWishes]:
    """The wishes that most settled nights were judged by, at a site or over all."""
    row = RecordRow
    query = select(row.wishes_key, func.count(), func.max(row.id)).where(
        row.lead == lead.value, row.clear.is_not(None)
    )
    if site_id is not None:
        query = query.where(row.site_id == site_id)
    counted = session.execute(
        query.group_by(row.wishes_key).order_by(func.count().desc(), row.wishes_key).limit(most)
    )
    found = []
    for key, nights, newest in counted.all():
        wishes = from_json(Wishes, session.get_one(WishSetRow, key).wishes)
        limit_pct = session.get_one(RecordRow, newest).go_limit_pct
        found.append(FoundWishes(key, nights, replace(wishes, chance_go_pct=limit_pct)))
    return found


def _rows_of(told: Told, key: str, go_limit_pct: int, *, is_counted: bool) -> Iterator[dict[str, Any]]:
    event, outcome = told.event, told.judged.outcome
    is_settled = outcome.judge is not None and outcome.state is not OutcomeState.UNSURE
    for lead in LEADS:
        stated = standing_at(told.judged.statements, moment_of(lead, event.window_start))
        if stated is None or stated.chance is None or stated.raw_chance is None:
            continue
        yield {
            "event_id": event.id,
            "site_id": event.site_id,
            "night_name": event.night_name,
            "lead": lead.value,
            "judge": outcome.judge.value if outcome.judge and is_settled else NOBODY,
            "clear": outcome.state is OutcomeState.CLEAR if is_settled else None,
            "chance_pct": round(100 * stated.chance),
            "raw_chance_pct": round(100 * stated.raw_chance),
            "told_go": stated.told_go,
            "is_barred": stated.is_barred,
            "member_share": stated.member_share,
            "lineages": dict(stated.lineages),
            "wishes_key": key,
            "go_limit_pct": go_limit_pct,
            "is_counted": is_counted,
        }


def newest_change(session: Session) -> tuple[int | None, int | None]:
    """Something that is another one once an outcome or a row came."""
    newest_outcome = session.scalar(select(func.max(OutcomeRow.id)))
    return newest_outcome, session.scalar(select(func.max(RecordRow.id)))


def last_settled(
    session: Session, site_id: int, lead: Lead, *, most: int
) -> list[tuple[JudgedEventRow, OutcomeRow, int | None, bool | None]]:
    """The last events at a site that have an outcome, the newest first, with the chance in percent and
    whether a go was told at that lead; None where nothing was said then."""
    said = (RecordRow.event_id == JudgedEventRow.id) & RecordRow.is_counted & (RecordRow.lead == lead.value)
    query = (
        select(JudgedEventRow, OutcomeRow, RecordRow.chance_pct, RecordRow.told_go)
        .join(OutcomeRow, JudgedEventRow.outcome_id == OutcomeRow.id)
        .outerjoin(RecordRow, said)
        .where(JudgedEventRow.site_id == site_id)
        .order_by(JudgedEventRow.window_start.desc())
        .limit(most)
    )
    return [(event, outcome, pct, told_go) for event, outcome, pct, told_go in session.execute(query)]


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """A judged event with what came. said: by lead (`Lead`) what the record counts; a lead may be missing."""

    site_name: str
    event: JudgedEventRow
    outcome: OutcomeRow
    said: Mapping[str, RecordRow]


def recorded_events(session: Session, site_ids: Iterable[int] | None = None) -> Iterator[RecordedEvent]:
    """All judged events that have an outcome, of these sites or of all, in order of time."""
    query = select(JudgedEventRow.id).where(JudgedEventRow.outcome_id.is_not(None))
    if site_ids is not None:
        query = query.where(JudgedEventRow.site_id.in_(set(site_ids)))
    for ids in in_chunks(session.scalars(query.order_by(JudgedEventRow.night_name, JudgedEventRow.id)).all()):
        said: defaultdict[int, dict[str, RecordRow]] = defaultdict(dict)
        counted = select(RecordRow).where(RecordRow.event_id.in_(ids), RecordRow.is_counted)
        for row in session.scalars(counted):
            said[row.event_id][row.lead] = row
        ended = ENDED.join(SiteRow, JudgedEventRow.site_id == SiteRow.id).where(JudgedEventRow.id.in_(ids))
        for event, outcome, name in session.execute(ended.add_columns(SiteRow.name)):
            yield RecordedEvent(name, event, outcome, said[event.id])
