"""Run the real command in this process, with a data folder of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.cli.main import main

DATA = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class Ran:
    """What a command printed, and how it ended."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """`run("site", "list")` as a person would type it; no setting of this machine leaks in."""
    import os

    for name in [name for name in os.environ if name.startswith("DUSKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path / "data"))

    def run(*args: str) -> Ran:
        monkeypatch.setattr(sys, "argv", ["duskbell", *args])
        capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
        out, err = capsys.readouterr()
        return Ran(code, out, err)

    return run
