"""Whom we believe on the way out: the authorities that this system trusts, for feeds, receivers and mail.

On Linux and the BSDs the store is a file or folder, which is read once and shared by all threads: reading it
takes 25 ms of processor time, a handshake 1.4. On macOS and Windows the system itself is asked, through
`truststore`. Its context holds a lock while it shakes hands, so each thread has one of its own: or a single
receiver that never finishes would keep all the others waiting. It isn't used everywhere, as it would read a
store of files at each handshake; and a packaged list isn't what the operator trusts.
"""

from __future__ import annotations

import socket
import ssl
import sys
import threading
from functools import lru_cache
from pathlib import Path
from typing import cast

import truststore
from urllib3.util.ssltransport import SSLTransport

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
