"""Receivers for the delivery bench, in processes of their own, that note what comes and when.

Webhooks: one asyncio server for many hosts, all of 127.0.0.0/8 on one port; the hosts that hang take the
request and never answer. Mails: aiosmtpd.
"""

from __future__ import annotations

import asyncio
import re
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from tests.integration.channels.mail_relays import LocalController

TAKEN = b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n"
_LENGTH = re.compile(rb"(?i)\r\ncontent-length: (\d+)\r\n")
_HOOK_ID = re.compile(rb"(?i)\r\nwebhook-id: (\S+)\r\n")
_MAIL_ID = re.compile(rb"(?m)^Message-ID: <(msg_\w+)@")
_CONTENT = re.compile(rb"Field (\d{6})")


@dataclass(frozen=True, slots=True)
class Arrival:
    """message_id: what the receiver knows it by.  content: what it says, the same over all repeats."""

    message_id: str
    content: str
    at_s: float


class Receivers:
    """A process that receives until it is told to stop. ready: what it says of itself first, its port."""

    def __init__(self, serve: Callable[..., None], *args: Any) -> None:
        context = get_context("fork")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=serve, args=(theirs, *args), daemon=True)
        self._process.start()
        self.port: int = self._pipe.recv()

    def heard(self) -> tuple[list[Arrival], float]:
        """What came so far, and the seconds of processor time that took."""
        self._pipe.send("heard")
        arrivals, cpu_s = self._pipe.recv()
        return arrivals, cpu_s

    def stop(self) -> None:
        self._process.kill()
        self._process.join()


class _Post(asyncio.Protocol):
    """One request a connection."""

    def __init__(self, heard: list[Arrival], hanging: frozenset[str]) -> None:
        self._heard, self._hanging = heard, hanging
        self._received = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._hangs = transport.get_extra_info("sockname")[0] in self._hanging

    def data_received(self, data: bytes) -> None:
        self._received += data
        head, parted, body = self._received.partition(b"\r\n\r\n")
        length = _LENGTH.search(head + b"\r\n")
        if self._hangs or not parted or length is None or len(body) < int(length[1]):
            return
        known, said = _HOOK_ID.search(head + b"\r\n"), _CONTENT.search(body)
        if known is not None and said is not None:
            self._heard.append(Arrival(known[1].decode(), said[1].decode(), time.time()))
        self._transport.write(TAKEN)
        self._transport.close()


def serve_hooks(pipe: Connection, hanging: frozenset[str]) -> None:
    """Receive webhooks on all local addresses; those in `hanging` never answer."""
    asyncio.run(_serve_hooks(pipe, hanging))


async def _serve_hooks(pipe: Connection, hanging: frozenset[str]) -> None:
    heard: list[Arrival] = []
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: _Post(heard, hanging), "0.0.0.0", 0, backlog=1024)
    pipe.send(server.sockets[0].getsockname()[1])
    told = asyncio.Event()
    loop.add_reader(pipe.fileno(), told.set)
    while await told.wait():
        pipe.recv()
        pipe.send((heard, _cpu_s()))
        told.clear()


class _Box:
    """Keeps who wrote what, and when."""

    def __init__(self) -> None:
        self.heard: list[Arrival] = []

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:
        content = envelope.original_content
        known, said = _MAIL_ID.search(content), _CONTENT.search(content)
        assert known is not None
        assert said is not None
        self.heard.append(Arrival(known[1].decode(), said[1].decode(), time.time()))
        return "250 taken"


def serve_mail(pipe: Connection) -> None:
    """Receive mail."""
    box = _Box()
    controller = LocalController(box, hostname="127.0.0.1", port=0, ready_timeout=10)
    controller.start()
    pipe.send(controller.port)
    while pipe.recv():
        pipe.send((box.heard, _cpu_s()))


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
