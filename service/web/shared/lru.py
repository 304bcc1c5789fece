"""What was worked out once, kept for the next who asks the same."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

T = TypeVar("T")


class Keeper(Generic[T]):
    """Values by what they are made of; past `most`, those least used go. Safe for threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, T] = OrderedDict()
        self._under_way: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def keep(self, key: Hashable, make: Callable[[], T]) -> T:
        """What was made before under that key, else what `make` makes now. key: all that it is made of.

        Whoever asks for the same meanwhile waits for it; when `make` fails, the next one tries.
        """
        if (kept := self.get(key)) is not None:
            return kept
        with self._lock:
            mine = self._under_way.setdefault(key, threading.Lock())
        with mine:
            if (kept := self.get(key)) is not None:
                return kept
            try:
                made = make()
                self.put(key, made)
            finally:
                with self._lock:
                    self._under_way.pop(key, None)
        return made

    def get(self, key: Hashable) -> T | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def put(self, key: Hashable, made: T) -> None:
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
