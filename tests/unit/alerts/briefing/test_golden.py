"""Every kind of alert in five nights, word for word, metric and imperial."""

from __future__ import annotations

import re

import pytest

from tests.unit.alerts.briefing.golden_briefings import FOLDER, golden_facts, golden_texts

GOLDEN = dict(golden_texts())


@pytest.mark.parametrize("name", GOLDEN)
def test_a_briefing_reads_as_it_was_agreed(name: str) -> None:
    assert GOLDEN[name] == (FOLDER / name).read_text(encoding="utf-8")


def test_every_golden_file_is_still_made() -> None:
    assert {path.name for path in FOLDER.glob("*.txt")} == set(GOLDEN)


def test_nights_and_kinds_are_all_there() -> None:
    """Four nights with windows times four kinds, and what a night without one says."""
    names = [name for name, _ in golden_facts()]
    assert (
        len([name for name in names if name.split(".")[1] in ("heads_up", "go", "changed", "stand_down")])
        == 16
    )
    assert "polar-summer.stay" in names


@pytest.mark.parametrize("name", [name for name in GOLDEN if ".imperial." in name])
def test_imperial_says_no_metric_figure_and_metric_no_imperial_one(name: str) -> None:
    """Millimetres of the lens stay: they are its name."""
    imperial, metric = GOLDEN[name], GOLDEN[name.replace("imperial", "metric")]
    assert not re.search(r"\d °C|\d m/s|\d km\b(?! on foot)", imperial)
    assert not re.search(r"\d °F|\d mph|\d miles", metric)


@pytest.mark.parametrize("text", GOLDEN.values(), ids=GOLDEN)
def test_no_hype_and_short_subjects(text: str) -> None:
    subject = text.splitlines()[0].removeprefix("Subject: ")
    assert len(subject) <= 60
    assert "!" not in text
    for word in ("perfect", "guarantee", "amazing", "stunning"):
        assert word not in text.lower()
