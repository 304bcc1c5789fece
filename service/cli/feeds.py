"""`duskbell feeds`: how the weather feeds fare, and asking one again after it refused us."""

from __future__ import annotations

import click

from alerts.common.phrases import say
from service.app import build, changing
from service.feeds.feed_health import breaker_phrase, close_breaker, feed_health


@click.group(invoke_without_command=True, help=say("cli.about-feeds"))
@click.pass_context
def feeds(ctx: click.Context) -> None:
    if ctx.invoked_subcommand is None:
        duskbell = build()
        with duskbell.sessions() as session:
            found = feed_health(duskbell.settings, session, duskbell.clock())
        width = max(len(each.feed) for each in found)
        for each in found:
            click.echo(f"{each.feed:<{width}}  {each.what}")


@feeds.command(help=say("cli.about-feeds-close"))
@click.argument("feed")
def close(feed: str) -> None:
    with changing() as (session, duskbell, now):
        before = close_breaker(duskbell.settings, session, feed, now)
    click.echo(say("cli.feed-closed", feed=feed, breaker_phrase=breaker_phrase(before)))
