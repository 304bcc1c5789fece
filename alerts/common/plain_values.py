"""Plain values: dataclasses that nobody changes once they are made; their figures as JSON has them.

That nobody does, the type checker holds: to it `value` is `dataclass`. A dataclass that refuses it at run
time as well takes longer to make, with twenty fields seven times as long, and a cycle of a large installation
makes millions: it was 6 % of a cycle's time. Named tuples are quick too, but equal any tuple of the same
fields.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataclasses import dataclass as value
else:

    def value(*, frozen: bool, slots: bool, order: bool = False) -> Callable[[type[Any]], type[Any]]:
        """`@value(frozen=True, slots=True)`: hashed and compared by its fields, quick to make."""
        assert frozen, "what may change is a dataclass"
        return dataclasses.dataclass(slots=slots, order=order, unsafe_hash=True)


def rounded(of: object, **digits: int) -> dict[str, float | None]:
    """Fields of a value by their names, rounded to so many digits (0: a whole number), as JSON has them; None
    stays None."""
    return {
        name: None if (figure := getattr(of, name)) is None else round(figure, places or None)
        for name, places in digits.items()
    }


__all__ = ["rounded", "value"]
