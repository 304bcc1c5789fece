"""Where messages go: mail addresses, webhooks and chats, each proved before it gets any."""

from __future__ import annotations

from datetime import datetime, timedelta

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from service.accounts import access
from service.accounts.quotas import require_room
from service.accounts.receivers import NewReceiver, confirm_by_code, is_registered, register, send_test
from service.channels import host_state
from service.channels.chat import CHAT_FORMS
from service.store.repositories import messages, rate_limits, subscriptions, suppression
from service.store.repositories.messages import NewNotice, NoticeKind
from service.store.repositories.people import REMOVED
from service.store.repositories.subscriptions import running_subscriptions
from service.store.repositories.totals import Kept
from service.store.schema.core_tables import AddressRow, PersonRow
from service.web.error_pages import NothingHere
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled, Form
from service.web.shared.viewer import FromNetwork, SignedIn, Viewer, require_fresh
from service.web.subscriptions.subscribe import TypedMail, add_mail

TEST_HELPS_FOR = timedelta(hours=2)


def chat_forms() -> list[tuple[str, str]]:
    """What can be registered: (channel, what to type)."""
    return [
        ("webhook", say("web-account.webhook-hint")),
        *((name, f"{name}: {form.hint}") for name, form in CHAT_FORMS.items()),
    ]


router = APIRouter()


@router.post("/me/addresses")
def add(web: Here, viewer: SignedIn, form: Filled, network: FromNetwork) -> Response:
    if form.text("channel") in ("", "email"):
        mail, is_own = form.text("target"), form.is_ticked("mine")
        if is_own or not viewer.is_operator:
            require_fresh(web, viewer, "/me?said=fresh#where")  # whoever reads it can sign in
        with web.writing.begin() as session:
            add_mail(web, session, viewer, TypedMail(mail, network, is_own))
        web.nudge()
        return _to_me("added")
    with web.writing.begin() as session:
        number = add_receiver(web, session, viewer, form).id
    return _tested(web, viewer, number, network)


@router.post("/me/addresses/{address_id:number}/test")
def test(web: Here, address_id: int, viewer: SignedIn, network: FromNetwork) -> Response:
    with web.writing.begin() as session:
        row = own_row(session, address_id, viewer)
        if row.channel != "email":
            said = ""
        elif row.confirmed_at is None:
            said, now = "asked", web.duskbell.clock()
            access.ask_to_confirm(session, web.duskbell.keys, row, network=network, now=now)
        else:
            said = "tested"
            count_test(web, session, row)
            now = web.duskbell.clock()
            hello = NewNotice(NoticeKind.HELLO, {}, helps_until=now + TEST_HELPS_FOR)
            messages.enqueue_notice(session, row.id, hello, created_at=now, due_at=now)
    if not said:
        return _tested(web, viewer, address_id, network)
    web.nudge()
    return _to_me(said)


@router.post("/me/addresses/{address_id:number}/code")
def code(web: Here, address_id: int, viewer: SignedIn, form: Filled) -> Response:
    with web.writing.begin() as session:
        own_row(session, address_id, viewer)
        right = confirm_by_code(session, address_id, form.text("code"), web.duskbell.clock())
    if not right:
        raise BadInput(phrase("web-account.code-wrong"))
    return _to_me("confirmed")


@router.post("/me/addresses/{address_id:number}/on")
def switch_on(web: Here, address_id: int, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        row = own_row(session, address_id, viewer)
        if row.confirmed_at is None:
            raise BadInput(phrase("web-account.confirm-first"))
        host_state.switch_on(session, row)
    return _to_me("changed")


@router.post("/me/addresses/{address_id:number}/remove")
def remove(web: Here, address_id: int, viewer: SignedIn) -> Response:
    with web.writing.begin() as session:
        remove_address(session, own_row(session, address_id, viewer), web.duskbell.clock())
    return _to_me("removed")


def add_receiver(web: Web, session: Session, viewer: Viewer, form: Form) -> AddressRow:
    """The webhook or chat that the form names, as an address of the viewer's; not yet confirmed."""
    channel = form.text("channel")
    if channel not in dict(chat_forms()):
        raise BadInput(phrase("web-account.choose-kind"))
    now = web.duskbell.clock()
    person = session.get_one(PersonRow, viewer.person_id)
    receiver = web.duskbell.channels[channel]
    wanted = NewReceiver(channel, form.text("target"), form.text("token"))
    if not is_registered(session, receiver, person, wanted):
        require_room(session, web.duskbell.settings, person.id, Kept.ADDRESSES, now)
    return register(session, receiver, person, wanted, now)


def remove_address(session: Session, row: AddressRow, now: datetime) -> None:
    """Send nothing more there, and end what was told there."""
    for each in running_subscriptions(session, address_id=row.id):
        subscriptions.end_subscription(session, each, now, say("web-account.ended-address-removed"))
    row.confirmed_at, row.off_since, row.off_reason = None, now, REMOVED


def own_row(session: Session, address_id: int, viewer: Viewer) -> AddressRow:
    row = session.get(AddressRow, address_id)
    if row is None or row.person_id != viewer.person_id or row.off_reason == REMOVED:
        raise NothingHere
    return row


def _tested(web: Web, viewer: Viewer, address_id: int, network: str) -> Response:
    """Send the test to a receiver now, and say what came of it."""
    duskbell = web.duskbell
    with web.writing.begin() as session:
        count_test(web, session, own_row(session, address_id, viewer))
    tested = send_test(
        duskbell.sessions,
        duskbell.channels,
        duskbell.keys,
        address_id,
        now=duskbell.clock(),
        network=None if viewer.is_operator else network,
    )
    return web.page("account/tested.html", viewer=viewer, tested=tested, address_id=address_id)


def count_test(web: Web, session: Session, row: AddressRow) -> None:
    """Count a test message; BadInput where the address, or all of the person's, had enough of late."""
    duskbell = web.duskbell
    hashed = suppression.address_hash(duskbell.keys, row.channel, row.target)
    now = duskbell.clock()
    if not rate_limits.allow(session, duskbell.keys, "test", now, address=hashed, person=str(row.person_id)):
        raise BadInput(phrase("web-account.tests-used-up"))


def _to_me(said: str) -> Response:
    return RedirectResponse(f"/me?said={said}", 303)
