"""Faults on the way out that are in no older list: rows 67 and on of tests/FAULTS.md."""

from __future__ import annotations

import pytest

from service.store import personal, tables
from service.store.messages import Status
from tests.integration.delivery.receivers import Hook, Receiver, Talk, answer
from tests.integration.delivery.yard import Yard


@pytest.mark.parametrize("status", ["204 No Content", "503 Busy", "410 Gone"])
def test_row_67_somebody_erased_while_a_message_is_under_way_holds_up_nobody_else(
    status: str, both: Yard
) -> None:
    """Nothing is kept of the erased one's message, and what others get is recorded as ever."""
    person = both.person(name="Ada Byron")

    class Erasing(Hook):
        def serve(self, talk: Talk, number: int) -> None:
            with both.sessions.begin() as session:
                row = session.get_one(tables.Person, person)
                personal.erase(session, both.duskbell.keys, row, both.wall)
            super().serve(talk, number)

    erasing, quick = Erasing(reply=lambda _: answer(status)), Hook()
    with Receiver(erasing.script) as first, Receiver(quick.script) as second:
        gone = both.message(both.address("webhook", first.url, person_id=person))
        other = both.message(both.address("webhook", second.url))
        assert both.deliver()[Status.SENT] == 1
        assert both.deliver() == {}
    assert erasing.ids == {gone: 1}
    assert both.status(other) is Status.SENT
    with both.sessions() as session:
        assert session.get(tables.Message, gone) is None
    assert both.codes(gone) == []
