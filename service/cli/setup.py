"""`duskbell setup`: from nothing to a bell, step by step; run again, it changes the answers."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click

from alerts.errors import BadInput
from service.cli.options import LAT_LON

if TYPE_CHECKING:
    from alerts.driving import Home
    from service.bootstrap import Duskbell
    from service.setup.steps import Relay, Standing, Terms
    from service.setup.tries import Tried
    from service.store.sites import StoredSite

T = TypeVar("T")
MOST_TRIES_OF_A_CODE = 3


@click.command()
@click.option("--mail", default=None, metavar="ADDRESS", help="Your own mail address: it signs in as you.")
@click.option("--contact", default=None, help="Mail address or web page that the feeds are told.")
@click.option("--noncommercial", is_flag=True, help="Declare non-commercial use, which Open-Meteo asks for.")
@click.option(
    "--commercial-key", "key_file", type=click.File("r"), default=None, help="File with your Open-Meteo key."
)
@click.option(
    "--without-open-meteo", is_flag=True, help="Don't ask Open-Meteo: nothing rings then outside the US."
)
@click.option("--place", default=None, metavar="NAME", help="The first place.")
@click.option("--at", type=LAT_LON, default=None, help="Its coordinates, as you have them.")
@click.option("--elevation", "elevation_m", type=float, default=None, help="Its metres above sea level.")
@click.option("--yes", "is_sure", is_flag=True, help="Don't ask whether a place at sea is meant.")
@click.option("--home", "home_at", type=LAT_LON, default=None, help="Where you set out; kept to about 1 km.")
@click.option("--speed", type=float, default=None, metavar="KM/H", help="Your usual speed; default 70.")
@click.option("--smtp-host", default=None, help="Mail relay.")
@click.option("--smtp-port", type=click.IntRange(1, 65535), default=None, help="Its port; default 587.")
@click.option(
    "--smtp-security",
    type=click.Choice(["starttls", "tls", "none"]),
    default=None,
    help="How the line to it is secured; default starttls.",
)
@click.option("--smtp-user", default=None, help="User name at the relay, if it wants one.")
@click.option("--smtp-password-file", type=click.File("r"), default=None, help="File with the password.")
@click.option("--mail-from", default=None, help="Sender of all mail; default your own address.")
@click.option(
    "--push", "push_file", type=click.File("r"), default=None, help="File with a push service's apprise URL."
)
@click.option("--push-name", default=None, help="What to call it; default phone.")
@click.option("--chat", nargs=2, default=None, metavar="FORM URL", help="A group chat, in its own form.")
@click.option("--chat-token-file", type=click.File("r"), default=None, help="File with its access token.")
@click.option("--only-here", is_flag=True, help="Ring on the pages and in the outbox folder alone.")
@click.option("--no-input", is_flag=True, help="Ask nothing; say which options are missing.")
@click.option("--no-try", is_flag=True, help="Keep the answers without trying them.")
def setup(*, no_input: bool, no_try: bool, **given: Any) -> None:
    """Set Duskbell up: who you are, how the feeds may be asked, a place, and where it rings.

    Each answer is tried at once. Run it again to change answers; enter keeps what is. A file named - is the
    standard input. Exit code 1: an answer that was kept didn't pass its try.
    """
    from service.bootstrap import build
    from service.store.engine import require_writable

    answers = _read_answers(given)
    duskbell = build()
    talk = Talk(duskbell, answers, asks=has_terminal() and not no_input, tries=not no_try)
    try:
        require_writable(duskbell.engine)
        talk.run()
    except (click.Abort, KeyboardInterrupt):
        click.echo("\nStopped. What was confirmed is kept; duskbell setup goes on from there.")
        raise click.exceptions.Exit(130) from None
    finally:
        duskbell.engine.dispose()
    if talk.unwell:
        raise click.exceptions.Exit(1)


def has_terminal() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()


@dataclass(frozen=True)
class Answers:
    """What was answered by options; None or "" where nothing was."""

    mail: str | None
    contact: str | None
    terms: Terms | None
    place: str | None
    at: tuple[float, float] | None
    elevation_m: float | None
    is_sure: bool
    home_at: tuple[float, float] | None
    speed_kmh: float | None
    relay: dict[str, Any]
    push: str
    push_name: str
    chat: tuple[str, str] | None
    chat_token: str
    only_here: bool

    @property
    def names_a_bell(self) -> bool:
        return bool(self.relay.get("host") or self.push or self.chat or self.only_here)


def _read_answers(given: dict[str, Any]) -> Answers:
    from service.setup.steps import PUSH_NAME, Terms

    key = _secret(given["key_file"], "--commercial-key")
    ways = [given["noncommercial"], bool(key), given["without_open_meteo"]]
    if sum(ways) > 1:
        raise click.UsageError(
            "--noncommercial, --commercial-key and --without-open-meteo exclude each other."
        )
    if given["only_here"] and given["smtp_host"]:
        raise click.UsageError("--only-here and --smtp-host exclude each other.")
    relay = {
        "host": given["smtp_host"],
        "port": given["smtp_port"],
        "security": given["smtp_security"],
        "user": given["smtp_user"],
        "password": _secret(given["smtp_password_file"], "--smtp-password-file") or None,
        "sender": given["mail_from"],
    }
    return Answers(
        mail=given["mail"],
        contact=given["contact"],
        terms=Terms(given["noncommercial"], key) if any(ways) else None,
        place=given["place"],
        at=given["at"],
        elevation_m=given["elevation_m"],
        is_sure=given["is_sure"],
        home_at=given["home_at"],
        speed_kmh=given["speed"],
        relay={name: value for name, value in relay.items() if value is not None},
        push=_secret(given["push_file"], "--push"),
        push_name=given["push_name"] or PUSH_NAME,
        chat=given["chat"],
        chat_token=_secret(given["chat_token_file"], "--chat-token-file"),
        only_here=given["only_here"],
    )


def _secret(file: TextIO | None, option: str) -> str:
    if file is None:
        return ""
    text = file.read().strip("\r\n")
    if not text.strip() or "\n" in text:
        raise click.UsageError(f"{option}: the file must hold one line, and nothing else.")
    return text


class Talk:
    """One run through the steps.

    asks: somebody can answer. tries: each answer is tried. again: all was set before, so all is asked anew.
    unwell: what was said of answers that were kept and didn't pass their try.
    """

    def __init__(self, duskbell: Duskbell, answers: Answers, *, asks: bool, tries: bool) -> None:
        self.duskbell = duskbell
        self.answers = answers
        self.asks = asks
        self.tries = tries
        self.again = False
        self.unwell: list[str] = []

    def run(self) -> None:
        """All steps, each kept before the next, and what there is to say in the end."""
        standing = self.standing
        self.again = self.asks and not standing.missing
        if not self.asks and (missing := list(missing_options(standing, self.answers))):
            raise click.UsageError(
                f"missing: {'; '.join(missing)}. In a terminal duskbell setup asks for them."
            )
        if self.asks:
            click.echo("Enter keeps what stands in [brackets]. Ctrl-C stops; what was confirmed is kept.")
        self.who()
        self.feeds()
        self.place()
        self.home()
        self.ring()
        self.end()

    @property
    def standing(self) -> Standing:
        from service.setup.steps import look

        return look(self.duskbell)

    # the steps

    def who(self) -> None:
        """The operator's own mail address."""
        from service.channels.mailbuilding import check_mail_address
        from service.setup.steps import keep_mail

        standing = self.standing
        self._head("You")
        mail = self.answers.mail
        if mail is None and standing.mail and (self._is_fixed("operator_email") or not self._asks_anew):
            click.echo(f"  {standing.mail}{self._fixed_words('operator_email')}")
            mail = standing.mail if standing.mail_id is None else None
        elif mail is None:
            mail = self._ask("Your mail address", standing.mail, check_mail_address)
        if mail is not None:
            keep_mail(self.duskbell, mail)
            if self.answers.mail is not None:
                click.echo(f"  {self.standing.mail}")
            if standing.mail_id is not None and self.standing.mail_id != standing.mail_id:
                click.echo(f"  {standing.mail} stays an address of yours too. To end that:")
                click.echo(f"  duskbell address off {standing.mail_id}")

    def feeds(self) -> None:
        """The contact that the feeds are told, and on what terms Open-Meteo is asked."""
        from service.setup.steps import check_contact, keep_feeds, terms_of

        standing = self.standing
        settings = standing.settings
        self._head("The weather feeds")
        contact, terms = self.answers.contact, self.answers.terms
        if contact is None and settings.contact and (self._is_fixed("contact") or not self._asks_anew):
            click.echo(f"  They are told: {settings.contact}{self._fixed_words('contact')}")
        elif contact is None:
            click.echo("  They want to know whom to write to when something is wrong.")
            contact = self._ask("Mail address or web page", settings.contact or standing.mail, check_contact)
        if terms is None and standing.terms_answered and (self._terms_fixed or not self._asks_anew):
            click.echo(f"  {_terms_words(terms_of(settings))}{self._terms_fixed}")
        elif terms is None:
            terms = self._ask_terms(terms_of(settings), answered=standing.terms_answered)
        if contact is not None or terms is not None:
            keep_feeds(self.duskbell, contact or settings.contact, terms or terms_of(settings))
        now = self.duskbell.settings
        if self.answers.contact is not None:
            click.echo(f"  They are told: {now.contact}")
        if self.answers.terms is not None:
            click.echo(f"  {_terms_words(terms_of(now))}")

    def place(self) -> None:
        """The first place; then the feeds are asked for it, until that goes well or is taken as it is."""
        from service.setup.steps import place_words
        from service.setup.tries import try_feeds

        self._head("The first place")
        stored = self._kept_place()
        click.echo(f"  {place_words(stored)} ({stored.site.zone})")
        while self.tries:
            click.echo(f"  Asking the feeds for {stored.site.name} …")
            tried = try_feeds(self.duskbell, stored)
            choice = self._settle(tried, "[k]eep it, ask [a]gain, change the [f]eeds or the [p]lace", "kafp")
            if choice == "k":
                return
            if choice == "f":
                self.answers = replace(self.answers, contact=None, terms=None)
                self.again = True
                self.feeds()
            if choice == "p":
                self.answers = replace(self.answers, place=None, at=None)
                stored = self._ask_place(stored)

    def home(self) -> None:
        """Where one sets out, and how fast; drives are estimated from it. It may be left out."""
        from alerts.driving import USUAL_SPEED_KMH, Home
        from service.setup.steps import forget_home, home_words, keep_home, read_speed

        standing, given = self.standing, self.answers
        known = standing.home
        self._head("Home, from which drives are estimated")
        at, speed_kmh = given.home_at, given.speed_kmh
        if at is None and known is not None and (speed_kmh is not None or not self._asks_anew):
            at = known.lat_deg, known.lon_deg
        elif at is None and self.asks:
            before = f"{known.lat_deg:.2f}, {known.lon_deg:.2f}" if known else "-"
            at = self._ask("Coordinates; about 1 km will do (- for none)", before, _lat_lon_or_none)
            if at is not None and speed_kmh is None:
                usual = known.speed_kmh if known else USUAL_SPEED_KMH
                speed_kmh = self._ask("Your usual speed in km/h", f"{usual:g}", read_speed)
        if at is None:
            forget_home(self.duskbell)
            click.echo("  None is known: a drive of 90 minutes is reckoned with where none is given.")
            return
        if speed_kmh is None:
            speed_kmh = known.speed_kmh if known else USUAL_SPEED_KMH
        kept = keep_home(self.duskbell, Home(*at, speed_kmh))
        click.echo(f"  {home_words(kept, standing.places)}")
        self._doubt_the_way(kept)

    def _doubt_the_way(self, home: Home) -> None:
        """Said where the first place is far from home; which of the two is wrong only its owner knows."""
        from service.places import doubts

        site = self.standing.places[0].site
        doubt = doubts(site.lat_deg, site.lon_deg, home)
        if doubt is not None and doubt.away_km is not None:
            click.echo(f"  {doubt.text} If home or place is wrong, run duskbell setup again.")

    def ring(self) -> None:
        """Where it rings: by what the options name, by what is set already, or as is answered."""
        standing = self.standing
        self._head("Where it rings")
        if self.answers.names_a_bell:
            self._ring_as_given()
            return
        if standing.bells and not self._asks_anew:
            click.echo(f"  {', '.join(standing.bells)}")
            if self.answers.mail and not standing.mail_is_confirmed:
                if standing.relay is not None:
                    self._ring_by_mail(standing.relay)
                else:
                    self._only_here()
            return
        if standing.relay is not None and not standing.bells:
            click.echo(f"  Mail goes through {standing.relay.host}{self._fixed_words('smtp_host')}.")
            self._ring_by_mail(standing.relay)
            return
        if standing.bells:
            click.echo(f"  Now: {', '.join(standing.bells)}")
        click.echo(
            "  [m]ail through a relay, a [p]ush service, a group [c]hat, or only [h]ere: on the pages,"
        )
        click.echo("  with mails as files in the outbox folder.")
        chosen = self._choose("Where", "mpch", default="" if standing.bells else "m")
        while chosen:
            {"m": self._ask_mail, "p": self._ask_push, "c": self._ask_chat, "h": self._only_here}[chosen]()
            if self.standing.bells:
                click.echo("  Anywhere else too? [m]ail, [p]ush, [c]hat; enter: no.")
                chosen = self._choose("Where", "mpc", default="")
            else:
                chosen = self._choose("Where then, [m], [p], [c] or [h]", "mpch", default="m")

    def end(self) -> None:
        """The next nights, what is missing, and the way in."""
        from service.seasonal import season_table
        from service.setup.ending import fleet_note, next_nights, still_missing, way_in, why_none

        standing = self.standing
        if standing.places:
            place = standing.places[0]
            found = next_nights(self.duskbell, place)
            first = found.nights[0].name if found.nights else found.first
            year = f", in {first.year}" if first.year != found.first.year else ""
            self._head(f"The next nights worth it at {place.site.name}, from the sky alone{year}")
            lines = season_table(found, found.nights) if found.nights else why_none(self.duskbell, found)
            for line in filter(None, lines):
                click.echo(f"  {line}")
        self._head("What is still missing")
        kept = [f"Kept, though its try went wrong: {text}" for text in self.unwell]
        for line in [*kept, *still_missing(self.duskbell)] or ["Nothing: it can ring."]:
            click.echo(f"  {line}")
        if self.asks:
            self._head("Sign in with your phone, once duskbell serve runs")
            way = way_in(self.duskbell)
            if way.unreachable:
                click.echo(f"  {way.unreachable}")
            click.echo(_qr(way.link))
            click.echo(f"  {way.link}")
            click.echo("  It works once, for 15 minutes; `duskbell link` prints another one.")
        if note := fleet_note(self.duskbell):
            click.echo(note)
        click.echo("Next: duskbell serve")

    # a place

    def _kept_place(self) -> StoredSite:
        from service.setup.steps import find_place, keep_place, place_at

        places, given = self.standing.places, self.answers
        if given.place is None and given.at is None:
            if places and not self._asks_anew:
                return places[0]
            return self._ask_place(places[0] if places else None)
        if given.place is None:
            named = places[0].site.name if len(places) == 1 else ""
            given = replace(given, place=named or self._ask("Its name", "", str.strip))
        assert given.place is not None
        known = find_place(places, given.place)
        if known is None and given.at is None:
            at = self._ask("Coordinates", "", _lat_lon)
        else:
            at = given.at or (known.site.lat_deg, known.site.lon_deg)  # type: ignore[union-attr]
        if given.at is not None:
            at = self._settled(at)
        elevation_m = given.elevation_m
        if elevation_m is None and known is not None and known.elevation_known:
            elevation_m = known.site.elevation_m
        site = place_at(given.place, at, elevation_m, known.site if known else None)
        return keep_place(self.duskbell, site, elevation_known=elevation_m is not None)

    def _ask_place(self, known: StoredSite | None) -> StoredSite:
        from service.setup.steps import find_place, keep_place, place_at, read_elevation

        while True:
            name = self._ask("Its name", known.site.name if known else "", _name)
            known = find_place(self.standing.places, name)
            before = f"{known.site.lat_deg:.6g}, {known.site.lon_deg:.7g}" if known else ""
            at = self._ask("Coordinates, as you have them, latitude first", before, _lat_lon)
            if not (known and at == (known.site.lat_deg, known.site.lon_deg)):
                at = self._settled(at)
            height = f"{known.site.elevation_m:g}" if known and known.elevation_known else ""
            elevation_m = self._ask(
                "Metres above sea level (- if you don't know)", height or "-", read_elevation
            )
            try:
                site = place_at(name, at, elevation_m, known.site if known else None)
            except BadInput as refusal:
                click.echo(f"  {refusal}")
                continue
            return keep_place(self.duskbell, site, elevation_known=elevation_m is not None)

    def _settled(self, at: tuple[float, float]) -> tuple[float, float]:
        """Those coordinates, or the ones meant instead, as answered where they look like a slip."""
        from service.places import doubts

        home = self.standing.home
        while (doubt := None if self.answers.is_sure else doubts(*at, home)) is not None:
            if not self.asks:
                raise click.UsageError(f"{doubt.text} Say --yes if that is the place.")
            click.echo(f"  {doubt.text}")
            if doubt.swapped is not None and self._confirm("Take that instead", default=True):
                return doubt.swapped
            if self._confirm("Is it the place as you wrote it", default=False):
                return at
            at = self._ask("Coordinates", "", _lat_lon)
        return at

    # the feeds' terms

    def _ask_terms(self, now: Terms, *, answered: bool) -> Terms:
        from service.setup.steps import DECLARATION, WITHOUT_OPEN_METEO, Terms

        click.echo(f"  {DECLARATION}")
        default = now.noncommercial or not answered
        if self._confirm("Is that so here", default=default):
            return Terms(True, now.key)
        stays = " [a key is set; enter keeps it]" if now.key else " (enter: none)"
        key = self._ask_hidden(f"Its key for customers{stays}") or now.key
        if not key:
            click.echo(f"  {WITHOUT_OPEN_METEO}")
        return Terms(False, key)

    @property
    def _terms_fixed(self) -> str:
        return self._fixed_words("open_meteo_noncommercial") or self._fixed_words("open_meteo_key")

    # the bells

    def _ring_as_given(self) -> None:
        from service.setup.steps import add_chat, keep_push

        given = self.answers
        if given.relay.get("host"):
            self._ring_by_mail(self._relay_of(given.relay))
        if given.push:
            self._ring_by_push(given.push_name, given.push, lambda: keep_push(
                self.duskbell, given.push_name, given.push
            ))  # fmt: skip
        if given.chat:
            self._ring_by_chat(add_chat(self.duskbell, *given.chat, given.chat_token))
        if given.only_here:
            self._only_here()

    def _relay_of(self, named: dict[str, Any]) -> Relay:
        """The relay that the options name; what they leave out is as it is, or as is usual."""
        from service.setup.steps import Relay, check_relay

        standing = self.standing
        usual: dict[str, Any] = {"port": 587, "security": "starttls", "user": "", "password": ""}
        usual["sender"] = standing.mail
        if standing.relay is not None and standing.relay.host == named["host"]:
            usual = {name: getattr(standing.relay, name) for name in (*usual, "sender")}
        return check_relay(Relay(**{**usual, **named}))

    def _ask_mail(self) -> None:
        self._ring_by_mail(self._ask_relay(self.standing.relay))

    def _ask_relay(self, now: Relay | None) -> Relay:
        from service.setup.steps import Relay, check_relay

        while True:
            host = self._ask_part("smtp_host", "The relay's name", now.host if now else "", str.strip)
            port = self._ask_part("smtp_port", "Port", now.port if now else 587, _port)
            usual = "tls" if port == 465 else "starttls"
            security = self._ask_part(
                "smtp_security",
                "Secured by (starttls, tls or none)",
                now.security if now else usual,
                _one_of("starttls", "tls", "none"),
            )
            user = self._ask_part(
                "smtp_user", "User there (- for none)", (now.user if now else "") or "-", _dash
            )
            password = self._ask_password(now, user)
            sender_now = now.sender if now else self.standing.mail
            sender = self._ask_part("mail_from", "Sender of all mail", sender_now, _sender)
            try:
                return check_relay(Relay(host, port, security, user, password, sender))
            except BadInput as refusal:
                click.echo(f"  {refusal}")

    def _ask_password(self, now: Relay | None, user: str) -> str:
        if self._is_fixed("smtp_password"):
            secret = self.duskbell.settings.smtp_password
            return secret.get_secret_value() if secret else ""
        if not user:
            return ""
        before = now.password if now and now.user == user else ""
        stays = " [enter keeps it]" if before else ""
        return self._ask_hidden(f"Password there, not shown{stays}") or before

    def _ring_by_mail(self, relay: Relay) -> None:
        """Through that relay to the operator's own address: tried, kept, and confirmed by its reader."""
        from service.setup.steps import keep_relay
        from service.setup.tries import try_mail

        mail_id = self.standing.mail_id
        assert mail_id is not None, "who has run before"
        is_confirmed = False
        while self.tries:
            click.echo(f"  Sending a test to {self.standing.mail} through {relay.host} …")
            tried = try_mail(self.duskbell, mail_id, relay)
            if tried.is_well:
                keep_relay(self.duskbell, relay)
                is_confirmed, tried = self._by_code(mail_id, tried)
                if is_confirmed:
                    break
            choice = self._settle(tried, "[k]eep it, send [a]gain, or [c]hange the relay", "kac")
            if choice == "k":
                break
            if choice == "c":
                relay = self._ask_relay(relay)
        keep_relay(self.duskbell, relay)
        self._tell(mail_id, vouched=not is_confirmed)

    def _ask_push(self) -> None:
        from service.setup.steps import PUSH_NAME, keep_push

        name = self._ask("What to call it", PUSH_NAME, _name)
        click.echo("  Its address in apprise's form, such as SERVICE://TOKEN; it isn't shown.")
        url = self._ask_hidden("Address")
        try:
            self._ring_by_push(name, url, lambda: keep_push(self.duskbell, name, url))
        except BadInput as refusal:
            click.echo(f"  {refusal}")

    def _ring_by_push(self, name: str, url: str, keep: Callable[[], None]) -> None:
        from service.setup.steps import add_push
        from service.setup.tries import try_push

        number = add_push(self.duskbell, name, url)
        self._ring_by(number, lambda: try_push(self.duskbell, number, name, url), keep)

    def _ask_chat(self) -> None:
        from service.channels.chat import CHAT_FORMS
        from service.setup.steps import add_chat

        for form_name, chat_form in CHAT_FORMS.items():
            click.echo(f"  {form_name:<9} {chat_form.hint}")
        form = self._ask("Which of these", "text", _one_of(*CHAT_FORMS))
        url = self._ask("Its address", "", str.strip)
        token = self._ask_hidden("Access token") if CHAT_FORMS[form].needs_token else ""
        try:
            self._ring_by_chat(add_chat(self.duskbell, form, url, token))
        except BadInput as refusal:
            click.echo(f"  {refusal}")

    def _ring_by_chat(self, number: int) -> None:
        from service.setup.tries import try_chat

        self._ring_by(number, lambda: try_chat(self.duskbell, number), lambda: None)

    def _ring_by(self, number: int, send: Callable[[], Tried], keep: Callable[[], None]) -> None:
        """A receiver: tried until its reader has the code, or it is kept or left as it is."""
        is_confirmed = False
        while self.tries:
            click.echo("  Sending a test there …")
            tried = send()
            if tried.is_well:
                is_confirmed, tried = self._by_code(number, tried)
            choice = "k" if is_confirmed else self._settle(
                tried, "[k]eep it, send [a]gain, or [l]eave it out", "kal"
            )  # fmt: skip
            if choice == "l":
                return
            if choice == "k":
                break
        keep()
        self._tell(number, vouched=not is_confirmed)

    def _only_here(self) -> None:
        """Mails become files in the outbox folder, which the pages show."""
        from service.setup.steps import keep_settings
        from service.setup.tries import try_mail

        mail_id = self.standing.mail_id
        assert mail_id is not None, "who has run before"
        if self.duskbell.settings.smtp_host:
            keep_settings(self.duskbell, {"smtp_host": None})
        if self.tries:
            tried = try_mail(self.duskbell, mail_id, None)
            click.echo(f"  {tried.text}" + (f" {tried.mend}" if tried.mend else ""))
            self.unwell += [] if tried.is_well else [tried.text]
        self._tell(mail_id, vouched=True)

    def _by_code(self, number: int, tried: Tried) -> tuple[bool, Tried]:
        """Whether its reader has confirmed it; else what there is to say of the try."""
        from service.registration import confirm_by_code

        if not tried.needs_code:
            click.echo(f"  {tried.text}")
            return True, tried
        if not self.asks:
            words = "The test message was taken; look whether it arrived. It is used on your word."
            return False, replace(tried, text=words)
        click.echo("  It was taken. Read the code in it.")
        for _ in range(MOST_TRIES_OF_A_CODE):
            code = click.prompt("  Code (enter: nothing came)", default="", show_default=False).strip()
            if not code:
                break
            with self.duskbell.sessions.begin() as session:
                right = confirm_by_code(session, number, code.lower(), self.duskbell.clock())
            if right:
                click.echo("  Confirmed.")
                return True, tried
            click.echo("  That isn't the code.")
        mend = "Look into the junk folder, and whether the address is right; or keep it on your word."
        return False, replace(tried, is_well=False, text="Nobody has confirmed it.", mend=mend)

    def _tell(self, number: int, *, vouched: bool) -> None:
        from service.setup.steps import ring_at

        for name in ring_at(self.duskbell, number, vouched=vouched):
            click.echo(f"  It rings there for {name}, by the usual wishes.")

    # asking

    @property
    def _asks_anew(self) -> bool:
        return self.asks and self.again

    def _is_fixed(self, name: str) -> bool:
        return name in self.standing.fixed

    def _fixed_words(self, name: str) -> str:
        from service.setup.settings_file import variable

        return f" (set by {variable(name)}; setup can't change that)" if self._is_fixed(name) else ""

    def _head(self, words: str) -> None:
        click.echo(f"\n{words}")

    def _ask(self, prompt: str, default: object, read: Callable[[str], T]) -> T:
        """Asked until it can be read; what is refused is said."""
        while True:
            shown = None if default == "" else default
            typed = str(click.prompt(f"  {prompt}", default=shown)).strip()
            try:
                return read(typed)
            except BadInput as refusal:
                click.echo(f"  {refusal}")

    def _ask_part(self, name: str, prompt: str, default: object, read: Callable[[str], T]) -> T:
        """Asked, unless the environment holds that setting."""
        if self._is_fixed(name):
            return read(str(default))
        return self._ask(prompt, default, read)

    def _ask_hidden(self, prompt: str) -> str:
        return str(click.prompt(f"  {prompt}", default="", show_default=False, hide_input=True)).strip()

    def _confirm(self, prompt: str, *, default: bool) -> bool:
        return click.confirm(f"  {prompt}", default=default)

    def _choose(self, prompt: str, letters: str, default: str) -> str:
        """One of the letters, or "" for enter where nothing is the default."""
        while True:
            typed = str(click.prompt(f"  {prompt}", default=default, show_default=bool(default))).strip()
            letter = typed[:1].lower()
            if letter in letters:
                return letter
            click.echo(f"  {typed!r} isn't one of them: {', '.join(letters)}.")

    def _settle(self, tried: Tried, offer: str, letters: str) -> str:
        """What is done about a try: the first letter, "keep", where it went well or nobody can be asked."""
        click.echo(f"  {tried.text}")
        if tried.mend:
            click.echo(f"  {tried.mend}")
        if tried.is_well:
            return letters[0]
        if not self.asks:
            self.unwell.append(tried.text)
            return letters[0]
        choice = self._choose(offer, letters, letters[1])
        self.unwell += [tried.text] if choice == letters[0] else []
        return choice


def missing_options(standing: Standing, answers: Answers) -> Iterator[str]:
    """Options without which nothing could ring, where nobody can be asked."""
    if not (answers.mail or standing.mail):
        yield "--mail"
    if not (answers.contact or standing.settings.contact):
        yield "--contact"
    if not (answers.terms or standing.terms_answered):
        yield "--noncommercial, --commercial-key or --without-open-meteo"
    if not standing.places or answers.place or answers.at:
        from service.setup.steps import find_place

        known = find_place(standing.places, answers.place or "")
        if not answers.place and len(standing.places) != 1:
            yield "--place"
        if answers.at is None and known is None:
            yield "--at"
    if not (answers.names_a_bell or standing.bells or standing.relay):
        yield "--smtp-host, --push, --chat or --only-here"
    if answers.relay.get("user") and not (answers.relay.get("password") or standing.settings.smtp_password):
        yield "--smtp-password-file"


def _terms_words(terms: Terms) -> str:
    if terms.key:
        return "Open-Meteo is asked with your key."
    return "Open-Meteo: non-commercial use is declared." if terms.noncommercial else "Open-Meteo isn't asked."


def _qr(link: str) -> str:
    """The link for a phone's camera, in half blocks."""
    import io

    import segno

    out = io.StringIO()
    segno.make(link, micro=False).terminal(out, border=2, compact=True)
    return out.getvalue().rstrip("\n")


def _lat_lon(typed: str) -> tuple[float, float]:
    from alerts.coordinates import parse_lat_lon

    return parse_lat_lon(typed)


def _lat_lon_or_none(typed: str) -> tuple[float, float] | None:
    return None if typed == "-" else _lat_lon(typed)


def _name(typed: str) -> str:
    from alerts.naming import clean_name

    return clean_name(typed)


def _port(typed: str) -> int:
    if not (typed.isascii() and typed.isdigit() and 1 <= int(typed) <= 65535):
        raise BadInput(f"{typed!r} is no port; write a number such as 587.")
    return int(typed)


def _dash(typed: str) -> str:
    return "" if typed == "-" else typed


def _sender(typed: str) -> str:
    from service.channels.mailbuilding import sender_address

    sender_address(typed)
    return typed


def _one_of(*words: str) -> Callable[[str], Any]:
    def read(typed: str) -> str:
        if typed not in words:
            raise BadInput(f"{typed!r} isn't one of them: {', '.join(words)}.")
        return typed

    return read
