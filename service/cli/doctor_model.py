"""What the doctor finds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. level: ok, note (works, but know this) or wrong (something won't work). code: of
    what keeps a go from being told (alerts/judging/obstacles.py), "" of all else."""

    level: str
    about: str
    text: str
    code: str = ""
