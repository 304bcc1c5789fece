"""`duskbell backtest`: stored forecasts through today's rules, and the record that it would have had."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from alerts.errors import BadInput
from service.cli.options import DAY

if TYPE_CHECKING:
    from alerts.wishes import Wishes
    from service.backtest import Replay

BAR_AFTER_S = 1.0
BAR_WIDTH = 40


@click.command()
@click.option("--from", "first", type=DAY, required=True, help="First night.")
@click.option("--to", "last", type=DAY, required=True, help="Last night.")
@click.option(
    "--wishes",
    "file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="Wishes as JSON, in place of the subscribers' own; what it leaves out is as usual.",
)
@click.option("--calibration", "version", default=None, help="Correct chances by this version.")
def backtest(first: date, last: date, file: Path | None, version: str | None) -> None:
    """Replay stored forecasts of the nights FROM to TO through today's rules."""
    from service.backtest import replay
    from service.bootstrap import build
    from service.store import calibrations

    if first > last:
        raise BadInput(f"{first} is after {last}; swap --from and --to.")
    wishes = read_wishes(file) if file else None
    duskbell = build()
    with duskbell.sessions() as session:
        found = replay(
            session,
            duskbell.ephemeris,
            first,
            last,
            wishes=wishes,
            calibration=calibrations.get(session, version) if version else None,
            progress=progress_bar(),
        )
    for line in _page(found, first, last):
        click.echo(line)


def _page(found: Replay, first: date, last: date) -> list[str]:
    from alerts.track.record import records_by_lead
    from service.trackrecord import record_page

    title = f"Backtest of {first} to {last}, by today's rules: {found.nights} judged nights"
    records = dict(records_by_lead(found.pairs)) if len(found.pairs) else {}
    lines = list(record_page(title, found.pairs, records, found.unsure, found.go_limit_pct))
    if found.without:
        lines.append(f"Left out: {found.without} nights without a stored forecast or a window.")
    return lines


def read_wishes(file: Path) -> Wishes:
    """Wishes from a JSON object in the form in which subscriptions keep them. BadInput with the reason."""
    from pydantic import ValidationError

    from alerts.wishes import Wishes
    from service.store.codec import from_json, to_json

    try:
        given = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise BadInput(f"{file} can't be read as JSON: {error}") from None
    usual = to_json(Wishes())
    if not isinstance(given, dict) or not given.keys() <= usual.keys():
        unknown = sorted(given.keys() - usual.keys()) if isinstance(given, dict) else []
        what = f"it doesn't know {', '.join(unknown)}" if unknown else "it is no JSON object"
        raise BadInput(f"{file} holds no wishes: {what}. Known: {', '.join(usual)}.")
    try:
        return from_json(Wishes, {**usual, **given})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{file} holds no wishes: {where}: {first['msg']}") from None


def progress_bar() -> Callable[[int, int], None]:
    """A bar on standard error that appears only when the work takes longer than a second."""
    started, shown = time.monotonic(), False

    def show(done: int, total: int) -> None:
        nonlocal shown
        if not shown and (time.monotonic() - started < BAR_AFTER_S or done >= total):
            return
        shown = True
        filled = BAR_WIDTH * done // max(total, 1)
        end = "\n" if done >= total else ""
        bar = f"\r[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done}/{total} nights{end}"
        click.echo(bar, err=True, nl=False)

    return show
