"""Records: hits, scores, reliability, judges, and the climatology that they are held against."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from alerts.common.phrases import say
from alerts.track.calibration.model import LEADS, Lead
from alerts.track.calibration.pairs import joined
from alerts.track.observations.evidence import Judge
from alerts.track.record.climatology import climatology
from alerts.track.record.summary import build_record, records_of
from alerts.track.record.text import (
    say_first,
    say_judges,
    say_lead,
    say_model,
    say_skill,
    say_worth,
)
from tests.unit.alerts.track.files import FOURTEEN_CAME, FOURTEEN_GOES, pairs


def test_hits_and_false_alarms_are_counted() -> None:
    calls = build_record(pairs(FOURTEEN_GOES, FOURTEEN_CAME)).calls
    assert (calls.told_go, calls.go_clear, calls.silent, calls.silent_clear) == (14, 11, 22, 3)
    assert say_first(Lead.EVENING, calls) == "Told go 14 times, clear 11; silent on 3 clear nights of 22."


def test_clear_nights_with_too_much_wind_are_no_misses() -> None:
    barred = [i >= 14 and i < 16 for i in range(36)]
    calls = build_record(pairs(FOURTEEN_GOES, FOURTEEN_CAME, is_barred=barred)).calls
    assert (calls.silent, calls.silent_clear, calls.barred_clear) == (22, 1, 2)
    assert say_first(Lead.EVENING, calls) == (
        "Told go 14 times, clear 11; silent on 1 clear night of 22. "
        "On 2 more clear nights wind or another limit spoke against going."
    )


def test_an_empty_record_is_an_answer() -> None:
    record = build_record(pairs([], []))
    assert (record.pairs, record.scores, record.reliability, record.share_range) == (0, None, (), None)
    assert say_lead(Lead.EVENING, record) == say("track.no-record")
    assert records_of(pairs([], [])) == {}
    assert say_judges(record) == ""


def test_under_thirty_pairs_there_is_no_score() -> None:
    few, enough = (build_record(pairs([0.6] * n, [i % 2 for i in range(n)])) for n in (29, 30))
    assert few.scores is None
    assert say_skill(few) == "Too few nights to score yet: 29 of 30."
    assert enough.scores is not None


def test_scores_are_those_of_the_pairs() -> None:
    scores = build_record(pairs(FOURTEEN_GOES, FOURTEEN_CAME), reference=np.full(36, 0.4)).scores
    assert scores is not None
    brier = (11 * 0.01 + 3 * 0.81 + 3 * 0.64 + 19 * 0.04) / 36
    by_rate = (14 * 0.36 + 22 * 0.16) / 36
    assert scores.brier == pytest.approx(brier)
    assert scores.climatology_brier == pytest.approx(by_rate)
    assert scores.skill == pytest.approx(1 - brier / by_rate)
    assert scores.skill_range[0] < scores.skill < scores.skill_range[1]
    assert scores.murphy.brier == pytest.approx(brier)


def test_the_best_single_model_is_compared_on_its_own_nights() -> None:
    good, poor = np.array(FOURTEEN_GOES), np.full(36, 0.9)
    good[0] = np.nan
    rare = np.where(np.arange(36) < 5, np.array(FOURTEEN_CAME) * 0.98 + 0.01, np.nan)
    scores = build_record(
        pairs(
            [0.5] * 36,
            FOURTEEN_CAME,
            lineages={"good": good.tolist(), "poor": poor.tolist(), "rare": rare.tolist()},
        )
    ).scores
    assert scores is not None
    assert scores.best_model is not None
    assert scores.best_model.lineage == "good"
    assert scores.best_model.ours == pytest.approx(0.25)
    assert scores.best_model.skill == pytest.approx(1 - 0.25 / scores.best_model.brier)
    record = build_record(pairs([0.5] * 36, FOURTEEN_CAME, lineages={"good": good.tolist()}))
    assert "no better than the best single model, good" in say_skill(record)


def test_each_model_alone_is_told_in_counts_first_and_in_scores_later() -> None:
    few = build_record(pairs([0.6] * 4, [1, 0, 1, 1], lineages={"icon": [0.9, 0.8, 0.3, np.nan]}))
    (icon,) = few.models
    assert (icon.nights, icon.leaned, icon.leaned_clear, icon.brier) == (3, 2, 1, None)
    assert say_model(icon) == "ICON alone: likelier clear than not 2 times, clear 1."
    enough = build_record(pairs([0.5] * 36, FOURTEEN_CAME, lineages={"gfs": FOURTEEN_GOES}))
    (gfs,) = enough.models
    assert (gfs.leaned, gfs.leaned_clear, gfs.ours) == (14, 11, pytest.approx(0.25))
    assert say_model(gfs).endswith("all together 0.250 on its 36 nights.")


def test_reliability_bins_say_how_far_chance_reaches() -> None:
    said = [0.7] * 20 + [0.95] * 20 + [1.0] * 5
    came = [1] * 14 + [0] * 6 + [1] * 10 + [0] * 10 + [1] * 5
    seven, nine = build_record(pairs(said, came)).reliability
    assert (seven.said, seven.cases, seven.clear) == (pytest.approx(0.7), 20, 14)
    assert (seven.low, seven.high, seven.is_outside) == (0.55, 0.85, False)
    assert (nine.cases, nine.clear, nine.is_outside) == (25, 15, True)


def test_neighbouring_nights_widen_the_bars() -> None:
    apart, in_a_row = (
        build_record(pairs([0.7] * 100, [1] * 70 + [0] * 30, nights=[step * i for i in range(100)]))
        for step in (10, 1)
    )
    assert (apart.effective_nights, in_a_row.effective_nights) == (100.0, 64.2)
    assert apart.reliability[0].high < in_a_row.reliability[0].high
    assert apart.share_range is not None
    assert in_a_row.share_range is not None
    assert apart.share_range[1] < in_a_row.share_range[1]


def test_records_come_by_lead_site_and_lineage() -> None:
    evening = pairs([0.8, 0.3, 0.6], [1, 0, 1], site=[2, 1, 2], lineages={"gfs": [0.9, float("nan"), 0.7]})
    week = replace(evening, lead=np.full(3, LEADS.index(Lead.DAY_5)))
    both = joined([evening, week])
    assert [(lead.value, record.pairs) for lead, record in records_of(both).items()] == [
        ("evening", 3),
        ("5_days", 3),
    ]
    at_site = {site: build_record(both.at_lead(Lead.EVENING).at_site(site)).pairs for site in (1, 2)}
    assert at_site == {1: 1, 2: 2}
    assert [(each.lineage, each.nights) for each in records_of(both)[Lead.DAY_5].models] == [("gfs", 2)]


def test_judges_are_named_beside_the_record() -> None:
    record = build_record(pairs([0.5] * 4, [1, 0, 1, 0], judge=0), unsure=3)
    assert record.judges == {Judge.PEOPLE: 4, Judge.STATIONS: 0, Judge.ANALYSIS: 0}
    assert say_judges(record) == "Judged by people's reports 4 times; 3 nights nobody could settle."
    assert say_worth(record) == "4 nights, worth 4 independent ones: neighbouring nights share their weather."


# Climatology


def test_climatology_never_knows_its_own_year() -> None:
    one_year = pairs([0.5] * 20, [1] * 20, nights=list(range(20)))
    assert climatology(one_year) == pytest.approx([0.44] * 20)


def test_climatology_draws_the_sites_month_toward_the_rate_of_all() -> None:
    """A clear January last year at site 1 says something of this January there, less elsewhere."""
    nights = [*range(20), 365]
    clear = [1] * 20 + [0]
    here = climatology(pairs([0.5] * 21, clear, nights=nights))[-1]
    there = climatology(pairs([0.5] * 21, clear, nights=nights, site=[1] * 20 + [2]))[-1]
    of_all = (20 * 0.44 + 20) / 40
    of_month = (20 * of_all + 20) / 40
    assert there == pytest.approx(of_month)
    assert here == pytest.approx((20 * of_month + 20) / 40)


def test_climatology_counts_a_night_once_whatever_its_leads() -> None:
    evening = pairs([0.5] * 21, [1] * 20 + [0], nights=[*range(20), 365])
    both = joined([evening, replace(evening, lead=np.full(21, 3))])
    assert climatology(both)[:21].tolist() == climatology(evening).tolist()
