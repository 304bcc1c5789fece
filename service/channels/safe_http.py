"""The only way to open an address that a user gave.

The name is resolved once, every answer must be a public address, the connection goes to the checked
address with the certificate of the name, and nothing is followed from there. The time for all of it is
limited, whatever the receiver does. A connection serves one message: nothing that went wrong in one leaks
into another, and the address is checked anew each time. Kept ones would save a handshake.

Through an outbound proxy the same holds: the name is resolved and checked here, and the proxy is asked for a
tunnel to that very address, never to a name, which it could resolve to another. In the tunnel there is TLS
with the name's certificate, as without it.

Blocked (target_rules)  the address isn't one we call; what to change is said
CutOff                 no whole answer in time, or the connection broke; `maybe_sent` tells whether the
                       request went out
"""

from __future__ import annotations

import contextlib
import http
import http.client
import ipaddress
import socket
import ssl
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import urllib3.exceptions
from urllib3.connection import HTTPConnection, HTTPSConnection

from alerts.common.errors import DuskbellError
from alerts.common.phrases import Phrase, phrase
from service.channels.model import readable
from service.channels.target_rules import Address, AllowList, Blocked, WebTarget, address_ok, parse_target
from service.common.connect import ProxyFault, connect_first, look_up, open_tunnel, secure, trusting
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy

READ_AT_MOST = 64 * 1024
"""Bytes of an answer that are read; the rest is left."""

Method = Literal["POST", "PUT"]

__all__ = ["Blocked", "CutOff", "HookAnswer", "SafeClient", "address_ok"]


class CutOff(DuskbellError):
    """No whole answer. code: "timeout", "dns", "connect", "tls", "proxy" or "broken".

    ours: the way out of this installation is closed, whoever is called.
    """

    def __init__(self, code: str, what: Phrase, *, maybe_sent: bool, ours: bool = False) -> None:
        super().__init__(what)
        self.code = code
        self.maybe_sent = maybe_sent
        self.ours = ours


@dataclass(frozen=True, slots=True)
class HookAnswer:
    """What came back: status, headers with lower-case names, and at most 64 kB of the body."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class _FinalResponse(http.client.HTTPResponse):
    """The answer that counts: a receiver may send interim ones before it (RFC 9110, 15.2)."""

    def begin(self) -> None:
        super().begin()
        while 100 < self.status < 200 and self.status != http.HTTPStatus.SWITCHING_PROTOCOLS:
            self.headers = None  # type: ignore[assignment]  # as before the first call
            super().begin()


class _PinnedHttp(HTTPConnection):
    """Plain HTTP over a socket that the client has opened and checked."""

    response_class = _FinalResponse
    checked_socket: socket.socket

    def _new_conn(self) -> socket.socket:
        return self.checked_socket


class _PinnedHttps(HTTPSConnection):
    """TLS over a checked socket; SNI and the certificate's name are those of the URL."""

    response_class = _FinalResponse
    checked_socket: socket.socket
    context: ssl.SSLContext

    def connect(self) -> None:
        self.sock = secure(self.checked_socket, self.context, self.host)


class SafeClient:
    """POSTs to addresses that users gave. Safe to use from several threads; keeps no connection.

    allow: see AllowList.  ports: open to everyone.  allow_http: plain http (port 80) for everyone.
    connect_s, read_s: longest wait for one connect and one read.  whole_s: for everything together.
    ca_file: certificate authorities to trust in place of the system's.
    proxy: on the way out. Receivers that `allow` vouches for are on our side of it and called directly.
    Proxy variables in the environment are never read, and no redirect is followed.
    """

    def __init__(
        self,
        *,
        allow: Iterable[str] = (),
        ports: Iterable[int] = (443,),
        allow_http: bool = False,
        connect_s: float = 5.0,
        read_s: float = 10.0,
        whole_s: float = 20.0,
        ca_file: str | None = None,
        proxy: Proxy | None = None,
    ) -> None:
        self._allow = AllowList(allow)
        self._ports = frozenset(ports) | ({80} if allow_http else frozenset())
        self._allow_http = allow_http
        self._connect_s = connect_s
        self._read_s = read_s
        self._whole_s = whole_s
        self._ca_file = ca_file
        self._proxy = proxy

    def check_url(self, url: str) -> WebTarget:
        """Check an address without the network, as when it is saved; Blocked says what is wrong."""
        target = parse_target(url)
        named = self._allow.has_host(target.host, target.port)
        if target.scheme == "http" and not (self._allow_http or named):
            raise Blocked(phrase("channels.https-only"))
        usual = named and target.port in (80, 443)
        if not (usual or target.port in self._ports or self._allow.has_place(target.host, target.port)):
            raise Blocked(phrase("channels.port-closed", port=target.port))
        if target.host == "localhost" or target.host.endswith(".localhost"):
            self._require(target, ipaddress.IPv4Address("127.0.0.1"))
        elif (literal := target.literal) is not None:
            self._require(target, literal)
        return target

    def call(self, url: str, body: bytes, headers: Mapping[str, str], method: Method = "POST") -> HookAnswer:
        """Send those exact bytes. Blocked before anything is sent, CutOff when no whole answer came."""
        target = self.check_url(url)
        sent = {**headers, "Accept-Encoding": "identity", "Connection": "close"}
        with SocketTimer(self._whole_s, connect_s=self._connect_s, step_s=self._read_s) as timer:
            connection = self._connect(target, timer)
            try:
                connection.request(
                    method, target.path, body=body, headers=sent, preload_content=False, decode_content=False
                )
                with contextlib.closing(connection.getresponse()) as response:
                    received = {name.lower(): value for name, value in response.headers.items()}
                    start = b""  # only reading on to the end shows that a body was cut
                    while len(start) < READ_AT_MOST:
                        part = response.read(READ_AT_MOST - len(start), decode_content=False)
                        if not part:
                            break
                        start += part
                    answer = HookAnswer(response.status, received, start)
            except (OSError, urllib3.exceptions.HTTPError, http.client.HTTPException) as error:
                raise _cut_off(error, timer, maybe_sent=True) from error
            finally:
                connection.close()
            if timer.fired:
                raise CutOff("timeout", phrase("channels.not-whole", whole_s=self._whole_s), maybe_sent=True)
        return answer

    def _require(self, target: WebTarget, address: Address) -> None:
        """Blocked unless the address is public or the operator vouches for it or its name."""
        if not (self._vouches_for(target, address) or address_ok(address)):
            raise Blocked(phrase("channels.not-public", host=target.host))

    def _vouches_for(self, target: WebTarget, address: Address) -> bool:
        return self._allow.has_host(target.host, target.port) or self._allow.has_address(address)

    def _connect(self, target: WebTarget, timer: SocketTimer) -> HTTPConnection:
        """A connection to a checked address, TLS by the name's certificate."""
        connection: _PinnedHttp | _PinnedHttps
        try:
            sock = self._open(target, timer)
            if target.scheme == "https":
                connection = _PinnedHttps(target.host, target.port, timeout=self._read_s)
                connection.context = trusting(self._ca_file)
            else:
                connection = _PinnedHttp(target.host, target.port, timeout=self._read_s)
            connection.checked_socket = sock
            try:
                connection.connect()
            except BaseException:
                sock.close()
                raise
        except (OSError, urllib3.exceptions.HTTPError) as error:
            raise _cut_off(error, timer, maybe_sent=False) from error
        return connection

    def _open(self, target: WebTarget, timer: SocketTimer) -> socket.socket:
        """Look the name up once, check all answers, since one bad one refuses the name, connect to the first
        that takes the call, and make sure that it is the one."""
        try:
            found = look_up(target.host, target.port, timer.left_s)
        except TimeoutError as error:
            raise CutOff("timeout", error.args[0], maybe_sent=False) from error
        except OSError as error:
            raise CutOff("dns", error.args[0], maybe_sent=False) from error
        addresses = [ipaddress.ip_address(sockaddr[0]) for *_, sockaddr in found]
        for address in addresses:
            self._require(target, address)
        is_ours = all(self._vouches_for(target, address) for address in addresses)
        if self._proxy is not None and self._proxy.leads_to(target.host) and not is_ours:
            fault = ProxyFault("unreachable", phrase("channels.name-no-address"), ours=False)
            for address in addresses:  # a tunnel to the first that the proxy reaches
                try:
                    return open_tunnel(self._proxy, str(address), target.port, timer)
                except ProxyFault as error:
                    if error.ours:
                        raise
                    fault = error
            raise fault
        sock, called = connect_first(found, timer)
        try:
            if ipaddress.ip_address(sock.getpeername()[0]) != ipaddress.ip_address(called[0]):
                raise Blocked(phrase("channels.other-peer", host=target.host))
        except BaseException:
            sock.close()
            raise
        return sock


def _cut_off(error: Exception, timer: SocketTimer, *, maybe_sent: bool) -> CutOff:
    """What a low-level error means, in a word and a sentence."""
    if timer.fired or isinstance(error, TimeoutError | urllib3.exceptions.TimeoutError):
        return CutOff("timeout", phrase("channels.slow"), maybe_sent=maybe_sent)
    if isinstance(error, ProxyFault):
        return CutOff("proxy", error.args[0], maybe_sent=False, ours=error.ours)
    if isinstance(error, ssl.SSLError | urllib3.exceptions.SSLError):
        return CutOff("tls", phrase("channels.no-tls", error=readable(str(error))), maybe_sent=maybe_sent)
    if not maybe_sent:
        return CutOff("connect", phrase("channels.connect", error=readable(str(error))), maybe_sent=False)
    return CutOff("broken", phrase("channels.broken", error=readable(str(error))), maybe_sent=True)
