"""`duskbell address`: where messages go, and whether they are wanted and arrive there."""

from __future__ import annotations

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from service.accounts import address_owner
from service.accounts.address_owner import get_person
from service.accounts.receivers import Tested, confirm_by_code, get_address, send_test, shown, vouch_for
from service.app import build, changing
from service.channels.host_state import add_secret, switch_off, switch_on
from service.channels.webhook import new_secret
from service.store.repositories import browsers, suppression
from service.store.repositories.people import (
    UNKNOWN_ZONE,
    find_addresses,
    find_operator,
    get_operator,
    hanging_on_operator,
)
from service.store.repositories.suppression import BarReason


@click.group(help=say("cli.about-address"))
def address() -> None: ...


@address.command("list", help=say("cli.about-address-list"))
def list_addresses() -> None:
    with build().sessions() as session:
        rows = find_addresses(session)
        if not rows:
            click.echo(say("cli.address-none"))
        for row in rows:
            if row.off_since is not None:
                state = say("cli.state-off", reason=row.off_reason)
            else:
                state = say("cli.address-state", is_confirmed=row.confirmed_at is not None)
            if not row.person.is_operator:
                whose = "own"
            else:
                whose = "yours" if row.channel != "email" or row.is_own else "unsaid"
            belongs = say("cli.address-whose", whose=whose)
            click.echo(f"{row.id:>4}  {shown(row):<50}  {state}{belongs}")


@address.command("mine", help=say("cli.about-address-mine"))
@click.argument("number", type=int)
def mine(number: int) -> None:
    with changing() as (session, _, now):
        operator = get_operator(session, zone=UNKNOWN_ZONE, now=now)
        address_owner.take_as_own(session, get_address(session, number), operator)
    click.echo(say("cli.address-mine", number=number))


@address.command("give-away", help=say("cli.about-address-give-away"))
@click.argument("number", type=int, required=False)
@click.option("--all", "everyone", is_flag=True, help=say("cli.help-address-all"))
@click.option("--to", "who", help=say("cli.help-address-to"))
def give_away(number: int | None, everyone: bool, who: str | None) -> None:
    if (number is None) is not everyone or (everyone and who is not None):
        raise BadInput(phrase("cli.address-one-or-all"))
    with changing() as (session, _, now):
        to = get_person(session, who) if who is not None else None
        rows = hanging_on_operator(session) if number is None else [get_address(session, number)]
        for row in rows:
            words = shown(row)
            given = address_owner.give_away(session, row, to=to, now=now)
            click.echo(say("cli.address-given-away", address=words, number=given.id, person=given.person_id))
        operator = find_operator(session)
        if rows and operator is not None:
            browsers.end_all(session, operator.id, now)
    if not rows:
        click.echo(say("cli.address-none-hangs"))
        return
    click.echo(say("cli.address-given-away-after"))


@address.command("test", help=say("cli.about-address-test"))
@click.argument("number", type=int)
def test(number: int) -> None:
    duskbell = build()
    with duskbell.sessions() as session:
        if get_address(session, number).channel == "email":
            raise BadInput(phrase("cli.address-mail-untested"))
    tested = send_test(duskbell.sessions, duskbell.channels, duskbell.keys, number, now=duskbell.clock())
    say_tested(number, tested)


def say_tested(number: int, tested: Tested) -> None:
    """What the test led to, and what to do next."""
    click.echo(tested.text)
    if tested.confirmed:
        return
    if tested.arrived:
        click.echo(say("cli.address-read-code", number=number))
    else:
        click.echo(say("cli.address-test-again", number=number))
    click.echo(say("cli.address-vouch", number=number))


@address.command("confirm", help=say("cli.about-address-confirm"))
@click.argument("number", type=int)
@click.option("--code", help=say("cli.help-address-code"))
def confirm(number: int, code: str | None) -> None:
    with changing() as (session, _, now):
        get_address(session, number)
        if code is None:
            vouch_for(session, number, now)
        elif not confirm_by_code(session, number, code, now):
            raise BadInput(phrase("cli.address-wrong-code", number=number))
    click.echo(say("cli.address-confirmed", number=number))


@address.command("rotate", help=say("cli.about-address-rotate"))
@click.argument("number", type=int)
def rotate(number: int) -> None:
    with changing() as (session, _, now):
        row = get_address(session, number)
        if row.channel != "webhook":
            raise BadInput(phrase("cli.address-no-webhook", number=number, channel=row.channel))
        add_secret(session, row, new_secret(), now)
        click.echo(say("cli.address-new-secret", secrets=row.secrets[0]))
    click.echo(say("cli.address-two-signatures"))


@address.command("off", help=say("cli.about-address-off"))
@click.argument("number", type=int)
def off(number: int) -> None:
    with changing() as (session, _, now):
        switch_off(get_address(session, number), say("cli.address-off-by-operator"), now)
    click.echo(say("cli.address-off", number=number))


@address.command("on", help=say("cli.about-address-on"))
@click.argument("number", type=int)
def on(number: int) -> None:
    with changing() as (session, duskbell, _):
        row = get_address(session, number)
        hashed = suppression.address_hash(duskbell.keys, row.channel, row.target)
        suppression.lift(session, hashed, BarReason.BOUNCED)
        if hashed in suppression.find_suppressed(session, [hashed]):
            raise BadInput(phrase("cli.address-opted-out", number=number))
        switch_on(session, row)
    click.echo(say("cli.address-on", number=number))
