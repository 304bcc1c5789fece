"""What is old goes, and nothing that a promise rests on goes with it."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import func, select

from alerts.notifying.model import AlertKind
from service.accounts import access, address_owner
from service.channels import host_state
from service.runtime.maintenance_jobs import forget_old
from service.store.maintenance import retention
from service.store.schema.core_tables import AddressRow, AlertRow, DecisionRow, MessageRow, PersonRow
from service.store.schema.delivery_tables import TokenRow
from tests.integration.delivery.yard import Yard

DAY = timedelta(days=1)


def count(yard: Yard, kind: object) -> int:
    with yard.sessions() as session:
        return int(session.scalar(select(func.count()).select_from(kind)) or 0)


def test_attempts_go_before_messages_and_messages_with_their_alerts(both: Yard) -> None:
    both.message(both.address("email", "ada@example.net"))
    both.deliver()
    assert forget_old(both.duskbell) == {}
    both.wall += 91 * DAY
    assert forget_old(both.duskbell) == {"attempts": 1}
    assert (count(both, MessageRow), count(both, AlertRow)) == (1, 1)
    both.wall += 310 * DAY
    assert forget_old(both.duskbell) == {"messages": 1}
    assert (
        count(both, MessageRow),
        count(both, AlertRow),
        count(both, DecisionRow),
    ) == (0, 0, 1)


def test_a_message_that_is_not_settled_stays_whatever_its_age(yard: Yard) -> None:
    yard.message(yard.address("email", "ada@example.net"), AlertKind.GO, helps_for=900 * DAY)
    yard.wall += 800 * DAY
    assert forget_old(yard.duskbell) == {}


def test_an_address_that_never_confirmed_is_forgotten_after_a_week(yard: Yard) -> None:
    with yard.sessions.begin() as session:
        address = address_owner.typed_address(session, "ada@example.net", zone="UTC", now=yard.wall)
        access.ask_to_confirm(session, yard.duskbell.keys, address, network="n", now=yard.wall)
        number = address.id
    kept = yard.address("email", "bob@example.net")
    yard.deliver()
    yard.wall += 8 * DAY
    assert forget_old(yard.duskbell) == {"addresses": 1}
    with yard.sessions() as session:
        assert session.get(AddressRow, number) is None
        assert session.get(AddressRow, kept) is not None
        assert session.scalars(select(PersonRow.name)).all() == ["Ada"]


def test_an_operators_receiver_that_waits_for_its_proof_is_not_forgotten(yard: Yard) -> None:
    operator = yard.person(is_operator=True)
    yard.address("webhook", "https://chat.example.org/x", person_id=operator, confirmed=False)
    yard.wall += 30 * DAY
    assert forget_old(yard.duskbell) == {}


def test_tokens_go_a_month_after_they_are_over_and_links_that_live_on_stay(yard: Yard) -> None:
    address = yard.address("email", "ada@example.net")
    yard.message(address)
    yard.deliver()
    with yard.sessions.begin() as session:
        access.ask_to_sign_in(session, yard.duskbell.keys, "ada@example.net", network="n", now=yard.wall)
    yard.deliver()
    assert token_purposes(yard) == {"sign_in", *OF_EACH_MAIL}
    yard.wall += 31 * DAY
    forget_old(yard.duskbell)
    assert token_purposes(yard) == OF_EACH_MAIL


OF_EACH_MAIL = {"unsubscribe", "manage", "outcome"}


def token_purposes(yard: Yard) -> set[str]:
    with yard.sessions() as session:
        return set(session.scalars(select(TokenRow.purpose)))


def test_a_replaced_signing_secret_signs_a_week_longer(yard: Yard) -> None:
    address = yard.address("webhook", "https://chat.example.org/x")
    with yard.sessions.begin() as session:
        host_state.add_secret(session, session.get_one(AddressRow, address), "whsec_new", yard.wall)
    assert len(yard.address_row(address).secrets) == 2
    for days, secrets in ((6, 2), (2, 1)):
        yard.wall += days * DAY
        forget_old(yard.duskbell)
        assert len(yard.address_row(address).secrets) == secrets
    assert yard.address_row(address).secrets == ["whsec_new"]


def test_much_that_is_old_goes_in_blocks(yard: Yard, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(retention, "BLOCK", 3)
    address = yard.address("email", "ada@example.net")
    for _ in range(8):
        yard.message(address)
    yard.deliver()
    yard.wall += 91 * DAY
    assert forget_old(yard.duskbell) == {"attempts": 8}
