"""Serve the pages with uvicorn, with bounds on what a client can hold."""

from __future__ import annotations

from socket import socket

import uvicorn
from fastapi import FastAPI

from service.common.gc_tuning import few_collections
from service.web.slow_clients import patient_protocol

CLIENTS_AT_MOST = 100
STOP_WITHIN_S = 20


class _Server(uvicorn.Server):
    """Serves while the collector of reference cycles rests: its passes over all that pages keep at hand made
    some answers late (tests/bench/web.py)."""

    def run(self, sockets: list[socket] | None = None) -> None:
        with few_collections():
            super().run(sockets)


def build_server(app: FastAPI, host: str, port: int) -> uvicorn.Server:
    """A server that isn't running yet; `run()` blocks until it is told to stop."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        http=patient_protocol(CLIENTS_AT_MOST),
        log_level="warning",
        access_log=False,
        limit_concurrency=CLIENTS_AT_MOST,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=STOP_WITHIN_S,
        server_header=False,
        # By default uvicorn believes X-Forwarded-For from this machine and from FORWARDED_ALLOW_IPS; here
        # only trusted_proxies are believed (service/web/shared/client_address.py).
        proxy_headers=False,
    )
    return _Server(config)


def serve_pages(app: FastAPI, host: str, port: int) -> None:
    """Serve until SIGINT or SIGTERM."""
    build_server(app, host, port).run()
