"""`duskbell person`, `key` and `home`: people and their data, keys for programs, where drives begin."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.trip_plan import USUAL_SPEED_KMH, Home
from alerts.sites.model import clean_name
from alerts.wishes.fields import drive_phrase
from alerts.wishes.model import Wishes
from service.accounts import address_owner
from service.accounts.access import WARNED_BEFORE, make_api_key, revoke_api_key
from service.accounts.receivers import vouch_for
from service.app import build, changing
from service.channels.email_message import check_mail_address
from service.cli.options import LAT_LON, NEW_FILE
from service.store.json_values import from_json
from service.store.maintenance import personal_data
from service.store.repositories import browsers, people, subscriptions, tokens
from service.store.repositories.people import UNKNOWN_ZONE, get_operator
from service.store.repositories.tokens import find_api_keys
from service.web.operator.pages import people_lines


@click.group(help=say("cli.about-person"))
def person() -> None: ...


@person.command("list", help=say("cli.about-person-list"))
def list_people() -> None:
    duskbell = build()
    is_open = duskbell.settings.open_sign_up
    with duskbell.sessions() as session:
        for row in people_lines(session):
            keeps = row.is_operator or row.may_keep or is_open
            number, mail, sites = row.person_id, row.mail, row.sites
            click.echo(say("cli.person-line", number=number, mail=mail, sites=sites, keeps=keeps))


@person.command("allow", help=say("cli.about-person-allow"))
@click.argument("who")
def allow(who: str) -> None:
    with changing() as (session, _, now):
        if (
            who.isdigit()
            or address_owner.find_account(session, who)
            or address_owner.find_on_operator(session, who)
        ):
            row = address_owner.get_person(session, who)
        else:
            address = address_owner.add_pending(session, check_mail_address(who), zone=UNKNOWN_ZONE, now=now)
            vouch_for(session, address.id, now)
            row = address.person
        row.may_keep_sites = True
        click.echo(say("cli.person-allowed", number=row.id))


@person.command("forbid", help=say("cli.about-person-forbid"))
@click.argument("who")
def forbid(who: str) -> None:
    with changing() as (session, duskbell, _):
        row = address_owner.get_person(session, who)
        row.may_keep_sites = False
        click.echo(say("cli.person-disallowed", number=row.id))
    if duskbell.settings.open_sign_up:
        click.echo(say("cli.person-sign-up-open"))


@person.command("export", help=say("cli.about-person-export"))
@click.argument("who")
@click.option("--to", "target", type=NEW_FILE, help=say("cli.help-export-to"))
def export(who: str, target: Path | None) -> None:
    with build().sessions() as session:
        data = personal_data.export(session, address_owner.get_person(session, who))
    text = json.dumps(data, indent=2, ensure_ascii=False)
    if target is None:
        click.echo(text)
        return
    target.write_text(text + "\n", encoding="utf-8")
    click.echo(say("cli.written", target=target))


@person.command("erase", help=say("cli.about-person-erase"))
@click.argument("who")
@click.option("--yes", is_flag=True, help=say("cli.help-erase-yes"))
def erase(who: str, yes: bool) -> None:
    with changing() as (session, duskbell, now):
        row = address_owner.get_person(session, who)
        if not yes:
            click.confirm(say("cli.ask-erase", number=row.id), abort=True)
        personal_data.erase(session, duskbell.keys, row, now)
    click.echo(say("cli.erased"))


@person.command("sign-out", help=say("cli.about-person-sign-out"))
@click.argument("who")
def sign_out(who: str) -> None:
    with changing() as (session, _, now):
        row = address_owner.get_person(session, who)
        ended = browsers.end_all(session, row.id, now)
        tokens.revoke_all_of(session, now, purpose=tokens.Purpose.SIGN_IN, person_id=row.id)
    click.echo(say("cli.person-signed-out", count=ended))


@click.group(help=say("cli.about-key"))
def key() -> None: ...


@key.command("add", help=say("cli.about-key-add"))
@click.argument("label")
@click.option(
    "--for",
    "use",
    type=click.Choice(["read", "judge", "metrics"]),
    default="judge",
    help=say("cli.help-key-use"),
)
@click.option("--days", type=int, default=365, help=say("cli.help-key-days"))
def add(label: str, use: str, days: int) -> None:
    with changing() as (session, _, now):
        owner = get_operator(session, zone=UNKNOWN_ZONE, now=now)
        lives = timedelta(days=max(0, min(days, 10_000)))
        made = make_api_key(session, owner.id, clean_name(label, "label"), now, use=use, lives=lives)
    click.echo(say("cli.key-made", made=made))
    click.echo(say("cli.key-until", now=now + lives))


@key.command("list", help=say("cli.about-key-list"))
def list_keys() -> None:
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions() as session:
        for row in find_api_keys(session, now):
            ends = say("cli.key-ends" if row.expires_at else "cli.key-endless", at=row.expires_at)
            soon = row.expires_at is not None and row.expires_at <= now + WARNED_BEFORE
            may = row.scope or say("cli.key-use-all")
            note = say("cli.key-ends-soon") if soon else ""
            click.echo(f"{row.id:>4}  {row.created_at:%Y-%m-%d}  {ends}  {may:<10}  {row.label}{note}")


@key.command("revoke", help=say("cli.about-key-revoke"))
@click.argument("number", type=int)
def revoke(number: int) -> None:
    with changing() as (session, _, now):
        revoke_api_key(session, number, now)
    click.echo(say("cli.key-revoked", number=number))


@click.command(help=say("cli.about-home"))
@click.option("--at", "place", type=LAT_LON, help=say("cli.help-home-at"))
@click.option("--speed", type=float, metavar="KM/H", help=say("cli.help-home-speed"))
@click.option("--forget", is_flag=True, help=say("cli.help-home-none"))
def home(place: tuple[float, float] | None, speed: float | None, forget: bool) -> None:
    if forget and (place or speed):
        raise BadInput(phrase("cli.home-forget-alone"))
    with changing() as (session, _, now):
        person = people.get_operator(session, zone=people.UNKNOWN_ZONE, now=now)
        known = person.home
        if forget:
            people.set_home(session, person, None)
        elif place is not None:
            at_speed = speed if speed is not None else known.speed_kmh if known else USUAL_SPEED_KMH
            people.set_home(session, person, Home(*place, at_speed))
        elif speed is not None:
            if known is None:
                raise BadInput(phrase("cli.home-first"))
            people.set_home(session, person, replace(known, speed_kmh=speed))
        known = person.home
        if known is None:
            click.echo(say("cli.home-unknown"))
            return
        speed_kmh = known.speed_kmh
        click.echo(say("cli.home", lat_deg=known.lat_deg, lon_deg=known.lon_deg, speed_kmh=speed_kmh))
        for row in subscriptions.running_subscriptions(session, person_id=person.id):
            click.echo(f"  {row.site.name}: {drive_phrase(from_json(Wishes, row.wishes))}")
