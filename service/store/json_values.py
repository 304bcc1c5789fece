"""Plain values of the rules to JSON columns and back."""

from __future__ import annotations

from functools import cache
from typing import Any, TypeVar

from pydantic import TypeAdapter

from alerts.common.phrases import Phrase, from_row, kept

T = TypeVar("T")


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    return TypeAdapter(kind)


def to_json(value: object) -> dict[str, Any]:
    """A dataclass as JSON values: UTC times as `…Z`, spans of time as ISO 8601 durations."""
    dumped = _adapter(type(value)).dump_python(value, mode="json")  # type: ignore[arg-type]
    assert isinstance(dumped, dict), "only dataclasses are stored"
    return dumped


def from_json(kind: type[T], data: dict[str, Any]) -> T:
    """The dataclass that `to_json` made these values of."""
    value: T = _adapter(kind).validate_python(data)  # type: ignore[arg-type]  # classes are hashable
    return value


def said_columns(name: str, said: Phrase | None) -> dict[str, Any]:
    """What a row has of a phrase: in the column of that name its English text, in `<name>_phrase` its code
    and values, as `Worded` puts them in JSON."""
    if said is None:
        return {name: None, f"{name}_phrase": None}
    codes = said.as_row()
    return {name: codes.pop("text"), f"{name}_phrase": codes}


def said_in(row: object, name: str) -> Phrase | None:
    """The phrase that `said_columns` wrote; of an older row, which has no code, its text; None where there is
    neither."""
    text, codes = getattr(row, name), getattr(row, f"{name}_phrase")
    if codes is not None:
        return from_row({"text": text, **codes})
    return kept(text) if text else None
