"""What a phone's push service shows: title and text apart, a link, and how loud it may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from alerts.common.text import unmentioned

URGENT = frozenset({"alert.go", "alert.changed", "alert.stand_down"})
"""Somebody is about to leave, or on the way. What else is told takes the service's usual priority."""


@dataclass(frozen=True, slots=True)
class Push:
    """What a target gets. text: without the title. link: the night's page, or ""."""

    title: str
    text: str
    link: str = ""
    is_urgent: bool = False


def push_of(payload: Mapping[str, object]) -> Push:
    """The words of a payload, whose text begins with its subject for those that show no title."""
    data = payload.get("data")
    assert isinstance(data, Mapping), "every payload has data"
    title, text = str(data["subject"]), str(data["text"])
    first, _, rest = text.partition("\n")
    body = rest.strip() if first.strip() in (title, unmentioned(title)) else text
    alerts = data.get("alerts") or [{}]
    return Push(title, body or title, str(alerts[0].get("night_url", "")), payload.get("type") in URGENT)
