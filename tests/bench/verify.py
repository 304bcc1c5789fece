"""What it costs to keep the record: a million stored decisions scored, and all maps fitted anew.

    python tests/bench/verify.py [--quick] [--json]

The decisions are those of simulated seasons with known truth: 500 sites, 334 nights, six leads, ensembles
that are too sure of themselves. They are stored as rows of the record in SQLite. `fit_s` is one nightly
refit: all of them read from the store, all maps fitted, trials included, and the version kept; `load_s` is
the reading alone, `line_s` what a cycle reads for its briefings' lines, `site_s` a site's whole record.
`verify_s` is the making of pairs from single statements, `rows_us` what one stored decision costs on its way
to a row, `record_s` all records by lead and by site. The Brier scores are of the last 30 % of the nights, the
maps being fitted on the others. What is measured is told on standard error as it comes; the last line on
standard output is one JSON object.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import TypeVar

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from alerts.common.phrases import kept
from alerts.common.span import Span
from alerts.track.calibration.correct import recalibrated
from alerts.track.calibration.fit import fit_calibration
from alerts.track.calibration.model import HOURS_BEFORE, LEADS, Lead, Method, Stated
from alerts.track.calibration.pairs import JudgedNight, Pairs, build_pairs, joined
from alerts.track.calibration.score import brier_score, brier_skill
from alerts.track.observations.evidence import Event, Judge, OutcomeState
from alerts.track.observations.outcome import Outcome, judge_night
from alerts.track.record.climatology import climatology
from alerts.track.record.summary import build_record, records_of
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.hindsight.track_record import load_record
from service.settings import Settings
from service.store.json_values import to_json
from service.store.migrate import require_current
from service.store.repositories import calibrations, record_rows
from service.store.repositories.pairs import load_pairs
from tests.integration.hindsight.remembered import Remembered, remember, watch
from tests.unit.alerts.track.files import SITE
from tests.unit.alerts.track.seasons import season
from tests.unit.alerts.track.test_witness_seasons import EVENT, true_sky, witnesses

T = TypeVar("T")
MADE = datetime(2026, 8, 1, 12, tzinfo=UTC)
BATCH = 5_000


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def timed(job: Callable[[], T]) -> tuple[float, T]:
    start = time.perf_counter()
    result = job()
    return time.perf_counter() - start, result


def stored_nights(pairs: Pairs, count: int) -> Iterator[JudgedNight]:
    """Single statements and outcomes, as a store would give them back, of the first `count` nights."""
    by_lead = [pairs.at_lead(lead) for lead in LEADS]
    for i in range(count):
        name = date.fromordinal(int(by_lead[0].night[i]))
        start = datetime(name.year, name.month, name.day, 22, tzinfo=UTC)
        statements = []
        for lead, own in zip(LEADS, by_lead, strict=True):
            at, chance = start - timedelta(hours=HOURS_BEFORE[lead]), float(own.raw[i])
            statements.append(Stated(at, at, chance, chance, bool(own.told_go[i]), False, 1.0))
        state = OutcomeState.CLEAR if by_lead[0].clear[i] else OutcomeState.NOT_CLEAR
        event = Event(Span(start, start + timedelta(hours=4)), timedelta(hours=1))
        outcome = Outcome(event, state, Judge.STATIONS, kept(""), ())
        yield JudgedNight(int(by_lead[0].site[i]), name, statements, outcome)


def pairs_in_batches(nights: Iterator[JudgedNight]) -> Pairs:
    parts = []
    while batch := list(islice(nights, BATCH)):
        parts.append(build_pairs(batch))
    return joined(parts)


def judging_us(nights: int) -> float:
    """One night judged from five METARs, an analysis and now and then a person."""
    rng = np.random.default_rng(42)
    evidence = [witnesses(rng, true_sky(rng)) for _ in range(nights)]
    spent, _ = timed(lambda: [judge_night(EVENT, SITE, each) for each in evidence])
    return spent / nights * 1e6


def all_records(pairs: Pairs) -> int:
    """One of each lead, and one of each site's evenings."""
    own = pairs.at_lead(Lead.EVENING)
    rates, order = climatology(own), np.argsort(own.site, kind="stable")
    places = np.split(order, np.flatnonzero(np.diff(own.site[order])) + 1)
    at_sites = [build_record(own.where(each), reference=rates[each]) for each in places]
    return len(records_of(pairs)) + len(at_sites)


ROW = """INSERT INTO record_row (event_id, site_id, night_name, lead, judge, clear, chance_pct,
raw_chance_pct, told_go, is_barred, member_share, lineages, wishes_key, go_limit_pct, is_counted)
VALUES (?, ?, ?, ?, 'stations', ?, ?, ?, ?, 0, 1.0, ?, 'usual', 70, 1)"""


def store(folder: Path, pairs: Pairs) -> Duskbell:
    """An installation whose record holds these pairs."""
    duskbell = Duskbell(Settings(data_dir=folder, contact="bench@example.org"))
    require_current(duskbell.engine)
    connection = sqlite3.connect(folder / "duskbell.sqlite3")
    with connection:
        connection.executemany(ROW, _rows(pairs))
        connection.execute("INSERT INTO wish_set VALUES ('usual', ?)", [json.dumps(to_json(DEFAULT_WISHES))])
    connection.close()
    return duskbell


def _rows(pairs: Pairs) -> Iterator[tuple[object, ...]]:
    names = {int(each): date.fromordinal(int(each)).isoformat() for each in np.unique(pairs.night)}
    columns = (pairs.site, pairs.night, pairs.lead, pairs.clear, pairs.stated, pairs.told_go)
    for i, (site, night, lead, clear, said, told) in enumerate(
        zip(*(each.tolist() for each in columns), strict=True)
    ):
        pct = round(100 * said)
        models = json.dumps({"ecmwf": said, "gfs": said, "icon": said})
        yield i, site + 1, names[night], LEADS[lead].value, int(clear), pct, pct, int(told), models


def stored(folder: Path, pairs: Pairs) -> dict[str, float]:
    """What the record costs once it lies in a store."""
    made_s, duskbell = timed(lambda: store(folder, pairs))
    say(f"{len(pairs)} rows stored: {made_s:.1f} s")
    with duskbell.sessions.begin() as session:
        load_s, kept = timed(lambda: load_pairs(session))
        line_s, _ = timed(lambda: load_pairs(session, lead=Lead.EVENING, with_lineages=False))
        site_s, _ = timed(lambda: load_record(session, 1))
        assert len(kept) == len(pairs)
        del kept
        fit_s, version = timed(lambda: calibrations.refit(session, MADE))
    assert version is not None
    duskbell.engine.dispose()
    say(f"one refit from the store: {fit_s:.2f} s, {', '.join(each.method for each in version.leads)}")
    say(f"read: all {load_s:.2f} s, a cycle's lines {line_s:.2f} s, a site's record {site_s:.3f} s")
    return {
        "fit_s": round(fit_s, 2),
        "load_s": round(load_s, 2),
        "line_s": round(line_s, 2),
        "site_s": round(site_s, 3),
    }


def rows_us(folder: Path, windows: int) -> float:
    """One stored decision read, with its reasons and outlook, and written as a row of the record."""
    duskbell = Duskbell(Settings(data_dir=folder, contact="bench@example.org"))
    require_current(duskbell.engine)
    start = MADE.replace(hour=22)
    told = [
        Remembered(start + timedelta(days=i), dict.fromkeys(LEADS, 60), i % 3 == 0) for i in range(windows)
    ]
    with duskbell.sessions.begin() as session:
        remember(session, watch(session, replace(SITE, name="Bench"), MADE), told)
        spent, written = timed(lambda: sum(iter(lambda: record_rows.write_due(session), 0)))
    duskbell.engine.dispose()
    assert written == windows
    return spent / (windows * len(LEADS)) * 1e6


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(quick: bool) -> dict[str, object]:
    sites, nights = (100, 167) if quick else (500, 334)
    made = season(7, sites=sites, nights=nights, leads=LEADS, nights_apart=2)
    pairs = made.pairs
    say(f"{len(pairs)} decisions of {sites} sites and {nights} nights")
    verify_s, kept = timed(lambda: pairs_in_batches(stored_nights(pairs, sites * nights)))
    say(f"pairs from single statements: {verify_s:.1f} s, {len(kept)} pairs")
    record_s, records = timed(lambda: all_records(pairs))
    say(f"{records} records: {record_s:.2f} s")
    with tempfile.TemporaryDirectory() as folder:
        read = stored(Path(folder), pairs)
    peak = peak_mb()
    with tempfile.TemporaryDirectory() as folder:
        a_row_us = rows_us(Path(folder), 100 if quick else 400)
    version = fit_calibration(pairs, version="bench", made_at=MADE)
    judge_us = judging_us(500 if quick else 5000)
    say(f"one night judged: {judge_us:.0f} us; peak {peak:.0f} MB")
    return {
        "decisions": len(pairs),
        "fit_s": read.pop("fit_s"),
        "peak_mb": round(peak, 1),
        **later_scores(pairs),
        "verify_s": round(verify_s, 2),
        "record_s": round(record_s, 3),
        **read,
        "rows_us": round(a_row_us),
        "judge_us_per_night": round(judge_us),
        "fitted_leads": sum(each.method in (Method.LOGISTIC, Method.ISOTONIC) for each in version.leads),
    }


def later_scores(pairs: Pairs) -> dict[str, float]:
    """Scores of the last 30 % of the nights, by maps that were fitted on the others."""
    first = np.quantile(pairs.night, 0.7)
    version = fit_calibration(pairs.where(pairs.night < first), version="past", made_at=MADE)
    is_later = pairs.night >= first
    later, rates = pairs.where(is_later), climatology(pairs)[is_later]
    raw = brier_score(later.raw, later.clear)
    calibrated = brier_score(recalibrated(later, version).stated, later.clear)
    skill = brier_skill(calibrated, brier_score(rates, later.clear))
    say(f"Brier score {raw:.4f} raw, {calibrated:.4f} calibrated, skill {skill:.3f} against climatology")
    return {
        "brier_raw": round(raw, 5),
        "brier_calibrated": round(calibrated, 5),
        "skill_vs_climatology": round(skill, 4),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the decisions")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    print(json.dumps(measure(parser.parse_args().quick)))


if __name__ == "__main__":
    main()
