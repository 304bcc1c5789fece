"""`duskbell subscription`: change, pause, resume and end one, by its number."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.time_text import say_time
from alerts.wishes.model import Wishes
from service.accounts.pause import end_of_pause
from service.app import build
from service.cli.options import DAY
from service.cli.subscriptions import say_advice, say_obstacles, say_wishes
from service.cli.wish_options import wish_options, wishes_from
from service.store.json_values import from_json
from service.store.repositories import people
from service.store.repositories.sites import newest_revision


@click.group()
def subscription() -> None:
    """Change, pause, resume or end a subscription; see their numbers: duskbell subscriptions."""


@subscription.command("change")
@click.argument("number", type=int)
@wish_options
def change(number: int, wish_file: Path | None, kit: str | None, **wished: Any) -> None:
    """Give subscription NUMBER other wishes; those not named stay as they are."""

    if wish_file is None and kit is None and all(value in (None, ()) for value in wished.values()):
        raise BadInput("say what to change, such as --chance 60; see: duskbell subscription change --help")
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = people.get_subscription(session, number)
        usual = replace(people.default_wishes(), clock_zone=row.person.zone)
        wishes = wishes_from(wished, wish_file, from_json(Wishes, row.wishes), usual)
        people.change_wishes(session, row, wishes)
        if kit is not None:
            people.change_kit(session, row, "" if kit.strip().lower() == "none" else kit)
        place = newest_revision(session, row.site_id).site
        click.echo(f"Subscription {number} ({row.site.name}) is changed; it counts from the next cycle on.")
        say_wishes(row)
    now = duskbell.clock()
    say_obstacles(duskbell, number, place, say_advice(duskbell, place, wishes, now), now)


@subscription.command("pause")
@click.argument("number", type=int)
@click.option("--until", "day", type=DAY, required=True, help="The day on which you want to hear again.")
def pause(number: int, day: date) -> None:
    """Tell nothing until noon of that day; a go that was told is still taken back when it must be."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = people.get_subscription(session, number)
        until = end_of_pause(day, row.person.zone, duskbell.clock())
        people.pause(session, row, until)
        when = f"{day}, {say_time(until, zone_info(row.person.zone))}"
        click.echo(f"Subscription {number} ({row.site.name}) is paused until {when}.")
        click.echo(f"To hear sooner: duskbell subscription resume {number}")


@subscription.command("resume")
@click.argument("number", type=int)
def resume(number: int) -> None:
    """End the pause of subscription NUMBER."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = people.get_subscription(session, number)
        was_paused = row.paused_until is not None and row.paused_until > now
        people.resume(session, row)
        state = "is no longer paused; the next cycle looks again" if was_paused else "wasn't paused"
        click.echo(f"Subscription {number} ({row.site.name}) {state}.")


@subscription.command("leave")
@click.argument("number", type=int)
def leave(number: int) -> None:
    """End subscription NUMBER for good; what was decided for it stays."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        row = people.get_subscription(session, number)
        people.end(session, row, duskbell.clock(), "ended by the operator")
        target = row.address.target if row.address.channel == "email" else row.address.channel
        click.echo(f"Subscription {number} is ended: {target} hears no more of {row.site.name}.")
