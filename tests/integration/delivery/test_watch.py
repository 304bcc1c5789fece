"""The operator hears when the service itself is ill: once, by a way that isn't ill, and when it is over."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import delete, event, text
from sqlalchemy.exc import OperationalError

from service.channels.email import MailServer
from service.channels.webhook import new_secret
from service.delivery.self_monitor import OperatorWay, SelfMonitor
from service.runtime.maintenance_jobs import build_watch
from service.store.repositories import cycles
from service.store.repositories.messages import Status
from service.store.repositories.operator_alerts import note_trouble
from service.store.schema.delivery_tables import DestinationRow
from tests.integration.channels.channel_receivers import Receiver
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.conftest import OpenYard
from tests.integration.delivery.receivers import Hook, answer
from tests.integration.delivery.yard import NOW, Yard

MINUTE = timedelta(minutes=1)


class Post:
    """The operator's two ways, and what came by each."""

    def __init__(self, yard: Yard, relay: Relay, hook: Hook, url: str) -> None:
        self.yard, self.relay, self.hook = yard, relay, hook
        self.watch: SelfMonitor = build_watch(yard.duskbell)
        self.watch.ways = (
            OperatorWay("email", "op@example.net"),
            OperatorWay("webhook", url, (new_secret(),)),
        )

    def look(self, *, later: timedelta = MINUTE) -> tuple[list[str], list[str]]:
        """Look that much later; the subjects that came by mail and by webhook since."""
        mails, posts = len(self.relay.taken), len(self.hook.heard)
        self.yard.wall += later
        self.watch.look()
        return (
            [_subject(content) for _, _, content in self.relay.taken[mails:]],
            [json.loads(body)["data"]["subject"] for _, body in self.hook.heard[posts:]],
        )

    def finish_cycle(self) -> None:
        with self.yard.sessions.begin() as session:
            cycle = cycles.begin(session, self.yard.wall, self.yard.wall)
            assert cycle is not None
            cycles.finish(session, cycle.id, self.yard.wall, {})


def _subject(content: bytes) -> str:
    line = next(line for line in content.decode().splitlines() if line.startswith("Subject: "))
    return line.removeprefix("Subject: ")


@pytest.fixture
def post(new_yard: OpenYard) -> Iterator[Post]:
    hook, relay = Hook(), Relay()
    with running(relay) as server, Receiver(hook.script) as receiver, new_yard(relay=server) as yard:
        yield Post(yard, relay, hook, receiver.url)


def test_all_is_quiet_while_cycles_finish(post: Post) -> None:
    for _ in range(4):
        post.finish_cycle()
        assert post.look(later=30 * MINUTE) == ([], [])


def test_silence_of_two_periods_is_told_once_and_its_end_once(post: Post) -> None:
    post.finish_cycle()
    assert post.look(later=60 * MINUTE) == ([], [])
    assert post.look() == (["Duskbell, for the operator: no cycle finishes"], [])
    assert post.look(later=300 * MINUTE) == ([], [])
    post.finish_cycle()
    assert post.look() == (["Duskbell, for the operator: over: no cycle finishes"], [])
    assert post.look() == ([], [])


def test_row_49_mail_that_does_not_leave_is_told_by_webhook(post: Post) -> None:
    with post.yard.sessions.begin() as session:
        session.add(
            DestinationRow(
                key=post.yard.duskbell.channels["email"].destination(""), failures=5, pause_s=300,
                opened_at=NOW, open_until=NOW + 5 * MINUTE, code="535",
            )
        )  # fmt: skip
    assert post.look() == ([], ["Duskbell, for the operator: mail doesn't leave"])
    with post.yard.sessions.begin() as session:
        session.execute(delete(DestinationRow))
    assert post.look() == ([], ["Duskbell, for the operator: over: mail doesn't leave"])


def test_messages_that_nobody_picks_up_are_told_of(post: Post) -> None:
    message_id = post.yard.message(post.yard.address("email", "ada@example.net"))
    post.finish_cycle()
    assert post.look(later=14 * MINUTE) == ([], [])
    assert post.look(later=2 * MINUTE) == (["Duskbell, for the operator: messages wait"], [])
    post.yard.deliver()
    assert post.yard.status(message_id) is Status.SENT
    assert post.look() == (["Duskbell, for the operator: over: messages wait"], [])


def test_a_message_to_a_host_that_rests_is_no_trouble_of_ours(post: Post) -> None:
    bad = Hook(reply=lambda _: answer("500 Oops"))
    with Receiver(bad.script) as ill:
        for _ in range(8):
            post.yard.message(post.yard.address("webhook", ill.url))
        post.yard.deliver()
        post.finish_cycle()
        assert post.look(later=20 * MINUTE) == ([], [])


def test_the_next_way_is_taken_where_the_first_one_fails(post: Post) -> None:
    post.relay.replies["sender"] = "451 4.3.0 later"
    post.finish_cycle()
    assert post.look(later=61 * MINUTE) == ([], ["Duskbell, for the operator: no cycle finishes"])


def test_what_no_way_takes_is_told_when_one_does_again(post: Post) -> None:
    post.relay.replies["sender"] = "451 4.3.0 later"
    post.hook.reply = lambda _: answer("503 Busy")
    post.finish_cycle()
    post.look(later=61 * MINUTE)
    post.relay.replies["sender"] = ""
    assert post.look() == (["Duskbell, for the operator: no cycle finishes"], [])


def test_an_event_is_told_once_a_day_and_has_no_end(post: Post) -> None:
    def event() -> None:
        with post.yard.sessions.begin() as session:
            note_trouble(session, "composing", "A template failed.", post.yard.wall)

    subject = "Duskbell, for the operator: messages aren't made as they should be"
    event()
    assert post.look() == ([subject], [])
    event()
    assert post.look() == ([], [])
    post.finish_cycle()
    post.yard.wall += timedelta(hours=25)
    post.finish_cycle()
    assert post.look() == ([], [])
    event()
    assert post.look() == ([subject], [])


def test_row_36_a_store_that_fails_is_told_all_the_same_and_not_each_minute(post: Post) -> None:
    with post.yard.duskbell.engine.begin() as connection:
        connection.execute(text("ALTER TABLE trouble RENAME TO away"))
    try:
        assert post.look() == (["Duskbell, for the operator: the store fails"], [])
        assert post.look() == ([], [])
        assert post.look(later=timedelta(hours=7)) == (["Duskbell, for the operator: the store fails"], [])
    finally:
        with post.yard.duskbell.engine.begin() as connection:
            connection.execute(text("ALTER TABLE away RENAME TO trouble"))


def test_row_105_rows_that_are_taken_no_more_are_told_from_memory_and_so_is_the_end(post: Post) -> None:
    engine = post.yard.duskbell.engine

    def refuse(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        if not statement.startswith("SELECT"):
            raise OperationalError(statement, None, Exception("database or disk is full"))

    event.listen(engine, "before_cursor_execute", refuse)
    try:
        for told in (1, 0):
            assert post.look() == (["Duskbell, for the operator: the store fails"] * told, [])
    finally:
        event.remove(engine, "before_cursor_execute", refuse)
    assert post.look() == (["Duskbell, for the operator: over: the store fails"], [])
    assert post.look() == ([], [])


def test_without_any_way_the_log_is_told_once(yard: Yard, caplog: pytest.LogCaptureFixture) -> None:
    watch = build_watch(yard.duskbell)
    yard.wall += 61 * MINUTE
    watch.look()
    watch.look()
    assert [record.message for record in caplog.records if "no cycle" in record.message] == [
        "no cycle finishes: No cycle has finished for 61 minutes."
    ]


def test_ways_come_from_the_settings(new_yard: OpenYard) -> None:
    with new_yard(
        relay=MailServer(host="127.0.0.1"),
        operator_email="op@example.org",
        operator_target="slack:https://hooks.slack.com/services/x",
    ) as yard:
        ways = build_watch(yard.duskbell).ways
    assert [(way.channel, way.address) for way in ways] == [
        ("email", "op@example.org"),
        ("slack", "https://hooks.slack.com/services/x"),
    ]
