"""Row 105: a command on a full disk ends in one sentence, and what was stored is as it was."""

from __future__ import annotations

import sqlite3
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.acceptance.conftest import Run
from tests.fulldisk import full_disk, opened_before

FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")
COMMANDS = {
    "cycle": ("cycle", "--as-of", "2027-07-05T12:07Z"),
    "site add": ("site", "add", "B", "--at", "41,-2"),
    "site edit": ("site", "edit", "Windpump Flat", "--note", "closed"),
    "subscribe": ("subscribe", "Windpump Flat", "--email", "b@example.org"),
    "pause": ("subscription", "pause", "1", "--until", str(datetime.now(UTC).date() + timedelta(days=30))),
    "outcome": ("outcome", "Windpump Flat", "--date", "2025-07-03", "clear"),
    "link": ("link",),
    "key": ("key", "add", "laptop"),
    "backup": ("backup", "FOLDER/x.backup"),
}


@pytest.mark.parametrize("is_open", [True, False], ids=["a service runs", "nothing runs"])
@pytest.mark.parametrize("args", COMMANDS.values(), ids=COMMANDS)
def test_row_105_a_command_ends_in_one_sentence(
    args: tuple[str, ...], is_open: bool, run: Run, tmp_path: Path
) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    file = tmp_path / "data" / "duskbell.sqlite3"
    before = _rows(file)
    with ExitStack() as stack:
        if is_open:
            stack.enter_context(opened_before(file))
        with full_disk():
            ran = run(*(each.replace("FOLDER", str(tmp_path)) for each in args))
    assert ran.code == 1
    assert ran.err.startswith("duskbell: ")
    assert ran.err.count("\n") == 1
    assert "can't be " in ran.err
    assert _rows(file) == before


def _rows(file: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(file)) as database:
        return [*database.execute("SELECT * FROM site"), *database.execute("SELECT * FROM subscription")]


def test_row_105_nothing_is_migrated_into_a_full_disk(run: Run, tmp_path: Path) -> None:
    with full_disk():
        ran = run("migrate")
    assert (ran.code, ran.err.count("\n")) == (1, 1)
    assert "Traceback" not in ran.err
    assert run("migrate").code == 0


def test_row_105_doctor_sees_it(run: Run, tmp_path: Path) -> None:
    run(*FLAT)
    assert "takes rows" in run("doctor").out
    with opened_before(tmp_path / "data" / "duskbell.sqlite3"), full_disk():
        ran = run("doctor")
    assert "wrong  database" in ran.out
    assert "make room" in ran.out or "may be full" in ran.out
