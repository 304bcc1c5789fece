"""What logs, pages and error texts may show of people: enough to know a thing by, not enough to use it."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from alerts.sites.great_circle import round_shared_deg

_MAIL = re.compile(r"\b([\w+])[\w.+%'-]*@([\w-]+(?:\.[\w-]+)+)")
_URL = re.compile(r"\b(https?://)(?:[^\s/@\"'<>]*@)?([^\s/?#\"'<>]+)([/?#][^\s\"'<>]*)?", re.IGNORECASE)
_SECRET = re.compile(r"\b(whsec_|dbk_)[\w+/=-]+")
_PATH_TOKEN = re.compile(r"(?<![\w/-])(/(?:unsubscribe|confirm|sign-in|manage|owner|how-was-it)/)[\w-]+")
_PLACE = re.compile(
    r"(?<![\d.])(-?\d{1,2}\.\d{2,})"
    r"([,;\s/]+(?:lon(?:gitude|_deg)?\W{1,3})?)"
    r"(-?\d{1,3}\.\d{2,})(?![\d.])"
)


def mask_mail(address: str) -> str:
    """`y…@example.org`."""
    local, _, domain = address.partition("@")
    return f"{local[:1]}…@{domain}"


def mask_url(url: str) -> str:
    """`https://chat.example.org/…`: chat services put the secret into the path."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]
    return f"{parts.scheme}://{host}/…" if host else "…"


def mask_target(channel: str, target: str) -> str:
    """An address of any channel, so that its owner knows it and nobody else can use it."""
    if channel == "email":
        return mask_mail(target)
    return mask_url(target) if "//" in target else target


def mask_text(text: str) -> str:
    """Any text with mail addresses, what follows a URL's host, secrets and exact places taken out."""
    text = _URL.sub(lambda found: found[1] + found[2] + ("/…" if found[3] else ""), text)
    text = _MAIL.sub(r"\1…@\2", text)
    text = _SECRET.sub(r"\1…", text)
    text = _PATH_TOKEN.sub(r"\1…", text)
    return _PLACE.sub(lambda found: f"{_rounded(found[1])}{found[2]}{_rounded(found[3])}", text)


def _rounded(digits: str) -> str:
    return f"{round_shared_deg(float(digits)):.2f}"
