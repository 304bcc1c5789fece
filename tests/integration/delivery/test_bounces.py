"""Mails that come back, from a mailbox or by the relay's word, and whom that silences."""

from __future__ import annotations

import mailbox
import re
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select

from service.delivery import bounces
from service.delivery.bounces import MailboxTrouble, Report, note_report, read_mailbox
from service.runtime.maintenance_jobs import read_bounces
from service.store.repositories.messages import Status
from service.store.schema.delivery_tables import BounceRow, SuppressionRow
from tests.integration.delivery.yard import Yard
from tests.unit.service.delivery.test_bounce_reports import COMPLAINT, NASTY, OURS, status_report


def read(yard: Yard, path: Path, seen: set[str] | None = None) -> int:
    """seen: what earlier looks have seen; None is a look that remembers nothing."""

    def note(report: Report) -> bool:
        with yard.sessions.begin() as session:
            return note_report(session, yard.duskbell.keys, report, yard.duskbell.delivery.metrics, yard.wall)

    return read_mailbox(path, set() if seen is None else seen, note)


def mbox(folder: Path, *mails: bytes) -> Path:
    path = folder / "bounces.mbox"
    box = mailbox.mbox(path)
    for mail in mails:
        box.add(mail)
    box.close()
    return path


def maildir(folder: Path, *mails: bytes) -> Path:
    path = folder / "bounces"
    box = mailbox.Maildir(path)
    for mail in mails:
        box.add(mail)
    return path


def left(path: Path) -> int:
    box = mailbox.Maildir(path) if path.is_dir() else mailbox.mbox(path)
    try:
        return len(box)
    finally:
        box.close()


def sent_mails(yard: Yard, count: int = 2) -> tuple[int, list[str]]:
    address = yard.address("email", "ada@example.net")
    ids = [yard.message(address) for _ in range(count)]
    assert yard.deliver() == {Status.SENT: count}
    return address, ids


@pytest.mark.parametrize("make", [mbox, maildir])
def test_two_hard_bounces_silence_the_address_they_went_to(make: object, yard: Yard, tmp_path: Path) -> None:
    address, (first, second) = sent_mails(yard)
    path = make(tmp_path, status_report(ours=first), b"Subject: a letter to people\n\nhello")  # type: ignore[operator]
    assert read(yard, path) == 1
    assert yard.address_row(address).off_since is None
    assert left(path) == 1
    make(tmp_path, status_report(ours=second))  # type: ignore[operator]
    assert read(yard, path) == 1
    assert yard.address_row(address).off_reason == "mail to it comes back"
    assert yard.troubles() == {f"address {address}"}


def test_a_report_that_is_read_twice_counts_once(yard: Yard, tmp_path: Path) -> None:
    address, (first, _) = sent_mails(yard)
    path = mbox(tmp_path, status_report(ours=first), status_report(ours=first), status_report(ours=first))
    assert read(yard, path) == 3
    assert yard.address_row(address).off_since is None
    with yard.sessions() as session:
        assert session.scalar(select(func.count()).select_from(BounceRow)) == 1


def test_one_complaint_is_enough_and_hash_alone_is_kept(yard: Yard, tmp_path: Path) -> None:
    address, (first, _) = sent_mails(yard)
    assert read(yard, mbox(tmp_path, COMPLAINT.replace(OURS.encode(), first.encode()))) == 1
    assert yard.address_row(address).off_reason == "its reader complained"
    barred = yard.message(address)
    yard.deliver(later=timedelta(minutes=1))
    assert yard.status(barred) is Status.SUPPRESSED
    with yard.sessions() as session:
        row = session.scalars(select(SuppressionRow)).one()
    assert re.fullmatch("[0-9a-f]{64}", row.address_hash)
    assert "ada" not in row.detail


@pytest.mark.parametrize("status", ["5.2.2", "4.4.1", "5.7.1"])
def test_what_may_pass_or_is_our_own_fault_silences_nobody(status: str, yard: Yard, tmp_path: Path) -> None:
    address, ids = sent_mails(yard, 3)
    path = mbox(tmp_path, *(status_report(ours=each, status=status) for each in ids))
    assert read(yard, path) == 3
    assert yard.address_row(address).off_since is None
    assert yard.troubles() == ({"refused"} if status.startswith("5.7") else set())


def test_a_forged_report_about_no_message_of_ours_does_nothing_and_stays(yard: Yard, tmp_path: Path) -> None:
    address, _ = sent_mails(yard)
    path = mbox(tmp_path, status_report(), status_report())
    assert read(yard, path) == 0
    assert left(path) == 2
    assert yard.address_row(address).off_since is None


def test_a_mailbox_that_is_not_there_is_told_to_the_operator(yard: Yard, tmp_path: Path) -> None:
    with pytest.raises(MailboxTrouble, match="bounce_mailbox"):
        read(yard, tmp_path / "nowhere")
    assert read_bounces(yard.duskbell, tmp_path / "nowhere", set()) == 0
    assert yard.troubles() == {"bounces"}


@pytest.mark.parametrize("make", [mbox, maildir])
@pytest.mark.parametrize("nasty", NASTY.values(), ids=NASTY.keys())
def test_row_126_a_mail_made_to_break_the_reader_stops_no_other(
    nasty: bytes, make: object, yard: Yard, tmp_path: Path
) -> None:
    address, (first, second) = sent_mails(yard)
    path = make(tmp_path, status_report(ours=first), nasty, status_report(ours=second))  # type: ignore[operator]
    assert read(yard, path) == 2
    assert yard.address_row(address).off_reason == "mail to it comes back"
    assert left(path) == 1


@pytest.mark.parametrize("make", [mbox, maildir])
def test_row_127_what_was_looked_at_is_not_read_again(
    make: object, yard: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, (first, second) = sent_mails(yard)
    junk = [b"Subject: letter %d\n\nhello" % number for number in range(5)]
    looked: list[bytes] = []

    def look(raw: bytes) -> bounces.Report | None:
        looked.append(raw)
        return read_report(raw)

    read_report = bounces.read_report
    monkeypatch.setattr(bounces, "read_report", look)
    seen: set[str] = set()
    path = make(tmp_path, *junk, status_report(), status_report(ours=first))  # type: ignore[operator]
    assert read(yard, path, seen) == 1
    assert len(looked) == 7
    assert read(yard, path, seen) == 0
    assert len(looked) == 7
    make(tmp_path, status_report(ours=second))  # type: ignore[operator]
    assert read(yard, path, seen) == 1
    assert len(looked) == 8
    assert len(seen) == left(path) == 6


@pytest.mark.parametrize("budget", ["LOOK_AT_BYTES", "LOOK_FOR_S"])
def test_row_127_a_look_ends_at_its_budget_and_the_next_one_goes_on(
    budget: str, yard: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, (first, second) = sent_mails(yard)
    path = mbox(
        tmp_path, b"Subject: a letter\n\n" + b"x" * 2000, *(status_report(ours=i) for i in (first, second))
    )
    seen: set[str] = set()
    monkeypatch.setattr(bounces, budget, -1)
    assert read(yard, path, seen) == 0
    assert seen == set()
    monkeypatch.undo()
    monkeypatch.setattr(bounces, "LOOK_AT_BYTES", 500)
    assert read(yard, path, seen) == 0
    assert read(yard, path, seen) == 1
    assert read(yard, path, seen) == 1
    assert left(path) == 1
