"""Mail as files, for installations without a mail server."""

from __future__ import annotations

import email
import errno
import os
from dataclasses import replace
from datetime import UTC, datetime
from email.policy import default
from pathlib import Path

import pytest

from alerts.briefing.facts import MailParts
from service.channels.channel_registry import build_channels
from service.channels.chat import CHAT_FORMS
from service.channels.email import OutboxFolder
from service.channels.model import ChannelError, Outgoing
from service.channels.retry_policy import WAITS_S
from service.settings import Settings

OUTGOING = Outgoing(
    message_id="msg_0123456789abcdefghjkmnpqrs",
    address="ada@example.net",
    attempted_at=datetime(2026, 7, 18, 15, tzinfo=UTC),
    mail=MailParts("Go tonight", "81 %\n", "<p>81 %</p>"),
)


def test_message_lies_in_the_folder_as_it_would_have_been_sent(tmp_path: Path) -> None:
    result = OutboxFolder(tmp_path / "new" / "outbox", "duskbell@example.org").send(OUTGOING)
    assert result.place == str(tmp_path / "new/outbox/msg_0123456789abcdefghjkmnpqrs.eml")
    mail = email.message_from_bytes(Path(result.place).read_bytes(), policy=default)
    assert (mail["To"], mail["Subject"]) == ("ada@example.net", "Go tonight")


def test_a_repeat_replaces_its_file_and_leaves_nothing_beside(tmp_path: Path) -> None:
    folder = OutboxFolder(tmp_path, "duskbell@example.org")
    folder.send(OUTGOING)
    folder.send(replace(OUTGOING, mail=MailParts("Go tonight", "74 %\n", "<p>74 %</p>")))
    assert [path.name for path in tmp_path.iterdir()] == ["msg_0123456789abcdefghjkmnpqrs.eml"]
    assert b"74 %" in next(tmp_path.iterdir()).read_bytes()


def test_a_full_disk_leaves_the_old_file_whole_and_is_for_the_operator(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = OutboxFolder(tmp_path, "duskbell@example.org")
    before = Path(folder.send(OUTGOING).place).read_bytes()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ChannelError, match="No space left") as caught:
        folder.send(replace(OUTGOING, mail=MailParts("x", "y\n", "z")))
    assert (caught.value.code, caught.value.permanent, caught.value.ours) == ("outbox", False, True)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [before]


def test_a_file_where_the_folder_should_be_is_said(tmp_path: Path) -> None:
    (tmp_path / "outbox").write_text("in the way")
    with pytest.raises(ChannelError, match="can't be written"):
        OutboxFolder(tmp_path / "outbox", "duskbell@example.org").send(OUTGOING)


def test_an_id_can_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    with pytest.raises(ChannelError, match="odd characters"):
        OutboxFolder(tmp_path / "outbox", "duskbell@example.org").send(
            replace(OUTGOING, message_id="../../escaped")
        )
    assert list(tmp_path.rglob("*.eml")) == []


def test_every_channel_has_a_schedule_and_is_built(tmp_path: Path) -> None:
    channels = build_channels(Settings(data_dir=tmp_path, smtp_host=""))
    assert set(channels) == {"email", "webhook", "named", *CHAT_FORMS}
    assert {channel.kind for channel in channels.values()} == set(WAITS_S)
    assert (type(channels["email"]).__name__, type(channels["webhook"]).__name__) == (
        "OutboxFolder",
        "Webhook",
    )


def test_settings_with_a_relay_make_mail_and_open_the_listed_receivers(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, smtp_host="relay.example", webhook_allow=("127.0.0.1:9",))
    channels = build_channels(settings)
    assert type(channels["email"]).__name__ == "Email"
    assert channels["webhook"].check_address("http://127.0.0.1:9/") == "http://127.0.0.1:9/"
