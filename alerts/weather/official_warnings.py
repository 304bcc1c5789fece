"""Official warnings: what a weather authority has in force for a place, in its own words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from alerts.common.phrases import Phrase
from alerts.common.span import Span


class Severity(StrEnum):
    """Severity as the Common Alerting Protocol 1.2 (OASIS) names it."""

    EXTREME = "extreme"
    SEVERE = "severe"
    MODERATE = "moderate"
    MINOR = "minor"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class OfficialWarning:
    """One warning. span: when what it warns of is expected; area, headline, event: its own words."""

    warning_id: str
    event: str
    severity: Severity
    span: Span
    area: str
    headline: str
    url: str


@dataclass(frozen=True, slots=True)
class Bulletin:
    """All that one authority has in force for a place; empty `warnings` means that it said none.

    asked_at: when the authority answered; None for recorded answers.
    unread: warnings that came and couldn't be read, and why; what they say is unknown.
    """

    feed: str
    authority: str
    attribution: str
    attribution_url: str
    warnings: tuple[OfficialWarning, ...] = ()
    asked_at: datetime | None = None
    unread: tuple[Phrase, ...] = ()
