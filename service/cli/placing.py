"""Asking back about a place that looks like a slip, before anything is kept."""

from __future__ import annotations

import sys

import click

from service.bootstrap import Duskbell
from service.places import doubts
from service.store import people


def settle_place(duskbell: Duskbell, at: tuple[float, float], *, is_sure: bool) -> tuple[float, float]:
    """That place, or the one meant instead, as answered on a terminal. is_sure: don't ask.

    Elsewhere a doubt ends the command (exit code 2); so does a no.
    """
    with duskbell.sessions() as session:
        operator = people.find_operator(session)
        home = people.home_of(operator) if operator is not None else None
    doubt = None if is_sure else doubts(*at, home)
    if doubt is None:
        return at
    if not sys.stdin.isatty():
        raise click.UsageError(f"{doubt.text} Say --yes if that is the place.")
    click.echo(doubt.text)
    if doubt.swapped is not None and click.confirm("Take that instead?", default=True):
        return doubt.swapped
    if not click.confirm("Is it the place as you wrote it?", default=False):
        raise click.UsageError("nothing was kept; write the coordinates again.")
    return at
