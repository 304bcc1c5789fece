"""`duskbell setup`: from nothing to a bell, step by step; run again, it changes the answers."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from typing import Any

import click
import segno

from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.field.trip_plan import USUAL_SPEED_KMH, Home
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.model import clean_name
from service.app import build
from service.channels.email_message import check_mail_address
from service.cli.options import LAT_LON, ask_about
from service.cli.setup.bells import Bells
from service.cli.setup.prompts import lat_lon_or_none, missing_options, read_answers
from service.common.timezones import doubts
from service.reports.season_report import season_table
from service.setup.ending import fleet_note, next_nights, still_missing, way_in, why_none
from service.setup.steps import (
    OpenMeteoTerms,
    check_contact,
    find_place,
    home_words,
    keep_feeds,
    keep_home,
    keep_mail,
    keep_place,
    place_at,
    place_words,
    read_elevation,
    read_speed,
    terms_of,
)
from service.setup.tries import try_feeds
from service.store.engine import require_writable
from service.store.repositories.sites import StoredSite

SECURITIES = click.Choice(["starttls", "tls", "none"])


@click.command(help=say("cli-setup.about"))
@click.option("--mail", metavar="ADDRESS", help=say("cli-setup.help-mail"))
@click.option("--contact", help=say("cli-setup.help-contact"))
@click.option("--noncommercial", is_flag=True, help=say("cli-setup.help-noncommercial"))
@click.option("--commercial-key", "key_file", type=click.File("r"), help=say("cli-setup.help-commercial-key"))
@click.option("--without-open-meteo", is_flag=True, help=say("cli-setup.help-without-open-meteo"))
@click.option("--place", metavar="NAME", help=say("cli-setup.help-place"))
@click.option("--at", type=LAT_LON, help=say("cli-setup.help-at"))
@click.option("--elevation", "elevation_m", type=float, help=say("cli-setup.help-elevation"))
@click.option("--yes", "is_sure", is_flag=True, help=say("cli-setup.help-yes"))
@click.option("--home", "home_at", type=LAT_LON, help=say("cli-setup.help-home"))
@click.option("--speed", "speed_kmh", type=float, metavar="KM/H", help=say("cli-setup.help-speed"))
@click.option("--smtp-host", help=say("cli-setup.help-smtp-host"))
@click.option("--smtp-port", type=click.IntRange(1, 65535), help=say("cli-setup.help-smtp-port"))
@click.option("--smtp-security", type=SECURITIES, help=say("cli-setup.help-smtp-security"))
@click.option("--smtp-user", help=say("cli-setup.help-smtp-user"))
@click.option("--smtp-password-file", type=click.File("r"), help=say("cli-setup.help-smtp-password-file"))
@click.option("--mail-from", help=say("cli-setup.help-mail-from"))
@click.option("--push", "push_file", type=click.File("r"), help=say("cli-setup.help-push"))
@click.option("--push-name", help=say("cli-setup.help-push-name"))
@click.option("--chat", nargs=2, metavar="FORM URL", help=say("cli-setup.help-chat"))
@click.option("--chat-token-file", type=click.File("r"), help=say("cli-setup.help-chat-token"))
@click.option("--only-here", is_flag=True, help=say("cli-setup.help-only-here"))
@click.option("--no-input", is_flag=True, help=say("cli-setup.help-no-input"))
@click.option("--no-try", is_flag=True, help=say("cli-setup.help-no-tries"))
def setup(*, no_input: bool, no_try: bool, **given: Any) -> None:
    answers = read_answers(given)
    duskbell = build()
    talk = Talk(duskbell, answers, asks=has_terminal() and not no_input, tries=not no_try)
    try:
        require_writable(duskbell.engine)
        talk.run()
    except (click.Abort, KeyboardInterrupt):
        click.echo(say("cli-setup.stopped"))
        raise click.exceptions.Exit(130) from None
    finally:
        duskbell.engine.dispose()
    if talk.unwell:
        raise click.exceptions.Exit(1)


def has_terminal() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()


class Talk(Bells):
    """All steps, each kept before the next."""

    def run(self) -> None:
        """All steps, each kept before the next, and what there is to say in the end."""
        standing = self.standing
        self.again = self.asks and not standing.missing
        if not self.asks and (missing := list(missing_options(standing, self.answers))):
            raise click.UsageError(say("cli-setup.missing", missing="; ".join(missing)))
        if self.asks:
            click.echo(say("cli-setup.how-to-answer"))
        self.who()
        self.feeds()
        self.place()
        self.home()
        self.ring()
        self.end()

    # the steps

    def who(self) -> None:
        """The operator's own mail address."""
        standing = self.standing
        self.head(say("cli-setup.head-you"))
        mail = self.answers.mail
        if mail is None and standing.mail and (self.is_fixed("operator_email") or not self.asks_anew):
            click.echo(f"  {standing.mail}{self.fixed_words('operator_email')}")
            mail = standing.mail if standing.mail_id is None else None
        elif mail is None:
            mail = self.ask(say("cli-setup.ask-mail"), standing.mail, check_mail_address)
        if mail is not None:
            keep_mail(self.duskbell, mail)
            if self.answers.mail is not None:
                click.echo(f"  {self.standing.mail}")
            if standing.mail_id is not None and self.standing.mail_id != standing.mail_id:
                click.echo(say("cli-setup.mail-stays", mail=standing.mail))
                click.echo(say("cli-setup.mail-end", mail_id=standing.mail_id))

    def feeds(self) -> None:
        """The contact that the feeds are told, and on what terms Open-Meteo is asked."""
        standing = self.standing
        settings = standing.settings
        self.head(say("cli-setup.head-feeds"))
        contact, terms = self.answers.contact, self.answers.terms
        if contact is None and settings.contact and (self.is_fixed("contact") or not self.asks_anew):
            fixed = self.fixed_words("contact")
            click.echo(say("cli-setup.contact-fixed", contact=settings.contact, fixed_words=fixed))
        elif contact is None:
            click.echo(say("cli-setup.contact-why"))
            contact = self.ask(say("cli-setup.ask-contact"), settings.contact or standing.mail, check_contact)
        if terms is None and standing.terms_answered and (self._terms_fixed or not self.asks_anew):
            click.echo(f"  {_terms_words(terms_of(settings))}{self._terms_fixed}")
        elif terms is None:
            terms = self._ask_terms(terms_of(settings), answered=standing.terms_answered)
        if contact is not None or terms is not None:
            keep_feeds(self.duskbell, contact or settings.contact, terms or terms_of(settings))
        now = self.duskbell.settings
        if self.answers.contact is not None:
            click.echo(say("cli-setup.contact", contact=now.contact))
        if self.answers.terms is not None:
            click.echo(f"  {_terms_words(terms_of(now))}")

    def place(self) -> None:
        """The first place; then the feeds are asked for it, until that goes well or is taken as it is."""
        self.head(say("cli-setup.head-place"))
        stored = self._kept_place()
        click.echo(f"  {place_words(stored)} ({stored.site.zone})")
        while self.tries:
            click.echo(say("cli-setup.asking-feeds", name=stored.site.name))
            tried = try_feeds(self.duskbell, stored)
            choice = self.settle(tried, say("cli-setup.ask-feeds-failed"), "kafp")
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
        standing, given = self.standing, self.answers
        known = standing.home
        self.head(say("cli-setup.head-home"))
        at, speed_kmh = given.home_at, given.speed_kmh
        if at is None and known is not None and (speed_kmh is not None or not self.asks_anew):
            at = known.lat_deg, known.lon_deg
        elif at is None and self.asks:
            before = f"{known.lat_deg:.2f}, {known.lon_deg:.2f}" if known else "-"
            at = self.ask(say("cli-setup.ask-home"), before, lat_lon_or_none)
            if at is not None and speed_kmh is None:
                usual = known.speed_kmh if known else USUAL_SPEED_KMH
                speed_kmh = self.ask(say("cli-setup.ask-speed"), f"{usual:g}", read_speed)
        if at is None:
            keep_home(self.duskbell, None)
            click.echo(say("cli-setup.home-unknown"))
            return
        if speed_kmh is None:
            speed_kmh = known.speed_kmh if known else USUAL_SPEED_KMH
        kept = Home(*at, speed_kmh).rounded
        keep_home(self.duskbell, kept)
        click.echo(f"  {home_words(kept, standing.places)}")
        # where the first place is far from home, only its owner knows which of the two is wrong
        site = self.standing.places[0].site
        doubt = doubts(site.lat_deg, site.lon_deg, kept)
        if doubt is not None and doubt.away_km is not None:
            click.echo(say("cli-setup.home-doubt", doubt=doubt.text))

    def end(self) -> None:
        """The next nights, what is missing, and the way in."""
        standing = self.standing
        if standing.places:
            place = standing.places[0]
            found = next_nights(self.duskbell, place)
            first = found.nights[0].name if found.nights else found.first
            year = f", in {first.year}" if first.year != found.first.year else ""
            self.head(say("cli-setup.head-nights", name=place.site.name, year=year))
            lines = season_table(found, found.nights) if found.nights else why_none(self.duskbell, found)
            for line in filter(None, lines):
                click.echo(f"  {line}")
        self.head(say("cli-setup.head-missing"))
        kept = [say("cli-setup.kept-unwell", text=text) for text in self.unwell]
        for line in [*kept, *still_missing(self.duskbell)] or [say("cli-setup.nothing-missing")]:
            click.echo(f"  {line}")
        if self.asks:
            self.head(say("cli-setup.head-phone"))
            way = way_in(self.duskbell)
            if way.unreachable:
                click.echo(f"  {way.unreachable}")
            code = io.StringIO()  # for a phone's camera, in half blocks
            segno.make(way.link, micro=False).terminal(code, border=2, compact=True)
            click.echo(code.getvalue().rstrip("\n"))
            click.echo(f"  {way.link}")
            click.echo(say("cli-setup.link-once"))
        if note := fleet_note(self.duskbell):
            click.echo(note)
        click.echo(say("cli-setup.next"))

    # a place

    def _kept_place(self) -> StoredSite:
        places, given = self.standing.places, self.answers
        if given.place is None and given.at is None:
            if places and not self.asks_anew:
                return places[0]
            return self._ask_place(places[0] if places else None)
        if given.place is None:
            named = places[0].site.name if len(places) == 1 else ""
            given = replace(given, place=named or self.ask(say("cli-setup.ask-place-name"), "", str.strip))
        assert given.place is not None
        known = find_place(places, given.place)
        if known is None and given.at is None:
            at = self.ask(say("cli-setup.ask-coordinates-again"), "", parse_lat_lon)
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
        while True:
            name = self.ask(say("cli-setup.ask-place-name"), known.site.name if known else "", clean_name)
            known = find_place(self.standing.places, name)
            before = f"{known.site.lat_deg:.6g}, {known.site.lon_deg:.7g}" if known else ""
            at = self.ask(say("cli-setup.ask-coordinates"), before, parse_lat_lon)
            if not (known and at == (known.site.lat_deg, known.site.lon_deg)):
                at = self._settled(at)
            height = f"{known.site.elevation_m:g}" if known and known.elevation_known else ""
            elevation_m = self.ask(say("cli-setup.ask-elevation"), height or "-", read_elevation)
            try:
                site = place_at(name, at, elevation_m, known.site if known else None)
            except BadInput as refusal:
                click.echo(f"  {refusal}")
                continue
            return keep_place(self.duskbell, site, elevation_known=elevation_m is not None)

    def _settled(self, at: tuple[float, float]) -> tuple[float, float]:
        """Those coordinates, or the ones meant instead, as answered where they look like a slip."""
        home = self.standing.home
        while (doubt := None if self.answers.is_sure else doubts(*at, home)) is not None:
            if not self.asks:
                raise click.UsageError(say("cli-setup.place-doubt", doubt=doubt.text))
            if (meant := ask_about(doubt, "  ")) is not None:
                return meant
            at = self.ask(say("cli-setup.ask-coordinates-again"), "", parse_lat_lon)
        return at

    # the feeds' terms

    def _ask_terms(self, now: OpenMeteoTerms, *, answered: bool) -> OpenMeteoTerms:
        click.echo(f"  {say('setup.declaration')}")
        if click.confirm(say("cli-setup.ask-noncommercial"), default=now.noncommercial if answered else None):
            return OpenMeteoTerms(True, now.key)
        key = self.ask_hidden(say("cli-setup.ask-key", is_set=bool(now.key))) or now.key
        if not key:
            click.echo(f"  {say('setup.without-open-meteo')}")
        return OpenMeteoTerms(False, key)

    @property
    def _terms_fixed(self) -> str:
        return self.fixed_words("open_meteo_noncommercial") or self.fixed_words("open_meteo_key")


def _terms_words(terms: OpenMeteoTerms) -> str:
    if terms.key:
        return say("cli-setup.terms-key")
    return say("cli-setup.terms-noncommercial") if terms.noncommercial else say("cli-setup.terms-none")
