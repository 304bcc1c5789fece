"""What every router is handed: the installation, its clock, and how a page is made."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service.bootstrap import Duskbell

_HERE = Path(__file__).parent


def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined
    )


@dataclass(frozen=True, slots=True)
class Web:
    """The installation as the pages see it.

    shown_at: the `now` of an invented story that the pages stand still at; None is the real one.
    """

    duskbell: Duskbell
    started_at: datetime
    shown_at: datetime | None = None
    pages: Environment = field(default_factory=_environment)

    def now(self) -> datetime:
        return self.shown_at or self.duskbell.clock()

    def page(self, template: str, status: int = 200, **values: object) -> HTMLResponse:
        """The template as an answer; values are escaped unless they are Markup."""
        text = self.pages.get_template(template).render(invented=self.duskbell.invented, **values)
        return HTMLResponse(text, status)
