"""What a briefing costs: words, calendar, notes for the field, pictures, and the size of a mail.

    python tests/bench/briefing.py [--quick] [--json]

Four invented nights (those of the golden briefings), by processor time of one core. What is measured is
told on standard error; the last line on standard output is one JSON object.
"""

# ruff: noqa: E402 - the number of threads must be set before numpy is loaded

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.collect import build_field_notes
from alerts.briefing.facts import AlertFacts, Briefing, MailParts
from alerts.briefing.payload import build_payload
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import PngPicture, draw_pictures, mail_with_pictures, render_mail
from alerts.notifying.model import AlertKind
from service.delivery.enclosures import with_file
from tests.unit.alerts.briefing.sample_nights import SAMPLES, WISHES, Case, case, ephemeris, facts_of, going

BASE64_GROWTH = 4 / 3 * 78 / 76


def words(facts: AlertFacts) -> None:
    """Text, HTML and calendar: what every mail needs."""
    render_mail(_briefing(facts))
    _calendar(facts)


def pictures(found: Case, facts: AlertFacts) -> MailParts:
    """The same with the pictures drawn and made into PNG."""
    drawn = draw_pictures(_scene(found), ephemeris())
    files = [with_file(picture) for picture in drawn]
    return mail_with_pictures(_briefing(facts), {0: files}, calendar=_calendar(facts))


def shared(facts: AlertFacts, files: tuple[PngPicture, ...]) -> MailParts:
    """The same for the next reader of the same night, whose pictures are drawn already."""
    return mail_with_pictures(_briefing(facts), {0: files}, calendar=_calendar(facts))


def notes(found: Case) -> None:
    assert found.window is not None
    assert found.plan is not None
    known = going(found.sample.site, found.night, found.window, found.plan, WISHES)
    build_field_notes(known, found.window, ephemeris())


def _scene(found: Case) -> NightToDraw:
    glows = found.sky.towns if found.sky else ()
    return NightToDraw(found.sample.site, found.night, found.window, found.notes, (), glows)


def _briefing(facts: AlertFacts) -> Briefing:
    return Briefing(message_id="msg_0123456789abcdefghjkmnpqrs", alerts=(facts,))


def _calendar(facts: AlertFacts) -> bytes:
    return build_calendar([CalendarEntry(facts=facts, key="bench", sequence=0)], stamped_at=facts.decided_at)


def rate(work: Callable[[], object], seconds: float) -> float:
    """How often in a second of one core; the first round, which compiles templates, doesn't count."""
    work()
    done, start = 0, time.process_time()
    while (spent := time.process_time() - start) < seconds:
        work()
        done += 1
    return done / spent


def mail_bytes(parts: MailParts) -> int:
    """About what goes over the wire: words as they are, files in base64."""
    files = sum(len(file.content) for file in parts.attachments)
    return round(len(parts.text.encode()) + len(parts.html.encode()) + files * BASE64_GROWTH)


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of a briefing.")
    parser.add_argument("--quick", action="store_true", help="a fifth of the time")
    parser.add_argument("--json", action="store_true", help="only the JSON line")
    options = parser.parse_args()
    seconds = 1.0 if options.quick else 5.0
    name = "july"
    found, facts = case(name), facts_of(name, AlertKind.GO)
    files = tuple(map(with_file, draw_pictures(_scene(found), ephemeris())))
    nights = [each for each in SAMPLES if case(each).window is not None]
    result = {
        "text_html_ics_per_s": round(rate(lambda: words(facts), seconds), 1),
        "with_png_per_s": round(rate(lambda: pictures(found, facts), seconds), 1),
        "with_shared_png_per_s": round(rate(lambda: shared(facts, files), seconds), 1),
        "payloads_per_s": round(rate(lambda: build_payload(_briefing(facts)), seconds), 1),
        "field_notes_per_s": round(rate(lambda: notes(found), seconds), 1),
        "largest_mail_kb": round(
            max(mail_bytes(pictures(case(each), facts_of(each, AlertKind.GO))) for each in nights) / 1000, 1
        ),
    }
    if not options.json:
        for key, value in result.items():
            sys.stderr.write(f"{key:24}{value}\n")
    sys.stdout.write(json.dumps(result) + "\n")


if __name__ == "__main__":
    main()
