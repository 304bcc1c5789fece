"""Connections opened within a time, straight or through the outbound proxy, and whom we believe at the end.

Through the proxy that is CONNECT (RFC 9110, 9.3.6). What is said in the tunnel, TLS first of all, is between
us and the host; the proxy sees who is called and how much is said. The answer's head is read byte by byte, as
a mail relay speaks first and its greeting may already follow; a refusal's body is left unread, however long.

Believed are the authorities that this system trusts, for feeds, receivers and mail. On Linux and the BSDs
their store is a file or folder, which is read once and shared by all threads: reading it takes 25 ms of
processor time, a handshake 1.4. On macOS and Windows the system itself is asked, through `truststore`. Its
context holds a lock while it shakes hands, so each thread has one of its own: or a single receiver that never
finishes would keep all the others waiting. It isn't used everywhere, as it would read a store of files at
each handshake; and a packaged list isn't what the operator trusts.
"""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import socket
import ssl
import sys
import threading
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, cast

import truststore
from urllib3.util.ssltransport import SSLTransport

from alerts.common.phrases import Phrase, phrase
from service.common.deadline import SocketTimer
from service.common.outbound_proxy import Proxy

STORE_IS_FILES = sys.platform not in ("darwin", "win32")
_own = threading.local()


def trusting(ca_file: str | None = None) -> ssl.SSLContext:
    """A context that checks certificate and name; not to be changed, as others use it too.

    ca_file: authorities to trust in place of the system's.
    """
    if ca_file is not None:
        return _of_file(ca_file)
    if STORE_IS_FILES:
        return _of_system(ssl.get_default_verify_paths())
    if not hasattr(_own, "context"):
        _own.context = truststore.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context: ssl.SSLContext = _own.context
    return context


@lru_cache(maxsize=4)
def _of_file(ca_file: str) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=ca_file)


@lru_cache(maxsize=4)
def _of_system(_where: ssl.DefaultVerifyPaths) -> ssl.SSLContext:
    """By the store's place, which the environment can change (SSL_CERT_FILE, SSL_CERT_DIR)."""
    return ssl.create_default_context()


def has_authorities() -> bool:
    """Whether the system trusts anybody at all; a small container may not."""
    if not STORE_IS_FILES:
        return True
    where = ssl.get_default_verify_paths()
    return where.cafile is not None or (where.capath is not None and any(Path(where.capath).iterdir()))


def secure(sock: socket.socket, context: ssl.SSLContext, host: str) -> ssl.SSLSocket:
    """TLS over a connected socket; over one that speaks TLS already, to a proxy, inside of that. Where it
    can't be had the socket is closed."""
    if isinstance(sock, ssl.SSLSocket):
        try:
            inner = SSLTransport(sock, context, server_hostname=host)
        except BaseException:
            sock.close()
            raise
        return cast(ssl.SSLSocket, inner)  # all that our libraries ask of one
    return context.wrap_socket(sock, server_hostname=host)


def has_unread(sock: socket.socket | SSLTransport) -> bool:
    """Whether TLS has taken bytes off the line that nobody has read; a look at the socket hides them."""
    if isinstance(sock, SSLTransport):
        return sock.incoming.pending > 0 or sock.sslobj.pending() > 0
    return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0


def look_up(host: str, port: int, within_s: float) -> list[Any]:
    """One lookup, as from `socket.getaddrinfo`; TimeoutError, or OSError where there is no such name.

    The system's resolver has no deadline of its own, so it gets a thread that is left behind when it takes
    too long.
    """
    answers: list[Any] = []
    failures: list[Exception] = []
    is_literal = False

    def ask() -> None:
        try:
            answers.extend(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
        except (OSError, UnicodeError) as error:
            failures.append(error)

    with contextlib.suppress(ValueError):
        ipaddress.ip_address(host)
        is_literal = True
    if is_literal:
        ask()  # nobody is asked for these
    else:
        asking = threading.Thread(target=ask, name="duskbell-lookup", daemon=True)
        asking.start()
        asking.join(within_s)
        if asking.is_alive():
            raise TimeoutError(phrase("service-common.lookup-slow", host=host))
    if failures or not answers:
        raise OSError(phrase("service-common.no-address", host=host)) from (failures[0] if failures else None)
    return answers


def connect_first(found: Iterable[Any], timer: SocketTimer) -> tuple[socket.socket, Any]:
    """A socket under the timer to the first address that takes the call, and that address.

    found: as from `look_up`. OSError when none takes it.
    """
    failure: OSError | None = None
    for family, kind, protocol, _, sockaddr in found:
        sock = socket.socket(family, kind, protocol)
        try:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a small request leaves at once
            sock.settimeout(min(timer.connect_s, timer.left_s))
            sock.connect(sockaddr)
            timer.watch(sock)
            sock.settimeout(timer.step_s)
        except OSError as error:
            failure = error
            sock.close()
        except BaseException:
            sock.close()
            raise
        else:
            return sock, sockaddr
    raise failure or OSError(phrase("service-common.name-no-address"))


class ProxyFault(OSError):
    """No way through the proxy, in a sentence that names neither it nor our password.

    ours: the operator must mend it, whoever is called; else the proxy speaks of the host.
    code: the proxy's status, or "unreachable", "tls", "timeout", "no_proxy".
    """

    def __init__(self, code: str, what: Phrase, *, ours: bool) -> None:
        super().__init__(what)
        self.code = code
        self.ours = ours


_FAULTS = (
    (TimeoutError, "timeout", "service-common.proxy-slow"),
    (ssl.SSLCertVerificationError, "tls", "service-common.proxy-untrusted"),
    (ssl.SSLError, "tls", "service-common.proxy-no-tls"),
    (Exception, "no_proxy", "service-common.proxy-is-none"),
)
"""What breaks while a tunnel is opened: of which code it is, and what is said; the first that fits counts."""


class _ByteByByte:
    """What `HTTPResponse` wants of a socket, without reading ahead into the tunnel."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock

    def makefile(self, mode: str) -> BinaryIO:
        return cast(BinaryIO, self._sock.makefile("rb", buffering=0))


def open_tunnel(proxy: Proxy, host: str, port: int, timer: SocketTimer) -> socket.socket:
    """A connection to the host, under the timer from its first byte; ProxyFault when there is none."""
    named = host if host.isascii() else host.encode("idna").decode("ascii")
    named = f"[{named}]" if ":" in named else named
    try:
        sock, _ = connect_first(look_up(proxy.host, proxy.port, min(timer.connect_s, timer.left_s)), timer)
    except OSError as error:
        raise ProxyFault("unreachable", phrase("service-common.proxy-unreachable"), ours=True) from error
    headers = {"Host": f"{named}:{port}", **proxy.authorization}
    fields = [f"{name}: {value}" for name, value in headers.items()]
    try:
        if proxy.scheme == "https":
            sock = secure(sock, trusting(proxy.ca_file), proxy.host)
        sock.sendall("\r\n".join([f"CONNECT {named}:{port} HTTP/1.1", *fields, "", ""]).encode("ascii"))
        response = http.client.HTTPResponse(_ByteByByte(sock), method="CONNECT")  # type: ignore[arg-type]
        with contextlib.closing(response):
            response.begin()
    except BaseException as error:
        sock.close()
        if isinstance(error, OSError | http.client.HTTPException):
            code, key = next(said for kind, *said in _FAULTS if isinstance(error, kind))
            raise ProxyFault(code, phrase(key), ours=True) from error
        raise
    if 200 <= response.status < 300:
        return sock
    sock.close()
    raise _refusal(response.status, proxy, f"{host}:{port}")


def _refusal(status: int, proxy: Proxy, place: str) -> ProxyFault:
    if status == 407 and not proxy.user:
        what = phrase("service-common.proxy-wants-login")
    elif status == 407:
        what = phrase("service-common.proxy-login-refused")
    elif 400 <= status < 500:
        what = phrase("service-common.proxy-forbids", place=place, status=status)
    else:
        what = phrase("service-common.proxy-no-connection", place=place, status=status)
    return ProxyFault(str(status), what, ours=status == 407)
