"""Row 226 by command: a place that looks like a slip is asked about, and needs --yes in scripts."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from tests.acceptance.conftest import Run

SKERRY = ("site", "add", "Skerry", "--at", "41.0,2.0")


def test_row_226_a_script_is_told_and_nothing_is_kept(run: Run) -> None:
    ran = run(*SKERRY)
    assert ran.code == 2
    assert "41.0000° N, 2.0000° E lies at sea. Did you mean 2.0000° N, 41.0000° E?" in ran.err
    assert "--yes" in ran.err
    assert "No sites yet" in run("site", "list").out
    assert run(*SKERRY, "--yes").code == 0
    assert run("site", "edit", "Skerry", "--at", "52,3").code == 2
    assert "41.0000" in run("site", "list").out
    assert run("site", "edit", "Skerry", "--at", "52,3", "--yes").code == 0
    assert run("site", "edit", "Skerry", "--notes", "a lightship").code == 0


def test_row_226_a_place_far_from_home_is_asked_about(run: Run) -> None:
    run("home", "--at", "40.4,-1.1")
    ran = run("site", "add", "Windpump Flat", "--at=-1.42,40.31")
    assert ran.code == 2
    assert "lies 6,260 km from home. Did you mean 40.3100° N, 1.4200° W?" in ran.err
    assert run("site", "add", "Windpump Flat", "--at", "40.31,-1.42").code == 0


@pytest.mark.parametrize(
    ("answers", "code", "kept"),
    [("y\n", 0, "at 2, 41 ("), ("n\ny\n", 0, "at 41, 2 ("), ("n\nn\n", 2, "nothing was kept")],
    ids=["swapped", "as typed", "neither"],
)
def test_row_226_a_person_is_asked_on_the_terminal(
    answers: str, code: int, kept: str, tmp_path: Path
) -> None:
    ours, theirs = pty.openpty()
    settings = {"DUSKBELL_DATA_DIR": str(tmp_path / "data")}
    bare = {name: value for name, value in os.environ.items() if not name.startswith("DUSKBELL_")}
    command = [sys.executable, "-c", "from service.cli.main import main; main()", *SKERRY]
    with subprocess.Popen(
        command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env={**bare, **settings}
    ) as running:
        os.write(ours, answers.encode())
        said, _ = running.communicate(timeout=60)
    os.close(theirs)
    os.close(ours)
    assert running.returncode == code
    assert "lies at sea" in said.decode()
    assert kept in said.decode()
