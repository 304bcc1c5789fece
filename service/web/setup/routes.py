"""The first page of a fresh installation: the steps of `duskbell setup` as forms, each tried as it is sent.

For the operator alone. What is kept here counts at once (`Duskbell.use`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.field.place_doubts import PlaceDoubts
from alerts.field.trip_plan import USUAL_SPEED_KMH, Home
from alerts.sites.coordinates import parse_lat_lon
from service.accounts.receivers import confirm_by_code
from service.app import Duskbell
from service.channels.chat import CHAT_FORMS
from service.common.timezones import doubts
from service.settings import BadSettings
from service.setup import ending, steps, tries
from service.setup.settings_file import variable
from service.setup.steps import OpenMeteoTerms, Relay, SetupState
from service.setup.tries import Tried
from service.store.schema.core_tables import AddressRow
from service.web.error_pages import NothingHere
from service.web.shared.context import Here, Web
from service.web.shared.forms import Filled, Form, row_number
from service.web.shared.viewer import Operating, Viewer, is_fresh, require_fresh
from service.web.sites.edit import sure_value
from service.web.sites.form import FaultTexts

PATH = "/setup"
LETS_IN = frozenset({"who", "relay", "push", "chat", "here", "code", "phone"})
"""Steps that decide who is let in or where links to sign in go: they need a sign-in of just now."""
SECRETS = frozenset({"key", "password", "url", "token"})
"""Never shown back."""


@dataclass(frozen=True, slots=True)
class Answered:
    """What came of a form. said: one sentence; tried: of its try; may_keep: the answer wasn't kept, and
    can be all the same; doubt: what is asked about a place; qr: the way in for a phone."""

    said: str = ""
    tried: Tried | None = None
    may_keep: bool = False
    doubt: PlaceDoubts | None = None
    qr: Markup = Markup("")
    way: ending.WayIn | None = None
    fault: str = ""
    fields: Mapping[str, str] = field(default_factory=dict)


router = APIRouter()


@router.get(PATH, response_class=HTMLResponse)
def show(web: Here, viewer: Operating) -> HTMLResponse:
    return show_setup(web, viewer)


@router.post(PATH, response_class=HTMLResponse)
def answer(web: Here, viewer: Operating, form: Filled) -> HTMLResponse:
    _require_real(web)
    step = form.text("step")
    if step not in STEPS:
        raise NothingHere
    if step in LETS_IN:
        require_fresh(web, viewer, PATH)
    try:
        answered = STEPS[step](web.duskbell, form)
    except (BadInput, BadSettings) as refusal:
        answered = Answered(fault=str(refusal), fields=_typed(form))
        return show_setup(web, viewer, step, answered, status=400)
    return show_setup(web, viewer, step, answered)


def _require_real(web: Web) -> None:
    """Where all is invented there is nothing to set up."""
    if web.duskbell.invented:
        raise NothingHere


def show_setup(
    web: Web, viewer: Viewer, step: str = "", answered: Answered | None = None, status: int = 200
) -> HTMLResponse:
    """The page. step: whose form was sent, with what came of it."""
    _require_real(web)
    standing, answered = steps.look(web.duskbell), answered or Answered()
    season = None
    if standing.places:
        site = standing.places[0]
        key = ("setup", site.site, web.now().date())
        season = web.skies.work_out(key, lambda: ending.next_nights(web.duskbell, site))
    return web.page(
        "setup/page.html",
        status,
        viewer=viewer,
        standing=standing,
        places=[steps.place_words(each) for each in standing.places],
        home=steps.home_words(standing.home, standing.places) if standing.home else "",
        missing={each.value for each in standing.missing},
        relay=standing.relay,
        fields={**_fields(standing), **answered.fields},
        fixed=FaultTexts({name: variable(name) for name in standing.fixed}),
        terms=_terms_word(standing),
        step=step,
        answered=answered,
        sure_value=answered.fields.get("sure", ""),
        chat_forms=[(name, form.hint) for name, form in CHAT_FORMS.items()],
        declaration=say("setup.declaration"),
        without=say("setup.without-open-meteo"),
        is_fresh=is_fresh(web, viewer),
        nights=ending.night_lines(season) if season else (),
        never=ending.why_none(web.duskbell, season) if season and not season.nights else (),
        still_missing=ending.still_missing(web.duskbell),
        fleet_note=ending.fleet_note(web.duskbell),
    )


def _fields(standing: SetupState) -> dict[str, str]:
    """What stands in the fields before anything is typed."""
    relay, settings, home = standing.relay, standing.settings, standing.home
    at = elevation = name = ""
    if standing.places:
        stored = standing.places[0]
        name = stored.site.name
        at = f"{stored.site.lat_deg:.6g}, {stored.site.lon_deg:.7g}"
        elevation = f"{stored.site.elevation_m:g}" if stored.elevation_known else ""
    return {
        "mail": standing.mail,
        "contact": settings.contact or standing.mail,
        "key": "",
        "name": name,
        "at": at,
        "elevation_m": elevation,
        "home": f"{home.lat_deg:.2f}, {home.lon_deg:.2f}" if home else "",
        "speed": f"{home.speed_kmh if home else USUAL_SPEED_KMH:g}",
        "host": relay.host if relay else "",
        "port": str(relay.port if relay else settings.smtp_port),
        "security": relay.security if relay else settings.smtp_security,
        "user": relay.user if relay else settings.smtp_user,
        "password": "",
        "sender": relay.sender if relay else standing.mail,
        "push_name": steps.PUSH_NAME,
        "url": "",
        "form": "text",
        "token": "",
    }


def _terms_word(standing: SetupState) -> str:
    terms = steps.terms_of(standing.settings)
    if terms.key:
        return "key"
    return "declared" if terms.noncommercial else "without" if standing.terms_answered else ""


# the steps


def answer_who(duskbell: Duskbell, form: Form) -> Answered:
    if "operator_email" in steps.look(duskbell).fixed:
        steps.keep_mail(duskbell, duskbell.settings.operator_email)
        return Answered(say("setup.kept"))
    number = steps.keep_mail(duskbell, form.text("mail"))
    standing = steps.look(duskbell)
    if standing.relay is None:
        return Answered(say("setup.kept-who"))
    return Answered(say("setup.kept"), _try_mail(duskbell, number, standing.relay))


def answer_feeds(duskbell: Duskbell, form: Form) -> Answered:
    standing = steps.look(duskbell)
    now = steps.terms_of(duskbell.settings)
    terms = {
        "declared": OpenMeteoTerms(True, now.key),
        "key": OpenMeteoTerms(False, form.text("key") or now.key),
        "without": OpenMeteoTerms(False),
    }.get(form.text("terms"), now)
    if form.text("terms") == "key" and not terms.key:
        raise BadInput(phrase("setup.key-missing"))
    if not form.is_ticked("terms") and not standing.terms_answered:
        raise BadInput(phrase("setup.terms-missing"))
    contact = duskbell.settings.contact if "contact" in standing.fixed else form.text("contact")
    steps.keep_feeds(duskbell, contact, terms)
    return Answered(
        say("setup.kept"), tries.try_feeds(duskbell, standing.places[0]) if standing.places else None
    )


def answer_place(duskbell: Duskbell, form: Form) -> Answered:
    at = parse_lat_lon(form.text("at"))
    known = steps.find_place(steps.look(duskbell).places, form.text("name"))
    elevation_m = steps.read_elevation(form.text("elevation_m"))
    site = steps.place_at(form.text("name"), at, elevation_m, known.site if known else None)
    is_moved = known is None or (known.site.lat_deg, known.site.lon_deg) != at
    home = steps.look(duskbell).home
    doubt = doubts(*at, home) if is_moved and form.text("sure") != sure_value(site) else None
    if doubt is not None:
        typed = {name: form.text(name) for name in ("name", "at", "elevation_m")}
        return Answered(doubt=doubt, fields={**typed, "sure": sure_value(site)})
    stored = steps.keep_place(duskbell, site, elevation_known=elevation_m is not None)
    return Answered(say("setup.kept"), tries.try_feeds(duskbell, stored))


def answer_home(duskbell: Duskbell, form: Form) -> Answered:
    if not form.text("home"):
        steps.keep_home(duskbell, None)
        return Answered(say("setup.home-none"))
    speed_kmh = steps.read_speed(form.text("speed") or f"{USUAL_SPEED_KMH:g}")
    kept = Home(*parse_lat_lon(form.text("home")), speed_kmh).rounded
    steps.keep_home(duskbell, kept)
    for place in steps.look(duskbell).places[:1]:
        far = doubts(place.site.lat_deg, place.site.lon_deg, kept)
        if far is not None and far.away_km is not None:
            return Answered(say("setup.kept-far-home", doubt=far.text))
    return Answered(say("setup.kept"))


def answer_relay(duskbell: Duskbell, form: Form) -> Answered:
    standing = steps.look(duskbell)
    if standing.mail_id is None:
        raise BadInput(phrase("setup.who-first"))
    relay, number = _filled_relay(standing, form), standing.mail_id
    tried = None if form.text("do") == "keep" else _try_mail(duskbell, number, relay)
    return _kept_or_shown(duskbell, number, tried, partial(steps.keep_relay, duskbell, relay), _typed(form))


def _filled_relay(standing: SetupState, form: Form) -> Relay:
    """The relay as it was filled in; what the environment holds stays, and a password that wasn't typed."""
    settings, before = standing.settings, standing.relay
    port, security = steps.read_port(form.text("port")), form.text("security")
    if security not in ("starttls", "tls", "none"):
        raise BadInput(phrase("setup.security-missing"))
    answered: dict[str, Any] = {
        "smtp_host": form.text("host"),
        "smtp_port": port,
        "smtp_security": security,
        "smtp_user": form.text("user"),
        "mail_from": form.text("sender") or standing.mail,
    }
    answered |= {name: getattr(settings, name) for name in answered if name in standing.fixed}
    host, port, security, user, sender = answered.values()
    kept = settings.smtp_password.get_secret_value() if settings.smtp_password else ""
    same = before is not None and before.user == user
    typed = form.text("password") or (kept if same else "")
    password = kept if "smtp_password" in standing.fixed else typed
    return steps.check_relay(Relay(host, port, security, user, password if user else "", sender))


def _try_mail(duskbell: Duskbell, number: int, relay: Relay) -> Tried:
    """As `tries.try_mail`; an address that is confirmed already needs no code."""
    tried = tries.try_mail(duskbell, number, relay)
    if not tried.needs_code:
        return tried
    with duskbell.sessions() as session:
        address = session.get_one(AddressRow, number)
        is_confirmed, mail = address.confirmed_at is not None, address.target
    if is_confirmed:
        return replace(tried, needs_code=False, text=say("setup.mail-took-test", mail=mail))
    return replace(tried, text=say("setup.mail-has-code", mail=mail))


def answer_push(duskbell: Duskbell, form: Form) -> Answered:
    name, url = form.text("push_name") or steps.PUSH_NAME, form.text("url")
    number = steps.add_push(duskbell, name, url)
    tried = None if form.text("do") == "keep" else tries.try_push(duskbell, number, name, url)
    return _kept_or_shown(
        duskbell, number, tried, partial(steps.keep_push, duskbell, name, url), {"push_name": name}
    )


def _kept_or_shown(
    duskbell: Duskbell,
    number: int,
    tried: Tried | None,
    keep: Callable[[], None],
    typed: Mapping[str, str],
) -> Answered:
    """Keep what the address needs, and ring there; or say what is wrong with it. tried: None to keep it all
    the same, on the operator's word."""
    if tried is not None and not tried.is_well:
        return Answered(tried=tried, may_keep=True, fields=typed)
    keep()
    if tried is None:
        steps.ring_at(duskbell, number, vouched=True)
        return Answered(say("setup.kept-vouched"))
    _ring_where_confirmed(duskbell, number)
    return Answered(say("setup.kept"), tried)


def _typed(form: Form) -> dict[str, str]:
    """What may be shown again."""
    return {name: form.text(name) for name in form if name not in SECRETS}


def _ring_where_confirmed(duskbell: Duskbell, number: int) -> None:
    """It rings there at once if nobody has to confirm it any more."""
    with duskbell.sessions() as session:
        is_confirmed = session.get_one(AddressRow, number).confirmed_at is not None
    if is_confirmed:
        steps.ring_at(duskbell, number, vouched=False)


def answer_chat(duskbell: Duskbell, form: Form) -> Answered:
    number = steps.add_chat(duskbell, form.text("form"), form.text("url"), form.text("token"))
    tried = tries.try_chat(duskbell, number)
    if tried.is_well:
        _ring_where_confirmed(duskbell, number)
    return Answered(say("setup.kept") if tried.is_well else "", tried, fields={"form": form.text("form")})


def answer_here(duskbell: Duskbell, _: Form) -> Answered:
    standing = steps.look(duskbell)
    if standing.mail_id is None:
        raise BadInput(phrase("setup.who-first"))
    if duskbell.settings.smtp_host:
        steps.keep_settings(duskbell, {"smtp_host": None})
    tried = tries.try_mail(duskbell, standing.mail_id, None)
    steps.ring_at(duskbell, standing.mail_id, vouched=True)
    return Answered(say("setup.kept"), tried)


def answer_code(duskbell: Duskbell, form: Form) -> Answered:
    """A code that was typed; or the address taken on the operator's word."""
    waiting, number = steps.look(duskbell).waiting, row_number(form.text("number"))
    if number is None or number not in waiting:
        raise NothingHere
    if form.text("do") == "vouch":
        steps.ring_at(duskbell, number, vouched=True)
        return Answered(say("setup.vouched", address=waiting[number]))
    with duskbell.sessions.begin() as session:
        right = confirm_by_code(session, number, form.text("code").lower(), duskbell.clock())
    if not right:
        raise BadInput(phrase("setup.code-wrong"))
    steps.ring_at(duskbell, number, vouched=False)
    return Answered(say("setup.confirmed", address=waiting[number]))


def answer_phone(duskbell: Duskbell, _: Form) -> Answered:
    import segno

    way = ending.way_in(duskbell)
    picture = segno.make(way.link, micro=False).svg_inline(scale=5, dark="#000", light="#fff", border=3)
    return Answered(qr=Markup(picture), way=way)  # made of our own link, by segno


STEPS: Mapping[str, Callable[[Duskbell, Form], Answered]] = {
    "who": answer_who,
    "feeds": answer_feeds,
    "place": answer_place,
    "home": answer_home,
    "relay": answer_relay,
    "push": answer_push,
    "chat": answer_chat,
    "here": answer_here,
    "code": answer_code,
    "phone": answer_phone,
}
