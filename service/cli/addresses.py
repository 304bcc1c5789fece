"""`duskbell address`: where messages go, and whether they are wanted and arrive there."""

from __future__ import annotations

import click

from alerts.common.errors import BadInput
from service.accounts import address_owner
from service.accounts.address_owner import get_person
from service.accounts.receivers import Tested, confirm_by_code, get_address, send_test, shown, vouch_for
from service.app import build
from service.channels.host_state import add_secret, switch_off, switch_on
from service.channels.webhook import new_secret
from service.store.repositories import browsers, suppression
from service.store.repositories.addresses import find_addresses, hanging_on_operator
from service.store.repositories.people import UNKNOWN_ZONE, find_operator, get_operator
from service.store.repositories.suppression import Reason
from service.store.schema import core_tables


@click.group()
def address() -> None:
    """List, test, confirm, rotate and switch addresses."""


@address.command("list")
def list_addresses() -> None:
    """List all addresses with their numbers."""
    with build().sessions() as session:
        rows = find_addresses(session)
        if not rows:
            click.echo('No addresses yet. Add one: duskbell subscribe "SITE" --email YOU@EXAMPLE.ORG --mine')
        for row in rows:
            click.echo(f"{row.id:>4}  {shown(row):<50}  {_state(row)}{_whose(row)}")


def _state(row: core_tables.Address) -> str:
    if row.off_since is not None:
        return f"off: {row.off_reason}"
    return "on" if row.confirmed_at is not None else "not confirmed"


def _whose(row: core_tables.Address) -> str:
    """Whether its reader is the operator; "" where it is its own person."""
    if not row.person.is_operator:
        return ""
    if row.channel != "email" or row.is_own:
        return ", yours"
    return ", on you, and nobody said whose"


@address.command("mine")
@click.argument("number", type=int)
def mine(number: int) -> None:
    """Mark a mail address as your own: a link to sign in that goes there signs in as you."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        operator = get_operator(session, zone=UNKNOWN_ZONE, now=duskbell.clock())
        address_owner.take_as_own(session, get_address(session, number), operator)
    click.echo(f"Address {number} is yours: a link to sign in that goes there signs in as you.")


@address.command("give-away")
@click.argument("number", type=int, required=False)
@click.option("--all", "everyone", is_flag=True, help="All that hang on you and aren't marked as yours.")
@click.option(
    "--to", "who", default=None, help="For a webhook or chat: whose it is, a mail address or number."
)
def give_away(number: int | None, everyone: bool, who: str | None) -> None:
    """Let an address that hangs on you be its own person, with what it is told. Sites stay yours."""
    if (number is None) is not everyone or (everyone and who is not None):
        raise BadInput("name one address by its number, or all that hang on you with --all.")
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        to = get_person(session, who) if who is not None else None
        rows = hanging_on_operator(session) if number is None else [get_address(session, number)]
        for row in rows:
            words = shown(row)
            given = address_owner.give_away(session, row, to=to, now=now)
            click.echo(f"{words} is given away: address {given.id} of person {given.person_id}.")
        operator = find_operator(session)
        if rows and operator is not None:
            browsers.end_all(session, operator.id, now)
    if not rows:
        click.echo("No address hangs on you that isn't marked as yours.")
        return
    click.echo(
        "Who is there goes on being told, and sees of your sites what a subscriber may. Your browsers are "
        "signed out (duskbell link lets you in). Whoever could sign in as you before may know your keys and "
        "private feeds: see duskbell key list, and make new feed addresses on the page You."
    )


@address.command("test")
@click.argument("number", type=int)
def test(number: int) -> None:
    """Send a test message; a receiver that answers with its code is confirmed."""
    duskbell = build()
    with duskbell.sessions() as session:
        if get_address(session, number).channel == "email":
            raise BadInput("a mail address is confirmed by a link in a mail, or by adding it here.")
    tested = send_test(duskbell.sessions, duskbell.channels, duskbell.keys, number, now=duskbell.clock())
    say_tested(number, tested)


def say_tested(number: int, tested: Tested) -> None:
    """What the test led to, and what to do next."""
    click.echo(tested.text)
    if tested.confirmed:
        return
    if tested.arrived:
        click.echo(f"Read the code where it arrived, then: duskbell address confirm {number} --code CODE")
    else:
        click.echo(f"When the receiver is ready: duskbell address test {number}")
    click.echo(f"Or vouch for it yourself: duskbell address confirm {number}")


@address.command("confirm")
@click.argument("number", type=int)
@click.option("--code", default=None, help="The code from the test message.")
def confirm(number: int, code: str | None) -> None:
    """Confirm an address by its code, or on your own word."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        get_address(session, number)
        if code is None:
            vouch_for(session, number, now)
        elif not confirm_by_code(session, number, code, now):
            raise BadInput(f"that isn't the code sent to address {number}, or it is more than 48 hours old.")
    click.echo(f"Address {number} is confirmed.")


@address.command("rotate")
@click.argument("number", type=int)
def rotate(number: int) -> None:
    """Give a webhook a new signing secret; the old one signs beside it for a week."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = get_address(session, number)
        if row.channel != "webhook":
            raise BadInput(
                f"address {number} is no signed webhook ({row.channel}); it has no signing secret."
            )
        add_secret(session, row, new_secret(), duskbell.clock())
        click.echo(f"Its new signing secret (Standard Webhooks): {row.secrets[0]}")
    click.echo("Messages carry both signatures for a week; then the old secret is dropped.")


@address.command("off")
@click.argument("number", type=int)
def off(number: int) -> None:
    """Send nothing to an address any more."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        switch_off(get_address(session, number), "switched off by the operator", duskbell.clock())
    click.echo(f"Address {number} is off.")


@address.command("on")
@click.argument("number", type=int)
def on(number: int) -> None:
    """Send to an address again that was switched off or came back."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = get_address(session, number)
        hashed = suppression.address_hash(duskbell.keys, row.channel, row.target)
        suppression.lift(session, hashed, Reason.BOUNCED)
        if hashed in suppression.find_suppressed(session, [hashed]):
            raise BadInput(f"whoever reads address {number} has opted out; only they can opt in again.")
        switch_on(session, row)
    click.echo(f"Address {number} is on.")
