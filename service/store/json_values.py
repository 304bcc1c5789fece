"""Plain values of the rules to JSON columns and back."""

from __future__ import annotations

from functools import cache
from typing import Any, TypeVar

from pydantic import TypeAdapter

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
