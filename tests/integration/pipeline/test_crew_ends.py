"""How a crew of processes ends: with its parent, however that ends, and without taking work along."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from service.pipeline.judging.process_pool import ProcessPool
from tests.integration.pipeline.crewwork import end_of, process_of

ROOT = Path(__file__).parents[3]
PATIENCE_S = 60.0


def _has_ended(process: int) -> bool:
    """Waits for the end of a process that isn't our child."""
    try:
        watched = os.pidfd_open(process)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([watched], [], [], PATIENCE_S)[0])
    finally:
        os.close(watched)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM], ids=["killed", "asked to end"])
def test_the_crew_ends_with_its_parent(tmp_path: Path, how: signal.Signals) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    command = [sys.executable, "-m", "tests.integration.pipeline.crewwork", url]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        crew = {int(number) for number in parent.stdout.readline().split()}
        assert crew
        parent.send_signal(how)
        parent.wait(PATIENCE_S)
        assert all(_has_ended(process) for process in crew)


def test_a_crew_ends_with_its_block(tmp_path: Path) -> None:
    with ProcessPool(f"sqlite:///{tmp_path / 'store.sqlite3'}", 2) as crew:
        found = [number for number in crew.each(process_of, range(4)) if number is not None]
    assert os.getpid() not in found
    assert all(_has_ended(process) for process in found)


def test_what_a_crew_leaves_undone_when_one_of_it_dies_comes_back_as_nothing(tmp_path: Path) -> None:
    with ProcessPool(f"sqlite:///{tmp_path / 'store.sqlite3'}", 2) as crew:
        found = list(crew.each(end_of, range(6)))
    assert len(found) == 6
    assert found[1] is None
    assert all(each is None or each == place for place, each in enumerate(found))
