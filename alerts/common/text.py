"""Text made a sentence, or made safe to show."""

from __future__ import annotations

import re
import unicodedata
from datetime import date, timedelta

from alerts.common.phrases import Phrase, phrase, say

LONGEST_NAME = 80
LONGEST_SENTENCE = 300
JOINER = "\u200d"
BREAK = "\u200b"  # zero width space


def clear_words(wished: timedelta) -> str:
    """`two clear hours`, `one clear hour`, `90 clear minutes`."""
    minutes = round(wished.total_seconds() / 60)
    if minutes % 60 or not 60 <= minutes <= 600:
        return say("common.clear-minutes", minutes=minutes)
    return say("common.clear-hours", hours=minutes // 60, count=count_word(minutes // 60))


def weekday_name(day: date, *, short: bool = False) -> Phrase:
    """`Wednesday`, or `Wed`."""
    return phrase("names.weekday-short" if short else "names.weekday", day=day.weekday())


def month_name(month: int, *, short: bool = False) -> Phrase:
    """`July` of 7, or `Jul`."""
    return phrase("names.month-short" if short else "names.month", month=month)


def direction_word(azimuth_deg: float, points: int = 16) -> Phrase:
    """The nearest of 16 (or 8) compass directions; azimuth from north through east."""
    nearest = round(azimuth_deg / (360 / points)) % points
    return phrase("names.direction", sixteenth=nearest * 16 // points)


def direction_letters(azimuth_deg: float) -> Phrase:
    """The same of 16 as letters: `NNE`."""
    return phrase("names.direction-letters", sixteenth=round(azimuth_deg / 22.5) % 16)


def count_word(count: int) -> Phrase:
    """`three`, or the figures beyond ten."""
    return phrase("names.count", count=count)


def article(figure: str) -> str:
    """`a` or `an`, as the figure is spoken: an 8, an 11, an 18, an 85; a 20."""
    return "an" if figure.startswith("8") or figure.partition(".")[0] in ("11", "18") else "a"


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """A clause made a sentence: large first letter, full stop."""
    return capital(text) if not text or text[-1] in ".?" else capital(text) + "."


def plain(text: str, longest: int = LONGEST_SENTENCE) -> str:
    """One line of visible text: NFC, spaces in place of line breaks, no control, bidirectional or
    invisible characters, shortened with an ellipsis."""
    if text.isascii() and text.isprintable():  # most texts: nothing in it to normalise or to drop
        return shorten((re.sub(r" {2,}", " ", text) if "  " in text else text).strip(), longest)
    spaced = re.sub(r"\s+", " ", unicodedata.normalize("NFC", text)).strip()
    shown = (c for c in spaced if c == JOINER or unicodedata.category(c) not in {"Cc", "Cf", "Cs", "Co"})
    return shorten("".join(shown), longest)


def shorten(text: str, room: int) -> str:
    """At most `room` characters, cut at a character that stands by itself and marked with an ellipsis."""
    if len(text) <= room:
        return text
    cut = max(room - 1, 0)
    while cut > 1 and (unicodedata.combining(text[cut]) or JOINER in text[cut - 1 : cut + 1]):
        cut -= 1
    return text[:cut].rstrip() + "…" if room > 0 else ""


def unmentioned(text: str) -> str:
    """Text from a person for a group chat: nothing in it calls the group or hides a link.

    A zero width space after @ and <, before the address of a Markdown link and inside :// looks the
    same and means nothing to a chat server.
    """
    broken = text.replace("@", f"@{BREAK}").replace("<", f"<{BREAK}")
    return broken.replace("](", f"]{BREAK}(").replace("://", f":{BREAK}//")
