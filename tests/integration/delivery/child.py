"""What a test runs in a process of its own, to kill it or to freeze it."""

from __future__ import annotations

import logging
import os
import signal
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from sqlalchemy import event

from service.app import Duskbell
from service.channels.channel_registry import build_channels
from service.channels.email import MailServer
from service.channels.safe_http import SafeClient
from service.common.fault_points import VARIABLE
from service.delivery import dispatcher
from service.pipeline.run_cycle import run_cycle
from service.runtime import single_process
from service.settings import Settings
from service.store.engine import open_engine
from service.store.locking import AlreadyRunning
from service.store.migrate import upgrade
from tests.integration.pipeline.world import CLEAR_PCT, Weather

PATIENCE_S = 60.0


@dataclass(frozen=True)
class Ground:
    """Where a child works: the data folder, the store, and the mail server's port (0: none)."""

    folder: str
    store_url: str
    smtp_port: int = 0

    def open(self) -> Duskbell:
        settings = Settings(
            data_dir=Path(self.folder),
            database_url=self.store_url,
            contact="test@example.org",
            mail_from="duskbell@example.org",
            public_url="https://duskbell.example.org",
        )
        duskbell = Duskbell(settings, invented_weather=Weather(CLEAR_PCT).gather)
        relay = MailServer(host="127.0.0.1", port=self.smtp_port, security="none") if self.smtp_port else None
        client = SafeClient(allow=["127.0.0.0/8"], ports=range(1024, 65536), allow_http=True)
        duskbell.channels = build_channels(settings, client=client, relay=relay)
        return duskbell


def cycle(ground: Ground, now: datetime) -> None:
    """One whole cycle as of `now`, with the real clock."""
    run_cycle(ground.open(), now)


def send(ground: Ground) -> None:
    """One pass over what is due, in real time."""
    duskbell = ground.open()
    dispatcher.run(duskbell.delivery, datetime.now(UTC))


def serve(ground: Ground, port: int, stop_within_s: float = 20.0) -> None:
    """The whole service, until it is told to stop."""
    from service.web.app import build_app

    dispatcher.STOP_WITHIN_S = single_process.STOP_WITHIN_S = stop_within_s
    duskbell = ground.open()
    duskbell.settings = duskbell.settings.model_copy(update={"web_port": port})
    app = build_app(duskbell)
    try:
        single_process.run_service(duskbell, app, lambda: None)
    except AlreadyRunning:
        os._exit(3)
    single_process.leave()


def migrate(store_url: str, kill_after_tables: int) -> None:
    """Run the migrations, and die when that many tables are made."""
    engine = open_engine(store_url)
    made = iter(range(kill_after_tables))

    @event.listens_for(engine, "after_cursor_execute")
    def _count(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.lstrip().startswith("CREATE TABLE") and next(made, None) is None:
            os.kill(os.getpid(), signal.SIGKILL)

    upgrade(engine)


def _run(crash_at: str, do: Callable[..., None], args: Sequence[Any]) -> None:
    """The child's main: quiet, and mortal at the place that is named."""
    logging.disable(logging.CRITICAL)
    if crash_at:
        os.environ[VARIABLE] = crash_at
    do(*args)
    os._exit(0)  # as the service does: nothing is left to tidy that another start wouldn't


def start(do: Callable[..., None], *args: Any, crash_at: str = "") -> BaseProcess:
    """Begin it in a process that has everything loaded already."""
    context = get_context("forkserver")
    context.set_forkserver_preload([__name__, "service.channels.channel_registry", "alerts.briefing.render"])
    process = context.Process(target=_run, args=(crash_at, do, args), daemon=True)
    process.start()
    return process


def run(do: Callable[..., None], *args: Any, crash_at: str = "") -> int | None:
    """Run it to its end, whatever that is; the exit code, negative for a signal."""
    process = start(do, *args, crash_at=crash_at)
    process.join(PATIENCE_S)
    return process.exitcode


def run_and_kill(do: Callable[..., None], *args: Any, after_s: float) -> int | None:
    """Kill it -9 after that long, if it hasn't ended by then."""
    process = start(do, *args)
    process.join(after_s)
    if process.is_alive():
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
    process.join(PATIENCE_S)
    return process.exitcode


@contextmanager
def frozen(process: BaseProcess) -> Any:
    """Stopped by the system for as long as the block lasts."""
    assert process.pid is not None
    os.kill(process.pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(process.pid, signal.SIGCONT)
