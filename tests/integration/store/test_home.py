"""A person's home: kept rounded, in their export, gone with them, and in the wishes that are judged by."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from alembic import command
from sqlalchemy import select, update
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.errors import BadInput
from alerts.field.trip_plan import Home
from alerts.sites.model import Site
from alerts.wishes.model import Wishes
from service.accounts import address_owner
from service.common.secret_key import Keys
from service.store.engine import open_engine
from service.store.json_values import from_json, to_json
from service.store.maintenance import personal_data
from service.store.migrate import _config, require_current, upgrade
from service.store.repositories import people, sites, subscriptions
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow, SubscriptionRow, WishSnapshotRow

NOW = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
HOME = Home(40.123456, -1.0, 70.0)
RIDGE = Site("Ridge", 41.0, -1.0, zone="Europe/Madrid")
ESTIMATE = timedelta(hours=2)  # 97.4 km x 1.4 / 70 km/h, up to five minutes
EMBER = Keys(b"k" * 32)


@pytest.fixture
def session(ready_url: str) -> Session:
    engine = open_engine(ready_url)
    require_current(engine)
    with sessionmaker(engine)() as session:
        yield session
    engine.dispose()


def _person(session: Session, mail: str, *, is_operator: bool = False) -> PersonRow:
    person = PersonRow(name="", zone="Europe/Madrid", is_operator=is_operator, created_at=NOW)
    session.add(person)
    session.flush()
    people.add_address(session, person, "email", mail, secrets=[], now=NOW)
    return person


def _address(session: Session, person: PersonRow) -> AddressRow:
    return session.query(AddressRow).filter_by(person_id=person.id).one()


def _site(session: Session, owner: PersonRow) -> SiteRow:
    return sites.add_site(session, owner, RIDGE, elevation_known=False, now=NOW)


def _watch(session: Session, person: PersonRow, row: SiteRow, **wished: object) -> SubscriptionRow:
    made = subscriptions.subscribe(session, _address(session, person), row, Wishes(**wished), now=NOW)
    made.look_again_at = NOW + timedelta(days=1)
    session.flush()
    return made


def _drive(row: SubscriptionRow) -> tuple[timedelta, bool]:
    wishes = from_json(Wishes, row.wishes)
    return wishes.usual_drive.length, wishes.usual_drive.is_estimate


def test_a_home_gives_running_subscriptions_a_drive_and_has_them_looked_at(session: Session) -> None:
    anna = _person(session, "anna@example.org")
    row = _site(session, anna)
    mine = _watch(session, anna, row)
    assert _drive(mine) == (timedelta(minutes=90), False)
    people.set_home(session, anna, HOME)
    assert (_drive(mine), mine.look_again_at) == ((ESTIMATE, True), None)
    assert anna.home == Home(40.12, -1.0, 70.0), "kept to about 1 km"
    mine.look_again_at = NOW
    people.set_home(session, anna, HOME)
    assert mine.look_again_at == NOW, "the same home is no news"
    people.set_home(session, anna, None)
    assert (_drive(mine), anna.home) == ((timedelta(minutes=90), False), None)


def test_a_given_drive_stays_and_a_new_subscription_knows_the_home(session: Session) -> None:
    anna = _person(session, "anna@example.org")
    people.set_home(session, anna, HOME)
    row = _site(session, anna)
    mine = _watch(session, anna, row)
    assert _drive(mine) == (ESTIMATE, True)
    subscriptions.change_wishes(session, mine, Wishes(drive=timedelta(minutes=30)))
    assert _drive(mine) == (timedelta(minutes=30), False)
    subscriptions.change_wishes(session, mine, Wishes())
    assert _drive(mine) == (ESTIMATE, True), "wishes from a form know no estimate; it comes back"


def test_a_site_that_moves_is_another_drive(session: Session) -> None:
    anna = _person(session, "anna@example.org")
    people.set_home(session, anna, HOME)
    row = _site(session, anna)
    mine = _watch(session, anna, row)
    moved = Site("Ridge", 40.12, -1.0, zone="Europe/Madrid")
    sites.revise_site(session, row, moved, elevation_known=False, now=NOW)
    assert (_drive(mine), mine.look_again_at) == ((timedelta(0), True), None)


def test_a_home_is_exported_and_erased_and_wishes_that_cannot_be_read_stop_nothing(session: Session) -> None:
    _person(session, "owner@example.org", is_operator=True)
    anna = _person(session, "anna@example.org")
    row = _site(session, anna)
    mine = _watch(session, anna, row)
    mine.wishes = {**mine.wishes, "units": "furlongs"}
    people.set_home(session, anna, HOME)
    told = personal_data.export(session, anna)["person"][0]
    assert (told["home_lat_deg"], told["home_lon_deg"], told["home_speed_kmh"]) == (40.12, -1.0, 70.0)
    assert mine.wishes["drive_estimate"] == to_json(Wishes(drive_estimate=ESTIMATE))["drive_estimate"]
    personal_data.erase(session, EMBER, anna, NOW)
    assert (anna.home, mine.wishes["drive_estimate"]) == (None, None)


def test_what_is_told_to_another_person_goes_by_their_home(session: Session) -> None:
    owner = _person(session, "owner@example.org", is_operator=True)
    people.set_home(session, owner, HOME)
    row = _site(session, owner)
    sites.share_site(session, row, is_shared=True, now=NOW)
    given = people.add_address(session, owner, "email", "ben@example.org", secrets=[], now=NOW)
    theirs = subscriptions.subscribe(session, given, row, Wishes(), now=NOW)
    assert _drive(theirs) == (ESTIMATE, True)
    address_owner.give_away(session, given, now=NOW)
    assert _drive(theirs) == (timedelta(minutes=90), False), "nobody learns where the operator lives"
    address_owner.take_as_own(session, given, owner)
    assert _drive(theirs)[1]


@pytest.mark.parametrize("speed_kmh", [0, 400])
def test_a_speed_that_cannot_be_is_refused(session: Session, speed_kmh: float) -> None:
    with pytest.raises(BadInput, match="km/h"):
        people.set_home(session, _person(session, "a@example.org"), Home(40, -1, speed_kmh))


def test_drives_that_nobody_gave_are_told_from_given_ones_and_older_versions_still_read_them(
    store_url: str,
) -> None:
    engine = open_engine(store_url)
    upgrade(engine)
    with sessionmaker(engine).begin() as session:
        anna = _person(session, "anna@example.org")
        row = _site(session, anna)
        mine = _watch(session, anna, row)
        people.set_home(session, anna, HOME)
        snapshot = WishSnapshotRow(digest="x", wishes=mine.wishes)
        session.add(snapshot)
    config = _config()
    config.attributes["engine"] = engine
    command.downgrade(config, "0024")
    with engine.begin() as connection:
        for column in (SubscriptionRow.wishes, WishSnapshotRow.wishes):
            assert connection.scalar(select(column))["drive"] == "PT2H"
        connection.execute(update(SubscriptionRow).values(wishes={"drive": "PT1H30M"}))
    upgrade(engine)
    with sessionmaker(engine)() as session:
        assert session.query(SubscriptionRow).one().wishes["drive"] is None
    engine.dispose()
