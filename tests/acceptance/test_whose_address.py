"""Whose an address is that the operator adds by command, and how it changes hands."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import select

from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES
from service.app import build
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site, get_site
from service.store.schema.core_tables import AddressRow, PersonRow, SubscriptionRow
from tests.acceptance.conftest import Run

SITE = "Windpump Flat"
FRIEND = "friend@example.org"


@pytest.fixture
def flat(run: Run) -> Run:
    run("site", "add", SITE, "--at", "40.31,-1.42", "--elevation", "1180")
    return run


def owners() -> dict[str, bool]:
    """By mail address whether its person is the operator."""
    with build().sessions() as session:
        rows = session.scalars(select(AddressRow).where(AddressRow.channel == "email"))
        return {row.target: row.person.is_operator for row in rows}


def hang(email: str) -> int:
    """Subscribe as the version before did; the number of the address."""
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone="UTC", now=now)
        address = people.add_address(session, operator, "email", email, secrets=[], now=now)
        subscriptions.subscribe(session, address, get_site(session, SITE), DEFAULT_WISHES, now=now)
        return address.id


def test_row_77_each_address_of_a_mailing_list_is_its_own_person(flat: Run) -> None:
    for number in range(3):
        ran = flat("subscribe", SITE, "--email", f"p{number}@example.org")
        assert (ran.code, "It is its own person here" in ran.out) == (0, True)
    mine = flat("subscribe", SITE, "--email", "you@example.org", "--mine")
    assert "its own person" not in mine.out
    assert owners() == {**{f"p{number}@example.org": False for number in range(3)}, "you@example.org": True}
    with build().sessions() as session:
        assert session.query(PersonRow).count() == 4
    exported = json.loads(flat("person", "export", "p1@example.org").out)
    assert [row["target"] for row in exported["address"]] == ["p1@example.org"]


def test_row_77_told_of_two_sites_an_address_is_still_one_person(flat: Run) -> None:
    flat("site", "add", "Second", "--at", "41.2,-1.9")
    flat("subscribe", SITE, "--email", FRIEND)
    assert flat("subscribe", "Second", "--email", FRIEND.upper()).code == 0
    assert len(owners()) == 1
    again = flat("subscribe", SITE, "--email", FRIEND)
    assert (again.code, "already subscribed" in again.err) == (1, True)


def test_row_77_ones_own_is_said_later_too(flat: Run) -> None:
    flat("subscribe", SITE, "--email", "you@example.org")
    assert flat("address", "mine", "1").code == 0
    assert owners() == {"you@example.org": True}
    assert "yours" in flat("address", "list").out
    assert flat("subscribe", SITE, "--webhook", "https://example.org/x", "--mine").code == 1


def test_row_78_doctor_finds_who_hangs_on_the_operator_and_a_command_gives_them_away(flat: Run) -> None:
    number, mine = hang(FRIEND), hang("you@example.org")
    found = flat("doctor")
    assert (found.code, found.out.count("hangs on you")) == (1, 2)
    refused = flat("subscribe", SITE, "--email", FRIEND)
    assert (refused.code, f"address give-away {number}" in refused.err) == (1, True)
    assert "give-away" in flat("person", "erase", FRIEND, "--yes").err
    flat("address", "mine", str(mine))
    given = flat("address", "give-away", "--all")
    assert (given.code, given.out.count("is given away")) == (0, 1)
    assert owners() == {FRIEND: False, "you@example.org": True}
    assert "hangs on you" not in flat("doctor").out
    assert "No address hangs on you" in flat("address", "give-away", "--all").out
    assert "already" in flat("address", "give-away", str(number)).err
    assert flat("subscriptions").out.count(SITE) == 2


def test_row_78_a_receiver_is_given_to_the_person_named(flat: Run) -> None:
    duskbell = build()
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone="UTC", now=now)
        chat = people.add_address(
            session, operator, "webhook", "https://example.org/x", secrets=["s"], now=now
        )
        subscriptions.subscribe(session, chat, get_site(session, SITE), DEFAULT_WISHES, now=now)
        number = chat.id
    flat("subscribe", SITE, "--email", FRIEND)
    assert "name somebody with --to" in flat("address", "give-away", str(number)).err
    assert flat("address", "give-away", str(number), "--to", FRIEND).code == 0
    with build().sessions() as session:
        (row,) = session.scalars(select(SubscriptionRow).where(SubscriptionRow.address_id == number))
        assert not row.person.is_operator
        assert row.address.person_id == row.person_id


@pytest.mark.parametrize("args", [(), ("1", "--all"), ("--all", "--to", "x")])
def test_what_to_give_away_is_named_one_way(args: tuple[str, ...], flat: Run) -> None:
    assert "name one address" in flat("address", "give-away", *args).err


def test_row_82_the_right_to_keep_sites_is_given_and_taken_by_command(flat: Run) -> None:
    flat("subscribe", SITE, "--email", FRIEND)
    assert flat("person", "list").out.count("is told only") == 1
    assert flat("person", "allow", FRIEND.upper()).code == 0
    assert flat("person", "allow", "new@example.org").code == 0
    listed = flat("person", "list").out
    assert (listed.count("may keep sites"), "is told only" in listed) == (3, False)
    assert owners() == {FRIEND: False, "new@example.org": False}
    assert flat("person", "forbid", "new@example.org").code == 0
    assert flat("person", "list").out.count("is told only") == 1
    assert "nobody here" in flat("person", "forbid", "stranger@example.org").err


def test_row_82_the_doctor_names_who_has_sites_without_the_right(flat: Run) -> None:
    flat("subscribe", SITE, "--email", FRIEND)
    duskbell = build()
    with duskbell.sessions.begin() as session:
        (friend,) = session.scalars(select(PersonRow).where(PersonRow.is_operator.is_(False)))
        site = Site("Hill", 42.0, 3.0, 10.0, "Europe/Madrid")
        add_site(session, friend, site, elevation_known=True, now=duskbell.clock())
        number = friend.id
    words = f"without the right to keep any adds none: person {number}."
    assert words in flat("doctor").out
    flat("person", "allow", str(number))
    assert words not in flat("doctor").out
