"""Opens every page of the demo through a real server, and asks every command for its help: what an
installation with the oldest libraries that pyproject.toml allows must still do.

    python -m tests.acceptance.everypage    # some twenty seconds; needs nothing of the `test` extra

It follows the links of the pages and the mails; addresses that no link led to are asked with made-up names.
Each linked page must open, each command have its help, and nothing may end in a fault of the server. Prints
one JSON object; the exit code is 0 only when all did.
"""

from __future__ import annotations

import json
import re
import socket
import sys
import tempfile
import threading
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urldefrag, urljoin, urlsplit

import click
import requests
from click.testing import CliRunner
from fastapi import FastAPI

from service.accounts.access import make_api_key
from service.cli.main import duskbell as command
from service.demo.play import LOOPBACK, TICKS, ZONE, Played, play, stage
from service.store.repositories.people import get_operator
from service.web.app import ROUTERS, build_app
from service.web.server import build_server

EACH_ROUTE_AT_MOST = 8
"""Addresses of one route: pages of three sites and some nights, not each of each."""
TIMEOUT_S = 60.0


class Links(HTMLParser):
    """What a page links to, shows or lets one ask for: all that a browser could GET from it."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form" and (given.get("method") or "get").lower() != "get":
            return
        self.found += [value for name in ("href", "src", "action") if (value := given.get(name))]


class Visitor:
    """Goes through the pages, and notes what went wrong."""

    def __init__(self, url: str, app: FastAPI, key: str) -> None:
        self.url = url
        self.routes = {
            route.path: route.path_regex
            for router in ROUTERS
            for route in router.routes
            if "GET" in route.methods  # type: ignore[attr-defined]
        }
        self.opened: Counter[str] = Counter()
        self.faults: list[str] = []
        self._public_url = app.state.web.duskbell.settings.public_url
        self._key = {"Authorization": f"Bearer {key}"}

    def follow_links(self, texts: Iterable[str]) -> None:
        """From the first page and what these texts name on, each linked page once; of one route some."""
        requests.post(f"{self.url}/feeds", headers={"Origin": self.url}, timeout=TIMEOUT_S).raise_for_status()
        waiting, seen = deque(["/", "/healthz", "/readyz", "/metrics", "/sign-in"]), set[str]()
        for text in texts:
            waiting += self._named(text)
        while waiting:
            path = waiting.popleft()
            route = self._route_of(path)
            if path in seen or self.opened[route] >= EACH_ROUTE_AT_MOST:
                continue
            seen.add(path)
            self.opened[route] += 1
            answer = self._get(path)
            if answer.status_code != 200:
                self.faults.append(f"{answer.status_code} {path}")
            elif answer.headers["Content-Type"].startswith("text/html"):
                waiting += self._linked(path, answer.text)

    def ask_the_rest(self) -> list[str]:
        """The routes that no link led to, each asked for something that isn't there."""
        rest = [path for path in self.routes if not self.opened[path]]
        for path in rest:
            made_up = re.sub(r"\{\w+:number\}", "987654", path)
            answer = self._get(re.sub(r"\{\w+\}", "made-up", made_up))
            if answer.status_code >= 500:
                self.faults.append(f"{answer.status_code} {path}")
        return rest

    def ask_the_api(self) -> int:
        """Every operation that reads, for the first site and its first night."""
        described = self._api("/openapi.json").json()["paths"]
        site_id = self._api("/sites").json()["items"][0]["id"]
        night = self._api(f"/sites/{site_id}/nights").json()["nights"][0]["night"]
        asked = [path for path, operations in described.items() if "get" in operations]
        for path in asked:
            there = path.replace("{site_id}", str(site_id)).replace("{night}", night)
            answer = self._api(f"{there}?year={night[:4]}")
            if answer.status_code >= 500 or (answer.status_code != 200 and "{" not in there):
                self.faults.append(f"{answer.status_code} {path} of the API")
        return len(asked)

    def _api(self, path: str) -> requests.Response:
        return requests.get(f"{self.url}/api/v1{path}", headers=self._key, timeout=TIMEOUT_S)

    def _get(self, path: str) -> requests.Response:
        return requests.get(self.url + path, timeout=TIMEOUT_S)

    def _named(self, text: str) -> list[str]:
        """The addresses that are written out, as in mails; they stand under the installation's own name."""
        return re.findall(rf"{re.escape(self._public_url)}(/[^\s\"'<>&]*)", text)

    def _linked(self, path: str, page: str) -> Iterator[str]:
        yield from self._named(page)
        links = Links()
        links.feed(page)
        for found in links.found:
            url = urldefrag(urljoin(self.url + path, found)).url
            if url.startswith(self.url + "/"):
                yield url.removeprefix(self.url)

    def _route_of(self, path: str) -> str:
        there = urlsplit(path).path
        return next((path for path, pattern in self.routes.items() if pattern.match(there)), there)


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="everypage-") as folder, stage(Path(folder) / "demo") as played:
        play(played, lambda _: None)
        with serving(played) as (url, app):
            visitor = Visitor(url, app, _api_key(played))
            visitor.follow_links(_mails(played))
            by_links = sum(visitor.opened.values())
            rest = visitor.ask_the_rest()
            operations = visitor.ask_the_api()
    commands = list(_every_command(command, ("duskbell",)))
    faults = visitor.faults + [" ".join(words) for words in commands if not _has_help(words)]
    found = {
        "pages": by_links,
        "routes": len(visitor.routes),
        "asked without a link": rest,
        "operations of the API": operations,
        "commands": len(commands),
        "faults": faults,
    }
    sys.stdout.write(json.dumps(found, indent=2) + "\n")
    return 1 if faults else 0


@contextmanager
def serving(played: Played) -> Iterator[tuple[str, FastAPI]]:
    """The demo's pages on a free port, to whoever looks, until the block ends."""
    app = build_app(
        played.duskbell,
        shown_at=TICKS[-2].at,
        is_open=True,
        arrived=played.box.folder,
    )
    server = build_server(app, LOOPBACK, 0)
    with socket.create_server((LOOPBACK, 0)) as bound:
        serves = threading.Thread(target=server.run, kwargs={"sockets": [bound]})
        serves.start()
        try:
            yield f"http://{LOOPBACK}:{bound.getsockname()[1]}", app
        finally:
            server.should_exit = True
            serves.join()


def _api_key(played: Played) -> str:
    with played.duskbell.sessions.begin() as session:
        owner = get_operator(session, zone=ZONE, now=TICKS[0].at)
        return make_api_key(session, owner.id, "every page", TICKS[0].at)


def _mails(played: Played) -> Iterator[str]:
    """The words of each mail, and where its buttons lead."""
    for _, mail in played.box.mails:
        yield str(mail["List-Unsubscribe"])
        part = mail.get_body(preferencelist=("plain",))
        assert part is not None
        yield part.get_content()


def _every_command(group: click.Command, words: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    yield words
    if isinstance(group, click.Group):
        for name in group.list_commands(click.Context(group)):
            found = group.get_command(click.Context(group), name)
            assert found is not None
            yield from _every_command(found, (*words, name))


def _has_help(words: tuple[str, ...]) -> bool:
    ran = CliRunner().invoke(command, [*words[1:], "--help"])
    return ran.exit_code == 0 and "Usage" in ran.output


if __name__ == "__main__":
    sys.exit(main())
