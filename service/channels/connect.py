"""Names looked up and connections opened within a deadline, however slow the name service is."""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Iterable
from typing import Any

from service.channels.deadline import Deadline


def look_up(host: str, port: int, within_s: float) -> list[Any]:
    """One lookup, as from `socket.getaddrinfo`; TimeoutError, or OSError where there is no such name.

    The system's resolver has no deadline of its own, so it gets a thread that is left behind when it takes
    too long.
    """
    answers: list[Any] = []
    failures: list[Exception] = []

    def ask() -> None:
        try:
            answers.extend(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
        except (OSError, UnicodeError) as error:
            failures.append(error)

    if _is_literal(host):
        ask()  # nobody is asked for these
    else:
        asking = threading.Thread(target=ask, name="duskbell-lookup", daemon=True)
        asking.start()
        asking.join(within_s)
        if asking.is_alive():
            raise TimeoutError(f"{host} wasn't looked up in time")
    if failures or not answers:
        raise OSError(f"{host} has no address") from (failures[0] if failures else None)
    return answers


def _is_literal(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def connect_first(
    found: Iterable[Any], deadline: Deadline, *, connect_s: float, step_s: float
) -> tuple[socket.socket, Any]:
    """A socket under the deadline to the first address that takes the call, and that address.

    found: as from `look_up`. connect_s: for each of them; step_s: the socket's own time limit from then on.
    OSError when none takes it.
    """
    failure: OSError | None = None
    for family, kind, protocol, _, sockaddr in found:
        sock = socket.socket(family, kind, protocol)
        try:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a small request leaves at once
            sock.settimeout(min(connect_s, deadline.left_s))
            sock.connect(sockaddr)
            deadline.watch(sock)
            sock.settimeout(step_s)
        except OSError as error:
            failure = error
            sock.close()
        except BaseException:
            sock.close()
            raise
        else:
            return sock, sockaddr
    raise failure or OSError("the name has no address")
