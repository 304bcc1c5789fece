"""The newcomer's first hour by command: each one says why no go can come, and what to do; then none does."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys

import pytest

from tests.acceptance.conftest import Run

NOWHERE = "http://127.0.0.1:9"
WHY = "Only MET Norway answers for this place (ECMWF), and a go needs two providers."
MEND = "declare that with open_meteo_noncommercial = true, else set open_meteo_key"
TOLD = ("Windpump Flat", "--email", "you@example.org", "--mine")


@pytest.fixture
def newcomer(run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Somebody who has set the contact that the feeds want, and nothing else; no feed is reached here."""
    monkeypatch.setenv("DUSKBELL_CONTACT", "you@example.org")
    for feed in ("MET_NORWAY", "NWS", "METAR", "OPEN_METEO_AIR"):
        monkeypatch.setenv(f"DUSKBELL_{feed}_URL", NOWHERE)
    return run


def serve() -> str:
    """What `duskbell serve` prints at its start."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = [sys.executable, "-c", "from service.cli.main import main; main()", "serve"]
    settings = {**os.environ, "DUSKBELL_WEB_PORT": str(port), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        command, env=settings, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line)
            if line.startswith("That link works once"):
                break
        process.terminate()
    assert said[-1].startswith("That link works once")
    return "".join(said)


NIGHT = ("Windpump Flat", "--date", "2027-07-03", "--as-of", "2027-07-03T12:00Z")


def ask_all(newcomer: Run, new_site: str) -> dict[str, str]:
    """What each command prints."""
    return {
        "site add": newcomer("site", "add", new_site, "--at", "40.31,-1.42").out,
        "change": newcomer("subscription", "change", "1", "--chance", "60").out,
        "cycle": newcomer("cycle", "--as-of", "2027-07-03T12:00Z").out,
        "explain": newcomer("explain", *NIGHT).out,
        "explain --json": newcomer("explain", *NIGHT, "--json").out,
        "doctor": newcomer("doctor").out,
        "doctor --json": newcomer("doctor", "--json").out,
        "serve": serve(),
    }


def test_row_195_each_command_says_it_until_the_declaration_and_then_none(
    newcomer: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    newcomer("site", "add", "Windpump Flat", "--at", "40.31,-1.42")
    said = {"subscribe": newcomer("subscribe", *TOLD).out, **ask_all(newcomer, "Dry Moor")}
    assert [name for name, text in said.items() if WHY not in text or MEND not in text] == []

    lines = said["explain"].splitlines()
    assert lines[lines.index("email: you@example.org (subscription 1)") + 1].startswith("This can't ring: ")
    obstacles = json.loads(said["explain --json"])["subscriptions"][0]["obstacles"]
    assert [(each["code"], each["level"]) for each in obstacles] == [
        ("one_provider", "never"),
        ("outbox_only", "note"),
    ]
    found = [each for each in json.loads(said["doctor --json"]) if each["code"]]
    assert [(each["level"], each["code"]) for each in found] == [("wrong", "one_provider")]

    monkeypatch.setenv("DUSKBELL_OPEN_METEO_NONCOMMERCIAL", "true")
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_URL", NOWHERE)
    said = ask_all(newcomer, "Dry Mesa")
    assert [name for name, text in said.items() if "can't ring" in text or "one_provider" in text] == []
    assert "nothing that is known keeps a go from being told" in said["doctor"]


def test_without_a_contact_the_doctor_says_so_before_there_are_tables(run: Run) -> None:
    ran = run("doctor")
    assert ran.code == 1
    assert "wrong  ring      No weather feed is asked: they want to know who asks. Set contact" in ran.out


def test_wishes_that_can_never_hold_are_the_doctor_s_too(newcomer: Run) -> None:
    newcomer("site", "add", "Broch", "--at", "52.0,-3.2")
    newcomer("subscribe", "Broch", "--email", "you@example.org", "--mine", "--core-above", "10")
    ran = newcomer("doctor")
    assert "The core never stands above 10° here; it reaches 9.1° at most." in ran.out
    assert "With the core above 5° there would be" in ran.out
