"""Sites, subscriptions, cycle, explain and doctor, as an operator types them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import time_machine

from tests.acceptance.conftest import Run

FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")


@time_machine.travel("2027-06-01T08:00Z")
def test_from_nothing_to_a_judged_night_without_a_contact(run: Run, tmp_path: Path) -> None:
    assert "No sites yet" in run("site", "list").out
    assert "Europe/Madrid" in run(*FLAT).out
    assert "Windpump Flat" in run("site", "list").out
    assert run("subscribe", "windpump flat", "--email", "you@example.org").code == 0
    assert "you@example.org" in run("subscriptions").out
    cycle = run("cycle", "--as-of", "2027-07-03T12:07Z")
    assert cycle.code == 0
    assert "16 nights" in cycle.out
    explained = run("explain", "Windpump Flat", "--date", "2027-07-03")
    assert "no forecast reached us" in explained.out
    assert re.search(r"mag/arcsec² at the core, .*; no Moon in it", explained.out)
    assert "Nothing was told." in explained.out
    far = run("explain", "Windpump Flat", "--date", "2027-09-04")
    assert "has not been judged" in far.out
    assert re.search(r"mag/arcsec² at the core, .*; no Moon in it", far.out)
    moonlit = run("explain", "Windpump Flat", "--date", "2027-07-19")
    assert "the Moon is up" in moonlit.out or "dark window" in moonlit.out


def test_a_webhook_subscription_prints_its_secret(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", '["127.0.0.1:9"]')
    run(*FLAT)
    ran = run("subscribe", "Windpump Flat", "--webhook", "http://127.0.0.1:9/club")
    assert ran.code == 0, ran.err
    assert "whsec_" in ran.out


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("subscribe", "Nowhere", "--email", "you@example.org"), "did you mean 'Windpump Flat'"),
        (("subscribe", "Windpump Flat"), "name one address"),
        (("subscribe", "Windpump Flat", "--email", "not an address"), "no mail address"),
        (("subscribe", "Windpump Flat", "--webhook", "http://127.0.0.1/x"), "must start with https"),
        (("subscribe", "Windpump Flat", "--webhook", "https://10.0.0.7/x"), "10.0.0.7"),
        (FLAT, "already is a site"),
        (("site", "add", "  ", "--at", "40,-1"), "empty"),
        (("site", "add", "B", "--at", "40,-1", "--zone", "Atlantis"), "no time zone"),
        (("explain", "Windpump Flat", "--date", "tomorrow"), "no date"),
        (("cycle", "--as-of", "now"), "no time"),
    ],
    ids=lambda value: " ".join(value)[:45] if isinstance(value, tuple) else None,
)
def test_bad_input_is_one_sentence_and_a_code(run: Run, args: tuple[str, ...], says: str) -> None:
    run(*FLAT)
    ran = run(*args)
    assert ran.code != 0
    assert says in ran.err
    assert "Traceback" not in ran.err


def test_doctor_says_what_is_missing_and_how_to_set_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    ran = run("doctor")
    assert ran.code == 1
    assert "DUSKBELL_CONTACT" in ran.out
    assert "open-meteo: off" in ran.out
    assert "outbox" in ran.out
    monkeypatch.setenv("DUSKBELL_CONTACT", "you@example.org")
    assert run("doctor").code == 0


def test_a_database_from_a_newer_version_is_refused_and_left_alone(run: Run, tmp_path: Path) -> None:
    import sqlite3

    run(*FLAT)
    file = tmp_path / "data" / "duskbell.sqlite3"
    with sqlite3.connect(file) as database:
        database.execute("UPDATE alembic_version SET version_num = '9999'")
    database.close()
    ran = run("site", "list")
    assert ran.code == 1
    assert "newer Duskbell" in ran.err
    assert "Traceback" not in ran.err


def test_the_demo_tells_its_story_to_the_end(run: Run, tmp_path: Path) -> None:
    ran = run("demo", "--folder", str(tmp_path / "demo"))
    assert ran.code == 0, ran.err
    for line in ("Heads-up", "Go tonight: Cairn Ridge", "Stand down: Windpump Flat", "Chat message"):
        assert line in ran.out
    assert ran.out.count("INVENTED") >= 3
    assert len(list((tmp_path / "demo" / "arrived").glob("*.eml"))) == 3
    assert len(list((tmp_path / "demo" / "arrived").glob("*.json"))) == 3


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (
            {"PUBLIC_URL": "http://stars.example:8765"},
            "note   page      http://stars.example:8765 is without https",
        ),
        ({"WEB_HOST": "0.0.0.0"}, "links in messages lead to this machine: set public_url"),
        ({"WEB_HOST": "::"}, "links in messages lead to this machine: set public_url"),
        ({"PUBLIC_URL": "http:///x"}, "names no host"),
    ],
)
def test_row_100_doctor_says_what_does_not_work_where_the_pages_are(
    settings: dict[str, str], says: str, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in settings.items():
        monkeypatch.setenv(f"DUSKBELL_{name}", value)
    assert says in run("doctor").out


@pytest.mark.parametrize("address", ["https://stars.example", "http://127.0.0.1:8765", "http://[::1]:8765"])
def test_row_100_doctor_has_nothing_to_say_of_pages_that_can_be_kept(
    address: str, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSKBELL_PUBLIC_URL", address)
    assert "note   page" not in run("doctor").out
