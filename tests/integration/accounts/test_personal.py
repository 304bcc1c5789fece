"""One's own data: all of it handed out, and out of the store without breaking what others rest on."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from alerts.common.errors import BadInput
from service.accounts import access, address_owner
from service.store.maintenance import personal_data
from service.store.repositories.messages import Status
from service.store.schema import METADATA
from service.store.schema.core_tables import (
    AddressRow,
    DecisionRow,
    OutcomeRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.delivery.receivers import Hook, Receiver
from tests.integration.delivery.yard import NOW, Yard


@pytest.fixture
def ada(yard: Yard) -> int:
    """A person with a mail that went out, a webhook, a site and an outcome."""
    person = yard.person(name="Ada Byron")
    address = yard.address("email", "ada.byron@example.net", person_id=person)
    yard.message(address)
    hook = Hook()
    with Receiver(hook.script) as receiver:
        yard.message(yard.address("webhook", receiver.url + "&s=s3cret", person_id=person))
        assert yard.deliver() == {Status.SENT: 2}
    with yard.sessions.begin() as session:
        site = session.scalars(select(SiteRow).where(SiteRow.owner_id == person)).first()
        assert site is not None
        session.add(
            OutcomeRow(
                site_id=site.id, night_name=NOW.date(), person_id=person, judge="person", state="clear",
                facts={"note": "met Bob there", "frames": 40}, reported_at=NOW,
            )
        )  # fmt: skip
        access.make_api_key(session, person, "mine", NOW)
    return person


def person_of(yard: Yard, named: str) -> int:
    with yard.sessions() as session:
        return address_owner.get_person(session, named).id


def test_a_person_is_found_by_number_or_mail_address(yard: Yard, ada: int) -> None:
    assert person_of(yard, str(ada)) == person_of(yard, "ADA.byron@example.net") == ada
    with pytest.raises(BadInput, match="nobody here"):
        person_of(yard, "eve@example.net")


def test_all_that_is_stored_is_handed_out_as_json_without_secrets(yard: Yard, ada: int) -> None:
    with yard.sessions() as session:
        data = personal_data.export(session, address_owner.get_person(session, str(ada)))
        said = json.dumps(data)
        secrets = session.scalars(select(AddressRow.secrets)).all()
    assert {name for name, rows in data.items() if rows} >= {
        "person", "address", "site", "site_revision", "subscription", "decision", "alert", "message",
        "attempt", "outcome", "token",
    }  # fmt: skip
    assert "ada.byron@example.net" in said
    assert "met Bob there" in said
    assert "40.3123" in said
    assert not any(secret in said for row in secrets for secret in row)


def everything(yard: Yard) -> str:
    """Every value of every row, as text."""
    with yard.duskbell.engine.connect() as connection:
        return "\n".join(
            str(row) for table in METADATA.sorted_tables for row in connection.execute(select(table))
        )


def erase(yard: Yard, person_id: int) -> None:
    with yard.sessions.begin() as session:
        row = session.get_one(PersonRow, person_id)
        personal_data.erase(session, yard.duskbell.keys, row, yard.wall)


def test_after_erasure_no_row_leads_back_to_the_person(yard: Yard, ada: int) -> None:
    before = everything(yard)
    erase(yard, ada)
    after = everything(yard)
    for trace in ("ada.byron", "Ada Byron", "s3cret", "met Bob", "40.3123", "1.4249", "Field 1"):
        assert trace in before
        assert trace not in after


def test_decisions_stay_with_the_wishes_they_were_made_by(yard: Yard, ada: int) -> None:
    with yard.sessions() as session:
        kept = [(row.id, row.wishes, row.verdict) for row in session.scalars(select(DecisionRow))]
    erase(yard, ada)
    with yard.sessions() as session:
        assert [(row.id, row.wishes, row.verdict) for row in session.scalars(select(DecisionRow))] == kept
        outcome = session.scalars(select(OutcomeRow)).one()
    assert (outcome.person_id, outcome.state, outcome.facts) == (None, "clear", {"frames": 40})


def test_nothing_is_sent_to_the_address_any_more_until_it_confirms_anew(yard: Yard, ada: int) -> None:
    erase(yard, ada)
    with yard.sessions.begin() as session:
        address = address_owner.typed_address(session, "ada.byron@example.net", zone="UTC", now=yard.wall)
        asked = access.ask_to_confirm(session, yard.duskbell.keys, address, network="n", now=yard.wall)
        assert asked is access.AskOutcome.SENT
        assert address.person_id != ada
        number = address.id
    barred = yard.message(number)
    yard.deliver(later=timedelta(minutes=1))
    assert yard.status(barred) is Status.SUPPRESSED


def test_a_shared_site_that_others_use_stays_as_it_is(yard: Yard, ada: int) -> None:
    with yard.sessions.begin() as session:
        site = session.scalars(select(SiteRow).where(SiteRow.owner_id == ada)).first()
        assert site is not None
        session.execute(update(SiteRow).where(SiteRow.id == site.id).values(is_shared=True))
        site_id, name = site.id, site.name
    bob = yard.address("email", "bob@example.net")
    other = yard.subscription(bob)
    with yard.sessions.begin() as session:
        session.execute(update(SubscriptionRow).where(SubscriptionRow.id == other).values(site_id=site_id))
    erase(yard, ada)
    with yard.sessions() as session:
        kept = session.get_one(SiteRow, site_id)
        assert (kept.name, kept.archived_at) == (name, None)


def test_the_operator_goes_with_the_installation(yard: Yard) -> None:
    with pytest.raises(BadInput, match="goes with the installation"):
        erase(yard, yard.person(is_operator=True))
