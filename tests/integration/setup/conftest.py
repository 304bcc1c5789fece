"""A fresh installation, feeds that answer, and somebody who types."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import responses
import time_machine
from click.testing import CliRunner, Result

from service.app import Duskbell, build
from service.cli.main import duskbell as command
from service.cli.setup import command as setup_command
from tests.integration.channels.mail_relays import Relay, running
from tests.integration.conftest import NewStore
from tests.integration.feeds.feed_data import read_bytes
from tests.integration.feeds.openmeteo_stand_in import OpenMeteoStandIn, mocked_runs

NOW = datetime(2022, 5, 18, 20, 40, tzinfo=UTC)
"""The evening of MET Norway's recorded answer."""
MET_NORWAY = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
MET_NORWAY_BODY = read_bytes("metno-complete-59n10e-2022-05-18.json")

Answer = str | Callable[[], str] | type[BaseException]


class Typist(io.RawIOBase):
    """Types one answer each time a line is waited for; an answer may be found only then, or be Ctrl-C."""

    def __init__(self, answers: list[Answer]) -> None:
        self._answers = answers

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if not self._answers:
            return 0
        answer = self._answers.pop(0)
        if isinstance(answer, type):
            raise answer
        line = f"{answer if isinstance(answer, str) else answer()}\n".encode()
        buffer[: len(line)] = line
        return len(line)


@dataclass
class Fresh:
    """An installation of which nothing is set. file: its settings."""

    file: Path
    folder: Path
    monkeypatch: pytest.MonkeyPatch

    def script(self, *options: str) -> Result:
        """Without a terminal."""
        self.monkeypatch.setattr(setup_command, "has_terminal", lambda: False)
        return CliRunner().invoke(command, ["setup", *options])

    def typed(self, *answers: Answer, options: tuple[str, ...] = ()) -> Result:
        """In a terminal; what isn't typed by the end is Ctrl-D."""
        self.monkeypatch.setattr(setup_command, "has_terminal", lambda: True)
        return CliRunner().invoke(command, ["setup", *options], input=io.BufferedReader(Typist([*answers])))

    def duskbell(self) -> Duskbell:
        return build()


@pytest.fixture
def fresh(tmp_path: Path, new_store: NewStore, monkeypatch: pytest.MonkeyPatch) -> Iterator[Fresh]:
    for name in [name for name in os.environ if name.startswith("DUSKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("DUSKBELL_DATABASE_URL", new_store(tmp_path))
    monkeypatch.setenv("DUSKBELL_OPEN_METEO_MODELS", '["icon_seamless"]')
    for off in ("NWS", "OFFICIAL_WARNINGS", "OPEN_METEO_AIR"):
        monkeypatch.setenv(f"DUSKBELL_{off}", "false")
    with time_machine.travel(NOW, tick=True):
        yield Fresh(tmp_path / "duskbell.toml", tmp_path, monkeypatch)


@pytest.fixture
def feeds() -> Iterator[responses.RequestsMock]:
    """MET Norway and Open-Meteo, which answer."""
    with mocked_runs() as mock:
        OpenMeteoStandIn(mock)
        headers = {
            "Last-Modified": "Wed, 18 May 2022 20:36:05 GMT",
            "Expires": "Wed, 18 May 2022 21:08:00 GMT",
        }
        mock.add(
            responses.GET,
            MET_NORWAY,
            body=MET_NORWAY_BODY,
            headers=headers,
            content_type="application/json",
        )
        yield mock


@pytest.fixture
def relay() -> Iterator[Relay]:
    """A relay that takes mail; `port` is where."""
    taking = Relay()
    with running(taking) as server:
        taking.port = server.port  # type: ignore[attr-defined]
        yield taking
