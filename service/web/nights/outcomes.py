"""How a night was, as people who were there say it: on the night's page, or by the link in its go.

A GET only shows the buttons, since scanners follow links; the POST records. The link's token is its own
authority: it lets its reader speak of nights that its address was told of, and opens nothing else. One token
an address: one a night would have to be stored for every message.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.text import direction_word
from alerts.sites.model import Site
from service.accounts import access
from service.hindsight.outcome_reports import Said, Voice, find_said, keep_said, read_said, require_begun
from service.store.repositories.alerts import was_address_told
from service.store.repositories.judged_events import (
    find_outcomes,
    read_outcome,
)
from service.store.repositories.sites import newest_revision
from service.store.repositories.tokens import Purpose
from service.store.schema.core_tables import SiteRow
from service.web.account.mail_links import opened
from service.web.error_pages import NothingHere
from service.web.nights.judged_night import is_past, judged_night
from service.web.shared.context import Here, Web
from service.web.shared.filters import dated_span
from service.web.shared.forms import Filled, Form
from service.web.shared.site_rows import watched_site
from service.web.shared.viewer import SignedIn

TOWARD = tuple((45 * i, str(direction_word(45 * i))) for i in range(8))
"""Directions to choose from, in degrees and in words."""
FIELDS = ("from", "to", "toward")


@dataclass(frozen=True, slots=True)
class AskedNight:
    """The night that a link asks about, and whose word it is."""

    site: SiteRow
    described: Site
    voice: Voice


router = APIRouter()


@router.post("/sites/{site_id:number}/nights/{name}/outcome")
def keep(web: Here, site_id: int, name: date, viewer: SignedIn, form: Filled) -> Response:
    with web.writing.begin() as session:
        watched = watched_site(session, site_id, viewer)
        judged = judged_night(web, session, watched, name)
        if not (watched.seen.is_own or judged.is_mine):
            raise NothingHere
        if not is_past(judged.night, web.now()):
            raise BadInput(phrase("web-nights.not-over"))
        voice = Voice(watched.seen.row.id, name, viewer.person_id)
        keep_said(session, voice, _read(form, name, judged.site), web.now())
    return RedirectResponse(f"/sites/{site_id}/nights/{name}#outcome", 303)


def _show(
    web: Web, request: Request, asked: AskedNight, said: Said | None, trouble: str = ""
) -> HTMLResponse:
    return web.page(
        "nights/how_was_it.html",
        400 if trouble else 200,
        name=asked.site.name,
        night=asked.voice.night,
        zone=asked.described.zone,
        action=request.url.path,
        outcome=said_words(said, asked.described),
        trouble=trouble,
        is_kept=request.method == "POST" and not trouble,
        toward=TOWARD,
    )


LINK = "/how-was-it/{token}/{site_id:number}/{night}"


@router.get(LINK, response_class=HTMLResponse)
def ask(web: Here, request: Request, token: str, site_id: int, night: date) -> HTMLResponse:
    def find(session: Session, wall: datetime) -> tuple[AskedNight, Said | None] | None:
        asked = _asked(session, token, site_id, night, wall)
        return (asked, find_said(session, asked.voice)) if asked else None

    return _show(web, request, *opened(web, request, find))


@router.post(LINK, response_class=HTMLResponse)
def keep_by_link(
    web: Here, request: Request, token: str, site_id: int, night: date, form: Filled
) -> HTMLResponse:
    now = web.now()

    def say_so(session: Session, wall: datetime) -> tuple[AskedNight, Said | None, str] | None:
        asked, trouble = _asked(session, token, site_id, night, wall), ""
        if asked is None:
            return None
        try:
            require_begun(night, asked.described, now)
            keep_said(session, asked.voice, _read(form, night, asked.described), now)
        except BadInput as error:
            trouble = str(error)
        return asked, find_said(session, asked.voice), trouble

    return _show(web, request, *opened(web, request, say_so))


def _asked(session: Session, token: str, site_id: int, night: date, wall: datetime) -> AskedNight | None:
    """Who is asked about what; None for a link that leads nowhere or that its address was never sent."""
    address = access.find_address(session, Purpose.OUTCOME, token, wall)
    if address is None:
        return None
    if not was_address_told(session, address.id, site_id, night):
        return None
    site = session.get_one(SiteRow, site_id)
    return AskedNight(site, newest_revision(session, site_id).site, Voice(site_id, night, address.person_id))


def _read(form: Form, night: date, site: Site) -> Said:
    start, end, toward = (form.text(name) for name in FIELDS)
    return read_said(form.text("state"), (start, end), toward, night=night, site=site)


def said_words(said: Said | None, site: Site, hours: int = 24) -> str:
    """`partly clear, 23:30–01:15 CEST, toward the south`; "" when nothing was said."""
    if said is None:
        return ""
    parts: list[object] = [phrase("web-nights.seen", state=said.seen)]
    if said.clear_span is not None:
        parts.append(dated_span(said.clear_span, site.zone, None, hours))
    if said.toward_deg is not None:
        parts.append(phrase("web-nights.toward", direction=direction_word(said.toward_deg)))
    return say("web-nights.seen-in-all", parts=parts)


def came_of(session: Session, site_id: int, names: Collection[date]) -> dict[date, str]:
    """`It was clear, judged by weather stations`, by night; what nobody looked at yet is left out."""
    if not names:
        return {}
    said: dict[date, list[str]] = {}
    for row in find_outcomes(session, site_id, min(names), max(names)):
        outcome = read_outcome(row)
        words = say(
            "web-nights.came",
            state=phrase("track.state", state=outcome.state),
            judge=phrase("track.judge", judge=outcome.judge) if outcome.judge else "",
        )
        said.setdefault(row.night_name, []).append(words)
    return {name: "; ".join(dict.fromkeys(words)) for name, words in said.items() if name in names}
