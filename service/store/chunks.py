"""Ids in portions, as a statement takes only so many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

T = TypeVar("T")

AT_ONCE = 1000


def in_chunks(items: Sequence[T], size: int = AT_ONCE) -> Iterator[Sequence[T]]:
    """The items, at most `size` at a time, in their order."""
    return (items[start : start + size] for start in range(0, len(items), size))
