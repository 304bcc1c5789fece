"""`duskbell messages`: what was sent, what wasn't and why, and what to do about it."""

from __future__ import annotations

import click

from alerts.common.phrases import phrase, say
from service.accounts.receivers import shown
from service.app import build, changing
from service.common.redaction import mask_text
from service.store.json_values import said_in
from service.store.repositories import messages as store
from service.store.repositories.messages import Status, carried_by, find_attempts, find_messages, notices_of

STATUSES = [each.value for each in Status]
LISTED = 20


@click.group(help=say("cli.about-messages"))
def messages() -> None: ...


@messages.command("list", help=say("cli.about-messages-list"))
@click.option("--status", type=click.Choice(STATUSES), help=say("cli.help-messages-status"))
@click.option("--limit", type=click.IntRange(1, 1000), default=LISTED, help=say("cli.help-messages-limit"))
def list_messages(status: str | None, limit: int) -> None:
    with build().sessions() as session:
        rows = find_messages(session, Status(status) if status else None, limit)
        if not rows:
            click.echo(say("cli.messages-none", status=status or ""))
        for row in rows:
            at = f"{row.created_at:%Y-%m-%d %H:%M:%S} UTC"
            click.echo(f"{row.id}  {at}  {row.status:<10}  {shown(row.address)}")


@messages.command("show", help=say("cli.about-messages-show"))
@click.argument("message_id")
def show(message_id: str) -> None:
    with build().sessions() as session:
        row = store.get_message(session, message_id)
        click.echo(
            say("cli.message-head", message=row.id, status=row.status, maybe_sent=bool(row.maybe_sent))
        )
        click.echo(say("cli.message-to", to=shown(row.address)))
        for _, alert in carried_by(session, [row.id])[row.id]:
            kind, site = phrase("delivery.alert-kind", kind=alert.kind), alert.facts.get("site_name", "?")
            click.echo(say("cli.message-says", kind=kind, site=site, night=alert.night_name))
        for notice in notices_of(session, [row.id]).values():
            click.echo(say("cli.message-notice", kind=phrase("delivery.notice-kind", kind=notice.kind)))
        click.echo(say("cli.message-written", at=row.created_at))
        click.echo(say("cli.message-helps", until=row.expires_at))
        if row.settled_at:
            click.echo(say("cli.message-settled", at=row.settled_at))
        else:
            click.echo(say("cli.message-due", at=row.due_at))
        if (note := said_in(row, "note")) is not None:
            click.echo(say("cli.message-note", note=mask_text(str(note))))
        for attempt in find_attempts(session, row.id):
            answer = mask_text(" ".join((attempt.answer or "").split()))
            result = f"{attempt.result} {attempt.code or ''}".rstrip()
            click.echo(say("cli.message-tried", at=attempt.started_at, result=result, answer=answer))


@messages.command("resend", help=say("cli.about-messages-resend"))
@click.argument("message_id")
@click.option("--again", is_flag=True, help=say("cli.help-resend-again"))
def resend(message_id: str, again: bool) -> None:
    with changing() as (session, _, now):
        row = store.get_message(session, message_id)
        store.resend(session, row, again=again, now=now, wall=now)
        click.echo(say("cli.message-due-again", message=row.id))


@messages.command("cancel", help=say("cli.about-messages-cancel"))
@click.argument("message_id")
def cancel(message_id: str) -> None:
    with changing() as (session, _, now):
        row = store.get_message(session, message_id)
        store.cancel(session, row, wall=now)
        click.echo(say("cli.message-cancelled", message=row.id))
