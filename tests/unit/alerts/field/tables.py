"""Reading the tables of right answers in tests/data/kit."""

from __future__ import annotations

import csv
from pathlib import Path

DATA = Path(__file__).parents[3] / "data" / "kit"


def rows_of(name: str) -> list[dict[str, str]]:
    """The rows of a CSV file whose comment lines start with #."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
