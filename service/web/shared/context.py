"""What every router is handed: the installation, its clock, and how a page is made."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, cached_property
from pathlib import Path

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from sqlalchemy.orm import Session, sessionmaker

from service.app import Duskbell
from service.delivery.self_monitor import CycleSilence
from service.store.engine import reading_sessions
from service.web.shared.assets import asset_url
from service.web.shared.filters import FILTERS, as_data, say_on_page
from service.web.shared.night_row import column_words
from service.web.shared.sky_cache import SkyCache

_HERE = Path(__file__).parents[1]


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


@dataclass(frozen=True)
class Web:
    """The installation as the pages see it.

    shown_at: the `now` of an invented story that the pages stand still at; None is the real one.
    is_open: whoever looks is the operator. Only for an invented story on loopback.
    arrived: folder with what the story's receivers were sent, shown to the operator; None for the outbox.
    """

    duskbell: Duskbell
    shown_at: datetime | None = None
    is_open: bool = False
    arrived: Path | None = None
    pages: Environment = field(default_factory=_environment)
    silence: CycleSilence = field(init=False)

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
