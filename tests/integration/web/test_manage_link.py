"""The link in each mail to one's own page: it helps its reader in, and nobody else who has the mail."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from service.channels.email import MailServer
from service.store.repositories.messages import NoticeKind
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.delivery.yard import Yard
from tests.integration.web.test_links import OpenYard, new_yard, visiting, yard

__all__ = ["new_yard", "yard"]
ORIGIN = {"Origin": "https://duskbell.example.org"}


@pytest.fixture
def mailed(new_yard: OpenYard) -> Iterator[tuple[Yard, Relay, str, int]]:
    """An alert has gone out by mail: the yard, the relay, the path of its link, its address."""
    relay = Relay()
    with running(relay) as server, new_yard(relay=server) as yard:
        assert isinstance(server, MailServer)
        address = yard.address("email", "ada@example.net")
        yard.message(address)
        yard.deliver()
        yield yard, relay, _path("manage", relay.taken[0][2]), address


def _path(way: str, mail: bytes) -> str:
    found = re.search(rb"https://duskbell\.example\.org(/" + way.encode() + rb"/[\w-]+)", _unfolded(mail))
    assert found is not None
    return found[1].decode()


def _unfolded(mail: bytes) -> bytes:
    return mail.replace(b"=\r\n", b"").replace(b"=3D", b"=")


def test_it_offers_a_button_and_shows_no_whole_address(mailed: tuple[Yard, Relay, str, int]) -> None:
    yard, relay, path, _ = mailed
    with visiting(yard) as visitor:
        page = visitor.get(path)
    assert page.status_code == 200
    assert "Send me the link" in page.text
    assert "ada@example.net" not in page.text
    assert "set-cookie" not in page.headers
    yard.deliver()
    assert len(relay.taken) == 1, "looking sends nothing: scanners look too"


def test_the_button_mails_a_link_to_the_address_and_lets_nobody_in(
    mailed: tuple[Yard, Relay, str, int],
) -> None:
    yard, relay, path, address = mailed
    with visiting(yard, **ORIGIN) as visitor:
        answer = visitor.post(path)
        assert answer.status_code == 200
        assert "set-cookie" not in answer.headers
        assert visitor.get("/me", follow_redirects=False).status_code == 303
        assert yard.notices() == [(NoticeKind.SIGN_IN, address)]
        yard.deliver()
        assert relay.taken[-1][1] == ["ada@example.net"]
        visitor.post(_path("sign-in", relay.taken[-1][2]), follow_redirects=False)
        assert visitor.get("/me").status_code == 200
        assert visitor.get(path, follow_redirects=False).headers["location"] == "/me"


def test_another_sites_page_can_not_press_it(mailed: tuple[Yard, Relay, str, int]) -> None:
    yard, _, path, _ = mailed
    with visiting(yard, Origin="https://evil.example") as visitor:
        assert visitor.post(path).status_code == 403
    assert yard.notices() == []


def test_pressed_again_and_again_it_mails_five_an_hour(mailed: tuple[Yard, Relay, str, int]) -> None:
    yard, _, path, _ = mailed
    with visiting(yard, **ORIGIN) as visitor:
        assert {visitor.post(path).status_code for _ in range(8)} == {200}
    assert len(yard.notices()) == 5


def test_row_63_a_link_that_leads_nowhere_looks_like_any_other(yard: Yard) -> None:
    with visiting(yard, **ORIGIN) as visitor:
        texts = {visitor.request(method, "/manage/" + "a" * 32).text for method in ("GET", "POST")}
        texts.add(visitor.get("/unsubscribe/" + "a" * 32).text)
    assert len(texts) == 1
