"""Modules that run when something of them is first asked for: what a quick command may need, and rarely does.

By the standard library's own loader (`importlib.util.LazyLoader`), and by name in one place. Such a module is
imported whole (`from service import app`), and what it has is asked of it; a name taken out of it at once
(`from service.app import build`) runs it there and then. Only for commands that answer once: of two threads
that ask at the same moment, one could find a module half run.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType


class _LateFinder(MetaPathFinder):
    def __init__(self, names: Iterable[str]) -> None:
        self.names = frozenset(names)

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        spec = PathFinder.find_spec(fullname, path, target) if fullname in self.names else None
        if spec is not None and spec.loader is not None:
            spec.loader = LazyLoader(spec.loader)
        return spec


@contextmanager
def late(names: Iterable[str]) -> Iterator[None]:
    """What is imported meanwhile finds these modules, but doesn't run them; those that ran already stay."""
    finder = _LateFinder(names)
    sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        sys.meta_path.remove(finder)
