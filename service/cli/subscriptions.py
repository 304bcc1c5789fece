"""`duskbell subscribe`, `subscriptions` and `subscription`: who is told about what, and with which wishes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime

import click

from alerts.briefing.text.obstacle_text import lines_of
from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import Reader, phrase, say
from alerts.judging.obstacles import YearAhead
from alerts.sites.model import Site
from alerts.wishes.fields import say_words, write_words
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.accounts import address_owner
from service.accounts.quotas import require_room
from service.accounts.receivers import NewReceiver, register, send_test, shown, vouch_for
from service.app import Duskbell, build, changing
from service.channels.chat import CHAT_FORMS
from service.cli.addresses import say_tested
from service.cli.options import DAY, WishesAsked, hands_over, kit_option, wish_options
from service.reports.ring_check import RingCheck
from service.reports.wish_advice import advise
from service.store.json_values import from_json
from service.store.repositories import people
from service.store.repositories import subscriptions as stored_subscriptions
from service.store.repositories.climates import climate_at
from service.store.repositories.sites import get_site, newest_revision
from service.store.repositories.subscriptions import (
    change_kit,
    change_wishes,
    end_of_pause,
    end_subscription,
    get_subscription,
    pause_subscription,
    resume_subscription,
    running_subscriptions,
)
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import SubscriptionRow


@dataclass(frozen=True, slots=True)
class ReceiverAsked:
    """Who is told: one of email, webhook, chat and named. mine: the mail address is the operator's own."""

    email: str | None
    mine: bool
    webhook: str | None
    chat: tuple[str, str] | None
    token: str
    named: str | None

    def read(self) -> tuple[str, str]:
        """Channel and address as given; BadInput unless exactly one is."""
        listed = (
            ("email", self.email),
            ("webhook", self.webhook),
            self.chat or ("", None),
            ("named", self.named),
        )
        given = [(channel, address) for channel, address in listed if address is not None]
        if len(given) != 1:
            raise BadInput(phrase("cli.name-one-address"))
        if self.chat is not None and self.chat[0] not in CHAT_FORMS:
            raise BadInput(phrase("cli.no-chat-form", chat=self.chat[0], chat_forms=", ".join(CHAT_FORMS)))
        if self.mine and given[0][0] != "email":
            raise BadInput(phrase("cli.mine-with-email"))
        return given[0]


@click.command(help=say("cli.about-subscribe"))
@click.argument("site")
@click.option("--email", help=say("cli.help-email"))
@click.option("--mine", is_flag=True, help=say("cli.help-mine"))
@click.option("--webhook", help=say("cli.help-webhook"))
@click.option("--chat", nargs=2, metavar="FORM URL", help=say("cli.help-chat"))
@click.option("--token", default="", help=say("cli.help-token"))
@click.option("--named", metavar="NAME", help=say("cli.help-named"))
@kit_option
@wish_options
@hands_over(to=ReceiverAsked)
def subscribe(site: str, to: ReceiverAsked, kit: str | None, wishes: WishesAsked) -> None:
    channel, given = to.read()
    usual = DEFAULT_WISHES
    wished = wishes.over(usual, usual)
    with changing() as (session, duskbell, now):
        row = get_site(session, site)
        place = newest_revision(session, row.id).site
        operator = people.get_operator(session, zone=place.zone, now=now)
        receiver = duskbell.channels[channel]
        if channel == "email":
            target = receiver.check_address(given)
            zone = place.zone if operator.zone == people.UNKNOWN_ZONE else operator.zone
            address = (
                address_owner.own_address(session, target, operator, now)
                if to.mine
                else address_owner.address_of_another(session, target, zone=zone, now=now)
            )
        else:
            address = register(session, receiver, operator, NewReceiver(channel, given, to.token), now)
        require_room(session, duskbell.settings, address.person_id, Kept.SUBSCRIPTIONS, now)
        subscription = stored_subscriptions.subscribe(session, address, row, wished, now=now)
        change_kit(session, subscription, kit or "")
        if channel in ("email", "named"):
            vouch_for(session, address.id, now)
        number, needs_proof = address.id, address.confirmed_at is None
        told = address.target if channel in ("email", "named") else shown(address)
        click.echo(say("cli.will-be-told", told=told, name=row.name, unconfirmed=needs_proof))
        if channel == "webhook":
            click.echo(say("cli.signing-secret", secrets=address.secrets[0]))
        if channel == "email" and not address.is_own:
            click.echo(say("cli.address-its-own-person", number=number))
        for line in _wish_lines(subscription):
            click.echo(line)
    year = say_advice(duskbell, place, wished, now)
    if needs_proof:
        say_tested(
            number,
            send_test(duskbell.sessions, duskbell.channels, duskbell.keys, number, now=duskbell.clock()),
        )
    say_obstacles(duskbell, subscription.id, place, year, now)
    click.echo(say("cli.subscription-to-change", number=subscription.id))
    click.echo(say("cli.subscription-next"))


def say_advice(duskbell: Duskbell, site: Site, wishes: Wishes, now: datetime) -> YearAhead:
    """What these wishes would have given here and what each limit costs; what a year leaves of them."""
    with duskbell.sessions() as session:
        shares = climate_at(session, site, now).by_month
    advice = advise(site, wishes, now.date(), duskbell.ephemeris, shares)
    click.echo(advice.text)
    for line in advice.prices:
        click.echo(f"  {line}")
    return advice.year


def say_obstacles(duskbell: Duskbell, number: int, site: Site, year: YearAhead, now: datetime) -> None:
    """What keeps subscription NUMBER from ringing, and what works against the rest."""
    with duskbell.sessions() as session:
        found = RingCheck(duskbell, session, now).of_subscription(number, year)
    for line in lines_of(found, site=site.name):
        click.echo(line)


def _wish_lines(row: SubscriptionRow) -> Iterator[str]:
    """Its wishes where they aren't the usual ones, and its kit."""
    wished = _unusual_wishes(row)
    if wished:
        yield say("cli.subscription-wishes", wishes="; ".join(wished))
    if row.kit:
        yield f"Kit: {row.kit}"


def _unusual_wishes(row: SubscriptionRow) -> tuple[str, ...]:
    usual = replace(DEFAULT_WISHES, clock_zone=row.person.zone)
    return say_words(from_json(Wishes, row.wishes), usual)


@click.command(help=say("cli.about-subscriptions"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-subscriptions-json"))
def subscriptions(as_json: bool) -> None:
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions() as session:
        rows = running_subscriptions(session)
        if as_json:
            click.echo(json.dumps([_values(row, now) for row in rows], ensure_ascii=False))
            return
        if not rows:
            click.echo(say("cli.subscriptions-none"))
        for row in rows:
            state = _state(row, now)
            click.echo(f"{row.id:>4}  {row.site.name:<30}  {_address(row)}{f'  ({state})' if state else ''}")
            for line in _wish_lines(row):
                click.echo(f"      {line}")


def _address(row: SubscriptionRow) -> str:
    is_plain = row.address.channel in ("email", "named")
    return f"{row.address.channel}: {row.address.target}" if is_plain else shown(row.address)


def _state(row: SubscriptionRow, now: datetime) -> str:
    """Why it doesn't ring at present; "" when it does."""
    if row.address.off_since is not None:
        return say("cli.state-off", reason=row.address.off_reason)
    if row.address.confirmed_at is None:
        return say("cli.subscription-unconfirmed", address_id=row.address_id)
    if row.paused_until is not None and row.paused_until > now:
        reader = Reader(zone_info(row.person.zone))
        return say("cli.subscription-paused-until", reader, until=row.paused_until)
    return ""


def _values(row: SubscriptionRow, now: datetime) -> dict[str, object]:
    """One subscription as JSON values; its wishes as a file of wishes holds them."""
    is_paused = row.paused_until is not None and row.paused_until > now
    return {
        "number": row.id,
        "site": row.site.name,
        "channel": row.address.channel,
        "address": _address(row).partition(": ")[2],
        "state": _state(row, now) or "on",
        "paused_until": f"{row.paused_until:%Y-%m-%dT%H:%M:%SZ}" if is_paused else None,
        "kit": row.kit or None,
        "differs": list(_unusual_wishes(row)),
        "wishes": write_words(from_json(Wishes, row.wishes)),
    }


@click.group(help=say("cli.about-subscription"))
def subscription() -> None: ...


@subscription.command("change", help=say("cli.about-subscription-change"))
@click.argument("number", type=int)
@kit_option
@wish_options
def change(number: int, kit: str | None, wishes: WishesAsked) -> None:
    if kit is None and not wishes:
        raise BadInput(phrase("cli.subscription-change-what"))
    with changing() as (session, duskbell, now):
        row = get_subscription(session, number)
        usual = replace(DEFAULT_WISHES, clock_zone=row.person.zone)
        wished = wishes.over(from_json(Wishes, row.wishes), usual)
        change_wishes(session, row, wished)
        if kit is not None:
            change_kit(session, row, "" if kit.strip().lower() == "none" else kit)
        place = newest_revision(session, row.site_id).site
        click.echo(say("cli.subscription-changed", number=number, name=row.site.name))
        for line in _wish_lines(row):
            click.echo(line)
    say_obstacles(duskbell, number, place, say_advice(duskbell, place, wished, now), now)


@subscription.command("pause", help=say("cli.about-subscription-pause"))
@click.argument("number", type=int)
@click.option("--until", "day", type=DAY, required=True, help=say("cli.help-pause-until"))
def pause(number: int, day: date) -> None:
    with changing() as (session, _, now):
        row = get_subscription(session, number)
        until = end_of_pause(day, row.person.zone, now)
        pause_subscription(session, row, until)
        reader = Reader(zone_info(row.person.zone))
        click.echo(
            say("cli.subscription-paused", reader, number=number, name=row.site.name, day=day, until=until)
        )
        click.echo(say("cli.subscription-to-resume", number=number))


@subscription.command("resume", help=say("cli.about-subscription-resume"))
@click.argument("number", type=int)
def resume(number: int) -> None:
    with changing() as (session, _, now):
        row = get_subscription(session, number)
        was_paused = row.paused_until is not None and row.paused_until > now
        resume_subscription(session, row)
        click.echo(say("cli.subscription-resumed", number=number, name=row.site.name, was_paused=was_paused))


@subscription.command("leave", help=say("cli.about-subscription-leave"))
@click.argument("number", type=int)
def leave(number: int) -> None:
    with changing() as (session, _, now):
        row = get_subscription(session, number)
        end_subscription(session, row, now, say("cli.subscription-ended-by-operator"))
        target = row.address.target if row.address.channel == "email" else row.address.channel
        click.echo(say("cli.subscription-ended", number=number, target=target, name=row.site.name))
