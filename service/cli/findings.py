"""What the doctor finds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. level: ok, note (works, but know this) or wrong (something won't work)."""

    level: str
    about: str
    text: str
