"""`duskbell explain` and `duskbell rejudge`, as an operator types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.acceptance.conftest import Run

SPAN = ("--from", "2027-07-01", "--to", "2027-07-10")


@pytest.fixture
def judged(run: Run) -> Run:
    """A site with two subscriptions, judged once without any forecast."""
    run("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    run("subscribe", "Windpump Flat", "--email", "two@example.org")
    assert run("cycle", "--as-of", "2027-07-03T12:07Z").code == 0
    return run


def test_explain_argues_for_each_subscription_or_for_the_one_named(judged: Run) -> None:
    night = ("--date", "2027-07-03", "--as-of", "2027-07-03T13:00Z")
    both = judged("explain", "Windpump Flat", *night).out
    assert both.count("It hasn't rung: no forecast reached us, so we can't say") == 2
    one = judged("explain", "Windpump Flat", *night, "--subscription", "2").out
    assert "two@example.org (subscription 2)" in one
    assert "you@example.org" not in one
    for heading in ("How it went", "The sky", "Your wishes", "Forecasts", "What was told"):
        assert heading in one.splitlines()


def test_explain_for_machines_has_the_same_words(judged: Run) -> None:
    night = ("--date", "2027-07-03", "--as-of", "2027-07-03T13:00Z")
    found = json.loads(judged("explain", "Windpump Flat", *night, "--json").out)
    assert (found["site"], found["night"]) == ("Windpump Flat", "2027-07-03")
    first, _ = found["subscriptions"]
    assert first["turns"][0]["as_of"] == "2027-07-03T12:07:00Z"
    assert first["turns"][0]["verdict"] == "unknown"
    plain = judged("explain", "Windpump Flat", *night).out
    said = [first["answer"], *(line for each in first["paragraphs"] for line in each["lines"])]
    assert all(line in plain for line in said)


def test_rejudging_by_the_same_rules_changes_nothing(judged: Run) -> None:
    ran = judged("rejudge", *SPAN)
    assert ran.code == 0, ran.err
    assert "judged again by today's rules; nothing was sent." in ran.out
    assert "Decisions: 12; the same 12, another word 0" in ran.out


def test_rejudging_for_other_wishes_tells_night_by_night(judged: Run, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('weekdays = "fri"', encoding="utf-8")
    ran = judged("rejudge", *SPAN, "--wishes", str(file), "--site", "Windpump Flat")
    assert "judged again for the wishes of mine.toml" in ran.out
    assert "Windpump Flat (subscriptions 1 and 2)" in ran.out
    assert "  Sat 3 July: unknown → stay (as of Sat 3 July, 14:07 CEST)" in ran.out
    assert "    would be: Saturday evening doesn't suit you; you asked for Friday" in ran.out
    found = json.loads(judged("rejudge", *SPAN, "--wishes", str(file), "--json").out)
    assert found["decisions"] == 12
    assert found["other_word"] == 12
    assert found["nights"][0]["decisions"][0]["would_be"]["rule"] == "evening"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("rejudge", "--from", "2027-07-05", "--to", "2027-07-01"), "swap --from and --to"),
        (("rejudge", *SPAN, "--site", "Nowhere"), "there is no site named 'Nowhere'"),
        (("rejudge", *SPAN, "--wishes", "nowhere.toml"), "nowhere.toml"),
        (("explain", "Nowhere", "--date", "2027-07-03"), "there is no site named 'Nowhere'"),
    ],
    ids=["swapped", "no site", "no file", "explain nothing"],
)
def test_what_can_not_be_looked_back_on_is_said_in_one_sentence(
    run: Run, args: tuple[str, ...], says: str
) -> None:
    run("site", "add", "Windpump Flat", "--at", "40.31,-1.42")
    ran = run(*args)
    assert ran.code != 0
    assert says in ran.err
    assert "Traceback" not in ran.err


def test_rejudging_where_nothing_was_decided_says_so(run: Run) -> None:
    run("site", "add", "Windpump Flat", "--at", "40.31,-1.42")
    assert "Nothing was decided on these nights" in run("rejudge", *SPAN).out
