"""The track record as values, as a page of text, as JSON, as a table for spreadsheets (one row a judged
window), and as one line for a message: what came of forecasts like this one."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from alerts.common.phrases import say
from alerts.track.calibration.model import HOURS_BEFORE, LEADS, Lead
from alerts.track.calibration.pairs import Pairs
from alerts.track.record.climatology import MonthCounts, month_counts
from alerts.track.record.summary import Ledger, Record, build_ledger, records_of
from alerts.track.record.text import (
    forecasts_like,
    say_first,
    say_judges,
    say_lead,
    say_like,
    say_model,
    say_regret,
    say_share,
    say_skill,
    say_worth,
)
from alerts.wishes.model import Wishes
from service.observations.station_wiring import station_credits
from service.store.json_values import to_json
from service.store.repositories.judged_events import count_unsure, read_outcome, settled_by_night
from service.store.repositories.pairs import load_pairs
from service.store.repositories.record_rows import find_wishes, recorded_events

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
HEADER = (
    "site",
    "night",
    "window_start",
    "window_end",
    "told_go",
    *(f"chance_{lead.value}_pct" for lead in LEADS),
    "outcome",
    "judge",
    "why",
    "disagreement",
)
MOST_LEDGERS = 5


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """A site's record, or that of all. records: of each lead that has any, the nearest first.

    unsure: judged windows that nobody could settle. ledgers: for the wishes that most nights were judged by.
    credits: of the sources of station reports.
    """

    records: Mapping[Lead, Record]
    unsure: int = 0
    ledgers: tuple[Ledger, ...] = ()
    credits: tuple[str, ...] = ()

    @property
    def lead(self) -> Lead | None:
        """The nearest lead with a record."""
        return next(iter(self.records), None)


def load_record(session: Session, site_id: int | None = None) -> TrackRecord:
    """The record of a site, or over all of them. Climatology is worked out over all sites."""
    pairs, unsure = load_pairs(session, site_id), count_unsure(session, site_id)
    records = records_of(pairs, None if site_id is None else everywhere(session), unsure)
    lead = next(iter(records), None)
    sets = find_wishes(session, site_id, lead, most=MOST_LEDGERS) if lead is not None else []
    ledgers = tuple(
        build_ledger(
            load_pairs(session, site_id, lead=lead, wishes_key=each.key, with_lineages=False),
            each.wishes.chance_go_pct,
            say_wishes(each.wishes) if len(sets) > 1 else "",
        )
        for each in sets
    )
    return TrackRecord(records, unsure, ledgers, station_credits(session))


def everywhere(session: Session) -> MonthCounts | None:
    """How many nights of which month were settled, over all sites; None while there are none."""
    found = settled_by_night(session)
    if not found:
        return None
    night, count, clear = zip(*found, strict=True)
    days = np.array([each.toordinal() for each in night], dtype=np.int64)
    return month_counts(days, np.array(count, dtype=np.int64), np.array(clear, dtype=np.int64))


def say_wishes(wishes: Wishes) -> str:
    """`30 min or longer, wind up to 9 m/s, go from 70 %`: what tells one set of wishes from another."""
    return say(
        "hindsight.wishes" if wishes.coldest_c is None else "hindsight.wishes-coldest",
        shortest=max(wishes.shortest_window, timedelta(minutes=1)),
        wind_ms=wishes.wind_limit_ms,
        coldest_c=wishes.coldest_c,
        go_pct=wishes.chance_go_pct,
    )


def record_page(title: str, found: TrackRecord) -> Iterator[str]:
    """The record in lines to read."""
    yield title
    lead = found.lead
    if lead is None:
        yield say("track.no-record")
        if found.unsure:
            yield say("hindsight.nothing-settled", unsure=found.unsure)
        return
    nearest = found.records[lead]
    yield say_first(lead, nearest.calls)
    yield say_judges(nearest)
    yield say_worth(nearest)
    yield say_skill(nearest)
    yield from (say_lead(each, record) for each, record in list(found.records.items())[1:])
    if nearest.scores is not None:
        yield say("hindsight.reliability")
        for each in nearest.reliability:
            share, said_pct = say_share(each.clear, each.cases), round(100 * each.said)
            yield say(
                "hindsight.reliability-line", is_outside=each.is_outside, said_pct=said_pct, share=share
            )
    yield from (say_model(each) for each in nearest.models)
    for ledger in found.ledgers:  # what other limits than the one wished for would have led to
        if ledger.wishes:
            yield say("hindsight.ledger-wishes", wishes=ledger.wishes)
        yield from (say_regret(ledger.now, other) for other in ledger.others)
    yield from found.credits


def record_json(site: str | None, found: TrackRecord) -> dict[str, Any]:
    """The record as JSON values; chances and shares are 0..1, `scores` null under 30 pairs."""
    ledgers = [
        {
            "wishes": ledger.wishes,
            "limit_pct": ledger.limit_pct,
            "nights": ledger.nights,
            "rows": [{**to_json(row), "wasted": row.wasted} for row in ledger.rows],
        }
        for ledger in found.ledgers
    ]
    return {
        "schema": "duskbell.record/1",
        "site": site,
        "note": None if found.records else say("track.no-record"),
        "unsure": found.unsure,
        "leads": {each.value: to_json(record) for each, record in found.records.items()},
        "regret": ledgers[0]["rows"] if ledgers else [],
        "ledgers": ledgers,
        "credits": list(found.credits),
    }


def record_csv(session: Session, site_ids: Iterable[int] | None = None) -> str:
    """What was said at each lead, and what came, of these sites or of all, in order of time. Safe to open
    in a spreadsheet."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(HEADER)
    for recorded in recorded_events(session, site_ids):
        event, outcome = recorded.event, recorded.outcome
        standing = [recorded.said.get(lead.value) for lead in LEADS]
        last = next((each for each in standing if each is not None), None)
        facts = read_outcome(outcome)
        cells = [
            recorded.site_name,
            event.night_name.isoformat(),
            *(f"{at:%Y-%m-%dT%H:%M:%SZ}" for at in (event.window_start, event.window_end)),
            "" if last is None else "yes" if last.told_go else "no",
            *("" if each is None else each.chance_pct for each in standing),
            outcome.state,
            outcome.judge,
            str(facts.why),
            "; ".join(str(each) for each in facts.disagreement),
        ]
        rows.writerow([safe_cell(cell) for cell in cells])
    return out.getvalue()


def safe_cell(value: object) -> object:
    """The value, with an apostrophe before a text that a spreadsheet would run as a formula."""
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value


class RecordLines:
    """Lines of one run; what was said at a lead is read once for all of them."""

    def __init__(self) -> None:
        self._pairs: dict[Lead, Pairs] = {}

    def line(self, session: Session, site_id: int, ahead: timedelta, chance_pct: int) -> str:
        """`Forecasts like this came clear 9 of 12 times here.`; "" where none like it was judged yet.

        ahead: from now to the window's start.
        """
        hours = ahead / timedelta(hours=1)
        lead = min(LEADS, key=lambda each: abs(HOURS_BEFORE[each] - hours))
        if lead not in self._pairs:
            self._pairs[lead] = load_pairs(session, lead=lead, with_lineages=False)
        like = forecasts_like(self._pairs[lead], site_id, lead, chance_pct / 100)
        return say_like(like) if like.cases else ""
