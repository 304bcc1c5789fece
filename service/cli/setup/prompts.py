"""Asking in a terminal: a question again until it can be read, and what is typed made into values."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from alerts.common.errors import BadInput
from alerts.sites.coordinates import parse_lat_lon
from alerts.sites.names import clean_name
from service.app import Duskbell
from service.channels.email_message import sender_address
from service.cli.setup.given_answers import Answers
from service.setup.settings_file import variable
from service.setup.steps import Standing, look
from service.setup.tries import Tried

T = TypeVar("T")


class Asking:
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
    def standing(self) -> Standing:
        return look(self.duskbell)

    @property
    def _asks_anew(self) -> bool:
        return self.asks and self.again

    def _is_fixed(self, name: str) -> bool:
        return name in self.standing.fixed

    def _fixed_words(self, name: str) -> str:
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

    def _confirm(self, prompt: str, *, default: bool | None) -> bool:
        """default: of enter; None where it must be said."""
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


def lat_lon(typed: str) -> tuple[float, float]:
    return parse_lat_lon(typed)


def lat_lon_or_none(typed: str) -> tuple[float, float] | None:
    return None if typed == "-" else lat_lon(typed)


def read_name(typed: str) -> str:
    return clean_name(typed)


def dash_for_none(typed: str) -> str:
    return "" if typed == "-" else typed


def read_sender(typed: str) -> str:
    sender_address(typed)
    return typed


def one_of(*words: str) -> Callable[[str], Any]:
    def read(typed: str) -> str:
        if typed not in words:
            raise BadInput(f"{typed!r} isn't one of them: {', '.join(words)}.")
        return typed

    return read
