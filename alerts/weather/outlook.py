"""The outlook: what the air will do over one dark window."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from alerts.span import Span
from alerts.weather.record import Source


class HazardLevel(StrEnum):
    """How a hazard bears on the verdict: `fail` blocks a go, `warn` is told, `unknown` is missing."""

    FINE = "fine"
    WARN = "warn"
    FAIL = "fail"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Hazard:
    """One named hazard over the window; `worst` carries the unit in `unit`, None when unknown."""

    name: str
    level: HazardLevel
    text: str
    worst: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class SourceChance:
    """One source's own answer: the chance (0..1, to 0.01) that the event happens, and what it read."""

    source: Source
    chance: float | None  # None: this source can't say (gaps, stale)
    why_not: str = ""
    least_cloud_pct: float | None = None  # worst hour of its best stretch
    members: int = 0


@dataclass(frozen=True, slots=True)
class Outlook:
    """The weather over one dark window, shared by all who ask the same.

    chance_pct: the chance that the event happens, rounded to 1 %; None when unknown.
    spread_pct: lowest and highest of the sources' own chances.
    best: the clearest stretch of the wished length, when there is one.
    lineages, providers: those that really gave a chance.
    agreement: how many sources say clear (a chance of 50 % or more), of how many that answered.
    """

    window: Span
    chance_pct: int | None
    spread_pct: tuple[int, int] | None
    best: Span | None
    per_source: tuple[SourceChance, ...]
    hazards: tuple[Hazard, ...]
    cloud_known: bool
    wind_known: bool
    precipitation_known: bool
    lineages: tuple[str, ...]
    providers: tuple[str, ...]
    newest_issue: datetime | None
    notes: tuple[str, ...] = ()
    agreement: tuple[int, int] = (0, 0)

    def hazard(self, name: str) -> Hazard | None:
        """The hazard of that name, or None when nobody looked at it."""
        return next((hazard for hazard in self.hazards if hazard.name == name), None)

    @property
    def sources(self) -> tuple[Source, ...]:
        """The sources really used, for attribution."""
        return tuple(entry.source for entry in self.per_source if entry.chance is not None)
