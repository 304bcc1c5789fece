"""Values go into the store and come back the same; what can't be stored is refused."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from sqlalchemy import Column, Engine, Integer, MetaData, Table, select, text
from sqlalchemy.exc import StatementError
from sqlalchemy.orm import Session, sessionmaker

from alerts.common.errors import BadInput
from alerts.common.phrases import kept, phrase
from alerts.sites.model import HorizonLine, Site
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.weather.forecast import Forecast, LayerScheme, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.wishes.model import Wishes
from service.store.engine import open_engine
from service.store.json_values import from_json, said_in, to_json
from service.store.migrate import require_current
from service.store.repositories import forecasts, messages, people, sites, subscriptions
from service.store.repositories.alerts import alerts_in
from service.store.repositories.forecasts import unpack
from service.store.repositories.messages import Lease, Status
from service.store.schema.core_tables import (
    AlertRow,
    DecisionRow,
    ForecastRow,
    MessageRow,
    NightRow,
    PersonRow,
    SiteRevisionRow,
)
from tests.integration.queued import claim, enqueue

NOW = datetime(2027, 7, 3, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def engine(ready_url: str) -> Engine:
    engine = open_engine(ready_url)
    require_current(engine)
    return engine


@pytest.fixture
def session(engine: Engine) -> Session:
    with sessionmaker(engine)() as session:
        yield session
    engine.dispose()


def _forecast() -> Forecast:
    source = Source("metno", "MET Norway", "ecmwf", "locationforecast", "Data from MET Norway", "u", NOW, NOW)
    hours = (
        HourlyWeather(NOW, NOW + HOUR, cloud_total_pct=12.5, wind_ms=3.0, thunder_named=False),
        HourlyWeather(NOW + HOUR, NOW + 7 * HOUR, cloud_total_pct=None, wind_ms=4.0),
    )
    return Forecast(source, 40.3, -1.4, None, LayerScheme.MET_NORWAY, Hours.of(hours), members=((1.0, None),))


def test_a_forecast_comes_back_as_it_was_with_its_gaps(session: Session) -> None:
    row = forecasts.keep(session, "40.30,-1.40", _forecast(), fetched_at=NOW)
    session.commit()
    session.expire_all()
    assert unpack(session.get_one(ForecastRow, row.id)) == _forecast()


def test_a_rejected_answer_is_kept_and_never_judged_on(session: Session) -> None:
    reason = kept("cloud of 137 %")
    forecasts.keep_rejected(session, "p", feed="metno", model="m", reason=reason, fetched_at=NOW)
    session.commit()
    assert session.query(ForecastRow).one().rejected == "cloud of 137 %"
    assert forecasts.newest_by_place(session, {"p"}, NOW) == {}


def test_an_answer_fetched_after_now_is_not_judged_on(session: Session) -> None:
    forecasts.keep(session, "p", _forecast(), fetched_at=NOW)
    session.commit()
    assert forecasts.newest_by_place(session, {"p"}, NOW - HOUR) == {}
    assert len(forecasts.newest_by_place(session, {"p"}, NOW)["p"]) == 1


@pytest.mark.parametrize(
    "value",
    [
        Wishes(
            sky=SkyWishes(target=Target(TargetKind.RADEC, "M 31", 10.68, 41.27), lowest_altitude_deg=None)
        ),
        Site(
            "Test field", -37.75, 144.875, 19.0, "Australia/Melbourne", HorizonLine((0.0, 90.0), (2.0, 5.0))
        ),
    ],
    ids=["wishes", "site"],
)
def test_plain_values_survive_json(value: object) -> None:
    assert from_json(type(value), to_json(value)) == value


def test_times_come_back_in_utc_whatever_zone_they_had(session: Session) -> None:
    berlin = NOW.astimezone(timezone(timedelta(hours=2)))
    person = people.get_operator(session, zone="UTC", now=berlin)
    session.commit()
    session.expire_all()
    assert person.created_at == NOW
    assert person.created_at.tzinfo is UTC


def test_a_time_without_a_zone_is_refused(session: Session) -> None:
    session.add(
        PersonRow(name="x", zone="UTC", is_operator=False, created_at=datetime(2027, 1, 1))  # noqa: DTZ001
    )
    with pytest.raises(StatementError, match="without a zone"):
        session.flush()


def test_a_site_is_found_whatever_its_case_and_near_names_are_offered(session: Session) -> None:
    owner = people.get_operator(session, zone="UTC", now=NOW)
    sites.add_site(session, owner, Site("Windpump Flat", 40.3, -1.4), elevation_known=False, now=NOW)
    assert sites.get_site(session, "windpump flat").name == "Windpump Flat"
    with pytest.raises(BadInput, match="did you mean 'Windpump Flat'"):
        sites.get_site(session, "Windpmp Flat")
    with pytest.raises(BadInput, match="already is a site"):
        sites.add_site(session, owner, Site("WINDPUMP FLAT", 1, 2), elevation_known=False, now=NOW)


def test_a_revision_follows_another_and_both_stay(session: Session) -> None:
    owner = people.get_operator(session, zone="UTC", now=NOW)
    row = sites.add_site(session, owner, Site("A", 40.3, -1.4), elevation_known=False, now=NOW)
    sites.revise_site(session, row, Site("A", 40.4, -1.4), elevation_known=True, now=NOW)
    session.commit()
    assert sites.newest_revision(session, row.id).site.lat_deg == 40.4
    assert session.query(SiteRevisionRow).count() == 2


def _message(session: Session) -> MessageRow:
    owner = people.get_operator(session, zone="UTC", now=NOW)
    address = people.add_address(session, owner, "email", "you@example.org", secrets=[], now=NOW)
    site = sites.add_site(session, owner, Site("A", 40.3, -1.4), elevation_known=False, now=NOW)
    subscription = subscriptions.subscribe(session, address, site, Wishes(), now=NOW)
    revision = sites.newest_revision(session, site.id)
    night = NightRow(
        site_revision_id=revision.revision_id,
        name=date(2027, 7, 3),
        sky_key="k",
        starts=NOW,
        ends=NOW + 24 * HOUR,
        facts={},
        kernel="k",
        rules_version="1",
        computed_at=NOW,
    )
    session.add(night)
    session.flush()
    decision = DecisionRow(
        subscription_id=subscription.id,
        night_id=night.id,
        night_name=night.name,
        site_revision_id=revision.revision_id,
        as_of=NOW,
        confirmed_at=NOW,
        verdict="go",
        deciding_rule="chance",
        fingerprint="f",
        reasons=[],
        wishes={},
        outlook_ids=[],
        forecast_ids=[],
        kernel="k",
        rules_version="1",
    )
    session.add(decision)
    session.flush()
    alert = AlertRow(
        subscription_id=subscription.id,
        night_name=night.name,
        kind="go",
        occurrence=1,
        decision_id=decision.id,
        why="good_tonight",
        raised_at=NOW,
        expires_at=NOW + 6 * HOUR,
        facts={},
    )
    session.add(alert)
    session.flush()
    return enqueue(session, address.id, [alert], created_at=NOW, due_at=NOW)


def test_row_8_only_one_of_many_senders_claims_a_message(engine: Engine) -> None:
    make = sessionmaker(engine)
    with make.begin() as session:
        message_id = _message(session).id
    claimed: list[bool] = []

    def take() -> None:
        with make.begin() as session:
            claimed.append(claim(session, message_id, NOW) is not None)

    threads = [threading.Thread(target=take) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(claimed) == [False] * 5 + [True]
    engine.dispose()


def test_row_9_a_sender_that_lost_its_lease_changes_nothing(session: Session) -> None:
    message_id = _message(session).id
    first = claim(session, message_id, NOW)
    assert first is not None
    session.expunge(first)
    assert messages.release_dead_leases(session, NOW + 2 * messages.LEASE) == 1
    second = claim(session, message_id, NOW + 2 * messages.LEASE)
    assert second is not None
    assert not messages.settle(session, Lease(first.id, first.lease_token), Status.FAILED, wall=NOW)
    assert messages.settle(session, Lease(second.id, second.lease_token), Status.SENT, wall=NOW)
    session.commit()
    assert session.get_one(MessageRow, message_id, populate_existing=True).status == Status.SENT


def test_a_row_has_code_and_values_of_its_note_beside_the_text(session: Session) -> None:
    message_id = _message(session).id
    message = claim(session, message_id, NOW)
    assert message is not None
    note = phrase("delivery.no-channel", channel="x")
    messages.settle(session, Lease(message_id, message.lease_token), Status.FAILED, wall=NOW, note=note)
    session.commit()
    row = session.get_one(MessageRow, message_id, populate_existing=True)
    assert row.note == "no channel named 'x' is set up"
    assert row.note_phrase == {"code": "delivery.no-channel", "params": {"channel": "x"}}
    assert said_in(row, "note") == note


def test_a_row_of_an_older_version_says_its_kept_text(session: Session) -> None:
    """Such as a message, a forecast and a decision have of before their texts had codes."""
    message_id = _message(session).id
    session.execute(text("UPDATE message SET note = 'held at 5 m/s'"))
    session.execute(text("UPDATE decision SET why_text = 'the night is over'"))
    row = session.get_one(MessageRow, message_id, populate_existing=True)
    decision = session.scalars(select(DecisionRow).execution_options(populate_existing=True)).one()
    assert (said_in(row, "note"), said_in(decision, "why_text")) == (
        kept("held at 5 m/s"),
        kept("the night is over"),
    )
    session.execute(text("UPDATE message SET note = NULL"))
    assert said_in(session.get_one(MessageRow, message_id, populate_existing=True), "note") is None


def test_what_an_older_version_kept_of_an_alert_is_read_and_written_anew(session: Session) -> None:
    message_id = _message(session).id
    session.execute(text("""UPDATE alert SET facts = '{"site_name": "Öde Höhe"}'"""))
    (alert,) = alerts_in(session, message_id)
    session.refresh(alert)
    assert alert.facts == {"site_name": "Öde Höhe"}
    alert.facts = {**alert.facts, "chance_pct": 71}
    session.commit()
    assert "Höhe" not in str(session.scalar(text("SELECT facts FROM alert")))
    session.refresh(alert)
    assert alert.facts == {"site_name": "Öde Höhe", "chance_pct": 71}


def test_no_update_is_lost_between_many_writers(engine: Engine) -> None:
    """SQLite loses most of these with its default transactions."""
    counter = Table("counter", MetaData(), Column("n", Integer))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE counter (n INTEGER)"))
        connection.execute(text("INSERT INTO counter VALUES (0)"))

    def count() -> None:
        for _ in range(25):
            with engine.begin() as connection:
                n = connection.execute(select(counter.c.n).with_for_update()).scalar_one()
                connection.execute(text("UPDATE counter SET n = :n"), {"n": n + 1})

    threads = [threading.Thread(target=count) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with engine.connect() as connection:
        assert connection.execute(text("SELECT n FROM counter")).scalar_one() == 100
    engine.dispose()
