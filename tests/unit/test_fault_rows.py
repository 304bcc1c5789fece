"""Each fault of the table has a test that names its row, and no test names a row that isn't there."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
TABLE = (TESTS / "FAULTS.md").read_text(encoding="utf-8")
ROWS = [int(number) for number in re.findall(r"(?m)^\| (\d+) \|", TABLE)]
_NAMES = re.compile(r"(?<![a-z])(?:test_)?rows?_(\d+)((?:_\d+)*)(?:_(and|to)_(\d+))?")


def _named(text: str) -> set[int]:
    """The rows in names of tests and ids of cases: `row_7`, `rows_11_14_and_15`, `rows_14_to_16`."""
    found: set[int] = set()
    for first, middle, joint, last in _NAMES.findall(text):
        listed = {int(first), *(int(number) for number in middle.split("_") if number)}
        listed |= {int(last)} if last else set()
        found |= set(range(min(listed), max(listed) + 1)) if joint == "to" else listed
    return found


def test_every_row_has_a_test_of_its_name() -> None:
    mine = Path(__file__).resolve()
    files = [file for file in TESTS.rglob("*.py") if file.resolve() != mine]
    named = set[int]().union(*(_named(file.read_text(encoding="utf-8")) for file in files))
    assert sorted(set(ROWS) - named) == []
    codes = set(range(200, 600))  # `row_18_429_…` says what was answered
    assert sorted(named - set(ROWS) - codes) == []


def test_each_row_has_a_number_of_its_own() -> None:
    assert sorted(set(ROWS)) == sorted(ROWS)
    assert len(ROWS) > 66


def test_names_of_rows_are_read_as_they_are_written() -> None:
    assert _named("def test_row_7_two():") == {7}
    assert _named("test_rows_11_14_and_15_x, test_rows_14_to_16_y, id='row_3_z'") == {3, 11, 14, 15, 16}
