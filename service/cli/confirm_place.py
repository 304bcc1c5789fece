"""Asking back about a place that looks like a slip, before anything is kept."""

from __future__ import annotations

import sys

import click

from alerts.field.place_doubts import PlaceDoubts
from service.app import Duskbell
from service.common.timezones import doubts
from service.store.repositories import people


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
    meant = ask_about(doubt)
    if meant is None:
        raise click.UsageError("nothing was kept; write the coordinates again.")
    return meant


def ask_about(doubt: PlaceDoubts, indent: str = "") -> tuple[float, float] | None:
    """The place that is meant, as somebody answers on a terminal; None for neither of the two."""
    click.echo(f"{indent}{doubt.text}")
    if doubt.swapped is not None and click.confirm(f"{indent}Take that instead?", default=True):
        return doubt.swapped
    if click.confirm(f"{indent}Is it the place as you wrote it?", default=False):
        return doubt.lat_deg, doubt.lon_deg
    return None
