"""An operator's own message templates: read from a folder, and tried on every kind of message."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path

from alerts.briefing.collect import NightFindings, build_field_notes, ground_note, preview_facts, sky_note
from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.render import BUILT_IN, Templates, render_mail
from alerts.common.phrases import Phrase, phrase, say
from alerts.field.trip_plan import plan_trip
from alerts.judging.comparison import OtherSite
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.judging.window_brightness import window_sky
from alerts.notifying.model import AlertKind
from alerts.sites.model import Foreground, Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.nights.night_builder import night_named
from alerts.wishes.model import Wishes

ENDING = ".j2"
SAMPLE_SITE = Site(
    "Sample Hill", 40.0, -1.5, 1000.0, "Europe/Madrid", foregrounds=(Foreground("the barn", 190.0),)
)
SAMPLE_NIGHT = date(2027, 7, 3)


def read_templates(folder: Path | None) -> tuple[Templates, Phrase | None]:
    """The folder's templates before the built-in ones, and why they can't be read (None when they can)."""
    if folder is None:
        return BUILT_IN, None
    try:
        found = {
            path.name: path.read_text(encoding="utf-8")
            for path in sorted(folder.iterdir())
            if path.name.endswith(ENDING) and path.is_file()
        }
    except (OSError, UnicodeDecodeError) as error:
        return BUILT_IN, phrase("delivery.templates-unreadable", folder=str(folder), error=str(error))
    return Templates(found), None


def built_in_names() -> set[str]:
    """The names under which templates are looked for."""
    folder = files("alerts.briefing") / "templates"
    return {entry.name for entry in folder.iterdir() if entry.name.endswith(ENDING)}


def try_templates(templates: Templates, ephemeris: Ephemeris) -> list[Phrase]:
    """What goes wrong when they write every kind of alert, every answer to who asks, and several sites in one
    message, all invented; empty when nothing does."""
    told, asked = _sample_facts(ephemeris, preview=False), _sample_facts(ephemeris, preview=True)
    kinds = [replace(told, kind=kind, told_chance_pct=84, told_at=told.decided_at) for kind in AlertKind]
    answers = [replace(asked, verdict=word) for word in VerdictWord]
    problems: list[Phrase] = []
    for alerts in (*((each,) for each in (*kinds, *answers)), tuple(kinds)):
        sample = Briefing(message_id="msg_sample", alerts=alerts, unsubscribe_url="https://example.org/u")
        problems += render_mail(sample, templates=templates).problems
    return list(dict.fromkeys(problems))


def _sample_facts(ephemeris: Ephemeris, *, preview: bool) -> AlertFacts:
    site, wishes = SAMPLE_SITE, Wishes(signal_lost_before=timedelta(minutes=20))
    night = night_named(site, SAMPLE_NIGHT, wishes.sky, ephemeris)
    window = night.windows[0]
    plan = plan_trip(night, window.span, wishes, site)
    reasons = (Reason("chance", Result.PASS, phrase("judging.chance", chance_pct=81, wants_pct=70)),)
    found = NightFindings(
        site=site,
        night=night,
        verdict=Verdict(VerdictWord.GO, reasons, window, None),
        wishes=wishes,
        plan=plan,
        now=night.span.start,
        sky=sky_note(window, window_sky(site, window, ephemeris)),
        ground=ground_note(site, night, ephemeris),
        record=say("delivery.sample-record"),
        invented=True,
    )
    facts = preview_facts(replace(found, notes=build_field_notes(found, window, ephemeris)))
    other = OtherSite("Sample Lake", VerdictWord.WAIT, 55, window.span, plan.leave_by)
    return replace(facts, preview=preview, chance_pct=81, cause="cloud after 01:00", others=(other,))
