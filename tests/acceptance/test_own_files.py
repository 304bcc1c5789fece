"""Rows 107 to 109: files for their owner alone, two cycles in one minute, a key file that is damaged."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.acceptance.conftest import Run
from tests.fulldisk import opened_before

FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")
NOON = ("cycle", "--as-of", "2027-07-03T12:07Z")


@pytest.fixture(params=[0o022, 0o000, 0o077, 0o177], ids=oct)
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param & 0o077)
    yield request.param & 0o077
    os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    found = [folder, *folder.rglob("*")]
    return {each.name: each.stat().st_mode & 0o777 for each in found}


def test_row_107_whatever_is_written_is_its_owners_alone(umask: int, run: Run, tmp_path: Path) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    data = tmp_path / "data"
    with opened_before(data / "duskbell.sqlite3"):
        run(*NOON)
        run("address", "test", "1")
        run("link")
        assert {"duskbell.sqlite3", "duskbell.sqlite3-wal", "duskbell.sqlite3-shm"} <= set(modes(data))
        made = modes(data)
    exported = tmp_path / "exported"
    exported.mkdir(mode=0o700)
    run("backup", str(exported / "a.backup"))
    run(
        "briefing",
        "Windpump Flat",
        "--date",
        "2027-07-03",
        "--format",
        "html",
        "--output",
        str(exported / "o.html"),
    )
    assert set(modes(exported)) == {"exported", "a.backup", "o.html"}
    for name, mode in {**made, **modes(exported)}.items():
        assert (name, oct(mode & 0o077)) == (name, "0o0")
    assert os.umask(umask) == umask
    assert "files     " + str(data) + " is its owner's alone" in run("doctor").out


@pytest.mark.parametrize("what", ["duskbell.sqlite3", "secret.key", "."])
def test_row_107_doctor_tells_of_files_that_an_older_version_left_open(
    what: str, run: Run, tmp_path: Path
) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    run(*NOON)
    place = (tmp_path / "data" / what).resolve()
    place.chmod(0o755 if what == "." else 0o644)
    said = next(line for line in run("doctor").out.splitlines() if " files " in line)
    assert said.startswith("note")
    assert said.endswith(f"chmod -R go= {place}")
    os.chmod(place, place.stat().st_mode & 0o700)
    assert "is its owner's alone" in run("doctor").out


def test_row_108_a_second_cycle_of_a_minute_says_that_the_first_has_run(run: Run) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    assert "16 nights" in run(*NOON).out
    again = run(*NOON)
    assert (again.code, again.err) == (0, "")
    assert "A cycle of this minute has run already" in again.out
    assert "nothing was due" in again.out


def test_row_108_a_cycle_beside_another_leaves_the_thinking_to_it(run: Run, tmp_path: Path) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    with (tmp_path / "data" / "duskbell.sqlite3.cycle-lock").open("w") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        beside = run(*NOON)
    assert (beside.code, beside.err) == (0, "")
    assert "Another cycle is under way" in beside.out
    assert "16 nights" not in beside.out
    assert "16 nights" in run(*NOON).out


@pytest.mark.parametrize("command", [("serve",), NOON])
def test_row_109_a_damaged_key_is_refused_at_the_start_and_by_doctor(
    command: tuple[str, ...], run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(*FLAT)
    (tmp_path / "data" / "secret.key").write_text("ab" * 20)
    with socket.socket() as other:  # whoever gets past the key finds the port taken, and doesn't serve on
        other.bind(("127.0.0.1", 0))
        other.listen()
        monkeypatch.setenv("DUSKBELL_WEB_PORT", str(other.getsockname()[1]))
        ran = run(*command)
    assert (ran.code, "restore it from a backup" in ran.err) == (1, True)
    said = run("doctor")
    assert "wrong  key" in said.out
    assert "restore it from a backup" in said.out
