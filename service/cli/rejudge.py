"""`duskbell rejudge`: what other wishes, or today's rules, would have said. Nothing is sent."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path

import click

from alerts.common.clock_times import zone_info
from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.text import Clock, listed, short_day
from alerts.wishes.model import DEFAULT_WISHES
from service.app import build
from service.cli.options import DAY, progress_bar
from service.cli.wish_options import wish_file_option
from service.hindsight.rejudge import Rejudged, RejudgedNight
from service.hindsight.rejudge import rejudge as judge_again
from service.hindsight.replay_alerts import Ring
from service.reports.wish_file import read_wish_file
from service.store.json_values import to_json
from service.store.repositories.sites import get_site


@click.command()
@click.option("--from", "first", type=DAY, required=True, help="First night.")
@click.option("--to", "last", type=DAY, required=True, help="Last night.")
@wish_file_option
@click.option("--site", default=None, help=say("cli.help-rejudge-site"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-rejudge-json"))
def rejudge(first: date, last: date, wish_file: Path | None, site: str | None, as_json: bool) -> None:
    """Judge the stored nights FROM to TO again, and say what would have changed. Nothing is sent."""
    if first > last:
        raise BadInput(phrase("cli.dates-swapped", first=first, last=last))
    wishes = read_wish_file(wish_file, DEFAULT_WISHES) if wish_file else None
    duskbell = build()
    with duskbell.sessions() as session:
        nights = judge_again(
            session,
            duskbell.ephemeris,
            first,
            last,
            wishes=wishes,
            site_id=get_site(session, site).id if site else None,
            cycle=timedelta(minutes=duskbell.settings.cycle_minutes),
            progress=progress_bar("decisions"),
        )
    by = say("cli.rejudge-wishes") + wish_file.name if wish_file else say("cli.rejudge-todays-rules")
    if as_json:
        click.echo(json.dumps(_values(nights, first, last, by), ensure_ascii=False))
        return
    for line in _page(nights, first, last, by):
        click.echo(line)


def _page(nights: Sequence[RejudgedNight], first: date, last: date, by: str) -> Iterator[str]:
    decisions = [each for night in nights for each in night.decisions]
    yield say("cli.rejudge-head", first=first, last=last, by=by)
    if not decisions:
        yield say("cli.rejudge-nothing")
        return
    yield from _counts(nights, decisions)
    for name, lines in _by_site(nights):
        yield ""
        yield name
        yield from lines


def _by_site(nights: Sequence[RejudgedNight]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """The nights that would have had another word, by site; subscriptions with the same ones together."""
    lines: dict[tuple[str, int], list[str]] = {}
    for night in nights:
        lines.setdefault((night.site_name, night.subscription_id), []).extend(_night_lines(night))
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (site_name, number), own in lines.items():
        if own:
            alike.setdefault((site_name, tuple(own)), []).append(str(number))
    for (site_name, shared), numbers in alike.items():
        word = "subscription" if len(numbers) == 1 else "subscriptions"
        yield f"{site_name} ({word} {listed(numbers)})", shared


def _counts(nights: Sequence[RejudgedNight], decisions: Sequence[Rejudged]) -> Iterator[str]:
    same = sum(each.is_same for each in decisions)
    other = sum(each.is_other_word for each in decisions)
    gone = sum(each.would_be is None for each in decisions)
    yield say("cli.rejudge-decisions", count=len(decisions), same=same, other=other) + (
        say("cli.rejudge-decisions-detail", count=len(decisions) - same - other - gone)
    )
    if gone:
        yield say("cli.rejudge-left-out", gone=gone)
    was, would = sum(night.was_go for night in nights), sum(night.would_be_go for night in nights)
    gained = sum(night.would_be_go and not night.was_go for night in nights)
    lost = sum(night.was_go and not night.would_be_go for night in nights)
    yield say("cli.rejudge-goes", was=was, would=would, gained=gained, lost=lost)
    told, tells = sum(len(night.was_told) for night in nights), sum(len(night.would_tell) for night in nights)
    other = sum(night.is_told_otherwise for night in nights)
    yield say("cli.rejudge-alerts", told=told, tells=tells, other=other, count=len(nights))


def _night_lines(night: RejudgedNight) -> Iterator[str]:
    """`Sat 3 July: go → wait`, what would have decided, and the alerts; nothing where all is the same."""
    other, clock = night.last_other, Clock(zone_info(night.zone))
    if other is not None and other.would_be is not None:
        words = f"{other.was.verdict} → {other.would_be.verdict}"
        yield f"  {short_day(night.night)}: {words} (as of {clock.stamp(other.as_of)})"
        yield f"    was: {other.was.text}"
        yield f"    would be: {other.would_be.text}"
    elif night.is_told_otherwise:
        yield say("cli.rejudge-told-otherwise", short_day=short_day(night.night))
    if night.is_told_otherwise:
        yield f"    was told: {_say_rings(night.was_told, clock)}"
        yield say("cli.rejudge-would-be-told", rings=_say_rings(night.would_tell, clock))


def _say_rings(rings: Sequence[Ring], clock: Clock) -> str:
    said = [f"{each.kind.replace('_', '-')} on {clock.stamp(each.at)}" for each in rings]
    return "; ".join(said) or "nothing"


def _values(nights: Sequence[RejudgedNight], first: date, last: date, by: str) -> dict[str, object]:
    """As JSON values. Keys of a decision: those of `Rejudged`; `would_be` null where inputs are gone."""
    decisions = [each for night in nights for each in night.decisions]
    return {
        "from": first.isoformat(),
        "to": last.isoformat(),
        "judged": by,
        "decisions": len(decisions),
        "same": sum(each.is_same for each in decisions),
        "other_word": sum(each.is_other_word for each in decisions),
        "forgotten": sum(each.would_be is None for each in decisions),
        "told": sum(len(night.was_told) for night in nights),
        "would_tell": sum(len(night.would_tell) for night in nights),
        "nights": [
            {**to_json(night), "was_go": night.was_go, "would_be_go": night.would_be_go} for night in nights
        ],
    }
