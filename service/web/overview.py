"""What the page shows: each site with its coming nights, and the messages of late."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from alerts.localtime import say_day, say_span, say_time
from alerts.site import zone_info
from alerts.span import Span
from service.store import tables
from service.store.cycles import last_finished
from service.store.decisions import newest_decisions
from service.store.sites import newest_revisions

MESSAGES_SHOWN = 20


@dataclass(frozen=True, slots=True)
class NightLine:
    """One decided night in words."""

    day: str
    verdict: str
    why: str
    window: str
    chance: str


@dataclass(frozen=True, slots=True)
class SiteCard:
    name: str
    zone: str
    told: str
    nights: tuple[NightLine, ...]


@dataclass(frozen=True, slots=True)
class MessageLine:
    at: str
    to: str
    what: str
    status: str
    note: str


@dataclass(frozen=True, slots=True)
class Overview:
    cards: tuple[SiteCard, ...]
    messages: tuple[MessageLine, ...]
    last_cycle: str
    attributions: tuple[str, ...]


def build_overview(session: Session, now: datetime) -> Overview:
    """The page's content from the rows as they are."""
    cycle = last_finished(session)
    return Overview(
        cards=tuple(_cards(session, now)),
        messages=tuple(_messages(session)),
        last_cycle=f"{cycle.as_of:%Y-%m-%d %H:%M} UTC" if cycle else "",
        attributions=_attributions(session),
    )


def _cards(session: Session, now: datetime) -> list[SiteCard]:
    subscriptions = list(
        session.scalars(select(tables.Subscription).where(tables.Subscription.ended_at.is_(None)))
    )
    sites = newest_revisions(session, {each.site_id for each in subscriptions})
    decided = newest_decisions(session, (each.id for each in subscriptions), _first_night(now))
    cards = []
    for each in subscriptions:
        stored = sites[each.site_id]
        mine = sorted(
            (row for (sub, _), row in decided.items() if sub == each.id), key=lambda r: r.night_name
        )
        lines = tuple(_night_line(row, stored.site.zone) for row in mine if _is_ahead(row, now))
        cards.append(SiteCard(stored.site.name, stored.site.zone, _masked(each.address), lines))
    return cards


def _first_night(now: datetime) -> date:
    """Tonight may still carry yesterday's date, or the day before's east of the date line."""
    return date.fromordinal(now.date().toordinal() - 2)


def _is_ahead(row: tables.Decision, now: datetime) -> bool:
    return row.window_end is None or row.window_end > now


def _night_line(row: tables.Decision, zone: str) -> NightLine:
    window = ""
    if row.window_start and row.window_end:
        window = say_span(Span(row.window_start, row.window_end), zone_info(zone))
    return NightLine(
        day=say_day(row.night_name),
        verdict=row.verdict,
        why=row.reasons[0]["text"] if row.reasons else "",
        window=window,
        chance="" if row.chance_pct is None else f"{row.chance_pct} %",
    )


def _messages(session: Session) -> list[MessageLine]:
    rows = session.scalars(
        select(tables.Message).order_by(tables.Message.created_at.desc()).limit(MESSAGES_SHOWN)
    )
    return [_message_line(session, row) for row in rows]


def _message_line(session: Session, row: tables.Message) -> MessageLine:
    alerts = session.scalars(
        select(tables.Alert)
        .join(tables.MessageAlert, tables.MessageAlert.alert_id == tables.Alert.id)
        .where(tables.MessageAlert.message_id == row.id)
    )
    what = "; ".join(
        f"{a.kind.replace('_', ' ')}: {a.facts['site_name']}, {say_day(a.night_name)}" for a in alerts
    )
    return MessageLine(
        at=say_time(row.created_at, zone_info("UTC")),
        to=_masked(row.address),
        what=what,
        status=row.status,
        note=row.note or "",
    )


def _masked(address: tables.Address) -> str:
    """Enough of an address to know it by, not enough to use it."""
    if address.channel == "email":
        local, _, domain = address.target.partition("@")
        return f"{local[:1]}…@{domain}"
    return address.target.split("/")[2] if "//" in address.target else address.channel


def _attributions(session: Session) -> tuple[str, ...]:
    """Credits of the feeds whose answers lie in the store."""
    bodies = session.scalars(
        select(tables.Forecast.body)
        .where(tables.Forecast.rejected.is_(None))
        .order_by(tables.Forecast.id.desc())
        .limit(50)
    )
    return tuple(dict.fromkeys(body["attribution"][0] for body in bodies if body))
