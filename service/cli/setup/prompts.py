"""What setup is told: by its options, or in a terminal, a question again until it can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any, TextIO, TypeVar

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase, say
from alerts.sites.coordinates import parse_lat_lon
from service.app import Duskbell
from service.channels.email_message import sender_address
from service.setup.settings_file import variable
from service.setup.steps import PUSH_NAME, OpenMeteoTerms, SetupState, find_place, look
from service.setup.tries import Tried

T = TypeVar("T")


class Prompts:
    """What all steps share.

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

    @property
    def standing(self) -> SetupState:
        return look(self.duskbell)

    @property
    def asks_anew(self) -> bool:
        return self.asks and self.again

    def is_fixed(self, name: str) -> bool:
        return name in self.standing.fixed

    def fixed_words(self, name: str) -> str:
        return say("cli-setup.fixed", variable=variable(name)) if self.is_fixed(name) else ""

    def head(self, words: str) -> None:
        click.echo(f"\n{words}")

    def ask(self, prompt: str, default: object, read: Callable[[str], T]) -> T:
        """Asked until it can be read; what is refused is said."""
        while True:
            shown = None if default == "" else default
            typed = str(click.prompt(f"  {prompt}", default=shown)).strip()
            try:
                return read(typed)
            except BadInput as refusal:
                click.echo(f"  {refusal}")

    def ask_part(self, name: str, prompt: str, default: object, read: Callable[[str], T]) -> T:
        """Asked, unless the environment holds that setting."""
        if self.is_fixed(name):
            return read(str(default))
        return self.ask(prompt, default, read)

    def ask_hidden(self, prompt: str) -> str:
        return str(click.prompt(f"  {prompt}", default="", show_default=False, hide_input=True)).strip()

    def choose(self, prompt: str, letters: str, default: str) -> str:
        """One of the letters, or "" for enter where nothing is the default."""
        while True:
            typed = str(click.prompt(f"  {prompt}", default=default, show_default=bool(default))).strip()
            letter = typed[:1].lower()
            if letter in letters:
                return letter
            click.echo(say("cli-setup.not-a-letter", typed=typed, letters=", ".join(letters)))

    def settle(self, tried: Tried, offer: str, letters: str) -> str:
        """What is done about a try: the first letter, "keep", where it went well or nobody can be asked."""
        click.echo(f"  {tried.text}")
        if tried.mend:
            click.echo(f"  {tried.mend}")
        if tried.is_well:
            return letters[0]
        if not self.asks:
            self.unwell.append(tried.text)
            return letters[0]
        choice = self.choose(offer, letters, letters[1])
        self.unwell += [tried.text] if choice == letters[0] else []
        return choice


def lat_lon_or_none(typed: str) -> tuple[float, float] | None:
    return None if typed == "-" else parse_lat_lon(typed)


def dash_for_none(typed: str) -> str:
    return "" if typed == "-" else typed


def read_sender(typed: str) -> str:
    sender_address(typed)
    return typed


def one_of(*words: str) -> Callable[[str], Any]:
    def read(typed: str) -> str:
        if typed not in words:
            raise BadInput(phrase("cli-setup.not-one-of", typed=typed, words=words))
        return typed

    return read


@dataclass(frozen=True)
class Answers:
    """What was answered by options; None or "" where nothing was."""

    mail: str | None
    contact: str | None
    terms: OpenMeteoTerms | None
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


def read_answers(given: dict[str, Any]) -> Answers:
    key = _secret(given["key_file"], "--commercial-key")
    ways = [given["noncommercial"], bool(key), given["without_open_meteo"]]
    if sum(ways) > 1:
        raise click.UsageError(say("cli-setup.terms-exclusive"))
    if given["only_here"] and given["smtp_host"]:
        raise click.UsageError(say("cli-setup.bells-exclusive"))
    relay = {
        "host": given["smtp_host"],
        "port": given["smtp_port"],
        "security": given["smtp_security"],
        "user": given["smtp_user"],
        "password": _secret(given["smtp_password_file"], "--smtp-password-file") or None,
        "sender": given["mail_from"],
    }
    as_given = {each.name: given[each.name] for each in fields(Answers) if each.name in given}
    as_given["push_name"] = given["push_name"] or PUSH_NAME
    return Answers(
        **as_given,
        terms=OpenMeteoTerms(given["noncommercial"], key) if any(ways) else None,
        relay={name: value for name, value in relay.items() if value is not None},
        push=_secret(given["push_file"], "--push"),
        chat_token=_secret(given["chat_token_file"], "--chat-token-file"),
    )


def _secret(file: TextIO | None, option: str) -> str:
    if file is None:
        return ""
    text = file.read().strip("\r\n")
    if not text.strip() or "\n" in text:
        raise click.UsageError(say("cli-setup.one-line-file", option=option))
    return text


def missing_options(standing: SetupState, answers: Answers) -> Iterator[str]:
    """Options without which nothing could ring, where nobody can be asked."""
    if not (answers.mail or standing.mail):
        yield "--mail"
    if not (answers.contact or standing.settings.contact):
        yield "--contact"
    if not (answers.terms or standing.terms_answered):
        yield "--noncommercial, --commercial-key or --without-open-meteo"
    if not standing.places or answers.place or answers.at:
        known = find_place(standing.places, answers.place or "")
        if not answers.place and len(standing.places) != 1:
            yield "--place"
        if answers.at is None and known is None:
            yield "--at"
    if not (answers.names_a_bell or standing.bells or standing.relay):
        yield "--smtp-host, --push, --chat or --only-here"
    if answers.relay.get("user") and not (answers.relay.get("password") or standing.settings.smtp_password):
        yield "--smtp-password-file"
