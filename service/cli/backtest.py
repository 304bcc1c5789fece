"""`duskbell backtest`: stored forecasts through today's rules, and the record that it would have had."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.track.record.regret import build_ledger
from service.app import build
from service.cli.options import DAY
from service.hindsight.backtest import Replay, replay
from service.hindsight.track_record import TrackRecord, record_page, records_of
from service.reports.wish_file import read_wish_file
from service.store.repositories import calibrations
from service.store.repositories.people import default_wishes

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
    help="Wishes from a TOML or JSON file, in place of the subscribers' own; what it leaves out is as usual.",
)
@click.option("--calibration", "version", default=None, help="Correct chances by this version.")
def backtest(first: date, last: date, file: Path | None, version: str | None) -> None:
    """Replay stored forecasts of the nights FROM to TO through today's rules."""
    if first > last:
        raise BadInput(f"{first} is after {last}; swap --from and --to.")
    wishes = read_wish_file(file, default_wishes()) if file else None
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
    title = f"Backtest of {first} to {last}, by today's rules: {found.nights} judged nights"
    records = records_of(found.pairs, None, found.unsure)
    lead = next(iter(records), None)
    ledgers = (build_ledger(found.pairs.at_lead(lead), found.go_limit_pct),) if lead else ()
    lines = list(record_page(title, TrackRecord(records, found.unsure, ledgers)))
    if found.without:
        lines.append(f"Left out: {found.without} nights without a stored forecast or a window.")
    return lines


def progress_bar(what: str = "nights") -> Callable[[int, int], None]:
    """A bar on standard error that appears only when the work takes longer than a second."""
    started, shown = time.monotonic(), False

    def show(done: int, total: int) -> None:
        nonlocal shown
        if not shown and (time.monotonic() - started < BAR_AFTER_S or done >= total):
            return
        shown = True
        filled = BAR_WIDTH * done // max(total, 1)
        end = "\n" if done >= total else ""
        bar = f"\r[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done}/{total} {what}{end}"
        click.echo(bar, err=True, nl=False)

    return show
