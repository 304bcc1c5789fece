"""A worker of a fleet: takes jobs from PostgreSQL, as many workers on as many machines as needed.

What needs the processor (sky, judge, verify, upkeep) is done one at a time in a process, since more would
only take turns; messages are sent side by side, and feeds waited for beside both.
"""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from procrastinate import App, JobContext, PsycopgConnector
from procrastinate.exceptions import ConnectorException
from procrastinate.jobs import DeleteJobCondition, Status
from procrastinate.worker import Worker

from alerts.common.errors import DuskbellError
from alerts.common.phrases import phrase
from service.app import Duskbell
from service.hindsight import verification
from service.pipeline.run_cycle import verifying_from
from service.runtime.fleet import cycles, sending, worker_sessions
from service.runtime.fleet.watchdog import Lifeline, asking, driver_url
from service.runtime.maintenance_jobs import find_chores
from service.store.engine import connect_options
from service.store.repositories.job_queue import (
    CHORE,
    DELIVER,
    JUDGE,
    PART,
    QUEUES,
    RECOVER,
    REFRESH,
    SEND,
    SKY,
    UPKEEP,
    VERIFY,
)

log = logging.getLogger(__name__)

SENDERS = 8
HEARTBEAT_S, STALLED_AFTER_S = 10.0, 30.0
RUNS_AT_MOST = 5
"""A job whose process has died that often isn't put back any more; what it was to do is found again."""
QUEUE_WITHIN_S = 30.0
"""Without a connection for so long the queue counts as lost."""
POLL_EVERY_S = 5.0
"""Jobs are announced by the server; this is for announcements that were lost."""


class DatabaseLost(DuskbellError):
    """The worker stopped although nobody told it to."""


def run_worker(
    duskbell: Duskbell, queues: Collection[str] = QUEUES, *, senders: int = SENDERS, alive: Path | None = None
) -> None:
    """Work until SIGINT or SIGTERM; then finish what is in hand, take nothing more up, and return.

    DatabaseLost when the connection to the queue is gone for good. A supervisor starts the process anew; the
    queue's library ends in good order then, which it would take for done. Mending the connection from within
    can hang for good.
    """
    worker_sessions.attach(duskbell.sessions, duskbell.channels, duskbell.clock)
    # queues that share their hands, and how many hands those are; upkeep is always done
    thinking = [name for name in (SKY, JUDGE, VERIFY) if name in queues]
    asked = [(thinking, 1), ([REFRESH], 1), ([DELIVER], senders)]
    lanes = [([UPKEEP], 1), *((names, hands) for names, hands in asked if set(names) & set(queues))]
    with Lifeline(asking(duskbell.engine.url), alive=alive):
        asyncio.run(_work(duskbell, lanes))


async def _work(duskbell: Duskbell, lanes: Sequence[tuple[list[str], int]]) -> None:
    app = build_app(duskbell)
    told_to = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(sum(hands for _, hands in lanes) + 1))
    async with app.open_async():
        workers = [
            Worker(
                app,
                queues=names,
                name=",".join(names),
                concurrency=hands,
                fetch_job_polling_interval=POLL_EVERY_S,
                delete_jobs=DeleteJobCondition.SUCCESSFUL,
                install_signal_handlers=False,
                update_heartbeat_interval=HEARTBEAT_S,
                stalled_worker_timeout=STALLED_AFTER_S,
            )
            for names, hands in lanes
        ]
        running = [
            asyncio.create_task(worker.run())  # type: ignore[no-untyped-call]
            for worker in workers
        ]

        def stop() -> None:
            told_to.set()
            duskbell.delivery.stopping.set()
            for worker in workers:
                worker.stop()  # type: ignore[no-untyped-call]

        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop)
        await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
        was_told = told_to.is_set()
        stop()
        ended = await asyncio.gather(*running, return_exceptions=True)
    failed = [each for each in ended if isinstance(each, BaseException)]
    if failed or not was_told:
        raise DatabaseLost(phrase("runtime.queue-lost")) from (failed[0] if failed else None)


def build_app(duskbell: Duskbell) -> App:
    """The tasks over a wired installation. Their arguments are ids; what they mean lies in the rows."""
    url = duskbell.engine.url
    connector = PsycopgConnector(
        conninfo=driver_url(url), kwargs=connect_options(url), min_size=1, max_size=4, timeout=QUEUE_WITHIN_S
    )
    app = App(connector=connector)
    chores: dict[str, Callable[[], object]] = {chore.name: chore.do for chore in find_chores(duskbell)}
    chores["verify"] = lambda: verification.run(verifying_from(duskbell), duskbell.clock())

    @app.task(name=PART, queue=JUDGE)
    def work_on_part(stage: str, part_id: int) -> None:
        cycles.work_on(duskbell, stage, part_id)

    @app.task(name=SEND, queue=DELIVER)
    def send_messages(destination: str, message_ids: list[str]) -> None:
        sending.send_batch(duskbell.delivery, destination, message_ids)

    @app.task(name=CHORE, queue=UPKEEP)
    def do_chore(name: str) -> None:
        chores[name]()

    @app.task(name=RECOVER, queue=UPKEEP, pass_context=True)
    async def recover_jobs(context: JobContext) -> None:
        await _recover(context.app)

    return app


async def _recover(app: App) -> None:
    """Put jobs back whose process has died: its heart hasn't beaten for half a minute."""
    for job in await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=STALLED_AFTER_S):
        log.warning("job %s (%s) is put back; its process has died", job.id, job.task_name)
        try:
            if job.attempts >= RUNS_AT_MOST:
                await app.job_manager.finish_job(job, status=Status.FAILED, delete_job=False)
            else:
                await app.job_manager.retry_job(job)
        except ConnectorException as error:
            log.info("job %s has moved on by itself: %s", job.id, error)
