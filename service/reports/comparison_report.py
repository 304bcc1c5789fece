"""Sites of the store compared over a span of dates, as page, command and API show it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from alerts.common.phrases import phrase, say
from alerts.common.text import clear_words
from alerts.common.time_text import say_day, say_minutes, say_span, say_time, span_json, utc_text
from alerts.judging.comparison import ComparedNight, Order, RankedNight, compare
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import Night, rests_on_assumed_level
from alerts.wishes.model import Wishes
from alerts.wishes.shared_sky import shared_sky
from service.explain.stored_verdict import decided_reasons, decided_span, read_inputs
from service.reports.default_reader import Usual
from service.store.repositories.decisions import decisions_by_id, newest_standing
from service.store.repositories.nights import nights_by_id


def compare_stored(
    session: Session,
    compared: Sequence[Usual],
    dates: tuple[date, date],
    ephemeris: Ephemeris,
    now: datetime,
) -> tuple[ComparedNight, ...]:
    """The nights of those sites as they were decided for their watchers, the others judged by the wishes
    on what the store holds; errors as `compare`."""
    wishes = {each.site: each.wishes for each in compared}
    numbers = {each.site: each.stored.site_id for each in compared}
    inputs = read_inputs(session, [each.stored for each in compared], now)

    def judge(site: Site, nights: Sequence[Night]) -> ComparedNight:
        mine = inputs[numbers[site]]
        spans = [window.span for window in nights[0].windows]
        if not any(each.reaches(span) for each in mine.forecasts for span in spans):
            return ComparedNight.of(site, nights[0])
        verdict = mine.judge(nights, wishes[site])
        return ComparedNight.of(site, verdict.night or nights[0], verdict, mine.now)

    return compare(
        {site: [shared_sky(sky) for sky in wished.skies] for site, wished in wishes.items()},
        dates,
        ephemeris,
        judge=judge,
        decided=_decided(session, compared, *dates),
    )


def _decided(session: Session, compared: Sequence[Usual], first: date, last: date) -> list[ComparedNight]:
    """The nights of the watched sites that were decided, without the weather behind them."""
    sites = {each.watcher.id: each.stored for each in compared if each.watcher is not None}
    revisions = {number: stored.revision_id for number, stored in sites.items()}
    newest = newest_standing(session, revisions, first)
    standing = {key: each for key, each in newest.items() if key[1] <= last}
    rows = decisions_by_id(session, [each.decision_id for each in standing.values()])
    nights = nights_by_id(session, {each.night_id for each in standing.values()})
    found = []
    for (number, _), each in standing.items():
        row, night = rows[each.decision_id], nights[each.night_id]
        verdict = Verdict(
            VerdictWord(row.verdict), decided_reasons(row), None, None, decided_span(row), night
        )
        found.append(ComparedNight.of(sites[number].site, night, verdict, row.confirmed_at, row.chance_pct))
    return found


def compared_json(ranked: RankedNight) -> dict[str, Any]:
    """One night as JSON values."""
    each = ranked.each
    return {
        "site": each.site.name,
        "night": each.night.name.isoformat(),
        "verdict": each.verdict.word.value if each.verdict else None,
        "chance_pct": each.chance_pct,
        "minutes": round(each.minutes),
        "worth": round(each.worth, 1),
        "windows": [span_json(window.span) for window in each.night.windows],
        "why": str(each.verdict.deciding.text) if each.verdict else None,
        "as_of": utc_text(each.as_of),
        "drive_minutes": round(ranked.drive / timedelta(minutes=1)),
        "drive_is_estimate": ranked.is_estimate,
        "horizon_assumed": _rests_on_assumed_level(each),
    }


def _rests_on_assumed_level(each: ComparedNight) -> bool:
    targets = {window.target for window in each.night.windows}
    return any(rests_on_assumed_level(each.site, target) for target in targets)


def compared_assumed(nights: Iterable[ComparedNight]) -> str:
    """At which sites a level horizon was merely assumed, and how that is mended; "" for none."""
    names = dict.fromkeys(each.site.name for each in nights if _rests_on_assumed_level(each))
    return say("reports.compare-horizon-assumed", sites=list(names)) if names else ""


def compared_head(
    order: Order, wishes: Iterable[Wishes], nights: Sequence[ComparedNight], *, with_drive: bool
) -> Iterator[str]:
    """The order in words, what the chance is of and from when, what a drive rests on, and the names of the
    columns."""
    yield say("reports.compare-order", order=phrase("judging.order", order=order))
    shortest = sorted({each.shortest_window for each in wishes})
    yield say("reports.compare-chance", lengths=[clear_words(each) for each in shortest])
    if as_of := compared_as_of(nights):
        yield as_of
    if assumed := compared_assumed(nights):
        yield assumed
    if with_drive:
        yield say("reports.compare-drive")
    yield say("reports.compare-columns", with_drive=with_drive)


def compared_as_of(nights: Iterable[ComparedNight], hours: int = 24) -> str:
    """`As of 19:07 CEST.`, or from the earliest to the latest; "" where nothing is judged.
    hours: of the clock."""
    judged = [(each.as_of, each.site.tz) for each in nights if each.as_of is not None]
    if not judged:
        return ""
    judged.sort(key=lambda each: each[0])
    first, last = (say_time(at, zone, hours) for at, zone in (judged[0], judged[-1]))
    return say("reports.compared-as-of", first=first, last=last, at_once=first == last)


def compared_line(ranked: RankedNight, *, with_drive: bool) -> str:
    """One night as a line for the terminal."""
    each = ranked.each
    about = "about " if ranked.is_estimate else ""
    drive = f"{about + say_minutes(ranked.drive):<20}" if with_drive else ""
    verdict = each.verdict.word.value if each.verdict else "–"
    chance = "" if each.chance_pct is None else f"{each.chance_pct} %"
    spans = ", ".join(say_span(window.span, each.site.tz) for window in each.night.windows)
    length = say_minutes(timedelta(minutes=each.minutes))
    named = f"{say_day(each.night.name):<17}{each.site.name:<26}"
    return f"{verdict:<8}{chance:>6} {named}{drive}{length:<12}{spans}"
