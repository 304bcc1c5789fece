"""Signing in by a link, a mailed one or the operator's that is printed where Duskbell starts; and signing up,
where the operator lets strangers in: a mail address that proves itself, and nothing else.

Whoever signs up sees the same page whether or not the address is known; only its owner learns more.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from service.accounts import access, address_owner
from service.common.redaction import mask_target
from service.setup.steps import is_untouched
from service.store.repositories import browsers, people, tokens
from service.store.repositories.people import sign_in_addresses
from service.store.repositories.tokens import RULES, Purpose
from service.store.schema.core_tables import PersonRow
from service.web.error_pages import NothingHere
from service.web.setup import routes as setup_routes
from service.web.shared import sessions
from service.web.shared.context import Here, Web
from service.web.shared.forms import STAMP, TRAP, Filled, looks_human, make_stamp
from service.web.shared.viewer import FromNetwork, Looking, SignedIn

RETURN_COOKIE = "duskbell-return"
"""Holds the page that was asked for, while its reader is away in the mail program."""


router = APIRouter()


def _require_open(web: Web) -> None:
    if not web.duskbell.settings.open_sign_up:
        raise NothingHere


@router.get("/sign-in", response_class=HTMLResponse)
def ask(
    web: Here, viewer: Looking, back_to: Annotated[str, Query(alias="next", max_length=500)] = ""
) -> Response:
    page = web.page("account/sign_in.html", viewer=viewer, sent=False)
    remember_return(web, page, back_to)
    return page


@router.post("/sign-in", response_class=HTMLResponse)
def send(web: Here, form: Filled, network: FromNetwork) -> HTMLResponse:
    now, keys = web.duskbell.clock(), web.duskbell.keys
    with web.writing.begin() as session:
        access.ask_to_sign_in(session, keys, form.text("email"), network=network, now=now)
    web.nudge()
    return web.page("account/sign_in.html", sent=True)


def _show_button(web: Web, action: str) -> HTMLResponse:
    """A button to press, since programs that check links open them too; none for a link that is dead."""
    status, over = 200 if action else 404, say("web-account.link-used")
    return web.page("account/sign_in_link.html", status, action=action, over=over)


@router.get("/sign-in/{token}", response_class=HTMLResponse)
def show(web: Here, token: str) -> HTMLResponse:
    with web.reading() as session:
        is_good = tokens.find(session, Purpose.SIGN_IN, token, web.duskbell.clock()) is not None
    return _show_button(web, f"/sign-in/{token}" if is_good else "")


@router.post("/sign-in/{token}")
def enter(web: Here, token: str, request: Request) -> Response:
    with web.writing.begin() as session:
        person_id = access.sign_in(session, token, web.duskbell.clock())
    if person_id is None:
        return _show_button(web, "")
    # Who was signed in here before is no longer: a browser has one token at a time.
    now = web.duskbell.clock()
    with web.writing.begin() as session:
        browsers.end(session, sessions.read_cookie(web, request), now)
        label = sessions.roughly(request.headers.get("user-agent", ""))
        token = browsers.start(session, person_id, now, label=label)
        is_operator = session.get_one(PersonRow, person_id).is_operator
        is_fresh = is_operator and is_untouched(session, web.duskbell.settings)
    # Back to the page that was asked for; the operator of an untouched installation sets it up first.
    lands_on = setup_routes.PATH if is_fresh and not web.duskbell.invented else "/"
    back_to = sessions.read_cookie(web, request, RETURN_COOKIE)
    response = RedirectResponse(back_to if is_own_path(back_to) else lands_on, 303)
    sessions.take_cookie(web, response, RETURN_COOKIE)
    sessions.give_cookie(web, response, token, browsers.LIVES)
    return response


@router.post("/sign-out")
def leave(web: Here, request: Request) -> Response:
    with web.writing.begin() as session:
        browsers.end(session, sessions.read_cookie(web, request), web.duskbell.clock())
    return sessions.signed_out(web, RedirectResponse("/", 303))


@router.get("/sign-up", response_class=HTMLResponse)
def ask_sign_up(web: Here, viewer: Looking) -> HTMLResponse:
    _require_open(web)
    return web.page(
        "account/sign_up.html",
        viewer=viewer,
        sent=False,
        stamp=make_stamp(web.duskbell.keys, web.duskbell.clock()),
        trap=TRAP,
        stamp_name=STAMP,
    )


@router.post("/sign-up", response_class=HTMLResponse)
def send_sign_up(web: Here, form: Filled, network: FromNetwork) -> HTMLResponse:
    _require_open(web)
    if looks_human(web.duskbell.keys, form, web.duskbell.clock()):
        sign_up(web, form.text("email"), network)
    return web.page("account/sign_up.html", sent=True)


# once more, before what can't be undone or hands out all at once


@router.get("/me/again", response_class=HTMLResponse)
def ask_again(
    web: Here, viewer: SignedIn, back_to: Annotated[str, Query(alias="next", max_length=500)] = "/me"
) -> Response:
    with web.reading() as session:
        addresses = [row.target for row in sign_in_addresses(session, viewer.person_id)]
    page = web.page(
        "account/sign_in_again.html",
        viewer=viewer,
        shown=[mask_target("email", each) for each in addresses[:1]],
        sent=False,
    )
    remember_return(web, page, back_to)
    return page


@router.post("/me/again", response_class=HTMLResponse)
def send_again(web: Here, viewer: SignedIn, network: FromNetwork) -> Response:
    now = web.duskbell.clock()
    with web.writing.begin() as session:
        addresses = [row.target for row in sign_in_addresses(session, viewer.person_id)]
        if not addresses:
            raise BadInput(phrase("web-account.no-mail-to-sign-in"))
        access.ask_to_sign_in(session, web.duskbell.keys, addresses[0], network=network, now=now)
    web.nudge()
    shown = [mask_target("email", addresses[0])]
    return web.page("account/sign_in_again.html", viewer=viewer, shown=shown, sent=True)


def remember_return(web: Web, page: Response, back_to: str) -> None:
    """Let this browser come back to that page of ours when it has signed in."""
    if is_own_path(back_to):
        lives = RULES[Purpose.SIGN_IN].lives or browsers.LIVES
        sessions.give_cookie(web, page, back_to, lives, RETURN_COOKIE)


def is_own_path(path: str) -> bool:
    """Whether a redirect to it stays on these pages: one slash, no host, nothing that a browser rewrites."""
    is_plain = path.isascii() and path.isprintable() and "\\" not in path
    return is_plain and path.startswith("/") and not path.startswith("//")


def sign_up(web: Web, email: str, network: str) -> None:
    """Ask a new address to confirm itself; a known one gets a link to sign in. BadInput for no address."""
    now, keys = web.duskbell.clock(), web.duskbell.keys
    with web.writing.begin() as session:
        address = address_owner.typed_address(session, email, zone=people.UNKNOWN_ZONE, now=now)
        asked = access.ask_to_confirm(session, keys, address, network=network, now=now)
        if asked is access.AskOutcome.KNOWN:
            access.ask_to_sign_in(session, keys, email, network=network, now=now)
    web.nudge()
