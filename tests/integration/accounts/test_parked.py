"""An address that somebody typed in belongs to nobody but them until its reader has said so."""

from __future__ import annotations

from datetime import timedelta
from email import message_from_bytes, policy

import pytest
from sqlalchemy import select

from alerts.common.errors import BadInput
from service.accounts import access, address_owner
from service.accounts.access import AskOutcome
from service.channels.email_message import check_mail_address
from service.channels.host_state import FailureOutcome
from service.common.clock import Moment
from service.delivery.results import tell_owner
from service.store.maintenance import personal_data
from service.store.repositories import suppression, tokens
from service.store.repositories.messages import Status
from service.store.repositories.suppression import BarReason
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import AddressRow, PersonRow, SubscriptionRow
from service.store.schema.delivery_tables import SuppressionRow
from tests.integration.accounts.test_access import (  # fmt: skip
    NETWORK,
    ask_to_sign_in,
    links,
    sign_in,
    unsubscribe,
    welcome,
)
from tests.integration.delivery.yard import NOW, Yard

VICTIM = "victim@example.net"
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def attacker(yard: Yard) -> int:
    """Somebody with an account here, and a site of theirs."""
    person = yard.person(name="Mallory")
    yard.subscription(yard.address("email", "mallory@example.org", person_id=person))
    return person


def park(yard: Yard, person: int, email: str = VICTIM) -> AskOutcome:
    """Type a stranger's address into one's own account, as the page You does."""
    with yard.sessions.begin() as session:
        row = address_owner.add_joining(
            session,
            check_mail_address(email),
            session.get_one(PersonRow, person),
            is_own=False,
            now=yard.wall,
        )
        return access.ask_to_confirm(session, yard.duskbell.keys, row, network=NETWORK, now=yard.wall)


def confirm(yard: Yard, token: str, *, joins: bool = False) -> int:
    """The person whom the address belongs to once its reader has confirmed."""
    with yard.sessions.begin() as session:
        row = access.confirm(session, yard.duskbell.keys, token, yard.wall, joins=joins)
        assert row is not None
        return row.person_id


def entered(yard: Yard, email: str) -> int | None:
    """Whom a link to sign in lets in that is mailed to the address."""
    seen = len(links(yard, "sign-in"))
    ask_to_sign_in(yard, email)
    yard.deliver()
    found = links(yard, "sign-in")
    return sign_in(yard, found[-1]) if len(found) > seen else None


def texts(yard: Yard) -> list[str]:
    files = sorted(yard.duskbell.settings.outbox.glob("*.eml"), key=lambda path: path.stat().st_mtime_ns)
    mails = [message_from_bytes(path.read_bytes(), policy=policy.default) for path in files]
    return [" ".join(mail.get_body(("plain",)).get_content().split()) for mail in mails]  # type: ignore[union-attr]


def test_row_80_a_parked_address_becomes_its_own_person_when_its_reader_confirms(
    yard: Yard, attacker: int
) -> None:
    assert park(yard, attacker) is AskOutcome.SENT
    yard.deliver()
    (token,) = links(yard, "confirm")
    victim = confirm(yard, token)
    assert victim != attacker
    assert entered(yard, VICTIM) == victim
    with yard.sessions() as session:
        mine = session.scalars(select(AddressRow.target).where(AddressRow.person_id == victim)).all()
        assert mine == [VICTIM]
        own = address_owner.get_person(session, VICTIM)
        assert personal_data.export(session, own)["site"] == []


def test_row_80_the_mail_says_which_account_it_joins_and_it_joins_when_its_reader_wants(
    yard: Yard, attacker: int
) -> None:
    park(yard, attacker, "second@example.org")
    yard.deliver()
    assert "The account of m…@example.org asked" in texts(yard)[0]
    (token,) = links(yard, "confirm")
    assert confirm(yard, token, joins=True) == attacker
    assert entered(yard, "second@example.org") == attacker
    assert "to the account of m…@example.org" in texts(yard)[-1]


@pytest.mark.parametrize("joins", [False, True])
def test_row_80_who_has_an_account_is_not_drawn_into_another(joins: bool, yard: Yard, attacker: int) -> None:
    """Parked first, and the victim had come by another way before they pressed the button."""
    park(yard, attacker)
    yard.deliver()
    victim = yard.person(name="Vera")
    yard.address("email", VICTIM, person_id=victim)
    (token,) = links(yard, "confirm")
    assert confirm(yard, token, joins=joins) == victim
    assert entered(yard, VICTIM) == victim


def test_row_80_nobody_is_asked_to_join_who_has_an_account_already(yard: Yard, attacker: int) -> None:
    victim = yard.person(name="Vera")
    address = yard.address("email", VICTIM, person_id=victim)
    assert park(yard, attacker) is AskOutcome.KNOWN
    yard.message(address)
    yard.deliver()
    unsubscribe(yard, links(yard, "unsubscribe")[0])
    assert park(yard, attacker) is AskOutcome.KNOWN
    assert links(yard, "confirm") == []


@pytest.mark.parametrize("order", ["parked first", "asked first"])
def test_row_81_of_two_who_ask_for_one_address_its_reader_belongs_to_neither(
    order: str, yard: Yard, attacker: int
) -> None:
    """The one mail of the day is whose came first; its link gives the reader an account all the same."""
    if order == "asked first":
        asked, _ = welcome(yard, VICTIM)
        park(yard, attacker)
    else:
        park(yard, attacker)
        asked, _ = welcome(yard, VICTIM)
    other = yard.person(name="Trudy")
    yard.address("email", "trudy@example.org", person_id=other)
    assert park(yard, other) is AskOutcome.LIMITED
    yard.deliver()
    (token,) = links(yard, "confirm")
    victim = confirm(yard, token)
    assert victim == yard.address_row(asked).person_id
    assert victim not in (attacker, other)
    yard.wall += DAY + MINUTE
    assert {park(yard, attacker), park(yard, other)} == {AskOutcome.KNOWN}


@pytest.mark.parametrize(
    ("parked", "typed"),
    [
        ("Victim@Example.net", "victim@EXAMPLE.NET"),
        ("victim@bücher.example", "victim@xn--bcher-kva.example"),
        ("victim@xn--bcher-kva.example", "Victim@BÜCHER.example"),
    ],
    ids=["case", "letters, then ASCII", "ASCII, then letters"],
)
def test_row_81_an_address_is_one_however_it_is_spelled(
    parked: str, typed: str, yard: Yard, attacker: int
) -> None:
    park(yard, attacker, parked)
    asked, limited = welcome(yard, typed)
    assert limited is AskOutcome.LIMITED, "it is one mailbox, and had its mail today"
    yard.deliver()
    (token,) = links(yard, "confirm")
    victim = confirm(yard, token)
    assert victim == yard.address_row(asked).person_id
    assert {entered(yard, parked), entered(yard, typed)} == {victim}


def test_row_81_a_row_that_an_older_version_stored_in_letters_is_found(yard: Yard) -> None:
    old = yard.person(name="Old")
    yard.address("email", "old@bücher.example", person_id=old)
    assert welcome(yard, "OLD@xn--bcher-kva.example")[1] is AskOutcome.KNOWN


def test_row_81_a_link_is_dead_once_who_asked_is_erased(yard: Yard, attacker: int) -> None:
    park(yard, attacker)
    yard.deliver()
    (token,) = links(yard, "confirm")
    erase(yard, attacker)
    with yard.sessions.begin() as session:
        assert access.confirm(session, yard.duskbell.keys, token, yard.wall) is None
    yard.wall += DAY
    victim = yard.address_row(welcome(yard, VICTIM)[0]).person_id
    yard.deliver()
    assert confirm(yard, links(yard, "confirm")[-1]) == victim


def test_row_81_two_rows_that_wait_for_one_address_become_one_person(yard: Yard) -> None:
    """As two requests at the same moment leave them."""
    first = yard.address("email", VICTIM, confirmed=False)
    second = yard.address("email", VICTIM.upper(), confirmed=False)
    subscription = yard.subscription(second)
    with yard.sessions.begin() as session:
        found = [tokens.mint(session, Purpose.CONFIRM, NOW, address_id=each) for each in (first, second)]
    assert confirm(yard, found[0]) == confirm(yard, found[1])
    with yard.sessions() as session:
        assert session.get_one(SubscriptionRow, subscription).address_id == first


def erase(yard: Yard, person: int) -> None:
    with yard.sessions.begin() as session:
        personal_data.erase(session, yard.duskbell.keys, session.get_one(PersonRow, person), yard.wall)


def test_row_85_who_erases_their_account_silences_nobody_whose_address_they_parked(
    yard: Yard, attacker: int
) -> None:
    victim = yard.address("email", VICTIM)
    park(yard, attacker)
    erase(yard, attacker)
    with yard.sessions() as session:
        hashed = {
            name: suppression.address_hash(yard.duskbell.keys, "email", name)
            for name in (VICTIM, "mallory@example.org")
        }
        listed = set(session.scalars(select(SuppressionRow.address_hash)))
    assert listed == {hashed["mallory@example.org"]}
    message = yard.message(victim)
    yard.deliver()
    assert yard.status(message) is Status.SENT


def test_row_86_a_person_named_by_a_mail_address_is_never_who_parked_it(yard: Yard, attacker: int) -> None:
    park(yard, attacker)
    with yard.sessions() as session, pytest.raises(BadInput, match="nobody here"):
        address_owner.get_person(session, VICTIM)
    victim = yard.person(name="Vera")
    yard.address("email", VICTIM, person_id=victim)
    with yard.sessions() as session:
        assert address_owner.get_person(session, VICTIM.upper()).id == victim


def test_row_86_nor_the_operator_on_whom_it_hangs(yard: Yard) -> None:
    operator = yard.person(is_operator=True)
    yard.address("email", VICTIM, person_id=operator)
    with yard.sessions() as session, pytest.raises(BadInput, match="give-away 1"):
        address_owner.get_person(session, VICTIM)


def test_row_83_who_opted_out_gets_one_link_a_day_however_often_anybody_asks(yard: Yard) -> None:
    person = yard.person()
    address = yard.address("email", VICTIM, person_id=person)
    yard.message(address)
    yard.deliver()
    unsubscribe(yard, links(yard, "unsubscribe")[0])
    asked = []
    for _ in range(48):
        asked += [ask_to_sign_in(yard, VICTIM), ask_to_sign_in(yard, VICTIM.upper())]
        yard.deliver()
        yard.wall += HOUR
    assert asked.count(AskOutcome.SENT) == len(links(yard, "sign-in")) == 2
    assert sign_in(yard, links(yard, "sign-in")[0]) is None, "15 minutes are long past"
    yard.wall += DAY
    assert entered(yard, VICTIM) == person, "a day later they get in"


def test_row_83_and_nobody_elses_links_are_fewer_for_it(yard: Yard) -> None:
    yard.address("email", "other@example.net")
    with yard.sessions.begin() as session:
        hashed = suppression.address_hash(yard.duskbell.keys, "email", VICTIM)
        suppression.suppress(session, hashed, BarReason.OPTED_OUT, "x", NOW)
    assert [ask_to_sign_in(yard, "other@example.net") for _ in range(5)] == [AskOutcome.SENT] * 5


def test_row_78_a_friend_that_hangs_on_the_operator_hears_nothing_of_other_addresses(yard: Yard) -> None:
    operator = yard.person(is_operator=True)
    yard.address("email", VICTIM, person_id=operator)
    failing = yard.address("webhook", "https://chat.example.org/a", person_id=operator)
    with yard.sessions.begin() as session:
        row = session.get_one(AddressRow, failing)
        tell_owner(session, row, FailureOutcome.FAILING, "500", Moment(NOW, NOW))
    assert (yard.notices(), yard.troubles()) == ([], {f"address {failing}"})


def test_row_78_an_address_with_an_account_of_its_own_takes_over_what_it_was_told_on_the_operator(
    yard: Yard,
) -> None:
    operator, friend = yard.person(is_operator=True), yard.person()
    own = yard.address("email", "Friend@example.net", person_id=friend)
    hanging = yard.address("email", "friend@example.net", person_id=operator)
    told = yard.subscription(hanging)
    message = yard.message(hanging, subscription_id=told)
    with yard.sessions.begin() as session:
        given = address_owner.give_away(session, session.get_one(AddressRow, hanging), now=NOW)
        assert given.id == own
    yard.deliver()
    assert yard.status(message) is Status.SENT
    with yard.sessions() as session:
        row = session.get_one(SubscriptionRow, told)
        assert (row.person_id, row.address_id, row.ended_at) == (friend, own, None)
        assert session.get(AddressRow, hanging) is None
