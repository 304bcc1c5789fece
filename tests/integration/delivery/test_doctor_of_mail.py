"""What the doctor says of a relay that is really there: STARTTLS, TLS, a login, or none of them."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from service.channels.email import MailServer
from service.cli.doctor_outside import examine_mail
from service.settings import Settings
from tests.integration.channels.channel_receivers import AUTHORITY, DATA
from tests.integration.channels.mail_relays import Relay, running

PASSWORD = "correct horse"


def certificate() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(DATA / "test-receiver.pem")
    return context


def login(_server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: object) -> AuthResult:
    assert isinstance(data, LoginPassword)
    return AuthResult(success=data.password == PASSWORD.encode(), handled=False)


@contextmanager
def relay(kind: str) -> Iterator[MailServer]:
    """A relay that offers STARTTLS, speaks TLS from the first byte, or neither."""
    options = {
        "starttls": {"tls_context": certificate(), "require_starttls": True, "authenticator": login},
        "tls": {"ssl_context": certificate()},
        "none": {},
    }[kind]
    with running(Relay(), **options) as server:
        yield server


@pytest.fixture
def trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test's authority is one of the system's."""
    monkeypatch.setenv("SSL_CERT_FILE", AUTHORITY)


def relay_findings(server: MailServer, security: str, **settings: object) -> list[tuple[str, str]]:
    """Level and text of what is found of the relay."""
    chosen = Settings(  # type: ignore[call-arg]
        smtp_host="127.0.0.1",
        smtp_port=server.port,
        smtp_security=security,
        mail_from="duskbell@example.org",
        **settings,
    )
    found = examine_mail(chosen, lambda _: [])
    return [(each.level, each.text) for each in found if each.about == "mail"]


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize("kind", ["starttls", "tls"])
def test_a_relay_with_a_good_certificate_is_well(kind: str) -> None:
    with relay(kind) as server:
        assert relay_findings(server, kind) == [
            ("ok", f"127.0.0.1:{server.port} answers over a checked TLS connection")
        ]


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize(
    ("password", "level", "says"),
    [(PASSWORD, "ok", "logged in as bell"), ("wrong", "wrong", "Check smtp_user and smtp_password")],
    ids=["right", "wrong"],
)
def test_the_login_is_tried(password: str, level: str, says: str) -> None:
    with relay("starttls") as server:
        ((found, text),) = relay_findings(server, "starttls", smtp_user="bell", smtp_password=password)
    assert found == level
    assert says in text
    assert PASSWORD not in text


@pytest.mark.parametrize("kind", ["starttls", "tls"])
def test_a_certificate_of_an_unknown_authority_is_wrong(kind: str) -> None:
    with relay(kind) as server:
        ((level, text),) = relay_findings(server, kind)
    assert level == "wrong"
    assert "certificate must be valid" in text


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize(
    ("kind", "security", "says"),
    [
        ("none", "starttls", "Set smtp_security to tls or none"),
        ("none", "tls", "no secure connection"),
        ("starttls", "none", "Check smtp_security"),
    ],
    ids=["no_starttls_there", "no_tls_there", "only_with_starttls"],
)
def test_a_setting_that_does_not_fit_the_relay_is_told(kind: str, security: str, says: str) -> None:
    with relay(kind) as server:
        found = relay_findings(server, security)
    assert found[0][0] == "wrong"
    assert says in found[0][1]


def test_a_sender_that_the_relay_does_not_allow_is_told() -> None:
    with running(Relay(sender="550 5.7.1 not your domain")) as server:
        ((level, text),) = relay_findings(server, "none")
    assert level == "wrong"
    assert "the relay must allow that sender" in text


def test_no_mail_is_sent_by_looking() -> None:
    watched = Relay()
    with running(watched) as server:
        relay_findings(server, "none")
    assert watched.taken == []
