"""A whole fleet under load, while its processes are killed and frozen, its database restarts, its lines
are cut and its version changes: nothing is lost, and what is repeated is repeated under its id.

    python -m tests.acceptance.fleet                # about a minute and a half, as .ci/run does
    python -m tests.acceptance.fleet --minutes 10   # by hand, with the leases of the real thing

Two schedulers, two workers and a page on a real PostgreSQL; one scheduler and one worker reach it over a
line that can be cut. Prints one JSON object; the exit code is 0 only when every promise held.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import sessionmaker

from service.store.engine import open_engine
from tests.acceptance.fleetlife.inbox import Inbox, open_inbox
from tests.acceptance.fleetlife.people import Crowd
from tests.acceptance.fleetlife.processes import Process, Supervisor
from tests.acceptance.fleetlife.proxy import Line
from tests.acceptance.fleetlife.upgrade import build_newer
from tests.acceptance.fleetlife.verdict import Books, wait_until_quiet
from tests.integration.postgres import Server, running_postgres

TOP = Path(__file__).parents[2]
CLEAR, OVERCAST = "-6", "85"
"""The invented cloud in percent; below 0 the cloudiest model sees none either, and everybody is told."""
COME_IN_EVERY_S, COME_IN = 1.0, 6
AT_THE_START = 60
STOP_WITHIN_S = 60.0
QUIET_WITHIN_S = 240.0


@dataclass
class Fleet:
    """The fleet and what was done to it."""

    server: Server
    engine: Engine
    line: Line
    supervisor: Supervisor
    crowd: Crowd
    weather: Path
    newer: Path
    haste: bool
    rng: random.Random = field(default_factory=lambda: random.Random(11))
    deck: list[Process] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    orderly: list[int] = field(default_factory=list)

    def named(self, *names: str) -> list[Process]:
        return [each for each in self.supervisor.processes if each.name in names]

    def calm(self) -> None:
        """An end to all troubles, and a clear night."""
        self.weather.write_text(CLEAR)
        self.line.mend()
        for process in self.supervisor.processes:
            process.signal(signal.SIGCONT)

    def note(self, what: str) -> None:
        self.done.append(what)
        sys.stderr.write(f"{time.strftime('%H:%M:%S')} {what}\n")


def kill_one(fleet: Fleet) -> None:
    """Each in its turn, in an order of chance."""
    if not fleet.deck:
        fleet.deck = fleet.rng.sample(fleet.supervisor.processes, len(fleet.supervisor.processes))
    victim = fleet.deck.pop()
    victim.signal(signal.SIGKILL)
    fleet.note(f"kill {victim.name}")


def crash_database(fleet: Fleet) -> None:
    fleet.server.restart("immediate")
    fleet.note("database crash")


def restart_database(fleet: Fleet) -> None:
    fleet.server.restart("fast")
    fleet.note("database restart")


def freeze_worker(fleet: Fleet) -> None:
    """Past its leases, then let it wake up."""
    [victim] = fleet.named("worker 1")
    victim.signal(signal.SIGSTOP)
    frozen = victim.running
    yield_s = 11.0 if fleet.haste else 150.0
    live_on(fleet, yield_s)
    if frozen is not None and victim.running is frozen:
        frozen.send_signal(signal.SIGCONT)
    fleet.note("worker frozen")


def cut_line(fleet: Fleet) -> None:
    fleet.line.cut()
    live_on(fleet, 4.0 if fleet.haste else 20.0)
    fleet.line.mend()
    fleet.note("line cut")


def deaden_line(fleet: Fleet) -> None:
    fleet.line.go_dead()
    live_on(fleet, 8.0 if fleet.haste else 45.0)
    fleet.line.mend()
    fleet.note("line dead")


def turn_weather(fleet: Fleet) -> None:
    now = fleet.weather.read_text()
    fleet.weather.write_text(OVERCAST if now == CLEAR else CLEAR)
    fleet.note("weather turns")


def upgrade(fleet: Fleet) -> None:
    """The newer version migrates while the older one works; then one process after the other changes."""
    supervisor = fleet.supervisor
    some = supervisor.processes[0]
    migration = Process("migrate", "migrate", fleet.newer, some.environment, some.log)
    migration.start()
    assert migration.running is not None
    fleet.orderly.append(migration.running.wait(STOP_WITHIN_S))
    live_on(fleet, 6.0)
    for process in supervisor.processes:
        fleet.orderly.append(supervisor.replace(process, fleet.newer, STOP_WITHIN_S))
        live_on(fleet, 1.0)
    fleet.note("upgrade")


def live_on(fleet: Fleet, seconds: float) -> None:
    """More people come in; a store that is away just now keeps them waiting."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        try:
            fleet.crowd.come_in(COME_IN)
        except DBAPIError:
            fleet.note("nobody could come in")
        time.sleep(COME_IN_EVERY_S)


IN_A_MINUTE: tuple[Callable[[Fleet], None], ...] = (
    kill_one, crash_database, freeze_worker, kill_one, turn_weather, cut_line, kill_one, restart_database,
    deaden_line, turn_weather, upgrade, kill_one,
)  # fmt: skip
AT_RANDOM = (
    *[kill_one] * 12, *[turn_weather] * 3,
    crash_database, restart_database, cut_line, deaden_line, freeze_worker,
)  # fmt: skip


def story(fleet: Fleet, minutes: float) -> Iterator[Callable[[Fleet], None]]:
    """What is done, one after the other."""
    if minutes <= 1:
        yield from IN_A_MINUTE
        return
    ends = time.monotonic() + 60 * minutes
    has_changed = False
    while (left := ends - time.monotonic()) > 0:
        if not has_changed and left < 30 * minutes:
            has_changed = True
            yield upgrade
        yield fleet.rng.choice(AT_RANDOM)


@contextmanager
def running_fleet(minutes: float) -> Iterator[tuple[Fleet, Inbox]]:
    with ExitStack() as stack:
        folder = Path(tempfile.mkdtemp(prefix="fleet-"))
        stack.callback(shutil.rmtree, folder)
        server = stack.enter_context(running_postgres(hurried=False))
        inbox, chat_port, mail_port = stack.enter_context(open_inbox())
        line = Line(server.socket)
        stack.callback(line.close)
        url = server.migrated()
        engine = open_engine(url)
        stack.callback(engine.dispose)
        weather = folder / "weather"
        weather.write_text(CLEAR)
        common = {
            "DUSKBELL_DATABASE_URL": url,
            "DUSKBELL_SECRET_KEY": "only-for-this-hour-only-for-this-hour",
            "DUSKBELL_DATA_DIR": str(folder),
            "DUSKBELL_CONTACT": "test@example.org",
            "DUSKBELL_SMTP_HOST": "127.0.0.1",
            "DUSKBELL_SMTP_PORT": str(mail_port),
            "DUSKBELL_SMTP_SECURITY": "none",
            "DUSKBELL_WEBHOOK_ALLOW": json.dumps([f"127.0.0.1:{chat_port}"]),
            "DUSKBELL_WEB_PORT": str(chat_port + 1 if chat_port < 65535 else chat_port - 1),
            "FLEET_WEATHER": str(weather),
            "FLEET_EVERY_S": "5",
            "FLEET_HASTE": "1" if minutes <= 1 else "",
        }
        over_line = {**common, "DUSKBELL_DATABASE_URL": _over_line(url, line.port)}
        processes = [
            Process(name, role, TOP, environment, folder / f"{name.replace(' ', '-')}.log")
            for name, role, environment in (
                ("scheduler 1", "scheduler", common),
                ("scheduler 2", "scheduler", over_line),
                ("worker 1", "worker", common),
                ("worker 2", "worker", over_line),
                ("web 1", "web", common),
            )
        ]
        supervisor = Supervisor(processes)
        crowd = Crowd(sessionmaker(engine), chat_port)
        newer = build_newer(TOP, folder / "newer")
        crowd.come_in(AT_THE_START)
        fleet = Fleet(server, engine, line, supervisor, crowd, weather, newer, haste=minutes <= 1)
        supervisor.start()
        try:
            yield fleet, inbox
        finally:
            supervisor.stop(STOP_WITHIN_S)
            if keep := sys.exc_info()[0]:
                sys.stderr.write(f"{keep.__name__}; logs:\n{_tails(folder)}\n")


def _over_line(url: str, port: int) -> str:
    name = url.partition("@/")[2].partition("?")[0]
    return f"postgresql+psycopg://postgres@127.0.0.1:{port}/{name}?sslmode=disable&gssencmode=disable"


def _tails(folder: Path) -> str:
    return "\n".join(f"== {path.name}\n{path.read_text()[-3000:]}" for path in sorted(folder.glob("*.log")))


def ask_page(fleet: Fleet) -> int:
    """The status of the page's health."""
    port = fleet.named("web 1")[0].environment["DUSKBELL_WEB_PORT"]
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=10) as answer:
        return int(answer.status)


def run(minutes: float) -> dict[str, Any]:
    with running_fleet(minutes) as (fleet, inbox):
        live_on(fleet, 8.0)
        for act in story(fleet, minutes):
            act(fleet)
            live_on(fleet, 1.5 if minutes <= 1 else 4.0)
        fleet.calm()
        sessions = sessionmaker(fleet.engine)
        quiet_s = wait_until_quiet(sessions, QUIET_WITHIN_S)
        ready = ask_page(fleet)
        codes = {role: dict(counter) for role, counter in fleet.supervisor.codes.items()}
        fleet.orderly += fleet.supervisor.stop(STOP_WITHIN_S)
        found = Books(sessions, inbox).close()
    done = {what: fleet.done.count(what) for what in sorted(set(fleet.done))}
    return {
        "minutes": minutes, "addresses": fleet.crowd.addresses, "done": done, "codes": codes,
        "orderly_ends": fleet.orderly, "page": ready, "quiet_after_s": round(quiet_s, 1), **found,
    }  # fmt: skip


def is_well(report: dict[str, Any]) -> bool:
    return (
        report["lost"] == report["untold"] == report["left_to_tell"] == 0
        and report["duplicates_with_other_id"] == report["open_parts"] == 0
        and not report["broken"]
        and set(report["orderly_ends"]) == {0}
        and report["page"] == 200
        and report["arrived"] > 0
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--minutes", type=float, default=1.0, help="how long; 1 hurries leases along")
    report = run(parser.parse_args().minutes)
    sys.stdout.write(json.dumps(report) + "\n")
    sys.exit(0 if is_well(report) else 1)


if __name__ == "__main__":
    main()
