"""A running service goes on by settings that setup changed, without a new start."""

from __future__ import annotations

import logging

import pytest

from service.app import Duskbell
from service.channels.email import Email, OutboxFolder
from service.settings import Settings
from service.setup.settings_file import SettingsWatch, write_settings
from tests.integration.setup.conftest import Fresh


@pytest.fixture
def running(fresh: Fresh) -> Duskbell:
    return fresh.duskbell()


def test_a_change_by_another_process_is_taken_up_by_what_sends(running: Duskbell) -> None:
    watch, delivery = SettingsWatch(running), running.delivery
    assert isinstance(delivery.channels["email"], OutboxFolder)
    write_settings({"smtp_host": "relay.example.org", "contact": "you@example.org"})
    assert running.settings.contact == ""
    watch()
    assert running.settings.contact == "you@example.org"
    assert isinstance(delivery.channels["email"], Email)
    assert delivery.channels["email"].destination("") == "relay relay.example.org:587"
    running.engine.dispose()


def test_what_needs_a_new_start_is_named_and_waits_for_it(
    running: Duskbell, caplog: pytest.LogCaptureFixture
) -> None:
    watch = SettingsWatch(running)
    write_settings({"web_port": 9000, "contact": "you@example.org"})
    watch()
    assert (running.settings.web_port, running.settings.contact) == (8765, "you@example.org")
    assert "in use after a new start alone: public_url, web_port" in caplog.text


def test_row_186_a_file_that_was_broken_by_hand_changes_nothing_and_is_logged_once(
    fresh: Fresh, running: Duskbell, caplog: pytest.LogCaptureFixture
) -> None:
    write_settings({"contact": "you@example.org"})
    running.use(Settings(contact="you@example.org"))
    watch = SettingsWatch(running)
    fresh.file.write_text("contact = ")
    with caplog.at_level(logging.ERROR):
        watch()
        watch()
    assert running.settings.contact == "you@example.org"
    assert caplog.text.count("can't be used") == 1
    fresh.file.write_text('contact = "other@example.org"\n')
    watch()
    assert running.settings.contact == "other@example.org"
