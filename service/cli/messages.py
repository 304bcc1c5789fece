"""`duskbell messages`: what was sent, what wasn't and why, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import click
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from service.accounts.receivers import shown
from service.app import build
from service.common.redaction import mask_text
from service.store.repositories import messages as store
from service.store.repositories.messages import (
    Status,
    carried_by,
    find_attempts,
    find_messages,
    get_message,
    notices_of,
)
from service.store.schema.core_tables import MessageRow

STATUSES = ("due", "sending", "retry", "sent", "failed", "expired", "superseded", "suppressed")
LISTED = 20


@click.group(help=say("cli.about-messages"))
def messages() -> None: ...


@messages.command("list", help=say("cli.about-messages-list"))
@click.option("--status", type=click.Choice(STATUSES), default=None, help=say("cli.help-messages-status"))
@click.option("--limit", type=click.IntRange(1, 1000), default=LISTED, help=say("cli.help-messages-limit"))
def list_messages(status: str | None, limit: int) -> None:
    with build().sessions() as session:
        rows = find_messages(session, Status(status) if status else None, limit)
        if not rows:
            click.echo("No messages." if status is None else say("cli.messages-none", status=status))
        for row in rows:
            click.echo(f"{row.id}  {_utc(row.created_at)}  {row.status:<10}  {_shown(row)}")


@messages.command("show", help=say("cli.about-messages-show"))
@click.argument("message_id")
def show(message_id: str) -> None:
    with build().sessions() as session:
        for line in _describe(session, get_message(session, message_id)):
            click.echo(line)


@messages.command("resend", help=say("cli.about-messages-resend"))
@click.argument("message_id")
@click.option("--again", is_flag=True, help=say("cli.help-resend-again"))
def resend(message_id: str, again: bool) -> None:
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = store.get_message(session, message_id)
        store.resend(session, row, again=again, now=now, wall=now)
        click.echo(say("cli.message-due-again", message=row.id))


@messages.command("cancel", help=say("cli.about-messages-cancel"))
@click.argument("message_id")
def cancel(message_id: str) -> None:
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = store.get_message(session, message_id)
        store.cancel(session, row, wall=duskbell.clock())
        click.echo(f"{row.id} is cancelled.")


def _describe(session: Session, row: MessageRow) -> Iterator[str]:
    yield f"{row.id}: {row.status}{', may have arrived' if row.maybe_sent else ''}"
    yield f"  to        {_shown(row)}"
    for _, alert in carried_by(session, [row.id])[row.id]:
        kind, site = alert.kind.replace("_", " "), alert.facts.get("site_name", "?")
        yield f"  says      {kind}: {site}, {alert.night_name}"
    for notice in notices_of(session, [row.id]).values():
        yield say("cli.message-notice", kind=notice.kind.replace("_", " "))
    yield f"  written   {_utc(row.created_at)}"
    yield f"  helps     until {_utc(row.expires_at)}"
    yield f"  settled   {_utc(row.settled_at)}" if row.settled_at else f"  due       {_utc(row.due_at)}"
    if row.note:
        yield f"  note      {_masked(row.note)}"
    for attempt in find_attempts(session, row.id):
        answer = _masked(" ".join((attempt.answer or "").split()))
        result = f"{attempt.result} {attempt.code or ''}".rstrip()
        yield f"  tried     {_utc(attempt.started_at)}: {result}  {answer}".rstrip()


def _shown(row: MessageRow) -> str:
    return shown(row.address)


def _masked(text: str) -> str:
    return mask_text(text)


def _utc(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S} UTC"
