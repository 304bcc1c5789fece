"""How quickly pages come: 1,000 sites on SQLite, a real server in a process of its own, 50 requests a second.

    python tests/bench/web.py [--quick] [--json] [--seconds S]

Twenty people own fifty sites each, one subscription a site; invented weather, every night judged and told.
The store is then served by uvicorn in a second process, as `duskbell serve` does it, and asked from this one
over loopback at fixed moments, whether the answers before have come or not. Meanwhile something is committed
every five seconds, as when somebody signs in: whatever was kept of whole pages is void then. Measured from
the moment at which a request is due to the last byte, without the browser:

first_page_median_ms   each site's page once, one after the other: pictures and plans are worked out for it
site_page_median_ms, site_page_p95_ms   then the page of a site picked at random, by its signed-in owner
home_first_ms          the first page of a person with fifty sites, all its nights read for the first time
home_median_ms         the same later, right after something was committed
site_page_cpu_ms       what a site page costs the server's processor, which a busy machine changes little
page_kb                the largest of the site pages, before compression; home_kb: the largest first page
page_sent_kb           the largest site page as it is sent, with gzip
css_kb, js_kb          the larger stylesheet; all scripts together
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import gzip
import json
import multiprocessing
import os
import random
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import http.client

from alerts.sites.model import Site
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.demo.play import LOOPBACK
from service.pipeline import run_cycle as cycle_run
from service.settings import Settings
from service.store.repositories import browsers, people, rate_limits, subscriptions
from service.store.repositories.sites import add_site
from service.store.schema.core_tables import PersonRow
from service.web.app import build_app
from service.web.server import build_server
from service.web.shared import sessions
from service.web.shared.assets import read_asset
from tests.integration.pipeline.world import CLEAR_PCT, GO_TIME, ON_THE_DAY, START, Weather

SITES_EACH = 50
A_SECOND = 50
COMMIT_EVERY_S = 5.0
PORT_TRIES = 200
SCRIPTS = ("site-form.js", "wishes.js", "field.js", "field-worker.js")


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def open_duskbell(folder: Path) -> Duskbell:
    settings = Settings(data_dir=folder, contact="bench@example.org")
    duskbell = Duskbell(settings, invented_weather=Weather(CLEAR_PCT).gather)
    duskbell.clock = lambda: GO_TIME
    return duskbell


def furnish(duskbell: Duskbell, count: int) -> list[str]:
    """Sites, subscriptions and one signed-in browser for each owner; the browsers' tokens."""
    dice = random.Random(9)
    tokens = []
    for number in range(count // SITES_EACH):
        with duskbell.sessions.begin() as session:
            person = PersonRow(name="", zone="Europe/Madrid", is_operator=False, created_at=START)
            session.add(person)
            session.flush()
            mail = f"owner{number}@example.org"
            address = people.add_address(session, person, "email", mail, secrets=[], now=START)
            for each in range(SITES_EACH):
                site = _site(dice, f"Site {number}-{each}")
                row = add_site(session, person, site, elevation_known=True, now=START)
                subscriptions.subscribe(session, address, row, DEFAULT_WISHES, now=START)
            tokens.append(browsers.start(session, person.id, GO_TIME))
    return tokens


def _site(dice: random.Random, name: str) -> Site:
    lat_deg, lon_deg = dice.uniform(36, 43), dice.uniform(-8, 2)
    return Site(name, round(lat_deg, 4), round(lon_deg, 4), float(dice.randrange(1500)), "Europe/Madrid")


def play(duskbell: Duskbell) -> None:
    """The cycles up to the go; nothing is sent anywhere."""
    cycle_run.dispatcher.run = lambda *_: {}  # type: ignore[assignment]  # a bench of its own
    for now in (START, ON_THE_DAY, GO_TIME):
        began = time.perf_counter()
        cycle_run.run_cycle(duskbell, now)
        say(f"cycle of {now:%d %H:%M}: {time.perf_counter() - began:.1f} s")


def serve(folder: str, port: int) -> None:
    duskbell = open_duskbell(Path(folder))
    build_server(build_app(duskbell), LOOPBACK, port).run()


@dataclass
class Asker:
    """Asks the server, keeping what it took."""

    port: int
    took_ms: list[float]
    largest: bytes = b""
    faults: int = 0

    def ask(self, path: str, token: str, since_s: float | None = None) -> None:
        began = time.perf_counter() if since_s is None else since_s
        connection = http.client.HTTPConnection(LOOPBACK, self.port, timeout=30)
        try:
            connection.request("GET", path, headers={"Cookie": f"{sessions.COOKIE}={token}"})
            answer = connection.getresponse()
            body, is_good = answer.read(), answer.status == 200
        except OSError:
            body, is_good = b"", False
        connection.close()
        self.took_ms.append(1000 * (time.perf_counter() - began))
        self.faults += not is_good
        if len(body) > len(self.largest):
            self.largest = body

    def ask_steadily(self, asked: Sequence[tuple[str, str]]) -> None:
        """One request at each moment of a fixed beat, whatever became of those before."""
        began = time.perf_counter() + 0.1
        threads = []
        for number, (path, token) in enumerate(asked):
            due = began + number / A_SECOND
            time.sleep(max(0.0, due - time.perf_counter()))
            threads.append(threading.Thread(target=self.ask, args=(path, token, due)))
            threads[-1].start()
        for thread in threads:
            thread.join()


def measure(count: int, seconds: float) -> dict[str, float]:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        duskbell = open_duskbell(Path(folder))
        tokens = furnish(duskbell, count)
        play(duskbell)
        duskbell.engine.dispose()
        port = _free_port()
        server = multiprocessing.get_context("spawn").Process(target=serve, args=(folder, port))
        server.start()
        try:
            _wait_for(port)
            with committing(duskbell):
                home_first_ms = _ask_home(port, tokens, duskbell)["home_median_ms"]
                found = _ask_sites(port, tokens, count, seconds, server.pid or 0)
            found["home_first_ms"] = home_first_ms
            return {**found, **_ask_home(port, tokens, duskbell), **_weights()}
        finally:
            server.terminate()
            server.join()


def commit(duskbell: Duskbell) -> None:
    """Something that has nothing to do with any page."""
    with duskbell.sessions.begin() as session:
        rate_limits.allow(session, duskbell.keys, "relay", GO_TIME, network="198.51.100.7")


@contextmanager
def committing(duskbell: Duskbell) -> Iterator[None]:
    """Commit every five seconds until the block ends."""
    is_over = threading.Event()

    def go_on() -> None:
        while not is_over.wait(COMMIT_EVERY_S):
            commit(duskbell)

    thread = threading.Thread(target=go_on)
    thread.start()
    yield
    is_over.set()
    thread.join()


def cpu_s(pid: int) -> float:
    """Processor time that a process has used, as Linux counts it."""
    parts = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def _ask_sites(port: int, tokens: Sequence[str], count: int, seconds: float, pid: int) -> dict[str, float]:
    dice = random.Random(3)
    picked = [dice.randrange(count) for _ in range(round(seconds * A_SECOND))]
    asked = [(f"/sites/{number + 1}", tokens[number // SITES_EACH]) for number in picked]
    first = Asker(port, [])
    for number in range(count):
        first.ask(f"/sites/{number + 1}", tokens[number // SITES_EACH])
    say(f"site page, the first time: median {statistics.median(first.took_ms):.1f} ms")
    warm = Asker(port, [])
    before_s = cpu_s(pid)
    warm.ask_steadily(asked)
    cpu_ms = 1000 * (cpu_s(pid) - before_s) / len(asked)
    median, p95 = statistics.median(warm.took_ms), statistics.quantiles(warm.took_ms, n=20)[-1]
    say(f"site page: median {median:.1f} ms, p95 {p95:.1f} ms, {cpu_ms:.1f} ms of processor time")
    return {
        "first_page_median_ms": round(statistics.median(first.took_ms), 1),
        "site_page_median_ms": round(median, 1),
        "site_page_p95_ms": round(p95, 1),
        "site_page_cpu_ms": round(cpu_ms, 1),
        "faults": warm.faults,
        "page_kb": round(len(warm.largest) / 1000, 1),
        "page_sent_kb": round(len(gzip.compress(warm.largest)) / 1000, 1),
    }


def _ask_home(port: int, tokens: Sequence[str], duskbell: Duskbell) -> dict[str, float]:
    asker = Asker(port, [])
    for token in tokens:
        commit(duskbell)
        asker.ask("/", token)
    median = statistics.median(asker.took_ms)
    say(f"home: median {median:.1f} ms, {len(asker.largest) / 1000:.1f} kB, {asker.faults} faults")
    return {"home_median_ms": round(median, 1), "home_kb": round(len(asker.largest) / 1000, 1)}


def _weights() -> dict[str, float]:
    scripts = {name: len(read_asset(name)) for name in SCRIPTS}
    return {
        "css_kb": round(max(len(read_asset(name)) for name in ("style.css", "field.css")) / 1000, 1),
        "js_kb": round(sum(scripts.values()) / 1000, 1),
    }


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_for(port: int) -> None:
    for _ in range(PORT_TRIES):
        try:
            http.client.HTTPConnection(LOOPBACK, port, timeout=1).request("GET", "/readyz")
            return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the server never came up")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the sites, for five seconds")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line (always so)")
    parser.add_argument("--seconds", type=float, default=20.0)
    arguments = parser.parse_args()
    quick = arguments.quick
    print(
        json.dumps(
            measure(100 if quick else 1000, min(arguments.seconds, 5.0) if quick else arguments.seconds)
        )
    )


if __name__ == "__main__":
    main()
