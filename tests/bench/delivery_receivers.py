"""Receivers for the delivery bench, in processes of their own, that note what comes and when.

Plain asyncio, so that they take little of what is measured. Webhooks: one server for many hosts, all of
127.0.0.0/8 on one port; the hosts that hang take the request and never answer. Mails: one SMTP server.
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
    asyncio.run(_serve(pipe, lambda heard: _Post(heard, hanging)))


def serve_mail(pipe: Connection) -> None:
    """Receive mail."""
    asyncio.run(_serve(pipe, _Letter))


async def _serve(pipe: Connection, protocol: Callable[[list[Arrival]], asyncio.Protocol]) -> None:
    heard: list[Arrival] = []
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: protocol(heard), "0.0.0.0", 0, backlog=1024)
    pipe.send(server.sockets[0].getsockname()[1])
    told = asyncio.Event()
    loop.add_reader(pipe.fileno(), told.set)
    while await told.wait():
        told.clear()
        while pipe.poll():  # it may be told once too often, and must not wait here
            pipe.recv()
            pipe.send((heard, _cpu_s()))


class _Letter(asyncio.Protocol):
    """An SMTP session, as far as a sender in order needs one (RFC 5321)."""

    def __init__(self, heard: list[Arrival]) -> None:
        self._heard = heard
        self._received = bytearray()
        self._in_data = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.write(b"220 bench\r\n")

    def data_received(self, data: bytes) -> None:
        self._received += data
        if not self._in_data:
            self._answer()
        elif self._received.endswith(b"\r\n.\r\n"):
            self._keep(bytes(self._received))
            self._received.clear()
            self._in_data = False
            self._transport.write(b"250 taken\r\n")

    def _answer(self) -> None:
        while b"\r\n" in self._received:
            line, _, rest = self._received.partition(b"\r\n")
            self._received = bytearray(rest)
            word = bytes(line[:4]).upper()
            self._in_data = word == b"DATA"
            self._transport.write(b"354 go on\r\n" if self._in_data else b"250 well\r\n")
            if word == b"QUIT":
                self._transport.close()

    def _keep(self, content: bytes) -> None:
        known, said = _MAIL_ID.search(content), _CONTENT.search(content)
        assert known is not None
        assert said is not None
        self._heard.append(Arrival(known[1].decode(), said[1].decode(), time.time()))


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
