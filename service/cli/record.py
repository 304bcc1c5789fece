"""How often it was right: `duskbell record`, `outcome`, `calibration` and `backtest`."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.track.observations.evidence import SeenSky
from alerts.track.record.regret import build_ledger
from alerts.track.record.text import say_map
from alerts.wishes.model import DEFAULT_WISHES
from service.app import build
from service.cli.options import DAY, progress_bar
from service.hindsight.backtest import Replay, replay
from service.hindsight.outcome_reports import Said, keep_said, read_times, require_begun
from service.hindsight.track_record import (
    TrackRecord,
    load_record,
    record_csv,
    record_json,
    record_page,
    records_of,
)
from service.reports.wish_file import read_wish_file
from service.store.repositories import calibrations, people
from service.store.repositories.sites import get_site, newest_revision

_SEEN = {"clear": "clear", "partly": "partly", "cloudy": "cloudy", "away": "did_not_go"}


@click.command()
@click.argument("site", required=False)
@click.option("--json", "form", flag_value="json", help=say("cli.help-json"))
@click.option("--csv", "form", flag_value="csv", help=say("cli.help-record-csv"))
def record(site: str | None, form: str | None) -> None:
    """How often it was right, at SITE or over all sites."""
    with build().sessions() as session:
        row = get_site(session, site) if site else None
        if form == "csv":
            click.echo(record_csv(session, [row.id] if row else None), nl=False)
            return
        found = load_record(session, row.id if row else None)
        if form == "json":
            click.echo(json.dumps(record_json(row.name if row else None, found), ensure_ascii=False))
            return
        for line in record_page(row.name if row else "All sites", found):
            click.echo(line)


@click.command()
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help=say("cli.help-date"))
@click.argument("seen", type=click.Choice(list(_SEEN)))
@click.option("--from", "start", default=None, metavar="HH:MM", help=say("cli.help-outcome-from"))
@click.option("--to", "end", default=None, metavar="HH:MM", help=say("cli.help-outcome-to"))
@click.option("--toward", "toward_deg", type=click.FloatRange(0, 360), help=say("cli.help-outcome-toward"))
def outcome(
    site: str, day: date, seen: str, start: str | None, end: str | None, toward_deg: float | None
) -> None:
    """Say what the night of DATE at SITE was like; your last word counts."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        row = get_site(session, site)
        site_then = newest_revision(session, row.id).site
        require_begun(day, site_then, now)
        settled = keep_said(
            session,
            Said(SeenSky(_SEEN[seen]), read_times(day, start, end, site_then), toward_deg),
            site_id=row.id,
            night=day,
            person_id=people.get_operator(session, zone=site_then.zone, now=now).id,
            now=now,
        )
    click.echo(say("cli.outcome-kept", name=row.name, day=day, seen=seen))
    for each in settled:
        click.echo(f"So far: {each.state.value.replace('_', ' ')}; {each.why}.")
    if not settled:
        click.echo(say("cli.outcome-not-judged"))


@click.group()
def calibration() -> None:
    """Show, fit and choose how chances are corrected by what came."""


@calibration.command()
@click.argument("version", required=False)
def show(version: str | None) -> None:
    """Show the calibration in use, or VERSION."""
    with build().sessions() as session:
        chosen = calibrations.choice(session)
        found = calibrations.get(session, version) if version else calibrations.in_use(session)
        pinned = chosen is not None and chosen.is_pinned
        if not version:
            kept = say("cli.calibration-pinned") if pinned else say("cli.calibration-nightly")
            click.echo(f"In use: {found.version}; {kept}.")
        else:
            click.echo(f"Version {found.version}")
        click.echo(
            say("cli.calibration-through", through=found.through)
            if found.through
            else say("cli.calibration-empty")
        )
        for each in found.leads:
            click.echo(f"  {say_map(each)}")
        versions = calibrations.find_versions(session)
        click.echo(f"Versions: {', '.join([*versions, 'prior', 'none'])}")


@calibration.command()
def fit() -> None:
    """Fit a new version on all nights judged so far."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        fitted = calibrations.refit(session, duskbell.clock())
        used = calibrations.in_use(session).version
    if fitted is None:
        click.echo(say("cli.calibration-nothing-new", used=used))
    else:
        click.echo(say("cli.calibration-fitted", version=fitted.version, through=fitted.through, used=used))


@calibration.command()
@click.argument("version")
def use(version: str) -> None:
    """Use VERSION from now on: one of those shown, `prior`, `none` to leave every chance as it is forecast,
    or `newest` to follow the nightly fit."""
    duskbell = build()
    with duskbell.sessions.begin() as session:
        found = calibrations.use(session, version, duskbell.clock())
    click.echo(say("cli.calibration-chosen", version=found.version))


@click.command()
@click.option("--from", "first", type=DAY, required=True, help="First night.")
@click.option("--to", "last", type=DAY, required=True, help="Last night.")
@click.option(
    "--wishes",
    "file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help=say("cli.help-backtest-wishes"),
)
@click.option("--calibration", "version", default=None, help=say("cli.help-backtest-calibration"))
def backtest(first: date, last: date, file: Path | None, version: str | None) -> None:
    """Replay stored forecasts of the nights FROM to TO through today's rules."""
    if first > last:
        raise BadInput(phrase("cli.dates-swapped", first=first, last=last))
    wishes = read_wish_file(file, DEFAULT_WISHES) if file else None
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
    title = say("cli.backtest-head", first=first, last=last, nights=found.nights)
    records = records_of(found.pairs, None, found.unsure)
    lead = next(iter(records), None)
    ledgers = (build_ledger(found.pairs.at_lead(lead), found.go_limit_pct),) if lead else ()
    lines = list(record_page(title, TrackRecord(records, found.unsure, ledgers)))
    if found.without:
        lines.append(say("cli.backtest-left-out", without=found.without))
    return lines
