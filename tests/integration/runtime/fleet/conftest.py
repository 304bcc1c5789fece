"""A fleet on a real PostgreSQL, its jobs done one after the other in the test's own process."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest
from sqlalchemy import text

from service.runtime.fleet import cycles, scheduler, worker_sessions
from service.runtime.fleet.worker import build_app
from service.store.repositories.job_queue import QUEUES, UPKEEP
from tests.integration.pipeline.world import World, open_world
from tests.integration.postgres import Server


@dataclass
class Fleet:
    """The world with a queue: a tick lays out work, `work` does it."""

    world: World

    def tick(self, now: datetime) -> int | None:
        """Begin the cycle of that moment; its id, or None when it doesn't count."""
        self.world.wall = now
        with self.world.duskbell.sessions.begin() as session:
            return cycles.begin(session, now, now)

    def sweep(self) -> int:
        with self.world.duskbell.sessions.begin() as session:
            return cycles.look_after_parts(session, self.world.wall)

    def work(self, *queues: str) -> None:
        """Do all jobs of these queues, those too that others put in, until none is left."""
        app = build_app(self.world.duskbell)

        async def until_done() -> None:
            async with app.open_async():
                await app.run_worker_async(
                    queues=list(queues or QUEUES),
                    wait=False,
                    listen_notify=False,
                    install_signal_handlers=False,
                    delete_jobs="successful",
                )

        asyncio.run(until_done())

    def recover(self) -> None:
        """Look for jobs whose process has died, as a worker does when a scheduler asks it to."""
        with self.world.duskbell.sessions.begin() as session:
            scheduler.ask_to_recover(session, self.world.wall, self.world.wall)
        self.work(UPKEEP)

    def jobs(self, status: str = "todo") -> list[str]:
        """The queues of the jobs in that state, in the order they were put in."""
        query = text("SELECT queue_name FROM procrastinate_jobs WHERE status::text = :status ORDER BY id")
        with self.world.duskbell.sessions() as session:
            return list(session.scalars(query, {"status": status}))

    def lose_jobs(self) -> None:
        """As if the queue had been wiped."""
        with self.world.duskbell.sessions.begin() as session:
            session.execute(text("DELETE FROM procrastinate_jobs"))


@pytest.fixture
def fleet(tmp_path: Path, new_postgres: Server) -> Iterator[Fleet]:
    with open_world(tmp_path, new_postgres.migrated()) as world:
        duskbell = world.duskbell
        worker_sessions.attach(duskbell.sessions, duskbell.channels, lambda: world.wall)
        yield Fleet(world)
