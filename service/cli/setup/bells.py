"""The step of `duskbell setup` that says where it rings: by mail, a push service, a chat, or only here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import click

from alerts.common.errors import BadInput
from alerts.common.phrases import say
from alerts.sites.model import clean_name
from service.accounts.receivers import confirm_by_code
from service.channels.chat import CHAT_FORMS
from service.cli.setup.prompts import Prompts, dash_for_none, one_of, read_sender
from service.setup.steps import (
    PUSH_NAME,
    Relay,
    add_chat,
    add_push,
    check_relay,
    keep_push,
    keep_relay,
    keep_settings,
    read_port,
    ring_at,
)
from service.setup.tries import Tried, try_chat, try_mail, try_push

MOST_TRIES_OF_A_CODE = 3


class Bells(Prompts):
    """Each bell is tried, kept, and confirmed by its reader or taken on one's word."""

    def ring(self) -> None:
        """Where it rings: by what the options name, by what is set already, or as is answered."""
        standing = self.standing
        self.head(say("cli-setup.head-bells"))
        if self.answers.names_a_bell:
            self._ring_as_given()
            return
        if standing.bells and not self.asks_anew:
            click.echo(f"  {', '.join(standing.bells)}")
            if self.answers.mail and not standing.mail_is_confirmed:
                if standing.relay is not None:
                    self._ring_by_mail(standing.relay)
                else:
                    self._only_here()
            return
        if standing.relay is not None and not standing.bells:
            fixed = self.fixed_words("smtp_host")
            click.echo(say("cli-setup.mail-through", host=standing.relay.host, fixed_words=fixed))
            self._ring_by_mail(standing.relay)
            return
        if standing.bells:
            click.echo(say("cli-setup.bells-now", bells=standing.bells))
        click.echo(say("cli-setup.bell-choices"))
        chosen = self.choose(say("cli-setup.ask-where"), "mpch", default="" if standing.bells else "m")
        while chosen:
            {"m": self._ask_mail, "p": self._ask_push, "c": self._ask_chat, "h": self._only_here}[chosen]()
            if self.standing.bells:
                click.echo(say("cli-setup.ask-another-bell"))
                chosen = self.choose(say("cli-setup.ask-where"), "mpc", default="")
            else:
                chosen = self.choose(say("cli-setup.ask-where-then"), "mpch", default="m")

    def _ring_as_given(self) -> None:
        given = self.answers
        if given.relay.get("host"):
            # what the options leave out of a relay is as it is, or as is usual
            known = self.standing.relay
            usual: dict[str, Any] = {"port": 587, "security": "starttls", "user": "", "password": ""}
            usual["sender"] = self.standing.mail
            if known is not None and known.host == given.relay["host"]:
                usual = {name: getattr(known, name) for name in usual}
            self._ring_by_mail(check_relay(Relay(**{**usual, **given.relay})))
        if given.push:
            self._ring_by_push(given.push_name, given.push)
        if given.chat:
            self._ring_by_chat(add_chat(self.duskbell, *given.chat, given.chat_token))
        if given.only_here:
            self._only_here()

    def _ask_mail(self) -> None:
        self._ring_by_mail(self._ask_relay(self.standing.relay))

    def _ask_relay(self, now: Relay | None) -> Relay:
        while True:
            host = self.ask_part("smtp_host", say("cli-setup.ask-relay"), now.host if now else "", str.strip)
            port = self.ask_part("smtp_port", "Port", now.port if now else 587, read_port)
            usual = "tls" if port == 465 else "starttls"
            security = self.ask_part(
                "smtp_security",
                say("cli-setup.ask-security"),
                now.security if now else usual,
                one_of("starttls", "tls", "none"),
            )
            user = self.ask_part(
                "smtp_user", say("cli-setup.ask-user"), (now.user if now else "") or "-", dash_for_none
            )
            password = self._ask_password(now, user)
            sender_now = now.sender if now else self.standing.mail
            sender = self.ask_part("mail_from", say("cli-setup.ask-sender"), sender_now, read_sender)
            try:
                return check_relay(Relay(host, port, security, user, password, sender))
            except BadInput as refusal:
                click.echo(f"  {refusal}")

    def _ask_password(self, now: Relay | None, user: str) -> str:
        if self.is_fixed("smtp_password"):
            secret = self.duskbell.settings.smtp_password
            return secret.get_secret_value() if secret else ""
        if not user:
            return ""
        before = now.password if now and now.user == user else ""
        return self.ask_hidden(say("cli-setup.ask-password", is_set=bool(before))) or before

    def _ring_by_mail(self, relay: Relay) -> None:
        """Through that relay to the operator's own address: tried, kept, and confirmed by its reader."""
        mail_id = self.standing.mail_id
        assert mail_id is not None, "who has run before"
        is_confirmed = False
        while self.tries:
            click.echo(say("cli-setup.sending-mail", mail=self.standing.mail, host=relay.host))
            tried = try_mail(self.duskbell, mail_id, relay)
            if tried.is_well:
                keep_relay(self.duskbell, relay)
                is_confirmed, tried = self._by_code(mail_id, tried)
                if is_confirmed:
                    break
            choice = self.settle(tried, say("cli-setup.ask-mail-failed"), "kac")
            if choice == "k":
                break
            if choice == "c":
                relay = self._ask_relay(relay)
        keep_relay(self.duskbell, relay)
        self._tell(mail_id, vouched=not is_confirmed)

    def _ask_push(self) -> None:
        name = self.ask(say("cli-setup.push-name"), PUSH_NAME, clean_name)
        click.echo(say("cli-setup.push-form"))
        url = self.ask_hidden(say("cli-setup.ask-push-address"))
        try:
            self._ring_by_push(name, url)
        except BadInput as refusal:
            click.echo(f"  {refusal}")

    def _ring_by_push(self, name: str, url: str) -> None:
        number = add_push(self.duskbell, name, url)
        self._ring_by(
            number,
            lambda: try_push(self.duskbell, number, name, url),
            lambda: keep_push(self.duskbell, name, url),
        )

    def _ask_chat(self) -> None:
        for form_name, chat_form in CHAT_FORMS.items():
            click.echo(f"  {form_name:<9} {chat_form.hint}")
        form = self.ask(say("cli-setup.ask-which"), "text", one_of(*CHAT_FORMS))
        url = self.ask(say("cli-setup.ask-chat-address"), "", str.strip)
        token = self.ask_hidden(say("cli-setup.ask-chat-token")) if CHAT_FORMS[form].needs_token else ""
        try:
            self._ring_by_chat(add_chat(self.duskbell, form, url, token))
        except BadInput as refusal:
            click.echo(f"  {refusal}")

    def _ring_by_chat(self, number: int) -> None:
        self._ring_by(number, lambda: try_chat(self.duskbell, number), lambda: None)

    def _ring_by(self, number: int, send: Callable[[], Tried], keep: Callable[[], None]) -> None:
        """A receiver: tried until its reader has the code, or it is kept or left as it is."""
        is_confirmed = False
        while self.tries:
            click.echo(say("cli-setup.sending-test"))
            tried = send()
            if tried.is_well:
                is_confirmed, tried = self._by_code(number, tried)
            offer = say("cli-setup.ask-test-failed")
            choice = "k" if is_confirmed else self.settle(tried, offer, "kal")
            if choice == "l":
                return
            if choice == "k":
                break
        keep()
        self._tell(number, vouched=not is_confirmed)

    def _only_here(self) -> None:
        """Mails become files in the outbox folder, which the pages show."""
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
        if not tried.needs_code:
            click.echo(f"  {tried.text}")
            return True, tried
        if not self.asks:
            return False, replace(tried, text=say("cli-setup.test-taken"))
        click.echo(say("cli-setup.test-has-code"))
        for _ in range(MOST_TRIES_OF_A_CODE):
            code = click.prompt(say("cli-setup.ask-code"), default="", show_default=False).strip()
            if not code:
                break
            with self.duskbell.sessions.begin() as session:
                right = confirm_by_code(session, number, code.lower(), self.duskbell.clock())
            if right:
                click.echo(say("cli-setup.confirmed"))
                return True, tried
            click.echo(say("cli-setup.code-wrong"))
        mend = say("cli-setup.mail-junk")
        return False, replace(tried, is_well=False, text=say("cli-setup.unconfirmed"), mend=mend)

    def _tell(self, number: int, *, vouched: bool) -> None:
        for name in ring_at(self.duskbell, number, vouched=vouched):
            click.echo(say("cli-setup.rings-there", name=name))
