"""Events to judge, their outcomes, and the evidence for them: rows to values and back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from alerts.common.phrases import without_codes
from alerts.common.span import Span
from alerts.sites.great_circle import distance_km
from alerts.sites.model import Site
from alerts.track.observations.coded_reports import read_metar, read_synop
from alerts.track.observations.evidence import Event, OutcomeState, PersonReport, SeenSky, SkyReport, Station
from alerts.track.observations.outcome import Outcome
from alerts.track.observations.stations import KM_A_DEGREE, METAR, Observed, station_skies
from alerts.weather.forecast import Forecast
from alerts.weather.sky_now import OLDEST, REACH_KM, StationSky
from service.store.engine import in_chunks, insert_into
from service.store.json_values import from_json, to_json
from service.store.repositories.forecasts import unpack
from service.store.schema.core_tables import ForecastRow, OutcomeRow
from service.store.schema.track_tables import JudgedEventRow, StationReportRow

PERSON = "person"
"""Judge of the rows in which a person speaks."""
NOBODY = "nobody"
"""Judge of the rows that nobody could settle."""
PAST = " past"
"""After a place: answers about hours that had passed, which are never judged on."""
AROUND = timedelta(hours=1)
ANALYSES_WITHIN = timedelta(days=3)


def event_of(row: JudgedEventRow) -> Event:
    return Event(
        Span(row.window_start, row.window_end), timedelta(minutes=row.shortest_minutes), row.toward_deg
    )


def keep_reports(
    session: Session, observed: Iterable[Observed], now: datetime, *, judged_on: bool = False
) -> int:
    """Keep what wasn't known yet, word for word; how many reports that were.

    judged_on: from now on nights are judged on them, so those that came for another reason count as new.
    """
    fresh = {
        (each.station.network, each.station.name, each.report.at, each.report.raw): each for each in observed
    }
    if not fresh:
        return 0
    times = [each.report.at for each in fresh.values()]
    query = select(
        StationReportRow.network,
        StationReportRow.station,
        StationReportRow.observed_at,
        StationReportRow.raw,
        StationReportRow.id,
        StationReportRow.known_at,
    ).where(StationReportRow.observed_at.between(min(times), max(times)))
    known = {tuple(row[:4]): row for row in session.execute(query)}
    known_at = now if judged_on else None
    rows = [
        {
            "network": each.station.network,
            "station": each.station.name,
            "source": each.source,
            "lat_deg": each.station.lat_deg,
            "lon_deg": each.station.lon_deg,
            "elevation_m": each.station.elevation_m,
            "observed_at": each.report.at,
            "received_at": each.report.received_at or now,
            "raw": each.report.raw,
            "known_at": known_at,
        }
        for key, each in fresh.items()
        if key not in known
    ]
    if rows:
        # another process may hear the same station at the same moment
        session.execute(insert_into(session, StationReportRow).on_conflict_do_nothing(), rows)
    late = (
        [known[key].id for key in fresh if key in known and known[key].known_at is None] if judged_on else []
    )
    for ids in in_chunks(late):
        session.execute(update(StationReportRow).where(StationReportRow.id.in_(ids)).values(known_at=now))
    return len(rows) + len(late)


def find_reports(
    session: Session, lat_deg: float, lon_deg: float, hours: Span, known_at: datetime | None = None
) -> tuple[list[Station], list[SkyReport]]:
    """The stations within 60 km, as they were last described, and their reports over those hours; with
    `known_at` those alone that a night could be judged on then."""
    half_deg = REACH_KM / KM_A_DEGREE
    query = (
        select(StationReportRow)
        .where(
            StationReportRow.observed_at.between(hours.start, hours.end),
            StationReportRow.lat_deg.between(lat_deg - half_deg, lat_deg + half_deg),
        )
        .order_by(StationReportRow.observed_at, StationReportRow.id)
    )
    if known_at is not None:
        query = query.where(StationReportRow.known_at <= known_at)
    stations: dict[str, Station] = {}
    reports = []
    for row in session.scalars(query):
        if distance_km(lat_deg, lon_deg, row.lat_deg, row.lon_deg) <= REACH_KM:
            stations[row.station] = Station(
                row.station, row.network, row.lat_deg, row.lon_deg, row.elevation_m
            )
            reading = read_metar(row.raw) if row.network == METAR else read_synop(row.raw)
            report = SkyReport(row.station, row.observed_at, reading, row.raw, row.received_at, row.source)
            reports.append(report)
    return list(stations.values()), reports


def stations_now(session: Session, site: Site, now: datetime) -> tuple[StationSky, ...]:
    """What the stations near a site said of its sky, as it was known at `now`; the same whenever asked."""
    hours = Span(now - OLDEST, now)
    stations, reports = find_reports(session, site.lat_deg, site.lon_deg, hours, known_at=now)
    return station_skies(site, stations, reports, now)


def is_anybody_heard(session: Session, now: datetime) -> bool:
    """Whether any report at all tells of the sky as it was known at `now`."""
    query = select(StationReportRow.id).where(
        StationReportRow.observed_at.between(now - OLDEST, now), StationReportRow.known_at <= now
    )
    return session.scalars(query.limit(1)).first() is not None


def forget_reports(session: Session, before: datetime) -> None:
    """Remove old reports; the lines that outcomes rest on are kept with these."""
    session.execute(delete(StationReportRow).where(StationReportRow.observed_at < before))


def find_analyses(session: Session, place: str, window: Span) -> list[Forecast]:
    """What the feeds said of the window's hours there once it was over, in the three days after it."""
    query = select(ForecastRow).where(
        ForecastRow.place.in_((place, place + PAST)),
        ForecastRow.rejected.is_(None),
        ForecastRow.fetched_at.between(window.end, window.end + ANALYSES_WITHIN),
    )
    answers = (unpack(row) for row in session.scalars(query.order_by(ForecastRow.id)))
    return [answer for answer in answers if answer.reaches(window)]


def add_person_report(
    session: Session, site_id: int, night: date, person_id: int, said: PersonReport
) -> OutcomeRow:
    """What a person says of a night; their last word counts. Its events are looked at again."""
    span, at = said.clear_span, said.reported_at
    row = OutcomeRow(
        site_id=site_id,
        night_name=night,
        person_id=person_id,
        judge=PERSON,
        state=said.seen.value,
        facts={
            "seen": said.seen.value,
            "from": span.start.isoformat() if span else None,
            "to": span.end.isoformat() if span else None,
            "toward_deg": said.toward_deg,
        },
        reported_at=at,
    )
    session.add(row)
    look_again(session, site_id, night, at)
    session.flush()
    return row


def look_again(session: Session, site_id: int, night: date, now: datetime) -> None:
    """Have the events of a site's night judged anew in the next cycle."""
    session.execute(
        update(JudgedEventRow)
        .where(JudgedEventRow.site_id == site_id, JudgedEventRow.night_name == night)
        .values(look_at=now)
    )


def find_person_reports(session: Session, site_id: int, night: date) -> list[PersonReport]:
    """What people said of a site's night, oldest first; each person by a number that means nothing else."""
    query = (
        select(OutcomeRow)
        .where(
            OutcomeRow.site_id == site_id,
            OutcomeRow.night_name == night,
            OutcomeRow.judge == PERSON,
        )
        .order_by(OutcomeRow.id)
    )
    voices: dict[tuple[str, int], str] = {}
    reports = []
    for row in session.scalars(query):
        who = ("row", row.id) if row.person_id is None else (PERSON, row.person_id)
        reports.append(person_report(row, voices.setdefault(who, f"voice {len(voices) + 1}")))
    return reports


def person_report(row: OutcomeRow, voice: str) -> PersonReport:
    """What one such row says. voice: what the person is called by in the evidence."""
    start, end = row.facts.get("from"), row.facts.get("to")
    span = Span(datetime.fromisoformat(start), datetime.fromisoformat(end)) if start and end else None
    return PersonReport(voice, SeenSky(row.state), row.reported_at, span, row.facts.get("toward_deg"))


def keep_outcome(session: Session, row: JudgedEventRow, outcome: Outcome, now: datetime) -> bool:
    """Write the outcome of an event where it says something new; whether it did."""
    known = session.get(OutcomeRow, row.outcome_id) if row.outcome_id else None
    found = to_json(outcome)
    if known is not None:
        has_codes = "why_phrase" in known.facts["outcome"]
        if read_outcome(known) == from_json(Outcome, found if has_codes else without_codes(found)):
            return False
    fresh = OutcomeRow(
        site_id=row.site_id,
        night_name=row.night_name,
        person_id=None,
        judge=outcome.judge.value if outcome.judge else NOBODY,
        state=outcome.state.value,
        facts={"event": row.id, "outcome": found},
        reported_at=now,
    )
    session.add(fresh)
    session.flush()
    row.outcome_id = fresh.id
    return True


def read_outcome(row: OutcomeRow) -> Outcome:
    """The outcome of an event with all that its witnesses said."""
    return from_json(Outcome, row.facts["outcome"])


def outcomes_of_night(session: Session, site_id: int, night: date) -> list[Outcome]:
    """What a night was like: one outcome for each of its judged windows, in order of time.

    Each says what came (`state`), whose word settled it (`judge`, None when nobody's did) and why, all that
    the witnesses said (`accounts`) and who says something else (`disagreement`). Empty before the first
    look, two hours after a window's end, and for nights without a judged window. In words:
    `alerts.track.record.text.outcome_lines`.
    """
    return [read_outcome(row) for row in find_outcomes(session, site_id, night, night)]


def find_outcomes(session: Session, site_id: int, first: date, last: date) -> list[OutcomeRow]:
    """The rows that count for the events of a site's nights, ascending."""
    query = (
        select(OutcomeRow)
        .join(JudgedEventRow, JudgedEventRow.outcome_id == OutcomeRow.id)
        .where(JudgedEventRow.site_id == site_id, JudgedEventRow.night_name.between(first, last))
        .order_by(JudgedEventRow.window_start)
    )
    return list(session.scalars(query))


def due_events(session: Session, now: datetime, most: int, after: int) -> Sequence[JudgedEventRow]:
    """Events to look at now, by number, beyond the one named."""
    query = select(JudgedEventRow).where(JudgedEventRow.look_at <= now, JudgedEventRow.id > after)
    return session.scalars(query.order_by(JudgedEventRow.id).limit(most)).all()


def last_words(session: Session, site_id: int, nights: Iterable[date], person_id: int) -> dict[date, str]:
    """What a person last said of these nights at a site, as `SeenSky`."""
    row = OutcomeRow
    query = select(row.night_name, row.state).where(
        row.site_id == site_id, row.night_name.in_(set(nights)), row.person_id == person_id
    )
    return dict(session.execute(query.order_by(row.id)).all())


def newest_window_end(session: Session) -> datetime | None:
    """Up to when windows are noted as events; None before the first."""
    return session.scalar(select(func.max(JudgedEventRow.window_end)))


def is_noted(session: Session, site_id: int, window: Span, shortest_minutes: int) -> bool:
    """Whether that window at a site is an event already."""
    query = select(JudgedEventRow.id).where(
        JudgedEventRow.site_id == site_id,
        JudgedEventRow.window_start == window.start,
        JudgedEventRow.window_end == window.end,
        JudgedEventRow.shortest_minutes == shortest_minutes,
    )
    return session.scalar(query) is not None


def ended_events(session: Session, site_id: int, night: date, now: datetime) -> Sequence[JudgedEventRow]:
    """The events of a site's night that are over, in order of time."""
    query = select(JudgedEventRow).where(
        JudgedEventRow.site_id == site_id,
        JudgedEventRow.night_name == night,
        JudgedEventRow.window_end <= now,
    )
    return session.scalars(query.order_by(JudgedEventRow.window_start)).all()


def last_report(session: Session, site_id: int, night: date, person_id: int) -> PersonReport | None:
    """A person's last word on a site's night; None before the first."""
    row = OutcomeRow
    query = select(row).where(
        row.site_id == site_id, row.night_name == night, row.person_id == person_id, row.judge == PERSON
    )
    found = session.scalar(query.order_by(row.id.desc()).limit(1))
    return None if found is None else person_report(found, "")


def settled_by_night(session: Session) -> list[tuple[date, int, int]]:
    """By night, over all sites: how many of them were settled, and how many of these came clear."""
    outcome = OutcomeRow
    is_clear = (outcome.state == OutcomeState.CLEAR.value).cast(outcome.id.type)
    nights = (
        select(JudgedEventRow.night_name, func.max(is_clear).label("is_clear"))
        .join(outcome, JudgedEventRow.outcome_id == outcome.id)
        .where(outcome.state != OutcomeState.UNSURE.value)
        .group_by(JudgedEventRow.site_id, JudgedEventRow.night_name)
        .subquery()
    )
    query = select(nights.c.night_name, func.count(), func.sum(nights.c.is_clear))
    found = session.execute(query.group_by(nights.c.night_name))
    return [(night, count, clear) for night, count, clear in found]


def count_unsure(session: Session, site_id: int | None) -> int:
    """Judged events that nobody could settle, at a site or at all of them."""
    query = (
        select(func.count())
        .select_from(JudgedEventRow)
        .join(OutcomeRow, JudgedEventRow.outcome_id == OutcomeRow.id)
        .where(OutcomeRow.state == OutcomeState.UNSURE.value)
    )
    if site_id is not None:
        query = query.where(JudgedEventRow.site_id == site_id)
    return session.scalar(query) or 0


def report_sources(session: Session) -> list[str]:
    """Where the reports of stations that are kept came from."""
    return list(session.scalars(select(StationReportRow.source).distinct().order_by(StationReportRow.source)))
