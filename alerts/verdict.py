"""Wishes + night + outlook -> a verdict with its reasons."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from alerts.night import DarkWindow
from alerts.weather.outlook import Outlook


class VerdictWord(StrEnum):
    GO = "go"
    WAIT = "wait"
    STAY = "stay"
    UNKNOWN = "unknown"


class Result(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    WARN = "warn"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Reason:
    """One named rule, what it yields, and a sentence with its margin."""

    rule: str
    result: Result
    text: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word for a night, the deciding reason first, with the window it is about."""

    word: VerdictWord
    reasons: tuple[Reason, ...]
    window: DarkWindow | None
    outlook: Outlook | None

    @property
    def deciding(self) -> Reason:
        return self.reasons[0]
