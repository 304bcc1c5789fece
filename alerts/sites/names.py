"""Names that people give: made safe at the door, once."""

from __future__ import annotations

import unicodedata

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.common.text import plain

LONGEST_NAME = 80
LONGEST_NOTE = 600
_JOINER = "\u200d"  # joins emoji; the one format character that names may hold


def clean_name(raw: str, what: str = "name") -> str:
    """The name in NFC, trimmed. BadInput when it is empty, too long or holds control, bidirectional
    or other invisible characters (they break mail headers and can disguise text).

    what: the kind of name in the entries `sites.name-…` of the catalogue.
    """
    name = unicodedata.normalize("NFC", raw).strip()
    if not name:
        raise BadInput(phrase("sites.name-empty", what=what))
    if len(name) > LONGEST_NAME:
        raise BadInput(phrase("sites.name-too-long", what=what, count=len(name), longest_name=LONGEST_NAME))
    if any(unicodedata.category(char) in {"Cc", "Cf", "Cs", "Zl", "Zp"} and char != _JOINER for char in name):
        raise BadInput(phrase("sites.name-unprintable", what=what))
    return name


def clean_note(raw: str) -> str:
    """A note as one line of visible text; BadInput when it is too long."""
    if len(raw) > LONGEST_NOTE:
        raise BadInput(phrase("sites.note-too-long", count=len(raw), longest_note=LONGEST_NOTE))
    return plain(raw, LONGEST_NOTE)
