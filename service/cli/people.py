"""`duskbell person` and `duskbell key`: one's data, and keys for programs."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.group()
def person() -> None:
    """Hand out or erase what is stored about a person."""


@person.command("export")
@click.argument("who")
@click.option("--to", "target", type=click.Path(path_type=Path, dir_okay=False), default=None, help="File.")
def export(who: str, target: Path | None) -> None:
    """Everything about WHO (a mail address or a number) as JSON."""
    from service.bootstrap import build
    from service.store import identity, personal

    with build().sessions() as session:
        data = personal.export(session, identity.get_person(session, who))
    text = json.dumps(data, indent=2, ensure_ascii=False)
    if target is None:
        click.echo(text)
        return
    target.write_text(text + "\n", encoding="utf-8")
    click.echo(f"Written: {target}")


@person.command("erase")
@click.argument("who")
@click.option("--yes", is_flag=True, help="Don't ask.")
def erase(who: str, yes: bool) -> None:
    """Take WHO (a mail address or a number) out of the store, for good."""
    from service.bootstrap import build
    from service.store import identity, personal

    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = identity.get_person(session, who)
        if not yes:
            click.confirm(f"Erase person {row.id} with all addresses, sites and messages?", abort=True)
        personal.erase(session, duskbell.keys, row, duskbell.clock())
    click.echo("Erased. Decisions stay without the person; a hash keeps the mail address from being used.")


@click.group()
def key() -> None:
    """Make, list and revoke keys for programs."""


@key.command("add")
@click.argument("label")
def add(label: str) -> None:
    """Make a key; LABEL says what for."""
    from alerts.naming import clean_name
    from service.access import make_api_key
    from service.bootstrap import build
    from service.store.people import UNKNOWN_ZONE, get_operator

    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        owner = get_operator(session, zone=UNKNOWN_ZONE, now=now)
        made = make_api_key(session, owner.id, clean_name(label, "label"), now)
    click.echo(f"{made}\nIt isn't shown again. Send it as: Authorization: Bearer KEY")


@key.command("list")
def list_keys() -> None:
    """List the keys that work."""
    from service.access import find_api_keys
    from service.bootstrap import build

    with build().sessions() as session:
        for row in find_api_keys(session):
            click.echo(f"{row.id:>4}  {row.created_at:%Y-%m-%d}  {row.label}")


@key.command("revoke")
@click.argument("number", type=int)
def revoke(number: int) -> None:
    """Let the key of that number work no more."""
    from service.access import revoke_api_key
    from service.bootstrap import build

    duskbell = build()
    with duskbell.sessions.begin() as session:
        revoke_api_key(session, number, duskbell.clock())
    click.echo(f"Key {number} works no more.")
