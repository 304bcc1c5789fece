"""The table of security requirements: its files and fault rows exist, and each point stands there once."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
TEXT = (TESTS / "ASVS.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| ([\d., to]+) \| (.+?) \| (\w+) \| (.+) \|$", TEXT, re.M)


def test_each_file_that_it_names_is_there() -> None:
    named = set(
        re.findall(r"`([\w./-]+/[\w.-]+\.(?:py|md|js|conf)|docker/Dockerfile|requirements\.lock)`", TEXT)
    )
    assert len(named) > 50
    assert sorted(name for name in named if not (TESTS.parent / name).exists()) == []


def test_each_fault_row_that_it_names_is_there() -> None:
    faults = set(re.findall(r"^\| (\d+) \|", (TESTS / "FAULTS.md").read_text(encoding="utf-8"), re.M))
    named = {
        number
        for part in re.findall(r"\brows? (\d+(?:(?:, | and | to )\d+)*)", TEXT)
        for number in re.findall(r"\d+", part)
    }
    assert len(named) > 10
    assert named - faults == set()


def test_each_point_stands_once_in_its_chapter_and_says_whether_it_is_met() -> None:
    chapter, seen = "", []
    for line in TEXT.splitlines():
        if found := re.match(r"## V(\d+) ", line):
            chapter = found[1]
        if found := re.match(r"\| (\d[\d., to]*) \|", line):
            points = re.findall(r"\d+\.\d+\.\d+", found[1])
            assert {point.partition(".")[0] for point in points} == {chapter}, line
            seen += points
    assert len(seen) == len(set(seen))
    assert {met for _, _, met, _ in ROWS} == {"yes", "partly", "no"}
    assert len(ROWS) > 140
