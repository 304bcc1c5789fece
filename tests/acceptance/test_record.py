"""`duskbell record`, `outcome`, `calibration` and `backtest`, as a person types them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
import time_machine

from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.wishes.model import DEFAULT_WISHES
from service.cli.options import read_wish_file
from service.demo.play import FLAT, SATURDAY
from service.hindsight.outcome_reports import read_times
from service.hindsight.track_record import safe_cell
from tests.acceptance.conftest import Ran, Run
from tests.integration.conftest import copy_file, new_file
from tests.integration.hindsight.past import AFTER, over

SAID = ("outcome", FLAT.name, "--date", str(SATURDAY))


@pytest.fixture
def past(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The commands on an installation whose Saturday was judged, by stations that saw cloud."""
    with over(tmp_path, new_file, copy_file) as installation:
        installation.witnesses.sky = "OVC080"
        installation.verify()
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", f"sqlite:///{tmp_path / 'store.sqlite3'}")

    def run_then(*args: str) -> Ran:
        with time_machine.travel(AFTER, tick=True):
            return run(*args)

    return run_then


def test_a_fresh_install_says_that_it_has_no_record_yet(run: Run) -> None:
    ran = run("record")
    assert (ran.code, ran.out) == (0, f"All sites\n{say('track.no-record')}\n")
    assert json.loads(run("record", "--json").out)["note"] == say("track.no-record")
    assert len(run("record", "--csv").out.splitlines()) == 1
    assert say("track.no-record") in run("backtest", "--from", "2027-07-01", "--to", "2027-07-05").out
    assert "In use: prior" in run("calibration", "show").out
    assert "Nothing to fit" in run("calibration", "fit").out


def test_the_record_tells_what_was_said_and_what_came(past: Run) -> None:
    ran = past("record", FLAT.name)
    assert ran.code == 0, ran.err
    assert ran.out.startswith(FLAT.name)
    assert "old go once, clear 0" in ran.out
    assert "weather stations" in ran.out
    assert "%" not in ran.out.split("At 40")[0], "under 30 pairs only fractions are told"


def test_a_person_who_was_there_has_the_last_word_and_the_record_follows(past: Run) -> None:
    ran = past(*SAID, "cloudy")
    assert ran.code == 0, ran.err
    assert "So far: not clear; 1 of 1 who were there say so." in ran.out
    assert "people's reports" in past("record").out


def test_one_who_stayed_at_home_changes_nothing(past: Run) -> None:
    assert "So far: not clear; stations in reach report cloud" in past(*SAID, "away").out


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--from", "23:50"), "go together"),
        (("--from", "02:00", "--to", "23:50"), "swap them"),
        (("--from", "late", "--to", "23:50"), "is no time"),
        (("--from", "23:50Z", "--to", "01:00"), "has a zone"),
    ],
    ids=["one time alone", "the wrong way round", "no time", "a zone"],
)
def test_times_are_refused_with_what_would_work(past: Run, more: tuple[str, ...], says: str) -> None:
    ran = past(*SAID, "partly", *more)
    assert ran.code == 1
    assert says in ran.err


def test_times_are_read_on_the_sites_clock_over_midnight() -> None:
    span = read_times(SATURDAY, "23:45", "01:30", FLAT)
    assert span is not None
    assert [f"{at:%d %H:%M}" for at in (span.start, span.end)] == ["03 21:45", "03 23:30"]


def test_a_night_ahead_is_refused(past: Run) -> None:
    ran = past("outcome", FLAT.name, "--date", "2027-07-06", "clear")
    assert ran.code == 1
    assert "lies ahead" in ran.err


def test_the_table_has_a_row_a_judged_night(past: Run) -> None:
    rows = list(csv.DictReader(past("record", "--csv").out.splitlines()))
    (row,) = [each for each in rows if each["night"] == str(SATURDAY)]
    assert (row["site"], row["outcome"], row["judge"]) == (FLAT.name, "not_clear", "stations")
    assert row["told_go"] == "yes"
    assert int(row["chance_evening_pct"]) > 70


@pytest.mark.parametrize(
    ("value", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("\tx", "'\tx"),
        ("Flat", "Flat"),
        (5, 5),
    ],
    ids=str,
)
def test_no_cell_is_run_as_a_formula(value: object, safe: object) -> None:
    assert safe_cell(value) == safe


def test_the_json_has_a_record_for_each_lead(past: Run) -> None:
    found = json.loads(past("record", FLAT.name, "--json").out)
    assert found["site"] == FLAT.name
    assert found["leads"]["evening"]["scores"] is None
    assert found["leads"]["evening"]["judges"]["stations"] >= 1
    assert [row["limit_pct"] for row in found["regret"]] == [40, 50, 60, 70, 80, 90]


def test_a_calibration_is_shown_chosen_and_let_go(past: Run) -> None:
    assert "In use: 2027-07-04; the nightly fit replaces it." in past("calibration", "show").out
    assert past("calibration", "use", "prior").code == 0
    assert "In use: prior; kept until you choose another." in past("calibration", "show").out
    assert "In use: 2027-07-04." in past("calibration", "use", "newest").out
    ran = past("calibration", "use", "1999-01-01")
    assert (ran.code, "there is no calibration '1999-01-01'" in ran.err) == (1, True)


def test_a_backtest_says_what_todays_rules_would_have_told(past: Run) -> None:
    ran = past("backtest", "--from", "2027-07-01", "--to", "2027-07-04")
    assert ran.code == 0, ran.err
    assert "old go once, clear 0" in ran.out


def test_a_backtest_with_other_wishes_and_a_calibration(past: Run, tmp_path: Path) -> None:
    file = tmp_path / "wishes.json"
    file.write_text('{"chance_go_pct": 99, "chance_back_pct": 50, "shortest_window": "PT1H"}')
    more = ("--wishes", str(file), "--calibration", "prior")
    ran = past("backtest", "--from", "2027-07-01", "--to", "2027-07-04", *more)
    assert ran.code == 0, ran.err
    assert "ever told go" in ran.out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "JSON"),
        ("[]", "no JSON object"),
        ('{"luck": 1}', "luck"),
        ('{"chance_go_pct": "x"}', "chance_go"),
    ],
    ids=["cut off", "a list", "unknown", "no number"],
)
def test_a_file_without_wishes_is_refused(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "wishes.json"
    file.write_text(text)
    with pytest.raises(BadInput, match=says):
        read_wish_file(file, DEFAULT_WISHES)


def test_a_span_the_wrong_way_round_is_refused(run: Run) -> None:
    assert "swap" in run("backtest", "--from", "2027-07-05", "--to", "2027-07-01").err
