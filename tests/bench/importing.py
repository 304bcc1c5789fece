"""How long keeping 500 sites from a file holds the store's write lock, beside few and many sites of others.

    python tests/bench/importing.py [--others 1000 20000] [--json]

An SQLite file is filled with the sites of other people; then one person keeps 500 sites in one transaction,
as the page does, and one site is looked up by its name, as commands do. Prints seconds and statements.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine, event, insert
from sqlalchemy.orm import Session, sessionmaker

from alerts.sites.model import Site
from service.store.engine import open_engine
from service.store.json_values import to_json
from service.store.migrate import require_current
from service.store.repositories import sites
from service.store.schema.core_tables import PersonRow, SiteRevisionRow, SiteRow

NOW = datetime(2027, 6, 30, 12, tzinfo=UTC)
OWNERS = 100
IMPORTED = 500


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--others", type=int, nargs="*", default=[1_000, 20_000])
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    for others in asked.others:
        figures = measure(others)
        print(json.dumps(figures) if asked.json else _line(figures))


def measure(others: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'importing.sqlite3'}")
        require_current(engine)
        making = sessionmaker(engine, expire_on_commit=False)
        person_id = _settle(making, others)
        kept_s, kept_statements = _timed(engine, lambda: _keep(making, person_id))
        found_s, found_statements = _timed(engine, lambda: _find(making, f"Hill {others // 2}"))
        engine.dispose()
    return {
        "others": others,
        "import_s": round(kept_s, 3),
        "import_statements": kept_statements,
        "find_ms": round(found_s * 1000, 1),
        "find_statements": found_statements,
    }


def _settle(making: sessionmaker[Session], others: int) -> int:
    """The sites of other people, and one person without any; that person's id."""
    facts = {"site": to_json(Site("Hill", 40.0, -1.0)), "elevation_known": False}
    with making.begin() as session:
        session.execute(
            insert(PersonRow),
            [
                {"id": k + 1, "name": "", "zone": "UTC", "is_operator": k == 0, "created_at": NOW}
                for k in range(OWNERS + 1)
            ],
        )
        session.execute(
            insert(SiteRow),
            [
                {"id": k + 1, "owner_id": k % OWNERS + 1, "is_shared": False, "created_at": NOW}
                | _names(f"Hill {k}")
                for k in range(others)
            ],
        )
        session.execute(
            insert(SiteRevisionRow),
            [
                {"site_id": k + 1, "revision": 1, "lat_deg": 40.0, "lon_deg": -1.0, "zone": "UTC",
                 "facts": facts, "created_at": NOW}
                for k in range(others)
            ],
        )  # fmt: skip
    return OWNERS + 1


def _names(name: str) -> dict[str, str]:
    return {"name": name, "folded_name": name.casefold()}


def _keep(making: sessionmaker[Session], person_id: int) -> None:
    with making.begin() as session:
        owner = session.get_one(PersonRow, person_id)
        places = (Site(f"Waypoint {k}", 40.0 + k / 1000, -1.0, zone="UTC") for k in range(IMPORTED))
        sites.add_sites(session, owner, [sites.NewSite(each, False) for each in places], NOW)


def _find(making: sessionmaker[Session], name: str) -> None:
    with making() as session:
        assert sites.get_site(session, name).name == name


def _timed(engine: Engine, act: Callable[[], None]) -> tuple[float, int]:
    """Seconds of the act on the wall, and how many statements it sent."""
    count = 0

    def tick(*_: object) -> None:
        nonlocal count
        count += 1

    event.listen(engine, "before_cursor_execute", tick)
    began = time.perf_counter()
    act()
    passed_s = time.perf_counter() - began
    event.remove(engine, "before_cursor_execute", tick)
    return passed_s, count


def _line(figures: dict[str, float]) -> str:
    return (
        f"beside {figures['others']} sites of others: {IMPORTED} kept in {figures['import_s']} s with "
        f"{figures['import_statements']} statements; one found by name in {figures['find_ms']} ms with "
        f"{figures['find_statements']}"
    )


if __name__ == "__main__":
    main()
