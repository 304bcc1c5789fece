"""Statements stand in the store, and with what feeds and channels keep: elsewhere nobody can make one.

A contract of packages can't say that, for the types of the same library are used everywhere.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
HOMES = ("service/store/", "service/feeds/", "service/channels/")
ELSEWHERE = {
    "sqlalchemy": {"Engine", "Connection", "URL", "make_url", "event"},
    "sqlalchemy.orm": {"Session", "sessionmaker", "SessionTransaction", "ORMExecuteState", "UOWTransaction",
                       "InstrumentedAttribute", "with_loader_criteria"},
}  # fmt: skip
"""What may be imported there: an open store and what is done to its sessions. Errors too, all of them."""


def statement_makers(source: str) -> Iterator[str]:
    """What of SQLAlchemy is imported that makes or shapes statements."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (each.name for each in node.names if each.name.split(".")[0] == "sqlalchemy")
        if not isinstance(node, ast.ImportFrom) or (node.module or "").split(".")[0] != "sqlalchemy":
            continue
        if node.module != "sqlalchemy.exc":
            allowed = ELSEWHERE.get(node.module or "", set())
            yield from (f"{node.module}.{each.name}" for each in node.names if each.name not in allowed)


def test_statements_are_made_in_the_store_and_with_feeds_and_channels_alone() -> None:
    outside = {
        path.relative_to(ROOT).as_posix(): found
        for package in ("alerts", "service")
        for path in (ROOT / package).rglob("*.py")
        if not path.relative_to(ROOT).as_posix().startswith(HOMES)
        and (found := sorted(statement_makers(path.read_text(encoding="utf-8"))))
    }
    assert outside == {}


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("from sqlalchemy import select", ["sqlalchemy.select"]),
        ("def f():\n    from sqlalchemy import Engine, text as t", ["sqlalchemy.text"]),
        ("from sqlalchemy.dialects import postgresql", ["sqlalchemy.dialects.postgresql"]),
        ("import sqlalchemy as sa", ["sqlalchemy"]),
        ("from sqlalchemy.orm import Session, aliased", ["sqlalchemy.orm.aliased"]),
        ("from sqlalchemy.exc import DBAPIError\nfrom sqlalchemy.orm import Session", []),
    ],
)
def test_whatever_makes_a_statement_is_seen(source: str, found: list[str]) -> None:
    assert list(statement_makers(source)) == found
