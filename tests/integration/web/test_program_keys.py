"""Keys for programs: they end, may as much as they are for, and old ones go on."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from service.accounts import access
from service.runtime.maintenance_jobs import warn_of_keys
from service.store.repositories import tokens
from service.store.schema.delivery_tables import TokenRow
from tests.integration.pipeline.world import World
from tests.integration.web.acting import browsing_as, deliver_mail, new_person
from tests.integration.web.browsing import browsing

JUDGE = {"site": {"lat": 40.3, "lon": -1.4}}
ELSEWHERE = ("192.0.2.7", 4711)


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def make(world: World, person_id: int, use: str, days: int = 365) -> str:
    with world.duskbell.sessions.begin() as session:
        lives = timedelta(days=days)
        return access.make_api_key(session, person_id, "a program", world.wall, use=use, lives=lives)


@pytest.mark.parametrize(
    ("use", "reads", "judges", "metrics"),
    [("read", 200, 403, 404), ("judge", 200, 200, 404), ("metrics", 403, 403, 200)],
)
def test_row_91_a_key_may_what_it_is_for(
    world: World, use: str, reads: int, judges: int, metrics: int
) -> None:
    key = make(world, 1, use)
    with browsing(world) as browser:
        browser.headers["X-Forwarded-For"] = "192.0.2.7"  # metrics aren't asked for by this machine itself
        assert browser.get("/api/v1/sites", headers=bearer(key)).status_code == reads
        assert browser.post("/api/v1/judge", json=JUDGE, headers=bearer(key)).status_code == judges
        assert browser.get("/metrics", headers=bearer(key)).status_code == metrics
        refused = browser.post("/api/v1/judge", json=JUDGE, headers=bearer(key))
        if judges == 403:
            assert refused.json()["detail"] == "This key may not judge. Make one that may on the page `You`."


def test_row_91_a_key_from_before_goes_on_as_it_was_and_is_told_as_such(world: World) -> None:
    mine = new_person(world, "a@example.org")
    with world.duskbell.sessions.begin() as session:
        old = tokens.mint_key(session, mine, world.wall, tokens.KeyTerms("old", tokens.KEY_LIVES, ()))
        row = session.query(TokenRow).filter(TokenRow.label == "old").one()
        row.expires_at = row.scope = None
    world.wall += timedelta(days=800)
    with browsing_as(world, mine) as browser:
        browser.headers["X-Forwarded-For"] = "192.0.2.7"
        page = browser.get("/me").text
        assert "old, made before keys had bounds: may all" in page
        assert "never ends: make one that does, then revoke it" in page
        assert browser.get("/api/v1/sites", headers=bearer(old)).status_code == 200
        assert browser.post("/api/v1/judge", json=JUDGE, headers=bearer(old)).status_code == 200
        assert browser.get("/metrics", headers=bearer(old)).status_code == 200


def test_row_91_a_key_ends_and_says_when(world: World) -> None:
    key = make(world, 1, "read", days=30)
    ended = f"{world.wall + timedelta(days=30):%Y-%m-%d}"
    with browsing(world) as browser:
        world.wall += timedelta(days=30, seconds=1)
        answer = browser.get("/api/v1/sites", headers=bearer(key))
    assert answer.status_code == 401
    assert answer.json()["detail"] == f"This key ended on {ended}. Make one on the page `You`."
    assert answer.headers["www-authenticate"] == "Bearer"


def test_row_91_its_owner_is_warned_once_and_nobody_else(world: World) -> None:
    mine = new_person(world, "a@example.org")
    new_person(world, "b@example.org")
    make(world, mine, "read", days=30)
    make(world, 1, "read", days=365)
    counts = []
    for _ in range(3):
        counts.append(warn_of_keys(world.duskbell))
        world.wall += timedelta(days=9)
    assert counts == [0, 0, 1]
    assert warn_of_keys(world.duskbell) == 0
    deliver_mail(world)
    mails = [mail for _, mail in world.box.mails if "key of yours ends" in str(mail["Subject"])]
    assert [str(mail["To"]) for mail in mails] == ["a@example.org"]
    with browsing_as(world, mine) as browser:
        assert "make another soon" in browser.get("/me").text


@pytest.mark.parametrize("days", ["0", "732", "99999999", "-1", "x", "٣"])
def test_row_91_a_key_without_a_usable_end_is_not_made(world: World, owner: TestClient, days: str) -> None:
    answer = owner.post("/me/keys", data={"label": "phone", "use": "read", "days": days})
    assert answer.status_code == 400
    assert "A key works for 1 to 731 days" in answer.text
    with world.duskbell.sessions() as session:
        assert tokens.find_api_keys(session, world.wall) == []


def test_row_91_metrics_are_no_friends_to_ask_for(world: World) -> None:
    with browsing_as(world, new_person(world, "a@example.org")) as browser:
        answer = browser.post("/me/keys", data={"label": "phone", "use": "metrics", "days": "30"})
        assert "Metrics are the operator" in answer.text
        made = browser.post("/me/keys", data={"label": "phone", "use": "read", "days": "30"})
        assert re.search(r"dbk_\w+", made.text)
