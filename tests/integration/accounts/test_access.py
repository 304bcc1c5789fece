"""Confirming, unsubscribing and signing in: each link opens one thing, and strangers learn nothing."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from sqlalchemy import func, select, update

from alerts.common.errors import BadInput
from service.accounts import access, address_owner
from service.accounts.access import AskOutcome
from service.store.repositories import suppression, tokens
from service.store.repositories.messages import Status
from service.store.repositories.suppression import BarReason
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import SubscriptionRow
from service.store.schema.delivery_tables import TokenRow
from tests.integration.delivery.yard import NOW, Yard

NETWORK = "192.0.2.7"
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def welcome(yard: Yard, email: str, *, network: str = NETWORK) -> tuple[int, AskOutcome]:
    with yard.sessions.begin() as session:
        address = address_owner.typed_address(session, email, zone="Europe/Madrid", now=yard.wall)
        asked = access.ask_to_confirm(session, yard.duskbell.keys, address, network=network, now=yard.wall)
        return address.id, asked


def letters(yard: Yard) -> list[str]:
    """The text of the mails that went out, in the order of their files' age."""
    files = sorted(yard.duskbell.settings.outbox.glob("*.eml"), key=lambda path: path.stat().st_mtime_ns)
    return [path.read_text().replace("=\n", "").replace("=3D", "=") for path in files]


def links(yard: Yard, way: str) -> list[str]:
    """The tokens in the mails so far."""
    found = [re.search(rf"duskbell\.example\.org/{way}/([\w-]+)", text) for text in letters(yard)]
    return [match[1] for match in found if match]


def confirm(yard: Yard, token: str) -> bool:
    with yard.sessions.begin() as session:
        return access.confirm(session, yard.duskbell.keys, token, yard.wall) is not None


def test_an_address_from_the_web_gets_one_mail_and_nothing_else_until_it_confirms(both: Yard) -> None:
    address, asked = welcome(both, "Ada@Example.net")
    assert asked is AskOutcome.SENT
    held_back = both.message(address)
    assert both.deliver() == {Status.SENT: 1, Status.SUPPRESSED: 1}
    assert both.status(held_back) is Status.SUPPRESSED
    (token,) = links(both, "confirm")
    assert confirm(both, token)
    message_id = both.message(address)
    both.deliver()
    assert both.status(message_id) is Status.SENT


def test_a_confirmation_works_once(yard: Yard) -> None:
    welcome(yard, "ada@example.net")
    yard.deliver()
    (token,) = links(yard, "confirm")
    assert [confirm(yard, token) for _ in range(3)] == [True, False, False]


def test_a_confirmation_works_for_48_hours(yard: Yard) -> None:
    welcome(yard, "ada@example.net")
    yard.deliver()
    (token,) = links(yard, "confirm")
    yard.wall += 48 * HOUR
    assert not confirm(yard, token)


def test_one_address_is_asked_once_a_day_and_three_times_in_all(yard: Yard) -> None:
    asked = []
    for _ in range(8):
        asked.append(welcome(yard, "ada@example.net")[1])
        yard.deliver()
        yard.wall += 12 * HOUR + MINUTE
    assert asked[:5] == [
        AskOutcome.SENT,
        AskOutcome.LIMITED,
        AskOutcome.SENT,
        AskOutcome.LIMITED,
        AskOutcome.SENT,
    ]
    assert asked[5:] == [AskOutcome.ENOUGH] * 3
    assert len(letters(yard)) == 3


def test_row_64_a_flood_from_one_network_mails_few_and_asks_nobody_twice(yard: Yard) -> None:
    asked = [welcome(yard, f"p{number}@example.net")[1] for number in range(30)]
    asked += [welcome(yard, "p0@example.net")[1] for _ in range(20)]
    assert asked.count(AskOutcome.SENT) == 20
    assert set(asked[20:]) == {AskOutcome.LIMITED}
    assert welcome(yard, "other@example.net", network="198.51.100.9")[1] is AskOutcome.SENT
    assert yard.deliver() == {Status.SENT: 21}


def test_row_64_a_household_on_ipv6_is_one_network(yard: Yard) -> None:
    asked = [
        welcome(yard, f"p{number}@example.net", network=f"2001:db8::{number + 1:x}")[1]
        for number in range(25)
    ]
    assert asked.count(AskOutcome.SENT) == 20


def test_an_address_that_is_confirmed_is_not_asked_again(yard: Yard) -> None:
    yard.address("email", "ada@example.net")
    assert welcome(yard, "ADA@example.net")[1] is AskOutcome.KNOWN
    assert yard.deliver() == {}


@pytest.mark.parametrize("reason", [BarReason.BOUNCED, BarReason.COMPLAINED])
def test_an_address_that_bounced_or_complained_is_not_asked(reason: BarReason, yard: Yard) -> None:
    with yard.sessions.begin() as session:
        hashed = suppression.address_hash(yard.duskbell.keys, "email", "ada@example.net")
        suppression.suppress(session, hashed, reason, "x", NOW)
    assert welcome(yard, "ada@example.net")[1] is AskOutcome.BARRED
    assert yard.deliver() == {}


def test_something_that_is_no_address_is_refused_in_words(yard: Yard) -> None:
    with pytest.raises(BadInput, match="no mail address"):
        welcome(yard, "ada@[127.0.0.1]")


@pytest.fixture
def mailed(yard: Yard) -> tuple[Yard, int, str]:
    """An address that has had a mail, and its unsubscribe token."""
    address = yard.address("email", "ada@example.net")
    yard.message(address)
    yard.deliver()
    (token,) = links(yard, "unsubscribe")
    return yard, address, token


def unsubscribe(yard: Yard, token: str) -> bool:
    with yard.sessions.begin() as session:
        return access.unsubscribe(session, yard.duskbell.keys, token, yard.wall) is not None


def test_unsubscribing_holds_before_the_next_claim_and_as_often_as_it_is_done(
    mailed: tuple[Yard, int, str],
) -> None:
    yard, address, token = mailed
    subscription = yard.subscription(address)
    waiting = yard.message(address, subscription_id=subscription)
    assert [unsubscribe(yard, token) for _ in range(2)] == [True, True]
    assert yard.deliver(later=MINUTE) == {Status.SUPPRESSED: 1}
    assert yard.status(waiting) is Status.SUPPRESSED
    with yard.sessions() as session:
        running = select(func.count()).where(SubscriptionRow.ended_at.is_(None))
        assert session.scalar(running) == 0


def test_who_opted_out_comes_back_by_confirming_alone(mailed: tuple[Yard, int, str]) -> None:
    yard, address, token = mailed
    unsubscribe(yard, token)
    yard.wall += DAY
    assert welcome(yard, "ada@example.net") == (address, AskOutcome.SENT)
    barred = yard.message(address)
    yard.deliver()
    assert yard.status(barred) is Status.SUPPRESSED
    assert confirm(yard, links(yard, "confirm")[0])
    wanted = yard.message(address)
    yard.deliver(later=MINUTE)
    assert yard.status(wanted) is Status.SENT


def test_a_token_of_one_purpose_opens_nothing_else(mailed: tuple[Yard, int, str]) -> None:
    yard, _, token = mailed
    assert not confirm(yard, token)
    with yard.sessions.begin() as session:
        assert access.sign_in(session, token, yard.wall) is None
        assert access.check_api_key(session, token, yard.wall) is None


def ask_to_sign_in(yard: Yard, email: str) -> AskOutcome:
    with yard.sessions.begin() as session:
        return access.ask_to_sign_in(session, yard.duskbell.keys, email, network=NETWORK, now=yard.wall)


def sign_in(yard: Yard, token: str) -> int | None:
    with yard.sessions.begin() as session:
        return access.sign_in(session, token, yard.wall)


def test_signing_in_takes_the_mailed_link_once_and_within_15_minutes(yard: Yard) -> None:
    person = yard.person()
    yard.address("email", "ada@example.net", person_id=person)
    assert ask_to_sign_in(yard, "ADA@example.net") is AskOutcome.SENT
    assert ask_to_sign_in(yard, "ada@example.net") is AskOutcome.SENT
    yard.deliver()
    first, second = links(yard, "sign-in")
    assert [sign_in(yard, first), sign_in(yard, first)] == [person, None]
    yard.wall += 15 * MINUTE
    assert sign_in(yard, second) is None


@pytest.mark.parametrize("email", ["nobody@example.net", "not an address", "new@example.net"])
def test_an_unknown_or_unconfirmed_address_gets_no_mail_and_raises_nothing(email: str, yard: Yard) -> None:
    yard.address("email", "new@example.net", confirmed=False)
    assert ask_to_sign_in(yard, email) is AskOutcome.UNKNOWN
    assert yard.deliver() == {}


def test_a_link_to_sign_in_that_comes_too_late_is_not_sent(yard: Yard) -> None:
    yard.address("email", "ada@example.net")
    ask_to_sign_in(yard, "ada@example.net")
    assert yard.deliver(later=16 * MINUTE) == {Status.EXPIRED: 1}


def test_row_63_nothing_in_the_store_opens_anything(mailed: tuple[Yard, int, str]) -> None:
    yard, address, token = mailed
    with yard.sessions.begin() as session:
        key = access.make_api_key(session, 1, "scripts", yard.wall)
        fresh = tokens.mint(session, Purpose.CONFIRM, yard.wall, address_id=address)
        rows = [
            str({column.key: getattr(row, column.key) for column in TokenRow.__table__.columns})
            for row in session.scalars(select(TokenRow))
        ]
    assert key.startswith("dbk_")
    assert all(secret not in row for row in rows for secret in (token, fresh, key.removeprefix("dbk_")))
    assert len(fresh) * 5 >= 128


def test_an_api_key_works_until_it_is_revoked(yard: Yard) -> None:
    person = yard.person()
    with yard.sessions.begin() as session:
        key = access.make_api_key(session, person, "scripts", yard.wall)
        (row,) = tokens.find_api_keys(session, yard.wall)
        found = access.check_api_key(session, key, yard.wall + 364 * DAY)
        assert found is not None
        assert access.check_api_key(session, key, yard.wall + 365 * DAY) is None
        assert found.person_id == person
        access.revoke_api_key(session, row.id, yard.wall)
        assert access.check_api_key(session, key, yard.wall) is None
        with pytest.raises(BadInput, match="no key number"):
            access.revoke_api_key(session, row.id, yard.wall)


def test_of_two_who_use_a_link_at_once_one_gets_in(yard: Yard) -> None:
    """The second one's look at the row is out of date when it takes it."""
    person = yard.person()
    with yard.sessions.begin() as session:
        token = tokens.mint(session, Purpose.SIGN_IN, NOW, person_id=person)
        row = tokens.find(session, Purpose.SIGN_IN, token, NOW)
        assert row is not None
        session.execute(
            update(TokenRow).where(TokenRow.id == row.id).values(used_at=NOW),
            execution_options={"synchronize_session": False},
        )
        assert tokens.redeem(session, Purpose.SIGN_IN, token, NOW) is None
