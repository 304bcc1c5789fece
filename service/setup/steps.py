"""What setup knows of an installation, and how each answer is kept.

Five steps: who runs it, how the feeds may be asked, the first place, home, and where it rings. An answer is a
setting in the file (`settings_file.py`) or a row of the operator's in the store; both count from then on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

from sqlalchemy.orm import Session

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.common.time_text import say_minutes
from alerts.field.trip_plan import Home, drive_from
from alerts.sites.coordinates import say_lat_lon
from alerts.sites.model import Site, clean_name
from alerts.wishes.model import DEFAULT_WISHES
from service.accounts import address_owner
from service.accounts.receivers import NewReceiver, register, shown, vouch_for
from service.app import Duskbell
from service.channels.apprise import NamedTargets
from service.channels.chat import CHAT_FORMS
from service.channels.email_message import check_mail_address, sender_address
from service.common.timezones import zone_at
from service.feeds.shared.http_client import identify
from service.settings import Settings
from service.setup.settings_file import Origin, origin_of, write_settings
from service.store.repositories import people, subscriptions
from service.store.repositories.people import UNKNOWN_ZONE
from service.store.repositories.sites import (
    StoredSite,
    add_site,
    described_sites,
    is_nothing_kept,
    newest_revision,
    revise_site,
)
from service.store.schema.core_tables import AddressRow, PersonRow, SiteRow

PUSH_NAME = "phone"
"""What the push service is called among named_targets unless it is given another name."""


class SetupStep(StrEnum):
    """In the order in which they are asked."""

    WHO = "who"
    FEEDS = "feeds"
    PLACE = "place"
    HOME = "home"
    RING = "ring"


@dataclass(frozen=True, slots=True)
class OpenMeteoTerms:
    """How Open-Meteo may be asked: by declaration, by a key, or (neither) not at all."""

    noncommercial: bool
    key: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Relay:
    """The mail relay as it was answered."""

    host: str
    port: int
    security: Literal["starttls", "tls", "none"]
    user: str
    password: str = field(repr=False)
    sender: str


@dataclass(frozen=True, slots=True)
class SetupState:
    """What is known now.

    mail_id: of the operator's own address; None while there is none. mail_is_confirmed: its reader, or the
    operator for them, said that mail is wanted there. places: the operator's, oldest first.
    terms_answered: whether anybody said how Open-Meteo may be asked. bells: where the operator is told of a
    place, as it may be shown. waiting: addresses of the operator's whose reader has a code that wasn't typed
    yet, by number. home: where the operator sets out. fixed: settings that the environment holds.
    """

    settings: Settings
    mail: str
    mail_id: int | None
    places: tuple[StoredSite, ...]
    terms_answered: bool
    bells: tuple[str, ...]
    mail_is_confirmed: bool
    waiting: Mapping[int, str]
    home: Home | None
    fixed: frozenset[str]

    @property
    def missing(self) -> tuple[SetupStep, ...]:
        """Steps without which nothing can ring, in their order."""
        is_there = {
            SetupStep.WHO: self.mail_id is not None,
            SetupStep.FEEDS: bool(self.settings.contact) and self.terms_answered,
            SetupStep.PLACE: bool(self.places),
            SetupStep.RING: bool(self.bells),
        }
        return tuple(step for step, there in is_there.items() if not there)

    @property
    def relay(self) -> Relay | None:
        """The relay that is set, or None."""
        now = self.settings
        if not now.smtp_host:
            return None
        password = now.smtp_password.get_secret_value() if now.smtp_password else ""
        sender = now.mail_from
        if sender == Settings.model_fields["mail_from"].default:  # which no relay takes
            sender = self.mail
        return Relay(now.smtp_host, now.smtp_port, now.smtp_security, now.smtp_user, password, sender)


def look(duskbell: Duskbell) -> SetupState:
    """What is known of this installation now."""
    settings = duskbell.settings
    with duskbell.sessions() as session:
        operator = people.find_operator(session)
        own = people.own_mail(session, operator.id) if operator else []
        named = (row for row in own if row.target.casefold() == settings.operator_email.casefold())
        mail = next(named, own[0] if own else None)  # the one that the settings name, else the oldest
        places = _places(session, operator) if operator else ()
        ringing = _ringing(session, duskbell, operator) if operator else []
        bells = tuple(shown(address) for address in ringing)
        asked = people.awaiting_code(session, operator.id, duskbell.clock()) if operator else ()
        waiting = {row.id: shown(row, to_owner=True) for row in asked}
        home = operator.home if operator else None
        mail_id, target = (mail.id, mail.target) if mail else (None, settings.operator_email)
        is_confirmed = mail is not None and mail.confirmed_at is not None
    is_answered = settings.uses_open_meteo or origin_of("open_meteo_noncommercial") is not Origin.DEFAULT
    fixed = {name for name in Settings.model_fields if origin_of(name) is Origin.ENVIRONMENT}
    return SetupState(
        settings, target, mail_id, places, is_answered, bells, is_confirmed, waiting, home, frozenset(fixed)
    )


def is_untouched(session: Session, settings: Settings) -> bool:
    """Whether nobody has set anything up here: no contact, no site, no subscription."""
    return not settings.contact and is_nothing_kept(session)


def _places(session: Session, operator: PersonRow) -> tuple[StoredSite, ...]:
    return tuple(newest_revision(session, site_id) for site_id in described_sites(session, operator.id))


def _ringing(session: Session, duskbell: Duskbell, operator: PersonRow) -> list[AddressRow]:
    """The operator's addresses at which something rings, oldest first."""
    rows = subscriptions.active_subscriptions(session, duskbell.clock())
    own = {row.address_id: row.address for row in rows if row.person_id == operator.id}
    return [address for _, address in sorted(own.items())]


def keep_settings(duskbell: Duskbell, changes: Mapping[str, Any]) -> None:
    """Write settings into the file, and go on by them here."""
    duskbell.use(write_settings(changes))


def keep_mail(duskbell: Duskbell, mail: str) -> int:
    """The operator's own mail address from now on; its number. It isn't confirmed by this."""
    target = check_mail_address(mail.strip())
    now = duskbell.clock()
    keep_settings(duskbell, {"operator_email": target})
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone=UNKNOWN_ZONE, now=now)
        return address_owner.own_address(session, target, operator, now).id


def check_contact(contact: str) -> str:
    """The contact as the feeds are told it; BadInput when nobody could be reached by it."""
    contact = contact.strip()
    identify(contact)
    return contact if "://" in contact else check_mail_address(contact)


def keep_feeds(duskbell: Duskbell, contact: str, terms: OpenMeteoTerms) -> None:
    """How the feeds may be asked from now on."""
    changes: dict[str, Any] = {"contact": check_contact(contact)}
    if terms != terms_of(duskbell.settings) or origin_of("open_meteo_noncommercial") is Origin.DEFAULT:
        changes |= {"open_meteo_noncommercial": terms.noncommercial, "open_meteo_key": terms.key or None}
    keep_settings(duskbell, changes)


def terms_of(settings: Settings) -> OpenMeteoTerms:
    """How Open-Meteo may be asked now."""
    key = settings.open_meteo_key.get_secret_value() if settings.open_meteo_key else ""
    return OpenMeteoTerms(settings.open_meteo_noncommercial, key)


def place_at(
    name: str, at: tuple[float, float], elevation_m: float | None, known: Site | None = None
) -> Site:
    """The place that was answered. known: how it was described until now; what isn't asked of it stays."""
    described: dict[str, Any] = {}
    if known is not None and (known.lat_deg, known.lon_deg) == at:
        described = {
            each: getattr(known, each)
            for each in Site.__dataclass_fields__
            if each not in ("name", "lat_deg", "lon_deg", "elevation_m")
        }
    zone = described.pop("zone", None) or zone_at(*at)
    name = clean_name(name)
    return Site(name, at[0], at[1], elevation_m or 0.0, zone, **described)


def keep_place(duskbell: Duskbell, site: Site, *, elevation_known: bool) -> StoredSite:
    """Keep the place: one of the operator's of that name is described anew, another is added, and rings
    wherever something rings for the operator already."""
    now = duskbell.clock()
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone=site.zone, now=now)
        known = find_place(_places(session, operator), site.name)
        if known is None:
            row = add_site(session, operator, site, elevation_known=elevation_known, now=now)
            for address in _ringing(session, duskbell, operator):
                subscriptions.subscribe(session, address, row, DEFAULT_WISHES, now=now)
            return newest_revision(session, row.id)
        if (known.site, known.elevation_known) != (site, elevation_known):
            row = session.get_one(SiteRow, known.site_id)
            revise_site(session, row, site, elevation_known=elevation_known, now=now)
        return newest_revision(session, known.site_id)


def read_elevation(typed: str) -> float | None:
    """Metres above sea level as somebody types them; None for "" or a dash."""
    plain = typed.strip().replace(",", ".").replace("−", "-").removesuffix("m").strip()
    if plain in ("", "-"):
        return None
    try:
        elevation_m = float(plain)
    except ValueError:
        raise BadInput(phrase("setup.elevation-not-a-number", typed=typed)) from None
    if not -500 <= elevation_m <= 9000:
        raise BadInput(phrase("setup.elevation-absurd", typed=typed))
    return elevation_m


def find_place(places: tuple[StoredSite, ...], name: str) -> StoredSite | None:
    """The place of that name, whatever its case."""
    return next((each for each in places if each.site.name.casefold() == name.strip().casefold()), None)


def place_words(stored: StoredSite) -> str:
    """`Windpump Flat at 40.3100° N, 1.4200° W, 1180 m`."""
    height = f", {stored.site.elevation_m:g} m" if stored.elevation_known else ""
    return f"{stored.site.name} at {say_lat_lon(stored.site.lat_deg, stored.site.lon_deg)}{height}"


def keep_home(duskbell: Duskbell, home: Home | None) -> None:
    """Where the operator sets out from now on, rounded; None: nobody knows."""
    home = home.rounded if home else None
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone=UNKNOWN_ZONE, now=duskbell.clock())
        if operator.home != home:
            people.set_home(session, operator, home)


def home_words(home: Home, places: tuple[StoredSite, ...]) -> str:
    """`40.31, -1.42 (kept to about 1 km), at 70 km/h; about 1 h 5 min to Windpump Flat`."""
    words = say("setup.home", lat_deg=home.lat_deg, lon_deg=home.lon_deg, speed_kmh=home.speed_kmh)
    drive = drive_from(home, places[0].site.lat_deg, places[0].site.lon_deg) if places else None
    return f"{words}; about {say_minutes(drive)} to {places[0].site.name}" if drive else words


def read_speed(typed: str) -> float:
    """A usual speed in km/h as somebody types it."""
    try:
        speed_kmh = float(typed.strip().lower().removesuffix("km/h").replace(",", "."))
    except ValueError:
        raise BadInput(phrase("setup.not-a-speed", typed=typed)) from None
    return Home(0.0, 0.0, speed_kmh).speed_kmh


def read_port(typed: str) -> int:
    """A port as somebody types it."""
    if not (typed.isascii() and typed.isdigit() and 1 <= int(typed[:6]) <= 65535):
        raise BadInput(phrase("setup.not-a-port", typed=typed))
    return int(typed)


def check_relay(relay: Relay) -> Relay:
    """The relay, if its parts can be ones; BadInput otherwise."""
    if not relay.host or any(letter.isspace() or letter in "/@" for letter in relay.host):
        raise BadInput(phrase("setup.not-a-relay", host=relay.host))
    if relay.user and not relay.password:
        raise BadInput(phrase("setup.relay-password"))
    sender_address(relay.sender)
    return relay


def keep_relay(duskbell: Duskbell, relay: Relay) -> None:
    """Send mail through this relay from now on; what is so already isn't written."""
    settings = duskbell.settings
    wanted = {
        "smtp_host": relay.host,
        "smtp_port": relay.port,
        "smtp_security": relay.security,
        "smtp_user": relay.user,
        "mail_from": relay.sender,
    }
    changes = {name: value or None for name, value in wanted.items() if getattr(settings, name) != value}
    password = settings.smtp_password.get_secret_value() if settings.smtp_password else ""
    if relay.password != password:
        changes["smtp_password"] = relay.password or None
    keep_settings(duskbell, changes)


def add_chat(duskbell: Duskbell, form: str, url: str, token: str) -> int:
    """A group chat of the operator's; its number. It isn't confirmed by this."""
    if form not in CHAT_FORMS:
        raise BadInput(phrase("setup.no-such-chat", form=form, forms=tuple(CHAT_FORMS)))
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone=UNKNOWN_ZONE, now=duskbell.clock())
        receiver = duskbell.channels[form]
        return register(session, receiver, operator, NewReceiver(form, url, token), duskbell.clock()).id


def add_push(duskbell: Duskbell, name: str, url: str) -> int:
    """A push service as one of the operator's addresses; its number. The URL is kept by `keep_push`."""
    if "://" not in url:
        raise BadInput(phrase("setup.push-address"))
    with duskbell.sessions.begin() as session:
        operator = people.get_operator(session, zone=UNKNOWN_ZONE, now=duskbell.clock())
        target = clean_name(name, "push")
        channel = NamedTargets({target: url})
        return register(session, channel, operator, NewReceiver("named", target), duskbell.clock()).id


def keep_push(duskbell: Duskbell, name: str, url: str) -> None:
    """Let that name lead to this push service from now on."""
    keep_settings(duskbell, {"named_targets": {name: url}})


def ring_at(duskbell: Duskbell, address_id: int, *, vouched: bool) -> tuple[str, ...]:
    """Tell the address of every place of the operator's, by the usual wishes, unless it is told of some
    already; the places that are new to it.

    vouched: the operator says that it is wanted there; a code may have said so before.
    """
    now, added = duskbell.clock(), []
    with duskbell.sessions.begin() as session:
        address = session.get_one(AddressRow, address_id)
        if vouched:
            vouch_for(session, address_id, now)
        running = subscriptions.running_subscriptions(session, person_id=address.person_id)
        if any(row.address_id == address_id for row in running):
            return ()
        for place in _places(session, address.person):
            site = session.get_one(SiteRow, place.site_id)
            subscriptions.subscribe(session, address, site, DEFAULT_WISHES, now=now)
            added.append(place.site.name)
    return tuple(added)
