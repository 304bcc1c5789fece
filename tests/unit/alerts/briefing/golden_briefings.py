"""Every golden briefing by name, and how to write them anew after a change that was meant.

python tests/unit/alerts/briefing/golden_briefings.py
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

from alerts.briefing.facts import Ahead, AlertFacts, Briefing
from alerts.briefing.render import render_mail
from alerts.common.units import Units
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from tests.unit.alerts.briefing.briefing_samples import chat_text
from tests.unit.alerts.briefing.sample_nights import SAMPLES, case, facts_of, preview_of

FOLDER = Path(__file__).parents[3] / "data" / "briefing"
MESSAGE_ID = "msg_0123456789abcdefghjkmnpqrs"


def golden_facts() -> Iterator[tuple[str, AlertFacts]]:
    """Each night with each kind of alert; without a window, what someone who asks is told."""
    for name in SAMPLES:
        if case(name).window is not None:
            yield from ((f"{name}.{kind.value}", facts_of(name, kind)) for kind in AlertKind)
    no_darkness = "no astronomical darkness: the Sun stays above −18° all night"
    hangs = "the chance is 60 %, you asked for 70 %; 2 of 3 models say clear; it hangs on GFS"
    no_word = "no usable cloud forecast (IFS: the run is 14 h old)"
    stay, wait, unknown = VerdictWord.STAY, VerdictWord.WAIT, VerdictWord.UNKNOWN
    autumn = Ahead(next_window=date(2026, 10, 6))
    yield "polar-summer.stay", preview_of("polar-summer", stay, no_darkness, ahead=autumn)
    yield "july.wait", preview_of("july", wait, hangs, chance_pct=60)
    yield "july.unknown", preview_of("july", unknown, no_word)


def golden_texts() -> Iterator[tuple[str, str]]:
    """File name and content of each."""
    for name, facts in golden_facts():
        for units in (Units.METRIC, Units.IMPERIAL):
            yield f"{name}.{units.word}.txt", golden_text(facts, units)


def golden_text(facts: AlertFacts, units: Units) -> str:
    briefing = Briefing(
        message_id=MESSAGE_ID,
        alerts=(facts,),
        units=units,
        manage_url="https://duskbell.example.org/m/abc",
        unsubscribe_url="https://duskbell.example.org/u/abc",
    )
    mail = render_mail(briefing)
    return f"Subject: {mail.subject}\n\n{mail.text}\n\n===== chat =====\n{chat_text(briefing)}\n"


def write_all() -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    for old in FOLDER.glob("*.txt"):
        old.unlink()
    for name, text in golden_texts():
        (FOLDER / name).write_text(text, encoding="utf-8")


__all__ = ["FOLDER", "golden_facts", "golden_texts", "write_all"]

if __name__ == "__main__":
    write_all()
