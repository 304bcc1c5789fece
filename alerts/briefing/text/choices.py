"""What a message says beside its night: the last word, the fork between close sites, and the other sites."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from alerts.briefing.facts.alert import AlertFacts
from alerts.common.text import LONGEST_NAME, Clock, long_day, plain, sentence
from alerts.judging.site_choice import OtherSite
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind

NO_MORE = "No message after this means nothing."
"""After a last word silence must not be read as good news, nor as bad."""
_STANDS = {VerdictWord.GO: "go", VerdictWord.WAIT: "not sure yet", VerdictWord.UNKNOWN: "can't say"}


def last_said(facts: AlertFacts) -> str:
    """`still go (78 %)`, `stand down`, `can't be confirmed`; "" where this isn't the last word."""
    if not facts.is_last_word or facts.preview:
        return ""
    if facts.kind is AlertKind.STAND_DOWN:
        return "stand down"
    if facts.verdict is VerdictWord.UNKNOWN or facts.chance_pct is None:
        return "can't be confirmed"
    word = "go" if facts.told_at is None else "still go"
    return f"{word} ({facts.chance_pct} %)"


def last_word(facts: AlertFacts, home: Clock) -> str:
    """`Last word before you lose signal at 20:30: still go (78 %). No message after this means nothing.`"""
    said = last_said(facts)
    if not said:
        return ""
    if facts.kind is not AlertKind.STAND_DOWN and facts.chance_pct is None:
        said = plain(facts.cause).rstrip(".") or f"it {said}"
    if facts.doubt:
        said += f", {plain(facts.doubt)}"
    at = "" if facts.signal_lost_at is None else f" at {home.time(facts.signal_lost_at)}"
    return f"Last word before you lose signal{at}: {said}. {NO_MORE}"


def fork_line(facts: AlertFacts) -> str:
    """`Leave by 18:10 either way; decide at 20:30: East 74 %, West 41 %.`"""
    return sentence(plain(facts.fork)) if facts.fork else ""


def other_lines(facts: AlertFacts, home: Clock) -> Iterator[str]:
    """`Salt Pan East: go, 74 %, leave by 21:14`: each other site of that night, best first."""
    return (_other_line(each, facts, home) for each in facts.others)


def _other_line(other: OtherSite, facts: AlertFacts, home: Clock) -> str:
    said = [_STANDS.get(other.verdict, other.verdict.value)]
    said += [] if other.chance_pct is None else [f"{other.chance_pct} %"]
    said.append(_when_to_leave(other, facts, home))
    return f"{plain(other.site_name, LONGEST_NAME)}: {', '.join(filter(None, said))}"


def _when_to_leave(other: OtherSite, facts: AlertFacts, home: Clock) -> str:
    """`leave by 21:14`; once that is past, until when leaving still helps."""
    if other.leave_by is not None and other.leave_by > facts.decided_at:
        return f"leave by {_say(other.leave_by, facts, home)}"
    if other.latest_departure is not None:
        return f"worth leaving until {_say(other.latest_departure, facts, home)}"
    return ""


def _say(at: datetime, facts: AlertFacts, home: Clock) -> str:
    """`21:14`, with the weekday on another day than the night's evening."""
    day = home.day(at)
    return home.time(at) if day == facts.night else f"{long_day(day).split()[0]} {home.time(at)}"
