"""A store that remembers judged windows: decisions as they were made, outlooks, outcomes; no sky computed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.judging.rules import Reason, Result
from alerts.sites.model import Site
from alerts.track.calibration.model import HOURS_BEFORE, Lead
from alerts.track.observations.evidence import Event, Judge, OutcomeState
from alerts.track.observations.outcome import Outcome
from alerts.weather.forecast import Source
from alerts.weather.outlook import Outlook, SourceChance
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.store.json_values import to_json
from service.store.repositories import judged_events, people, subscriptions
from service.store.repositories.sites import add_site, newest_revision
from service.store.schema.core_tables import DecisionRow, FindingRow, NightRow, OutlookRow, WishSnapshotRow
from service.store.schema.track_tables import JudgedEventRow

GO_FROM_PCT = 70


@dataclass(frozen=True)
class Remembered:
    """One window: the chance told at each lead, in per cent, and what came; clear None: nobody could say.

    raw_pct: before calibration, where that was another; lineages: each one's own chance, 0..1.
    """

    start: datetime
    said_pct: Mapping[Lead, int]
    clear: bool | None
    judge: Judge = Judge.STATIONS
    raw_pct: Mapping[Lead, int] = field(default_factory=dict)
    lineages: Mapping[str, float] = field(default_factory=dict)
    length: timedelta = timedelta(hours=3)


@dataclass(frozen=True)
class Watched:
    """A site, and who is told of it."""

    site_id: int
    revision_id: int
    subscription_id: int
    wishes: Wishes


def watch(
    session: Session,
    site: Site,
    now: datetime,
    *,
    email: str = "you@example.org",
    wishes: Wishes | None = None,
) -> Watched:
    """A new site of the operator with one subscription."""
    owner = people.get_operator(session, zone=site.zone, now=now)
    row = add_site(session, owner, site, elevation_known=True, now=now)
    address = people.add_address(session, owner, "email", email, secrets=[], now=now)
    wanted = wishes or DEFAULT_WISHES
    subscription = subscriptions.subscribe(session, address, row, wanted, now=now)
    session.flush()
    return Watched(row.id, newest_revision(session, row.id).revision_id, subscription.id, wanted)


def remember(session: Session, watched: Watched, windows: Iterable[Remembered]) -> None:
    """Write each window as the stages would have left it; the facts of its night are left empty."""
    snapshot = WishSnapshotRow(digest="remembered", wishes=to_json(watched.wishes))
    findings = {is_go: FindingRow(reasons=[to_json(_reason(is_go=is_go))]) for is_go in (True, False)}
    session.add_all([snapshot, *findings.values()])
    session.flush()
    for each in windows:
        _remember_one(session, watched, each, snapshot, findings)
    session.flush()


def _remember_one(
    session: Session,
    watched: Watched,
    each: Remembered,
    snapshot: WishSnapshotRow,
    findings: Mapping[bool, FindingRow],
) -> None:
    row = _night_row(session, watched, each)
    for lead, said_pct in each.said_pct.items():
        at = each.start - timedelta(hours=HOURS_BEFORE[lead])
        outlook = _outlook(each, said_pct, each.raw_pct.get(lead))
        kept = OutlookRow(
            night_id=row.id, window_index=0, shortest_minutes=30, inputs=lead.value, forecast_ids=[],
            chance_pct=said_pct, facts=to_json(outlook), as_of=at,
        )  # fmt: skip
        session.add(kept)
        session.flush()
        session.add(
            DecisionRow(
                subscription_id=watched.subscription_id, night_id=row.id, night_name=row.name,
                site_revision_id=watched.revision_id, as_of=at, confirmed_at=at,
                verdict="go" if said_pct >= GO_FROM_PCT else "stay", deciding_rule="chance", fingerprint="",
                chance_pct=said_pct, window_start=each.start, window_end=each.start + each.length,
                snapshot=snapshot, finding=findings[said_pct >= GO_FROM_PCT], outlook_ids=[kept.id],
                forecast_ids=[], kernel="", rules_version="", why="", why_text="", rung=0,
            )
        )  # fmt: skip
    _settle(session, watched, row, each)


def _night_row(session: Session, watched: Watched, each: Remembered) -> NightRow:
    start, end = each.start, each.start + each.length
    row = NightRow(
        site_revision_id=watched.revision_id, name=start.date(), sky_key=f"{start:%H%M}", starts=start,
        ends=end, first_window_start=start, last_window_end=end, facts={}, kernel="",
        rules_version="", computed_at=start - timedelta(days=10),
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def _outlook(each: Remembered, said_pct: int, raw_pct: int | None) -> Outlook:
    sources = tuple(
        SourceChance(Source("feed", f"provider of {name}", name, name, "", ""), chance, members=0)
        for name, chance in each.lineages.items()
    )
    window = Span(each.start, each.start + each.length)
    return Outlook(
        window, said_pct, None, None, sources, (), True, True, True, tuple(each.lineages), (), None,
        raw_chance_pct=raw_pct, calibration="" if raw_pct is None else "remembered",
    )  # fmt: skip


def _reason(*, is_go: bool) -> Reason:
    return Reason("chance", Result.PASS if is_go else Result.FAIL, kept(kept("as remembered")))


def _settle(session: Session, watched: Watched, row: NightRow, each: Remembered) -> None:
    event = JudgedEventRow(
        site_id=watched.site_id, site_revision_id=watched.revision_id, night_name=row.name,
        window_start=each.start, window_end=each.start + each.length, shortest_minutes=30, looks=3,
    )  # fmt: skip
    session.add(event)
    session.flush()
    state = {True: OutcomeState.CLEAR, False: OutcomeState.NOT_CLEAR, None: OutcomeState.UNSURE}[each.clear]
    judge = None if each.clear is None else each.judge
    window = Span(each.start, each.start + each.length)
    outcome = Outcome(Event(window, timedelta(minutes=30)), state, judge, kept("as remembered"), ())
    judged_events.keep_outcome(session, event, outcome, each.start + each.length)
