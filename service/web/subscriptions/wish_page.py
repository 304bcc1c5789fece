"""The page on which wishes are filled in, for a new subscription and for a running one."""

from __future__ import annotations

from dataclasses import dataclass, field

from fastapi.responses import HTMLResponse

from alerts.common.errors import BadInput
from alerts.common.time_text import say_minutes
from alerts.field.driving import with_home
from alerts.field.kit_text import EXAMPLE, parse_kit
from alerts.wishes.fields import drive_words
from alerts.wishes.model import USUAL_DRIVE, Wishes
from service.store.repositories import people
from service.store.schema import core_tables
from service.web.shared.assets import asset_url
from service.web.shared.concurrency_limit import Busy
from service.web.shared.context import Web
from service.web.shared.form_guards import STAMP, TRAP, make_stamp
from service.web.shared.forms import Form
from service.web.shared.ring_notes import of_wishes
from service.web.shared.viewer import SeenSite, Viewer
from service.web.sites.form import FaultTexts
from service.web.subscriptions.wish_count import count_wishes
from service.web.subscriptions.wish_form import MOONS, SHAPES, TARGETS, WEEKDAYS, read_wishes

NEW_MAIL = "new"


@dataclass(frozen=True, slots=True)
class AddressChoice:
    """An address that a subscription can go to, as the form offers it."""

    address_id: int
    words: str
    is_confirmed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WishPage:
    """What the form shows. fields: as filled in or as kept, `kit` among them. wishes: None while a field
    can't be used. subscription: the one that is changed; None for a new one. told: the viewer's running
    subscriptions here, as (id, address in words)."""

    viewer: Viewer | None
    seen: SeenSite
    fields: dict[str, object]
    wishes: Wishes | None
    faults: FaultTexts = field(default_factory=FaultTexts)
    subscription: core_tables.Subscription | None = None
    choices: tuple[AddressChoice, ...] = ()
    chosen: str = ""
    email: str = ""
    told: tuple[tuple[int, str], ...] = ()


def show_wishes(web: Web, page: WishPage) -> HTMLResponse:
    """The form with what its wishes would have given at the site."""
    site = page.seen.stored.site
    try:
        advice = count_wishes(web, site, page.wishes) if page.wishes else None
    except Busy:
        advice = None  # the form is worth more than the count
    ring = of_wishes(web, page.viewer, page.seen, page.wishes, advice.year) if page.wishes and advice else ()
    first = str(page.choices[0].address_id) if page.choices else NEW_MAIL
    return web.page(
        "subscribe.html",
        400 if page.faults else 200,
        viewer=page.viewer,
        seen=page.seen,
        fields=page.fields,
        faults=page.faults,
        advice=advice,
        ring=ring,
        subscription=page.subscription,
        choices=page.choices,
        chosen=page.chosen or first,
        email=page.email,
        told=page.told,
        targets=TARGETS,
        shapes=SHAPES,
        moons=MOONS,
        weekdays=list(enumerate(WEEKDAYS)),
        kit_example=EXAMPLE,
        drive_hint=_drive_hint(web, page),
        stamp=make_stamp(web.duskbell.keys, web.duskbell.clock()),
        trap=TRAP,
        stamp_name=STAMP,
        script_url=asset_url("wishes.js"),
    )


def _drive_hint(web: Web, page: WishPage) -> str:
    """What an empty field means."""
    usual = f"Empty: {say_minutes(USUAL_DRIVE)}; once your own page knows your home, an estimate from there."
    if page.viewer is None:
        return f"Empty: {say_minutes(USUAL_DRIVE)}."
    with web.reading() as session:
        home = people.home_of(session.get_one(core_tables.Person, page.viewer.person_id))
    wishes = with_home(Wishes(), home, page.seen.stored.site)
    return f"Empty: {drive_words(wishes)}." if wishes.drive_is_estimate else usual


def read_wishes_and_kit(form: Form, known: Wishes) -> tuple[Wishes | None, FaultTexts]:
    """As `read_wishes`; a kit that can't be read is a fault of its own field."""
    wishes, faults = read_wishes(form, known)
    if text := form.text("kit"):
        try:
            parse_kit(text)
        except BadInput as refusal:
            return None, FaultTexts({**faults, "kit": str(refusal)})
    return wishes, faults
