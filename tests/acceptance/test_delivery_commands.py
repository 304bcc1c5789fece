"""Messages, addresses, backups, people and keys, as an operator types them."""

from __future__ import annotations

import json
import re
import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import time_machine

from service.cli.doctor_outside import examine_mail
from service.demo.play import play, stage
from service.settings import Settings
from tests.acceptance.conftest import Run

FLAT = ("site", "add", "Windpump Flat", "--at", "40.31,-1.42", "--elevation", "1180")


class Echoing(BaseHTTPRequestHandler):
    """A receiver that answers a test with its code."""

    def do_POST(self) -> None:
        said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        challenge = said.get("data", {}).get("challenge", "") if "data" in said else ""
        self.server.heard.append(said)  # type: ignore[attr-defined]
        body = json.dumps({"challenge": challenge}).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@pytest.fixture
def receiver(monkeypatch: pytest.MonkeyPatch) -> Iterator[ThreadingHTTPServer]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Echoing)
    server.heard = []  # type: ignore[attr-defined]
    monkeypatch.setenv("DUSKBELL_WEBHOOK_ALLOW", f'["127.0.0.1:{server.server_port}"]')
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


def test_a_webhook_that_answers_the_test_is_confirmed_at_once(
    run: Run, receiver: ThreadingHTTPServer
) -> None:
    run(*FLAT)
    ran = run("subscribe", "Windpump Flat", "--webhook", f"http://127.0.0.1:{receiver.server_port}/a/b")
    assert ran.code == 0, ran.err
    assert "it is confirmed" in ran.out
    listed = run("address", "list").out
    assert re.search(r"1  webhook: http://127\.0\.0\.1:\d+/…\s+on", listed)
    assert "/a/b" not in listed


def test_a_chat_is_confirmed_by_the_code_that_was_read_there(run: Run, receiver: ThreadingHTTPServer) -> None:
    run(*FLAT)
    url = f"http://127.0.0.1:{receiver.server_port}/hooks/x"
    ran = run("subscribe", "Windpump Flat", "--chat", "text", url)
    assert "duskbell address confirm 1 --code CODE" in ran.out
    assert "not confirmed" in run("address", "list").out
    code = re.search(r"Code: (\w+)", receiver.heard[-1]["text"])  # type: ignore[attr-defined]
    assert code is not None
    assert "isn't the code" in run("address", "confirm", "1", "--code", "nonsense").err
    assert run("address", "confirm", "1", "--code", code[1]).code == 0
    assert re.search(r"/…\s+on", run("address", "list").out)


def test_a_receiver_that_is_not_there_yet_can_be_tested_or_vouched_for_later(run: Run) -> None:
    run(*FLAT)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DUSKBELL_WEBHOOK_ALLOW", '["127.0.0.1:9"]')
        ran = run("subscribe", "Windpump Flat", "--webhook", "http://127.0.0.1:9/club")
        assert "duskbell address test 1" in ran.out
        assert run("address", "confirm", "1").code == 0
        rotated = run("address", "rotate", "1")
        assert "whsec_" in rotated.out
    assert run("address", "off", "1").code == 0
    assert "off: switched off by the operator" in run("address", "list").out
    assert run("address", "on", "1").code == 0


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("address", "confirm", "7"), "no address number 7"),
        (("address", "test", "1"), "confirmed by a link"),
        (("address", "rotate", "1"), "no signing secret"),
        (("messages", "show", "msg_x"), "no message has an id"),
        (("messages", "list", "--status", "lost"), "lost"),
        (("person", "export", "eve@example.net"), "nobody here"),
        (("person", "erase", "1", "--yes"), "goes with the installation"),
        (("key", "revoke", "9"), "no key number 9"),
        (("subscribe", "Windpump Flat", "--chat", "pigeon", "https://a.example/"), "no chat form 'pigeon'"),
        (("subscribe", "Windpump Flat", "--named", "club"), "named_targets"),
        (("subscribe", "Windpump Flat", "--email", "a@example.org", "--named", "club"), "one address"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, tuple) else None,
)  # fmt: skip
def test_what_can_not_be_done_is_said_in_one_sentence(run: Run, args: tuple[str, ...], says: str) -> None:
    run(*FLAT)
    run("subscribe", "Windpump Flat", "--email", "you@example.org")
    ran = run(*args)
    assert ran.code != 0
    assert says in ran.err
    assert "Traceback" not in ran.err


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a demo that was played: messages that were sent, attempts and all."""
    folder = tmp_path_factory.mktemp("played") / "demo"
    with stage(folder) as story:
        play(story, lambda _: None)
    return folder


@pytest.fixture
def demo_store(run: Run, played: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that store, in use; `run` sets the environment first."""
    copy = shutil.copytree(played, tmp_path / "demo")
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", f"sqlite:///{copy / 'demo.sqlite3'}")
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(copy))
    return copy


@pytest.mark.usefixtures("demo_store")
@time_machine.travel("2027-06-01T08:00Z")
def test_messages_are_listed_shown_resent_and_cancelled(run: Run) -> None:
    listed = run("messages", "list").out.splitlines()
    assert len(listed) == 6
    assert all(re.match(r"msg_\w{26}  2027-\d\d-\d\d .* sent +", line) for line in listed)
    assert "you@example.org" not in run("messages", "list").out
    mailed = next(line.split()[0] for line in listed if "email: y…@example.org" in line)
    shown = run("messages", "show", mailed[:12]).out
    for expected in (f"{mailed}: sent", "says", "tried", "sent 250"):
        assert expected in shown
    assert "with --again" in run("messages", "resend", mailed).err
    assert run("messages", "resend", mailed, "--again").code == 0
    assert mailed in run("messages", "list", "--status", "retry").out
    assert run("messages", "cancel", mailed).code == 0
    assert "cancelled by the operator" in run("messages", "show", mailed).out
    assert "doesn't wait any more" in run("messages", "cancel", mailed).err


@pytest.mark.usefixtures("demo_store")
def test_everything_goes_into_one_file_and_comes_back(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "evening.backup"
    assert run("backup", str(file)).code == 0
    assert "exists already" in run("backup", str(file)).err
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", "")
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path / "elsewhere"))
    assert run("restore", str(file)).code == 0
    assert len(run("messages", "list").out.splitlines()) == 6
    assert "--replace" in run("restore", str(file)).err
    replaced = run("restore", str(file), "--replace")
    assert replaced.code == 0
    assert "What was there lies at" in replaced.out


@pytest.mark.usefixtures("demo_store")
def test_ones_data_is_handed_out_as_json(run: Run, tmp_path: Path) -> None:
    assert run("person", "export", "you@example.org", "--to", str(tmp_path / "me.json")).code == 0
    said = json.loads((tmp_path / "me.json").read_text())
    assert said["address"][0]["target"] == "you@example.org"
    assert len(said["message"]) == 6
    assert all(decision["wishes"] for decision in said["decision"])


def test_a_key_is_shown_once_and_revoked_by_its_number(run: Run) -> None:
    made = run("key", "add", "prometheus").out
    assert made.startswith("dbk_")
    listed = run("key", "list").out
    assert "prometheus" in listed
    assert "dbk_" not in listed
    assert run("key", "revoke", listed.split()[0]).code == 0
    assert run("key", "list").out == ""


def test_row_91_a_key_made_by_command_says_what_it_may_and_until_when(run: Run) -> None:
    made = run("key", "add", "phone", "--for", "read", "--days", "10").out
    until = re.search(r"It works until (\d{4}-\d\d-\d\d) ", made)
    assert until is not None
    listed = run("key", "list").out
    assert f"until {until[1]}  read" in listed
    assert "ends soon: make another" in listed
    assert "for 1 to 731 days" in run("key", "add", "phone", "--days", "0").err
    assert "ends on" in run("doctor").out


@pytest.mark.usefixtures("demo_store")
def test_row_92_the_operator_signs_somebody_out_by_command(run: Run) -> None:
    assert run("person", "sign-out", "1").out == "Signed out: 0 browsers.\n"
    assert run("person", "sign-out", "nobody@example.org").code != 0


def findings(texts: dict[str, list[str]], **settings: object) -> dict[str, list[str]]:
    """What the doctor finds of mail, by level; the relay isn't there, the DNS says what is given."""
    chosen = Settings(smtp_host="127.0.0.1", smtp_port=9, smtp_security="none", **settings)  # type: ignore[arg-type]
    found: dict[str, list[str]] = {"ok": [], "note": [], "wrong": []}
    for finding in examine_mail(chosen, lambda name: texts.get(name, [])):
        found[finding.level].append(f"{finding.about}: {finding.text}")
    return found


WELL = {"example.org": ["v=spf1 mx -all", "site=x"], "_dmarc.example.org": ["v=DMARC1; p=none"]}


@pytest.mark.parametrize(
    ("texts", "settings", "level", "says"),
    [
        (WELL, {}, "ok", "example.org has an SPF record"),
        (WELL, {}, "ok", "has a DMARC record"),
        (WELL, {}, "wrong", "127.0.0.1:9"),
        (WELL, {"public_url": "https://bell.example.org"}, "ok", "one click"),
        (WELL, {}, "note", "for https only"),
        ({}, {}, "note", "no SPF record"),
        ({}, {}, "note", "no DMARC record"),
        ({"example.org": ["v=spf1 a", "v=spf1 b"]}, {}, "wrong", "2 SPF records"),
        (WELL, {"mail_from": "x@localhost.localdomain"}, "wrong", "nobody takes mail from"),
        (WELL, {"mail_return_path": "b@bounces.example.org"}, "note", "bounces.example.org has no SPF"),
        (WELL, {"mail_return_path": "b@other.example.net"}, "note", "DKIM has to"),
        (WELL, {"bounce_mailbox": Path("/nowhere/box")}, "wrong", "bounce mailbox"),
        (WELL, {}, "note", "goes unseen"),
    ],
)
def test_the_doctor_judges_the_sender_by_its_records(
    texts: dict[str, list[str]], settings: dict[str, object], level: str, says: str
) -> None:
    found = findings(texts, **{"mail_from": "duskbell@example.org", **settings})
    assert any(says in text for text in found[level]), found
