"""Log lines for people or machines, with nothing in them that could be used against anyone.

Everything goes through one processor that takes mail addresses, what follows a URL's host, secrets and
exact coordinates out of every text, tracebacks included.
"""

from __future__ import annotations

import logging
import logging.config
import sys
from collections.abc import Mapping, MutableMapping
from typing import Any, TextIO

import structlog

from alerts.sites.great_circle import round_shared_deg
from service.common.redaction import mask_text

EventDict = MutableMapping[str, Any]
_COORDINATES = frozenset({"lat", "lon", "lat_deg", "lon_deg", "latitude", "longitude"})
_SECRET_NAMES = frozenset({"password", "secret", "secrets", "token", "authorization", "cookie", "key"})
_QUIET = ("apscheduler", "uvicorn", "alembic", "urllib3", "mail.log", "asyncio")
"""Libraries whose small talk isn't logged."""


def configure_logs(*, log_format: str, level: str, stream: TextIO | None = None) -> None:
    """Send all logs of this process to the stream (standard error), as `text` or `json` lines."""
    shared: list[Any] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    renderer: Any = structlog.processors.JSONRenderer(ensure_ascii=False)
    if log_format != "json":
        renderer = structlog.dev.ConsoleRenderer(
            colors=False, exception_formatter=structlog.dev.plain_traceback
        )
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.ExtraAdder()],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,
                masked,
                renderer,
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    for name in _QUIET:
        logging.getLogger(name).setLevel(max(logging.WARNING, root.level))


def masked(_logger: object, _method: str, event: EventDict) -> EventDict:
    """A structlog processor: every value of the event, however deep, without what must not be logged."""
    return {name: _masked(name, value) for name, value in event.items()}


def _masked(name: str, value: Any) -> Any:
    if name in _SECRET_NAMES:
        return "…"
    if name in _COORDINATES and isinstance(value, int | float):
        return round_shared_deg(value)
    if isinstance(value, str):
        return mask_text(value)
    if isinstance(value, Mapping):
        return {key: _masked(str(key), each) for key, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_masked("", each) for each in value]
    return value if isinstance(value, int | float | bool | None) else mask_text(str(value))
