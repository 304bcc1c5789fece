"""Nothing in a log line can be used against anyone."""

from __future__ import annotations

import io
import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from alerts.sites.great_circle import round_shared_deg
from service import web
from service.common.log_setup import configure_logs
from service.common.redaction import mask_mail, mask_target, mask_text, mask_url


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("mail to ada.lovelace+sky@example.org failed", "mail to a…@example.org failed"),
        ("<bob@example.net>: 550 5.1.1", "<b…@example.net>: 550 5.1.1"),
        ("POST https://hooks.chat.example/services/T0/B0/secret?x=1", "POST https://hooks.chat.example/…"),
        ("https://user:pw@host.example/x", "https://host.example/…"),
        ("http://127.0.0.1:8080/hook", "http://127.0.0.1:8080/…"),
        ("https://example.org", "https://example.org"),
        ("secret whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "secret whsec_…"),
        ("Bearer dbk_abcdefgh2345", "Bearer dbk_…"),
        ("GET /unsubscribe/-73rHG_DdL04-5w6RzT_ae5d 200", "GET /unsubscribe/… 200"),
        ("GET /confirm/abc234 404", "GET /confirm/… 404"),
        ("GET /how-was-it/abc-234_/7/2027-07-03 200", "GET /how-was-it/…/7/2027-07-03 200"),
        ("site at 40.31234,-1.42345 (1180 m)", "site at 40.30,-1.40 (1180 m)"),
        ("lat=-33.8688, lon=151.2093", "lat=-33.85, lon=151.20"),
        ("took 1.25 s and 3.50 s of 12.5", "took 1.25 s and 3.50 s of 12.5"),
        ("msg_abcdefghijklmnopqrstuvwxyz sent", "msg_abcdefghijklmnopqrstuvwxyz sent"),
    ],
)
def test_text_loses_what_must_not_be_logged_and_nothing_else(raw: str, shown: str) -> None:
    assert mask_text(raw) == shown


def test_every_page_with_a_token_in_its_path_is_masked() -> None:
    sources = "".join(file.read_text("utf-8") for file in Path(web.__path__[0]).rglob("*.py"))
    found = set(re.findall(r'"(/[\w/-]+/)\{token\}', sources))
    assert {"/unsubscribe/", "/how-was-it/"} <= found
    assert {path: mask_text(f"GET {path}t0k3n") for path in found} == {path: f"GET {path}…" for path in found}


@pytest.mark.parametrize(
    ("channel", "target", "shown"),
    [
        ("email", "you@example.org", "y…@example.org"),
        ("webhook", "https://chat.example.org/hooks/abc", "https://chat.example.org/…"),
        (
            "telegram",
            "https://api.telegram.org/bot123:ABC/sendMessage?chat_id=5",
            "https://api.telegram.org/…",
        ),
        ("named", "club", "club"),
    ],
)
def test_an_address_is_known_by_what_is_shown_and_not_usable(channel: str, target: str, shown: str) -> None:
    assert mask_target(channel, target) == shown


@given(st.emails())
def test_no_mail_address_passes_whole(address: str) -> None:
    assert address not in mask_mail(address)


@given(st.text(alphabet="abcXYZ0189/?&=._-", min_size=8, max_size=60))
def test_nothing_of_a_urls_path_passes(path: str) -> None:
    assert mask_url(f"https://host.example/{path}") == "https://host.example/…"
    assert f"/{path}" not in mask_text(f"to https://host.example/{path} now")


@pytest.mark.parametrize(
    ("exact", "shared"), [(40.3123, 40.3), (40.3251, 40.35), (-1.4249, -1.4), (0.02, 0.0), (179.99, 180.0)]
)
def test_a_shared_place_is_rounded_to_a_twentieth_of_a_degree(exact: float, shared: float) -> None:
    assert round_shared_deg(exact) == shared
    assert abs(round_shared_deg(exact) - exact) <= 0.0251


@pytest.fixture
def logged() -> Iterator[io.StringIO]:
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    stream = io.StringIO()
    configure_logs(log_format="json", level="info", stream=stream)
    yield stream
    root.handlers[:], root.level = handlers, level
    structlog.reset_defaults()


def test_a_log_line_is_one_json_object_whatever_is_in_it(logged: io.StringIO) -> None:
    logging.getLogger("x").warning("first\nsecond %s", "ada@example.org", extra={"lat_deg": 40.31234})
    (line,) = logged.getvalue().splitlines()
    said = json.loads(line)
    assert said["event"] == "first\nsecond a…@example.org"
    assert (said["level"], said["logger"], said["lat_deg"]) == ("warning", "x", 40.3)
    assert said["timestamp"].endswith("Z")


def test_a_traceback_is_masked_as_well(logged: io.StringIO) -> None:
    try:
        raise ValueError("no answer from https://chat.example/hooks/s3cret for ada@example.org")
    except ValueError:
        logging.getLogger("x").exception("failed")
    text = logged.getvalue()
    assert "ValueError" in text
    assert "s3cret" not in text
    assert "ada@" not in text


@pytest.mark.parametrize("name", ["password", "token", "secrets", "authorization"])
def test_a_value_under_a_secret_name_is_never_written(name: str, logged: io.StringIO) -> None:
    logging.getLogger("x").error("set", extra={name: "hunter2", "deep": {name: ["hunter2"]}})
    assert "hunter2" not in logged.getvalue()


def test_below_its_level_nothing_is_written_and_libraries_keep_quiet(logged: io.StringIO) -> None:
    logging.getLogger("x").debug("detail")
    logging.getLogger("apscheduler").info("job added")
    assert logged.getvalue() == ""
