"""`duskbell explain`: why a night rang, or why it didn't."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

import click

from service.cli.options import DAY

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from service.bootstrap import Duskbell
    from service.store import tables
    from service.store.sites import StoredSite


@click.command()
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help="Civil date of the evening.")
def explain(site: str, day: date) -> None:
    """Say why the night of DATE at SITE rang, or why it didn't."""
    from service.bootstrap import build
    from service.store.sites import get_site, newest_revision

    duskbell = build()
    with duskbell.sessions() as session:
        row = get_site(session, site)
        stored = newest_revision(session, row.id)
        for line in _argue(duskbell, session, row, stored, day):
            click.echo(line)


def _argue(
    duskbell: Duskbell, session: Session, row: tables.Site, stored: StoredSite, day: date
) -> Iterator[str]:
    from service.cli.page import long_day
    from service.store.people import find_subscriptions

    yield f"{row.name}, the night of {long_day(day)}"
    subscriptions = [each for each in find_subscriptions(session) if each.site_id == row.id]
    if not subscriptions:
        yield ""
        yield "Nobody is subscribed to this site, so nothing was judged."
        yield f'Next: duskbell subscribe "{row.name}" --email YOU@EXAMPLE.ORG'
    for subscription in subscriptions:
        yield ""
        yield f"{subscription.address.channel}: {subscription.address.target}"
        yield from _argue_subscription(duskbell, session, subscription, stored, day)


def _argue_subscription(
    duskbell: Duskbell, session: Session, subscription: tables.Subscription, stored: StoredSite, day: date
) -> Iterator[str]:
    from service.decided import darkness_reasons
    from service.store.decisions import find_decisions

    decisions = find_decisions(session, subscription.id, day)
    if not decisions:
        yield from _sky_alone(duskbell, subscription, stored, day)
        return
    for decision in decisions:
        yield from _say_decision(decision, stored)
    for reason in darkness_reasons(session, decisions[-1], stored.site, duskbell.ephemeris):
        yield f"    {reason.result:<8} {reason.text}"
    yield from _say_forecasts(session, decisions[-1])
    yield from _say_alerts(session, subscription, day, stored)


def _sky_alone(
    duskbell: Duskbell, subscription: tables.Subscription, stored: StoredSite, day: date
) -> Iterator[str]:
    """A night that was never judged: too far ahead, or before the subscription."""
    from alerts.darkness import darkness
    from alerts.localtime import say_span
    from alerts.night import night_named
    from alerts.rules import sky_reasons
    from alerts.skyview import window_skies
    from alerts.wishes import Wishes
    from service.store.codec import from_json

    wishes = from_json(Wishes, subscription.wishes)
    night = night_named(stored.site, day, wishes.sky, duskbell.ephemeris)
    yield "  This night has not been judged. What the sky says:"
    if night.windows:
        for window, sky in zip(
            night.windows, window_skies(stored.site, night, duskbell.ephemeris), strict=True
        ):
            yield f"    a dark window {say_span(window.span, stored.site.tz)}"
            yield f"      {darkness(window, sky, stored.site, night.wishes).text}"
        yield f"    It is judged from {wishes.days_ahead} days ahead on, once a cycle."
    else:
        for reason in sky_reasons(night, stored.site):
            yield f"    {reason.text}"


def _say_decision(decision: tables.Decision, stored: StoredSite) -> Iterator[str]:
    from alerts.localtime import say_time

    held = "" if decision.confirmed_at == decision.as_of else f", held until {_utc(decision.confirmed_at)}"
    chance = "" if decision.chance_pct is None else f", clear {decision.chance_pct} %"
    yield f"  {say_time(decision.as_of, stored.site.tz)}{held}: {decision.verdict}{chance}"
    for reason in decision.reasons:
        yield f"    {reason['result']:<8} {reason['text']}"


def _utc(at: object) -> str:
    return f"{at:%d %b %H:%M} UTC"


def _say_forecasts(session: Session, decision: tables.Decision) -> Iterator[str]:
    """The forecasts that the newest decision rests on, and those that came but couldn't be used."""
    from sqlalchemy import select

    from service.store import tables

    if not decision.forecast_ids:
        yield "  No forecast was needed or had come."
        return
    yield "  Forecasts behind the newest decision:"
    rows = session.scalars(select(tables.Forecast).where(tables.Forecast.id.in_(decision.forecast_ids)))
    for row in rows:
        issued = _utc(row.issued_at) if row.issued_at else "at an unknown time"
        yield f"    {row.feed} {row.model} ({row.lineage}), issued {issued}, fetched {_utc(row.fetched_at)}"


def _say_alerts(
    session: Session, subscription: tables.Subscription, day: date, stored: StoredSite
) -> Iterator[str]:
    from sqlalchemy import select

    from alerts.localtime import say_time
    from service.store import tables

    alerts = list(
        session.scalars(
            select(tables.Alert)
            .where(tables.Alert.subscription_id == subscription.id, tables.Alert.night_name == day)
            .order_by(tables.Alert.id)
        )
    )
    if not alerts:
        yield "  Nothing was told."
    for alert in alerts:
        kind = alert.kind.replace("_", " ")
        yield f"  Told at {say_time(alert.raised_at, stored.site.tz)}: {kind} ({alert.why})"
        for link, message in session.execute(
            select(tables.MessageAlert, tables.Message)
            .join(tables.Message, tables.Message.id == tables.MessageAlert.message_id)
            .where(tables.MessageAlert.alert_id == alert.id)
        ):
            state = link.dropped or message.status
            yield f"    message {message.id}: {state}" + (f", {message.note}" if message.note else "")
            for attempt in session.scalars(
                select(tables.Attempt).where(tables.Attempt.message_id == message.id)
            ):
                answer = f"{attempt.result} {attempt.code or ''}".rstrip()
                yield f"      tried {_utc(attempt.started_at)}: {answer}"
