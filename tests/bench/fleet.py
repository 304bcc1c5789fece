"""A fleet on a real PostgreSQL: how it grows with its workers, and what one large cycle takes.

    python tests/bench/fleet.py [--quick] [--json] [--sites N] [--large N]

The installation and the weather are those of tests/bench/cycle.py, with chats on loopback in place of mail.
For 1, 2 and 4 workers in processes of their own, each time on a fresh database:

judged_per_s        nights judged for a subscription each second, over the judge stage of a first cycle
deliveries_per_s    messages of that cycle taken by the receivers each second, over all of them
p95_arrival_s       with two workers, from the decision's being written to its arrival while all are sent
cycle_s             one first cycle of the large installation with two workers, nights and answers included
peak_mb_per_process the largest of its workers; database_mb: the database after it
ratio_to_embedded   a first cycle of N sites with two workers, over the same by the embedded default: SQLite,
                    one process, and where thousands of looks are due one more for each processor

Database, receiver and workers share the machine's cores, so more workers than cores can't help here.
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from sqlalchemy import Engine, func, select, text, update
from sqlalchemy.orm import Session

from service.app import Duskbell
from service.runtime.fleet import cycles
from service.runtime.fleet.scheduler import put_in_messages
from service.settings import Settings
from service.store.repositories.job_queue import DELIVER, JUDGE, REFRESH, SKY
from service.store.repositories.messages import UNSETTLED
from service.store.schema.core_tables import AddressRow, CyclePartRow, CycleRow, DecisionRow, MessageRow
from tests.acceptance.fleetlife.inbox import Inbox, open_inbox
from tests.bench.cycle import START, Weather, open_installation, say, settle, think
from tests.integration.postgres import running_postgres

CROWDS = (1, 2, 4)
RUN_AT = START - timedelta(hours=3, minutes=7)
THINKING, SENDING = f"{SKY},{REFRESH},{JUDGE}", DELIVER
LOOK_EVERY_S = 0.1
SWEEP_EVERY_S = 1.0
AT_MOST_S = 3600.0
OFFSET = "FLEET_BENCH_OFFSET_S"
SECRET = "whsec_" + "YmVuY2hiZW5jaGJlbmNoYmVuY2hiZW5jaA=="


def installation(settings: Settings) -> Duskbell:
    """Whose clock runs from START on, the same for all processes of a run."""
    offset = timedelta(seconds=float(os.environ[OFFSET]))
    return Duskbell(
        settings, clock=lambda: datetime.now(UTC) + offset, invented_weather=Weather(RUN_AT).gather
    )


def work(queues: str) -> None:
    """One worker, as `duskbell worker --queues` runs it; settings come from the environment."""
    from service.runtime.fleet.worker import run_worker
    from service.settings import load_settings

    run_worker(installation(load_settings()), queues.split(","))


@dataclass
class Ground:
    """A fresh installation with its receiver."""

    duskbell: Duskbell
    inbox: Inbox
    environment: dict[str, str]
    folder: Path

    @contextmanager
    def workers(self, count: int, queues: str) -> Iterator[list[subprocess.Popen[bytes]]]:
        command = [sys.executable, __file__, "--worker", queues]
        logs = [(self.folder / f"worker-{queues[:7]}-{k}.log").open("ab") for k in range(count)]
        crowd = [
            subprocess.Popen(command, env={**os.environ, **self.environment}, stdout=log, stderr=log)
            for log in logs
        ]
        try:
            self.wait_until_up(count)
            yield crowd
        finally:
            for each in crowd:
                each.send_signal(signal.SIGTERM)
            for each in crowd:
                each.wait(60)
            for log in logs:
                log.close()

    def wait_until_up(self, count: int) -> None:
        lanes = text("SELECT count(DISTINCT id) FROM procrastinate_workers")
        _wait(lambda: self._scalar(lanes) >= count)

    def _scalar(self, query: object) -> int:
        with self.duskbell.engine.connect() as connection:
            return int(connection.execute(query).scalar_one())  # type: ignore[call-overload]


def _wait(is_so: object) -> None:
    ends = time.monotonic() + AT_MOST_S
    while not is_so():  # type: ignore[operator]
        if time.monotonic() > ends:
            raise TimeoutError("the fleet hasn't come to an end within an hour")
        time.sleep(LOOK_EVERY_S)


@contextmanager
def ground(server: object, sites: int) -> Iterator[Ground]:
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fleet-bench-")))
        inbox, chat_port, _ = stack.enter_context(open_inbox())
        os.environ[OFFSET] = str((START - datetime.now(UTC)).total_seconds())
        settings = {
            "data_dir": str(folder),
            "database_url": server.migrated(),  # type: ignore[attr-defined]
            "contact": "bench@example.org",
            "secret_key": "only-for-this-bench-only-for-this-bench",
            "webhook_allow": [f"127.0.0.1:{chat_port}"],
        }
        environment = {
            f"DUSKBELL_{name.upper()}": value if isinstance(value, str) else json.dumps(value)
            for name, value in settings.items()
        }
        duskbell = installation(Settings(**settings))  # type: ignore[arg-type]
        stack.callback(duskbell.engine.dispose)
        settle(duskbell, sites)
        _by_chat(duskbell.engine, chat_port)
        yield Ground(duskbell, inbox, environment, folder)


def _by_chat(engine: Engine, port: int) -> None:
    """Everybody is told by a chat of their own; tables as large as in a fleet that has run for a while."""
    target = func.concat(f"http://127.0.0.1:{port}/", AddressRow.id)
    with engine.begin() as connection:
        connection.execute(update(AddressRow).values(channel="webhook", target=target, secrets=[SECRET]))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE"))


@dataclass(frozen=True, slots=True)
class Thought:
    """A first cycle: how long it took, its judge stage alone, and how much was judged."""

    cycle_s: float
    judge_s: float
    judged: int
    peak_mb: float


def run_cycle(ground: Ground, workers: int) -> Thought:
    with ground.workers(workers, THINKING) as crowd:
        began = time.perf_counter()
        with ground.duskbell.sessions.begin() as session:
            cycles.begin(session, START, START)
        _wait(lambda: _is_finished(ground))
        cycle_s = time.perf_counter() - began
        peak_mb = max(_peak_mb(each.pid) for each in crowd)
    with ground.duskbell.sessions() as session:
        span = select(func.min(CyclePartRow.opened_at), func.max(CyclePartRow.done_at))
        opened_at, done_at = session.execute(span.where(CyclePartRow.stage == JUDGE)).one()
        judged = session.scalar(select(func.count()).select_from(DecisionRow)) or 0
    return Thought(cycle_s, (done_at - opened_at).total_seconds(), judged, peak_mb)


def _is_finished(ground: Ground) -> bool:
    with ground.duskbell.sessions() as session:
        return session.scalar(select(CycleRow.finished_at)) is not None


def _peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


@dataclass(frozen=True, slots=True)
class Sent:
    count: int
    took_s: float
    p95_arrival_s: float


def deliver(ground: Ground, workers: int) -> Sent:
    """Send all that the cycle left; arrival is counted from when the sending began."""
    with ground.workers(workers, SENDING):
        began, wall = time.perf_counter(), time.time()
        next_sweep = 0.0

        def all_settled() -> bool:
            nonlocal next_sweep
            with ground.duskbell.sessions.begin() as session:
                if time.monotonic() >= next_sweep:
                    put_in_messages(session, ground.duskbell, ground.duskbell.clock())
                    next_sweep = time.monotonic() + SWEEP_EVERY_S
                return _unsettled(session) == 0

        _wait(all_settled)
        took_s = time.perf_counter() - began
    waits = sorted(at - wall for at in ground.inbox.first_at.values())
    return Sent(len(waits), took_s, waits[int(0.95 * (len(waits) - 1))] if waits else 0.0)


def _unsettled(session: Session) -> int:
    query = select(func.count()).where(
        MessageRow.status.in_(UNSETTLED),
        MessageRow.due_at <= datetime.now(UTC) + timedelta(days=400),
    )
    return session.scalar(query) or 0


def embedded_s(sites: int) -> float:
    """A first cycle on SQLite as `duskbell serve` runs it."""
    with tempfile.TemporaryDirectory(prefix="embedded-") as folder:
        duskbell = open_installation(Path(folder), Weather(RUN_AT))
        settle(duskbell, sites)
        took, _ = think(duskbell, START)
        duskbell.engine.dispose()
    return took


def measure(sites: int, large: int) -> dict[str, object]:
    judged, delivered, p95, fleet_s = {}, {}, 0.0, 0.0
    with running_postgres(hurried=False) as server:
        for count in CROWDS:
            with ground(server, sites) as here:
                thought = run_cycle(here, count)
                sent = deliver(here, count)
            judged[str(count)] = round(thought.judged / thought.judge_s, 1)
            delivered[str(count)] = round(sent.count / sent.took_s, 1)
            say(f"  {count} workers: cycle {thought.cycle_s:.1f} s, {thought.judged} judged in "
                f"{thought.judge_s:.1f} s; {sent.count} sent in {sent.took_s:.1f} s")  # fmt: skip
            if count == 2:
                p95, fleet_s = sent.p95_arrival_s, thought.cycle_s
        alone_s = embedded_s(sites)
        say(f"  embedded: {alone_s:.1f} s; {large} sites follow")
        with ground(server, large) as here:
            thought = run_cycle(here, 2)
            with here.duskbell.engine.connect() as connection:
                size = connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one()
    return {
        "sites": sites,
        "judged_per_s": judged,
        "deliveries_per_s": delivered,
        "p95_arrival_s": round(p95, 2),
        "large_sites": large,
        "cycle_s": round(thought.cycle_s, 1),
        "peak_mb_per_process": round(thought.peak_mb, 1),
        "database_mb": round(size / 1e6, 1),
        "ratio_to_embedded": round(fleet_s / alone_s, 2),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--quick", action="store_true", help="small installations, under 50 seconds")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    parser.add_argument("--sites", type=int, default=None, help="other than 2000 (or 50)")
    parser.add_argument("--large", type=int, default=None, help="other than 100000 (or 100)")
    parser.add_argument("--worker", default="", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.worker:
        work(given.worker)
        return
    sites = given.sites or (50 if given.quick else 2_000)
    large = given.large or (100 if given.quick else 100_000)
    print(json.dumps(measure(sites, large)))


if __name__ == "__main__":
    main()
