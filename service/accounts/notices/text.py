"""What each notice says, as plain values made from plain facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.store.repositories.messages import NoticeKind

Facts = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Notice:
    """link: an address to open, with its label; the last paragraphs stand below it."""

    kind: NoticeKind
    subject: str
    paragraphs: tuple[str, ...]
    link: str = ""
    label: str = ""
    small_print: tuple[str, ...] = ()


def write_notice(kind: NoticeKind, facts: Facts, link: str = "") -> Notice:
    """The notice of that kind. facts: what the kind's function below reads; link: where it leads."""
    return _WRITERS[kind](facts, link)


def _confirm(facts: Facts, link: str) -> Notice:
    if "joins" in facts:
        return _confirm_joining(facts["joins"], link)
    return Notice(
        NoticeKind.CONFIRM,
        "Duskbell: please confirm your address",
        (
            "Someone, most likely you, asked Duskbell to write to this address when a night is worth the "
            "drive.",
            "Open the link and press the button to confirm. It works once, within 48 hours.",
        ),
        link,
        "Confirm this address",
        ("If it wasn't you, do nothing. Nothing else is sent here without a confirmation.",),
    )


def _confirm_joining(account: str, link: str) -> Notice:
    return Notice(
        NoticeKind.CONFIRM,
        "Duskbell: please confirm your address",
        (
            f"The account of {account} asked Duskbell to write to this address too.",
            "If that account is yours, open the link and let the address join it: whoever reads either "
            "address can then sign in there, and sees and changes what is kept there.",
            "If it isn't, the same link gives this address an account of its own, or you do nothing. The "
            "link works once, within 48 hours.",
        ),
        link,
        "Choose for this address",
        ("Nothing else is sent here without a confirmation.",),
    )


def _sign_in(facts: Facts, link: str) -> Notice:
    account = f" to the account of {facts['account']}" if facts.get("account") else ""
    return Notice(
        NoticeKind.SIGN_IN,
        "Duskbell: your link to sign in",
        (f"Open the link to sign in{account}. It works once, within 15 minutes.",),
        link,
        "Sign in",
        ("If it wasn't you who asked, do nothing: without this mail nobody gets in.",),
    )


def _test(facts: Facts, _: str) -> Notice:
    return Notice(
        NoticeKind.TEST,
        "Duskbell: a test message",
        (
            "This is a test. Whoever set this receiver up in Duskbell needs the code below to show that "
            "messages arrive and are wanted here.",
            f"Code: {facts['challenge']}",
        ),
        small_print=("If nobody here asked for it, do nothing. No alerts come without the code.",),
    )


def _hello(_facts: Facts, _link: str) -> Notice:
    return Notice(
        NoticeKind.HELLO,
        "Duskbell: a test message",
        ("This is a test: messages from Duskbell arrive here.",),
        small_print=("You asked for it on your page. There is nothing to do.",),
    )


def _failing(facts: Facts, _: str) -> Notice:
    return Notice(
        NoticeKind.ENDPOINT_FAILING,
        "Duskbell: your receiver takes no messages",
        (
            f"Duskbell couldn't deliver to {facts['shown']} the last {facts['failures']} times. The last "
            f"answer was: {facts['code']}.",
            "It is tried again while a message still helps. If nothing gets through for five days, it is "
            "switched off.",
        ),
    )


def _off(facts: Facts, _: str) -> Notice:
    return Notice(
        NoticeKind.ENDPOINT_OFF,
        "Duskbell: your receiver was switched off",
        (
            f"Duskbell sends nothing to {facts['shown']} any more: {facts['reason']}.",
            "Other addresses of yours aren't touched. When the receiver works again, switch it on or "
            "subscribe it anew.",
        ),
    )


def _key_ends(facts: Facts, _: str) -> Notice:
    return Notice(
        NoticeKind.KEY_ENDS,
        "Duskbell: a key of yours ends soon",
        (
            f"The key {facts['label']!r} that you made for a program stops working on {facts['ends']} (UTC).",
            "Make a new one on your page, give it to the program, then revoke the old one.",
        ),
        small_print=("If no program uses it any more, there is nothing to do.",),
    )


def _operator(facts: Facts, _: str) -> Notice:
    over = facts["state"] == "over"
    return Notice(
        NoticeKind.OPERATOR,
        f"Duskbell, for the operator: {'over: ' if over else ''}{facts['title']}",
        (facts["text"],),
        small_print=("duskbell doctor says what is set and what is wrong.",),
    )


_WRITERS: Mapping[NoticeKind, Callable[[Facts, str], Notice]] = {
    NoticeKind.CONFIRM: _confirm,
    NoticeKind.SIGN_IN: _sign_in,
    NoticeKind.TEST: _test,
    NoticeKind.HELLO: _hello,
    NoticeKind.ENDPOINT_FAILING: _failing,
    NoticeKind.ENDPOINT_OFF: _off,
    NoticeKind.KEY_ENDS: _key_ends,
    NoticeKind.OPERATOR: _operator,
}
