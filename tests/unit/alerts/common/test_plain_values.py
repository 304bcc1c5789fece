"""What a plain value is at run time, where the type checker doesn't look."""

from __future__ import annotations

import pickle
from dataclasses import fields, is_dataclass, replace

import pytest

from alerts.common.plain_values import value


@value(frozen=True, slots=True)
class Stone:
    weight_kg: float
    colour: str = "grey"


@value(frozen=True, slots=True, order=True)
class Step:
    number: int


def test_values_are_compared_and_hashed_by_their_fields() -> None:
    assert Stone(2.0) == Stone(2.0, "grey") != Stone(2.0, "red")
    assert len({Stone(2.0), Stone(2.0), replace(Stone(2.0), colour="red")}) == 2
    assert Step(1) < Step(2)


def test_values_are_dataclasses_without_a_dictionary_that_travel_to_other_processes() -> None:
    assert is_dataclass(Stone)
    assert [each.name for each in fields(Stone)] == ["weight_kg", "colour"]
    assert not hasattr(Stone(2.0), "__dict__")
    assert pickle.loads(pickle.dumps(Stone(2.0, "red"))) == Stone(2.0, "red")


def test_what_may_change_is_no_value() -> None:
    with pytest.raises(AssertionError, match="dataclass"):
        value(frozen=False, slots=True)
