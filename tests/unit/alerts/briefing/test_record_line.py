"""The record's line in a message: the right lead, read once, and silence while nothing is known."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alerts.track.calibration.model import LEADS, Lead
from alerts.track.calibration.pairs import Pairs, build_pairs
from service.hindsight import track_record
from service.hindsight.track_record import RecordLines

SITE = 7


def told(lead: Lead, clear: int, cases: int) -> Pairs:
    """So many nights at the site with 80 % told at a lead, the first ones clear."""
    return Pairs(
        site=np.full(cases, SITE),
        night=np.arange(700_000, 700_000 + 40 * cases, 40),
        lead=np.full(cases, LEADS.index(lead)),
        judge=np.zeros(cases, dtype=np.int64),
        stated=np.full(cases, 0.8),
        raw=np.full(cases, 0.8),
        clear=np.arange(cases) < clear,
        told_go=np.ones(cases, dtype=bool),
        is_barred=np.zeros(cases, dtype=bool),
        member_share=np.zeros(cases),
        lineages={},
    )


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Lead]:
    """The leads that were read from the store; it knows 12 evenings, 40 mornings and nothing else."""
    leads: list[Lead] = []

    def load(_session: object, *, lead: Lead, with_lineages: bool) -> Pairs:
        assert not with_lineages
        leads.append(lead)
        if lead is Lead.EVENING:
            return told(lead, 9, 12)
        return told(lead, 30, 40) if lead is Lead.MORNING else build_pairs([])

    monkeypatch.setattr(track_record, "load_pairs", load)
    return leads


@pytest.mark.parametrize(
    ("hours", "lead"),
    [(0.5, Lead.EVENING), (7, Lead.EVENING), (8, Lead.MORNING), (20, Lead.DAY_1), (60, Lead.DAY_2),
     (61, Lead.DAY_3), (200, Lead.DAY_5)],
)  # fmt: skip
def test_a_forecast_is_compared_with_those_of_the_nearest_lead(
    asked: list[Lead], hours: float, lead: Lead
) -> None:
    RecordLines().line(Any, SITE, timedelta(hours=hours), 81)  # type: ignore[arg-type]
    assert asked == [lead]


def test_few_nights_are_told_as_a_fraction_and_many_with_their_range(asked: list[Lead]) -> None:
    lines, session = RecordLines(), Any
    evening = lines.line(session, SITE, timedelta(hours=3), 81)  # type: ignore[arg-type]
    assert evening == "Forecasts like this came clear 9 of 12 times here."
    morning = lines.line(session, SITE, timedelta(hours=12), 81)  # type: ignore[arg-type]
    assert morning.startswith("Of 40 forecasts like this here, 75 % (")
    assert asked == [Lead.EVENING, Lead.MORNING]


def test_each_lead_is_read_once_a_run(asked: list[Lead]) -> None:
    lines = RecordLines()
    for chance_pct in (75, 80, 85):
        lines.line(Any, SITE, timedelta(hours=2), chance_pct)  # type: ignore[arg-type]
    assert asked == [Lead.EVENING]


@pytest.mark.parametrize(("hours", "chance_pct"), [(3, 20), (48, 80)], ids=["none like it", "none at all"])
def test_where_nothing_like_it_was_judged_nothing_is_said(
    hours: int, chance_pct: int, asked: list[Lead]
) -> None:
    assert RecordLines().line(Any, SITE, timedelta(hours=hours), chance_pct) == ""  # type: ignore[arg-type]
    assert asked
