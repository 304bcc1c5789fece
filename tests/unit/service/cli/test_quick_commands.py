"""What a quick command doesn't use it doesn't load: a store, feeds, web pages."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from service.cli.main import _LATE

_RUN = """
import sys
from service.cli.main import duskbell
duskbell(sys.argv[1:], standalone_mode=False)
ran = [name for name, module in sys.modules.items() if "LazyModule" not in type(module).__name__]
print(*ran, file=sys.stderr)
"""
_HEAVY = {"sqlalchemy", "alembic", "fastapi", "pydantic", "requests", "jinja2", "icalendar", "numpy.ma"}


def _loaded_by(data_dir: Path, *words: str) -> set[str]:
    """The modules that have run when the command is done."""
    folders = {"DUSKBELL_DATA_DIR": str(data_dir), "XDG_CACHE_HOME": str(data_dir / "cache")}
    environment = {**os.environ, **folders}
    done = subprocess.run(
        [sys.executable, "-c", _RUN, *words], env=environment, capture_output=True, text=True, check=True
    )
    return set(done.stderr.splitlines()[-1].split())


def test_season_loads_no_store_and_no_feeds(tmp_path: Path) -> None:
    loaded = _loaded_by(tmp_path, "season", "--at=40,-3", "--from", "2027-07-03", "--to", "2027-07-04")
    assert "alerts.sky.nights.season" in loaded
    assert not loaded & _HEAVY


def test_a_night_at_a_place_without_a_store_loads_none(tmp_path: Path) -> None:
    loaded = _loaded_by(tmp_path, "tonight", "--at=40,-3", "--date", "2027-07-03", "--offline")
    assert "alerts.judging.assess" in loaded
    assert not loaded & (_HEAVY - {"pydantic"})
    again = _loaded_by(tmp_path, "tonight", "--at=40,-3", "--date", "2027-07-03", "--offline")
    assert "skyfield" in loaded
    assert "skyfield" not in again, "what was read of the kernel is kept"


@pytest.mark.parametrize("name", _LATE)
def test_every_late_module_is_there(name: str) -> None:
    assert find_spec(name) is not None
