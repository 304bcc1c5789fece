"""Names that people give: made safe at the door, once."""

from __future__ import annotations

import unicodedata

from alerts.common.errors import BadInput
from alerts.common.text import plain

LONGEST_NAME = 80
LONGEST_NOTE = 600
_JOINER = "\u200d"  # joins emoji; the one format character that names may hold


def clean_name(raw: str, what: str = "name") -> str:
    """The name in NFC, trimmed. BadInput when it is empty, too long or holds control, bidirectional
    or other invisible characters (they break mail headers and can disguise text)."""
    name = unicodedata.normalize("NFC", raw).strip()
    if not name:
        raise BadInput(f"the {what} is empty; give it at least one letter.")
    if len(name) > LONGEST_NAME:
        raise BadInput(f"the {what} has {len(name)} characters; {LONGEST_NAME} are the most.")
    if any(unicodedata.category(char) in {"Cc", "Cf", "Cs", "Zl", "Zp"} and char != _JOINER for char in name):
        raise BadInput(f"the {what} holds line breaks or invisible characters; type it in plain text.")
    return name


def clean_note(raw: str) -> str:
    """A note as one line of visible text; BadInput when it is too long."""
    if len(raw) > LONGEST_NOTE:
        raise BadInput(f"the note has {len(raw)} characters; {LONGEST_NOTE} are the most.")
    return plain(raw, LONGEST_NOTE)
