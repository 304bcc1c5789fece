"""What every router is handed: the installation, its clock, and how a page is made."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, cached_property
from pathlib import Path
from typing import Annotated

from anyio import CapacityLimiter
from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker
from starlette.convertors import Convertor, register_url_convertor

from alerts.common.errors import DuskbellError
from service.app import Duskbell
from service.delivery.self_monitor import CycleSilence
from service.store.engine import reading_sessions
from service.web.shared.assets import asset_url
from service.web.shared.filters import FILTERS, as_data, say_on_page
from service.web.shared.night_row import column_words
from service.web.shared.sky_cache import SkyCache

_HERE = Path(__file__).parents[1]
MONITOR_THREADS = 4


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(FILTERS, column_words=column_words)
    environment.globals["style_url"] = asset_url("style.css")
    environment.globals["as_data"] = as_data
    environment.globals["say"] = say_on_page
    environment.globals["link"] = Markup('<a href="{}">{}</a>').format
    return environment


@dataclass
class StoreTrial:
    """When the store was last tried for taking rows, and its fault then. Read and set under its lock."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    at_s: float = -math.inf
    fault: DuskbellError | SQLAlchemyError | None = None


@dataclass(frozen=True)
class Web:
    """The installation as the pages see it.

    shown_at: the `now` of an invented story that the pages stand still at; None is the real one.
    is_open: whoever looks is the operator. Only for an invented story on loopback.
    arrived: folder with what the story's receivers were sent, shown to the operator; None for the outbox.
    monitors: threads of their own for who watches the service: those that pages share may all be at work.
    """

    duskbell: Duskbell
    shown_at: datetime | None = None
    is_open: bool = False
    arrived: Path | None = None
    pages: Environment = field(default_factory=_environment)
    silence: CycleSilence = field(init=False)
    store_trial: StoreTrial = field(init=False, default_factory=StoreTrial)
    monitors: CapacityLimiter = field(init=False, default_factory=lambda: CapacityLimiter(MONITOR_THREADS))

    def __post_init__(self) -> None:
        if self.is_open and not self.duskbell.invented:
            raise ValueError("real sites are shown only to those who sign in")
        object.__setattr__(self, "silence", CycleSilence(self.duskbell.clock, self.duskbell.steady))

    def now(self) -> datetime:
        return self.shown_at or self.duskbell.clock()

    @cached_property
    def reading(self) -> sessionmaker[Session]:
        """Sessions for pages that only show."""
        return reading_sessions(self.duskbell.engine)

    @cached_property
    def skies(self) -> SkyCache:
        return SkyCache(lambda: self.duskbell.ephemeris)

    @property
    def writing(self) -> sessionmaker[Session]:
        """Sessions for what a form changes: `with web.writing.begin() as session`."""
        return self.duskbell.sessions

    @property
    def is_https(self) -> bool:
        """Whether people reach the pages by https, so that cookies must not travel without it."""
        return self.duskbell.settings.public_url.startswith("https://")

    def url(self, path: str) -> str:
        """The whole address of a path of ours, as people reach it."""
        return self.duskbell.settings.public_url.rstrip("/") + path

    def nudge(self) -> None:
        """Let the postman of this process look at once; without one the next cycle delivers."""
        self.duskbell.delivery.nudge.set()

    def close(self) -> None:
        """Give back the connections that only pages use."""
        if "reading" in self.__dict__:
            engine = self.reading.kw["bind"]
            if engine is not self.duskbell.engine:
                engine.dispose()

    def page(self, template: str, status: int = 200, **values: object) -> HTMLResponse:
        """The template as an answer; values are escaped unless they are Markup."""
        shared = {
            "invented": self.duskbell.invented,
            "is_story": self.arrived is not None,
            "open_sign_up": self.duskbell.settings.open_sign_up,
            "viewer": None,
            "place": "",
        }
        text = self.pages.get_template(template).render({**shared, **values})
        return HTMLResponse(text, status)


async def web_of(request: Request) -> Web:
    """The installation that the asked application, or the API mounted in it, was built over.

    A coroutine, so that it needs no thread.
    """
    web = request.app.state.web
    assert isinstance(web, Web), "build_app puts it there"
    return web


Here = Annotated[Web, Depends(web_of)]
"""What a handler takes: `web: Here`."""


class NumberConvertor(Convertor[int]):
    """`{site_id:number}` takes what can be the number of a row, and nothing else.

    From 1 to 999,999,999: every column of row numbers holds that much, whichever store is behind it.
    """

    regex = "[1-9][0-9]{0,8}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor("number", NumberConvertor())  # here, as every module with routes imports this one
