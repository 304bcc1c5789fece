"""The doors that strangers find: links from mails, the relay's reports, health and metrics."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
from pydantic import SecretStr
from sqlalchemy import text
from starlette.testclient import TestClient

from service.accounts import access
from service.store.repositories import cycles
from service.store.repositories.messages import Status
from service.store.repositories.tokens import Purpose, mint, standing_links
from service.web.app import build_app
from tests.integration.conftest import NewStore
from tests.integration.delivery.yard import Yard, open_yard
from tests.unit.service.delivery.test_bounce_reports import COMPLAINT, NASTY, OURS, status_report

STRANGER = ("192.0.2.7", 50000)


@contextmanager
def visiting(yard: Yard, client: tuple[str, int] = STRANGER, **headers: str) -> Iterator[TestClient]:
    """The pages as seen from elsewhere, without a cookie and from no page of ours."""
    app = build_app(yard.duskbell)
    with TestClient(app, base_url="https://duskbell.example.org", headers=headers, client=client) as visitor:
        yield visitor


OpenYard = partial[AbstractContextManager[Yard]]


@pytest.fixture
def new_yard(tmp_path: Path, new_store: NewStore) -> OpenYard:
    return partial(open_yard, tmp_path, new_store(tmp_path))


@pytest.fixture
def yard(new_yard: OpenYard) -> Iterator[Yard]:
    with new_yard() as yard:
        yield yard


def unsubscribe_path(yard: Yard, address: int) -> str:
    with yard.sessions.begin() as session:
        found = standing_links(session, yard.duskbell.keys, Purpose.UNSUBSCRIBE, [address], yard.wall)
    return f"/unsubscribe/{found[address]}"


def confirm_path(yard: Yard, address: int) -> str:
    with yard.sessions.begin() as session:
        return f"/confirm/{mint(session, Purpose.CONFIRM, yard.wall, address_id=address)}"


def test_a_get_shows_a_button_and_changes_nothing(yard: Yard) -> None:
    address = yard.address("email", "ada@example.net")
    path = unsubscribe_path(yard, address)
    with visiting(yard) as visitor:
        for method in (visitor.get, visitor.head):
            answer = method(path)
            assert answer.status_code in (200, 405)
        page = visitor.get(path).text
    assert "a…@example.net" in page
    assert "ada@" not in page
    assert f'action="{path}"' in page
    assert 'method="post"' in page
    assert yard.address_row(address).off_since is None


@pytest.mark.parametrize(
    "sent",
    [
        {"data": {"List-Unsubscribe": "One-Click"}},
        {"files": {"List-Unsubscribe": (None, "One-Click")}},
        {},
    ],
    ids=["urlencoded", "multipart", "nothing"],
)
def test_the_one_click_of_a_mail_program_acts_without_cookie_or_origin(
    sent: dict[str, object], yard: Yard
) -> None:
    address = yard.address("email", "ada@example.net")
    waiting = yard.message(address)
    with visiting(yard) as visitor:
        for _ in range(2):
            answer = visitor.post(unsubscribe_path(yard, address), follow_redirects=False, **sent)  # type: ignore[arg-type]
            assert answer.status_code == 200
            assert "set-cookie" not in answer.headers
    assert yard.deliver() == {Status.SUPPRESSED: 1}
    assert yard.status(waiting) is Status.SUPPRESSED


def test_an_address_is_confirmed_by_the_button_and_only_once(yard: Yard) -> None:
    address = yard.address("email", "ada@example.net", confirmed=False)
    path = confirm_path(yard, address)
    with visiting(yard, Origin="https://duskbell.example.org") as visitor:
        assert "a…@example.net" in visitor.get(path).text
        assert yard.address_row(address).confirmed_at is None
        assert visitor.post(path).status_code == 200
        assert yard.address_row(address).confirmed_at == yard.wall
        assert visitor.post(path).status_code == 404
        assert visitor.get(path).status_code == 404


def test_another_sites_page_can_not_press_the_button(yard: Yard) -> None:
    address = yard.address("email", "ada@example.net", confirmed=False)
    with visiting(yard, Origin="https://evil.example") as visitor:
        assert visitor.post(confirm_path(yard, address)).status_code == 403
    assert yard.address_row(address).confirmed_at is None


def test_row_63_every_link_that_does_not_work_looks_the_same(yard: Yard) -> None:
    address = yard.address("email", "ada@example.net")
    used, wrong_purpose = confirm_path(yard, address), unsubscribe_path(yard, address).rpartition("/")[2]
    with yard.sessions.begin() as session:
        access.confirm(session, yard.duskbell.keys, used.rpartition("/")[2], yard.wall)
    with visiting(yard) as visitor:
        pages = {
            visitor.get(path).text
            for path in (used, f"/confirm/{wrong_purpose}", "/confirm/x", "/unsubscribe/x")
        }
        answer = visitor.get("/confirm/x")
    assert len(pages) == 1
    assert answer.status_code == 404
    assert answer.headers["Referrer-Policy"] == "same-origin"
    assert answer.headers["Cache-Control"] == "no-store"


def test_row_63_guessing_is_slowed_down_for_its_network_alone(yard: Yard) -> None:
    path = unsubscribe_path(yard, yard.address("email", "ada@example.net"))
    with visiting(yard) as guesser:
        codes = [guesser.get(f"/unsubscribe/guess{number}").status_code for number in range(15)]
        assert codes == [404] * 10 + [429] * 5
        assert guesser.get("/confirm/x").headers["Retry-After"] == "60"
        assert guesser.get(path).status_code == 200
    with visiting(yard, ("198.51.100.9", 1)) as other:
        assert other.get("/unsubscribe/x").status_code == 404
    yard.wall += timedelta(minutes=1)
    with visiting(yard) as guesser:
        assert guesser.get("/unsubscribe/x").status_code == 404


def test_behind_a_trusted_proxy_the_client_is_who_it_says(new_yard: OpenYard) -> None:
    with new_yard(trusted_proxies=("10.0.0.0/8",)) as yard:
        with visiting(yard, ("10.0.0.1", 1), **{"X-Forwarded-For": "1.1.1.1, 192.0.2.7"}) as guesser:
            assert [guesser.get("/confirm/x").status_code for _ in range(11)][-1] == 429
        with visiting(yard, ("10.0.0.1", 1), **{"X-Forwarded-For": "2.2.2.2, 192.0.2.7"}) as same:
            assert same.get("/confirm/x").status_code == 429
        with visiting(yard, ("10.0.0.1", 1), **{"X-Forwarded-For": "192.0.2.8"}) as other:
            assert other.get("/confirm/x").status_code == 404


def test_row_89_a_line_that_the_proxy_adds_below_the_clients_own_is_the_one_that_counts(
    new_yard: OpenYard,
) -> None:
    codes = []
    with new_yard(trusted_proxies=("10.0.0.0/8",)) as yard, visiting(yard, ("10.0.0.1", 1)) as guesser:
        for number in range(12):
            lines = [("X-Forwarded-For", f"192.0.2.{number}"), ("X-Forwarded-For", "198.51.100.1")]
            codes.append(guesser.get("/confirm/x", headers=lines).status_code)
    assert codes.count(404) == 10


def test_row_90_asking_for_addresses_nobody_has_keeps_nobody_out(yard: Yard) -> None:
    known = yard.address("email", "ada@example.net")
    assert known
    with yard.sessions.begin() as session:
        for number in range(700):
            access.ask_to_sign_in(
                session,
                yard.duskbell.keys,
                f"nobody{number}@example.org",
                network=f"10.{number % 250}.{number // 250}.1",
                now=yard.wall,
            )
        asked = access.ask_to_sign_in(
            session, yard.duskbell.keys, "ada@example.net", network="192.0.2.7", now=yard.wall
        )
    assert asked is access.AskOutcome.SENT


def test_without_a_trusted_proxy_nobody_talks_their_way_round_a_limit(yard: Yard) -> None:
    codes = []
    for number in range(12):
        with visiting(yard, **{"X-Forwarded-For": f"192.0.2.{number}"}) as guesser:
            codes.append(guesser.get("/confirm/x").status_code)
    assert codes.count(404) == 10


# The relay's reports

KEY = "a-key-of-the-relay"


@pytest.fixture
def relayed(new_yard: OpenYard) -> Iterator[tuple[Yard, int, list[str]]]:
    """An address that had two mails, and the relay's key is set."""
    with new_yard(relay_hook_key=SecretStr(KEY)) as yard:
        address = yard.address("email", "ada@example.net")
        made = [yard.message(address) for _ in range(2)]
        yard.deliver()
        yield yard, address, made


@pytest.mark.parametrize(
    "authorization", [f"Bearer {KEY}", "Basic " + b64encode(f"relay:{KEY}".encode()).decode()]
)
def test_the_relay_reports_by_json_or_hands_the_returned_mail_over(
    authorization: str, relayed: tuple[Yard, int, list[str]]
) -> None:
    yard, address, (first, second) = relayed
    with visiting(yard, Authorization=authorization) as relay:
        event = {"message_id": f"<{first}@example.org>", "kind": "bounce", "status": "5.1.1"}
        answer = relay.post("/relay/bounces", json={"events": [event, {"message_id": "other"}, "odd"]})
        assert answer.json() == {"known": 1, "unknown": 0}
        assert yard.address_row(address).off_since is None
        answer = relay.post(
            "/relay/bounces", content=status_report(ours=second), headers={"Content-Type": "message/rfc822"}
        )
        assert answer.json() == {"known": 1, "unknown": 0}
    assert yard.address_row(address).off_reason == "mail to it comes back"


def test_a_complaint_reported_alone_silences_at_once(relayed: tuple[Yard, int, list[str]]) -> None:
    yard, address, (first, _) = relayed
    with visiting(yard, Authorization=f"Bearer {KEY}") as relay:
        answer = relay.post("/relay/bounces", json={"message_id": first, "kind": "complaint"})
        assert answer.json() == {"known": 1, "unknown": 0}
    assert yard.address_row(address).off_reason == "its reader complained"


def test_a_complaint_handed_over_as_it_came_silences_at_once(relayed: tuple[Yard, int, list[str]]) -> None:
    yard, address, (first, _) = relayed
    with visiting(yard, Authorization=f"Bearer {KEY}") as relay:
        answer = relay.post(
            "/relay/bounces",
            content=COMPLAINT.replace(OURS.encode(), first.encode()),
            headers={"Content-Type": "message/rfc822"},
        )
        assert answer.json() == {"known": 1, "unknown": 0}
    assert yard.address_row(address).off_reason == "its reader complained"


@pytest.mark.parametrize("authorization", ["", "Bearer wrong", f"Basic {KEY}", "Basic !!!", f"Digest {KEY}"])
def test_without_the_key_nothing_is_reported(
    authorization: str, relayed: tuple[Yard, int, list[str]]
) -> None:
    yard, address, (first, _) = relayed
    with visiting(yard, Authorization=authorization) as stranger:
        answer = stranger.post("/relay/bounces", json={"message_id": first, "kind": "complaint"})
        assert answer.status_code == 401
        assert answer.json()["detail"] == "The key is wrong."
    assert yard.address_row(address).off_since is None


@pytest.mark.parametrize("body", [b"", b"{", b"[" * 5000, b'"x"', b"5", b'{"events": 5}', b"null"])
def test_a_body_that_is_no_report_is_refused(body: bytes, relayed: tuple[Yard, int, list[str]]) -> None:
    with visiting(relayed[0], Authorization=f"Bearer {KEY}") as relay:
        assert relay.post("/relay/bounces", content=body).status_code == 400


def test_where_no_key_is_set_there_is_no_door(yard: Yard) -> None:
    with visiting(yard, Authorization="Bearer ") as stranger:
        assert stranger.post("/relay/bounces", json={}).status_code == 404


# Health and metrics


def finish_cycle(yard: Yard) -> None:
    with yard.sessions.begin() as session:
        cycle = cycles.begin(session, yard.wall, yard.wall)
        assert cycle is not None
        cycles.finish(session, cycle.id, yard.wall, {})


def test_p8_healthz_turns_ill_when_no_cycle_finished_for_two_periods(yard: Yard) -> None:
    finish_cycle(yard)
    with visiting(yard) as prober:
        yard.wall += timedelta(minutes=60)
        assert prober.get("/healthz").status_code == 200
        yard.wall += timedelta(minutes=1)
        answer = prober.get("/healthz")
    assert answer.status_code == 503
    assert "61 minutes" in answer.json()["why"]


@pytest.mark.parametrize("nasty", NASTY.values(), ids=NASTY.keys())
def test_row_126_the_relay_may_hand_over_what_is_made_to_break_the_reader(
    nasty: bytes, relayed: tuple[Yard, int, list[str]]
) -> None:
    with visiting(relayed[0], Authorization=f"Bearer {KEY}") as relay:
        headers = {"Content-Type": "message/rfc822"}
        answer = relay.post("/relay/bounces", content=nasty, headers=headers)
    assert (answer.status_code, answer.json()) == (200, {"known": 0, "unknown": 0})


def test_readyz_wants_a_store_that_has_the_tables_and_can_be_written(yard: Yard) -> None:
    with visiting(yard) as prober:
        assert prober.get("/readyz").json() == {"ok": True}
        with yard.duskbell.engine.begin() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        answer = prober.get("/readyz")
    assert (answer.status_code, answer.json()) == (503, {"ok": False, "why": "StoreError"})


LOCAL = ("127.0.0.1", 50000)


def metrics(yard: Yard) -> dict[str, float]:
    with visiting(yard, LOCAL) as prometheus:
        answer = prometheus.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain")
    lines = [line for line in answer.text.splitlines() if not line.startswith("#")]
    return {line.rpartition(" ")[0]: float(line.rpartition(" ")[2]) for line in lines}


def test_metrics_count_what_was_sent_and_show_what_waits(yard: Yard) -> None:
    finish_cycle(yard)
    address = yard.address("email", "ada@example.net")
    yard.message(address)
    yard.deliver()
    yard.message(address)
    yard.wall += timedelta(seconds=90)
    said = metrics(yard)
    assert said['duskbell_deliveries_total{channel="email",reason="file",result="sent"}'] == 1
    assert said['duskbell_outbox_rows{status="sent"}'] == 1
    assert said['duskbell_outbox_rows{status="due"}'] == 1
    assert said["duskbell_outbox_oldest_due_seconds"] == 90
    assert said["duskbell_cycle_last_success_timestamp_seconds"] == yard.wall.timestamp() - 90
    assert said['duskbell_decision_changes_total{verdict="go"}'] == 2
    assert not any("example" in name for name in said)


def test_metrics_are_for_this_machine_and_for_keys(yard: Yard) -> None:
    operator = yard.person(is_operator=True)
    with yard.sessions.begin() as session:
        key = access.make_api_key(session, operator, "prometheus", yard.wall, use="metrics")
    with visiting(yard) as stranger:
        assert stranger.get("/metrics").status_code == 404
        assert stranger.get("/metrics", headers={"Authorization": "Bearer dbk_guess"}).status_code == 404
        assert stranger.get("/metrics", headers={"Authorization": f"Bearer {key}"}).status_code == 200
    with visiting(yard, LOCAL, **{"X-Forwarded-For": "192.0.2.7"}) as passed_on:
        assert passed_on.get("/metrics").status_code == 404


def test_an_operator_may_open_the_metrics(new_yard: OpenYard) -> None:
    with new_yard(metrics_open=True) as yard, visiting(yard) as stranger:
        assert stranger.get("/metrics").status_code == 200
