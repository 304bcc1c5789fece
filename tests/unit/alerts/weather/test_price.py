"""What a limit costs: held against the real pairs that its table was made of."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from alerts.weather.skill import ADDED_WHEN_IT_CAME, ADDED_WHEN_NOT, QUANTILES, price
from tests.unit.alerts.weather import fit_skill

RUNS = (0, 1, 2, 3)


def added(came: bool) -> tuple[np.ndarray, np.ndarray]:
    """The log odds that four runs add in windows of three hours and more, and the weight of each case."""
    c = fit_skill.cases()
    held = (c.window_h >= 3) & (c.shortest_h == 1) & ((c.came > 0) == came)
    values = fit_skill.constants()
    return (fit_skill.pooled(values, c, RUNS) - fit_skill.usual(values, c))[held], c.weight[held]


@pytest.mark.parametrize(("came", "table"), [(True, ADDED_WHEN_IT_CAME), (False, ADDED_WHEN_NOT)])
def test_the_table_is_the_pairs_own(came: bool, table: np.ndarray) -> None:
    values, weight = added(came)
    order = np.argsort(values)
    share = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    assert np.interp(QUANTILES, share, values[order]) == pytest.approx(table, abs=0.02)


def test_a_higher_limit_rings_less_and_misses_more() -> None:
    costs = [price(4.0, 0.5, limit) for limit in (0, 30, 50, 70, 85, 100)]
    for eager, choosy in pairwise(costs):
        assert eager.rings >= choosy.rings
        assert eager.in_vain >= choosy.in_vain
        assert eager.missed <= choosy.missed


def test_all_nights_are_accounted_for() -> None:
    """What rings and comes, and what comes and stays silent, is what usually comes."""
    cost, other = price(4.0, 0.5, 70), price(4.0, 0.5, 50)
    assert cost.rings - cost.in_vain + cost.missed == pytest.approx(
        other.rings - other.in_vain + other.missed
    )


def test_a_clearer_place_rings_more() -> None:
    assert price(4.0, 0.5, 70, 0.7).rings > price(4.0, 0.5, 70, 0.44).rings > price(4.0, 0.5, 70, 0.2).rings


def test_the_middle_choice_on_the_real_pairs() -> None:
    """Of the drives at 70 % a seventh is in vain and of the clear nights a quarter stays silent."""
    cost = price(6.0, 1.0, 70)
    assert cost.in_vain / cost.rings == pytest.approx(0.14, abs=0.04)
    assert cost.missed / (cost.missed + cost.rings - cost.in_vain) == pytest.approx(0.25, abs=0.05)
