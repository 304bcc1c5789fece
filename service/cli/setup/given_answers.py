"""What `duskbell setup` is told by its options, and which of them are missing where nobody can be asked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TextIO

import click

from service.setup.steps import PUSH_NAME, Standing, Terms, find_place


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


def read_answers(given: dict[str, Any]) -> Answers:
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


def missing_options(standing: Standing, answers: Answers) -> Iterator[str]:
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
