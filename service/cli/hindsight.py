"""Looking back: `duskbell record`, `outcome`, `calibration`, `backtest` and `rejudge`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

import click

from alerts.common.clock_times import Clock, zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.track.observations.evidence import SeenSky
from alerts.track.record.summary import build_ledger, records_of
from alerts.track.record.text import say_map
from alerts.wishes.model import DEFAULT_WISHES
from service.app import build, changing
from service.cli.options import DAY, OLD_FILE, progress_bar, read_wish_file, span_options, wish_file_option
from service.hindsight.backtest import calibrated, replay
from service.hindsight.outcome_reports import Said, Voice, keep_said, read_times, require_begun
from service.hindsight.rejudge import RejudgedNight, RejudgeInputs, Ring
from service.hindsight.rejudge import rejudge as judge_again
from service.hindsight.track_record import TrackRecord, load_record, record_csv, record_json, record_page
from service.store.json_values import to_json
from service.store.repositories import calibrations, people
from service.store.repositories.pairs import find_told
from service.store.repositories.sites import get_site, newest_revision

_SEEN = {"clear": "clear", "partly": "partly", "cloudy": "cloudy", "away": "did_not_go"}


@click.command(help=say("cli.about-record"))
@click.argument("site", required=False)
@click.option("--json", "form", flag_value="json", help=say("cli.help-json"))
@click.option("--csv", "form", flag_value="csv", help=say("cli.help-record-csv"))
def record(site: str | None, form: str | None) -> None:
    with build().sessions() as session:
        row = get_site(session, site) if site else None
        if form == "csv":
            click.echo(record_csv(session, [row.id] if row else None), nl=False)
            return
        found = load_record(session, row.id if row else None)
        if form == "json":
            click.echo(json.dumps(record_json(row.name if row else None, found), ensure_ascii=False))
            return
        for line in record_page(row.name if row else say("cli.record-all-sites"), found):
            click.echo(line)


@click.command(help=say("cli.about-outcome"))
@click.argument("site")
@click.option("--date", "day", type=DAY, required=True, help=say("cli.help-date"))
@click.argument("seen", type=click.Choice(list(_SEEN)))
@click.option("--from", "start", metavar="HH:MM", help=say("cli.help-outcome-from"))
@click.option("--to", "end", metavar="HH:MM", help=say("cli.help-outcome-to"))
@click.option("--toward", "toward_deg", type=click.FloatRange(0, 360), help=say("cli.help-outcome-toward"))
def outcome(
    site: str, day: date, seen: str, start: str | None, end: str | None, toward_deg: float | None
) -> None:
    with changing() as (session, _, now):
        row = get_site(session, site)
        site_then = newest_revision(session, row.id).site
        require_begun(day, site_then, now)
        hours = read_times(day, start, end, site_then)
        operator = people.get_operator(session, zone=site_then.zone, now=now)
        said = Said(SeenSky(_SEEN[seen]), hours, toward_deg)
        settled = keep_said(session, Voice(row.id, day, operator.id), said, now)
    click.echo(say("cli.outcome-kept", name=row.name, day=day, seen=seen))
    for each in settled:
        click.echo(
            say("cli.outcome-so-far", state=phrase("track.state-word", state=each.state), why=each.why)
        )
    if not settled:
        click.echo(say("cli.outcome-not-judged"))


@click.group(help=say("cli.about-calibration"))
def calibration() -> None: ...


@calibration.command(help=say("cli.about-calibration-show"))
@click.argument("version", required=False)
def show(version: str | None) -> None:
    with build().sessions() as session:
        chosen = calibrations.choice(session)
        found = calibrations.get(session, version) if version else calibrations.in_use(session)
        pinned = chosen is not None and chosen.is_pinned
        if version:
            click.echo(say("cli.calibration-version", version=found.version))
        else:
            click.echo(say("cli.calibration-in-use", version=found.version, pinned=pinned))
        key = "cli.calibration-through" if found.through else "cli.calibration-empty"
        click.echo(say(key, through=found.through))
        for each in found.leads:
            click.echo(f"  {say_map(each)}")
        versions = [*calibrations.find_versions(session), "prior", "none"]
        click.echo(say("cli.calibration-versions", versions=versions))


@calibration.command(help=say("cli.about-calibration-fit"))
def fit() -> None:
    with changing() as (session, _, now):
        fitted = calibrations.refit(session, now)
        used = calibrations.in_use(session).version
    if fitted is None:
        click.echo(say("cli.calibration-nothing-new", used=used))
    else:
        click.echo(say("cli.calibration-fitted", version=fitted.version, through=fitted.through, used=used))


@calibration.command(help=say("cli.about-calibration-use"))
@click.argument("version")
def use(version: str) -> None:
    with changing() as (session, _, now):
        found = calibrations.use(session, version, now)
    click.echo(say("cli.calibration-chosen", version=found.version))


@click.command(help=say("cli.about-backtest"))
@span_options
@click.option("--wishes", "file", type=OLD_FILE, help=say("cli.help-backtest-wishes"))
@click.option("--calibration", "version", help=say("cli.help-backtest-calibration"))
def backtest(first: date, last: date, file: Path | None, version: str | None) -> None:
    if first > last:
        raise BadInput(phrase("cli.dates-swapped", first=first, last=last))
    wishes = read_wish_file(file, DEFAULT_WISHES) if file else None
    duskbell = build()
    with duskbell.sessions() as session:
        used = calibrations.get(session, version) if version else None
        told = list(find_told(session, first=first, last=last))
        found = replay(session, duskbell.ephemeris, told, wishes=wishes, progress=progress_bar())
        if used is not None:
            found = calibrated(found, used)
    title = say("cli.backtest-head", first=first, last=last, nights=found.nights)
    records = records_of(found.pairs, None, found.unsure)
    lead = next(iter(records), None)
    ledgers = (build_ledger(found.pairs.at_lead(lead), found.go_limit_pct),) if lead else ()
    for line in record_page(title, TrackRecord(records, found.unsure, ledgers)):
        click.echo(line)
    if found.without:
        click.echo(say("cli.backtest-left-out", without=found.without))


@click.command(help=say("cli.about-rejudge"))
@span_options
@wish_file_option
@click.option("--site", help=say("cli.help-rejudge-site"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-rejudge-json"))
def rejudge(first: date, last: date, wish_file: Path | None, site: str | None, as_json: bool) -> None:
    if first > last:
        raise BadInput(phrase("cli.dates-swapped", first=first, last=last))
    wishes = read_wish_file(wish_file, DEFAULT_WISHES) if wish_file else None
    duskbell = build()
    cycle = timedelta(minutes=duskbell.settings.cycle_minutes)
    with duskbell.sessions() as session:
        nights = judge_again(
            RejudgeInputs(session, duskbell.ephemeris, wishes, cycle),
            first,
            last,
            site_id=get_site(session, site).id if site else None,
            progress=progress_bar("decisions"),
        )
    by = say("cli.rejudge-wishes", name=wish_file.name) if wish_file else say("cli.rejudge-todays-rules")
    decisions = [each for night in nights for each in night.decisions]
    counts = {
        "decisions": len(decisions),
        "same": sum(each.is_same for each in decisions),
        "other_word": sum(each.is_other_word for each in decisions),
        "forgotten": sum(each.would_be is None for each in decisions),
        "told": sum(len(night.was_told) for night in nights),
        "would_tell": sum(len(night.would_tell) for night in nights),
    }
    if as_json:
        values = [
            {**to_json(night), "was_go": night.was_go, "would_be_go": night.would_be_go} for night in nights
        ]
        head = {"from": first.isoformat(), "to": last.isoformat(), "judged": by}
        click.echo(json.dumps({**head, **counts, "nights": values}, ensure_ascii=False))
        return
    click.echo(say("cli.rejudge-head", first=first, last=last, by=by))
    if not decisions:
        click.echo(say("cli.rejudge-nothing"))
        return
    for line in (*_counted(nights, counts), *_by_site(nights)):
        click.echo(line)


def _counted(nights: Sequence[RejudgedNight], counts: Mapping[str, int]) -> Iterator[str]:
    """counts: as JSON has them."""
    count, same, other, gone = (counts[name] for name in ("decisions", "same", "other_word", "forgotten"))
    rest = count - same - other - gone
    yield say("cli.rejudge-decisions", count=count, same=same, other=other, rest=rest)
    if gone:
        yield say("cli.rejudge-left-out", gone=gone)
    yield say(
        "cli.rejudge-goes",
        was=sum(night.was_go for night in nights),
        would=sum(night.would_be_go for night in nights),
        gained=sum(night.would_be_go and not night.was_go for night in nights),
        lost=sum(night.was_go and not night.would_be_go for night in nights),
    )
    other = sum(night.is_told_otherwise for night in nights)
    told, tells = counts["told"], counts["would_tell"]
    yield say("cli.rejudge-alerts", told=told, tells=tells, other=other, count=len(nights))


def _by_site(nights: Sequence[RejudgedNight]) -> Iterator[str]:
    """The nights that would have had another word, by site; subscriptions with the same ones together."""
    lines: dict[tuple[str, int], list[str]] = {}
    for night in nights:
        lines.setdefault((night.site_name, night.subscription_id), []).extend(_night_lines(night))
    alike: dict[tuple[str, tuple[str, ...]], list[int]] = {}
    for (site_name, number), own in lines.items():
        if own:
            alike.setdefault((site_name, tuple(own)), []).append(number)
    for (site_name, shared), numbers in alike.items():
        yield ""
        yield say("cli.rejudge-subscriptions", site=site_name, count=len(numbers), numbers=numbers)
        yield from shared


def _night_lines(night: RejudgedNight) -> Iterator[str]:
    """`Sat 3 July: go → wait`, what would have decided, and the alerts; nothing where all is the same."""
    other, clock = night.last_other, Clock(zone_info(night.zone))
    if other is not None and other.would_be is not None:
        words = f"{other.was.verdict} → {other.would_be.verdict}"
        yield say("cli.rejudge-night", night=night.night, words=words, as_of=clock.stamp(other.as_of))
        yield say("cli.rejudge-was", text=other.was.text)
        yield say("cli.rejudge-would-be", text=other.would_be.text)
    elif night.is_told_otherwise:
        yield say("cli.rejudge-told-otherwise", night=night.night)
    if night.is_told_otherwise:
        yield say("cli.rejudge-was-told", rings=_say_rings(night.was_told, clock))
        yield say("cli.rejudge-would-be-told", rings=_say_rings(night.would_tell, clock))


def _say_rings(rings: Sequence[Ring], clock: Clock) -> str:
    said = [
        say("cli.rejudge-ring", kind=each.kind.replace("_", "-"), stamp=clock.stamp(each.at))
        for each in rings
    ]
    return "; ".join(said) or say("cli.rejudge-no-ring")
