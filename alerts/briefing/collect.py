"""A judged night -> all that a message says about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from alerts.briefing.facts.alert import NOTHING_AHEAD, Ahead, AlertFacts, Attribution
from alerts.briefing.facts.field_notes import FieldNotes, SkyNote
from alerts.field.trip_plan import FieldPlan
from alerts.judging.rules import Result
from alerts.judging.site_choice import Choice, choice_of, say_fork
from alerts.judging.verdict import Verdict, VerdictWord, hangs_on
from alerts.judging.window_brightness import TOWN_CREDIT, TOWN_CREDIT_URL
from alerts.notifying.model import AlertKind, NotificationDecision, PastAlert, Why
from alerts.notifying.validity import say_doubt
from alerts.sites.model import Site
from alerts.sky.night import DarkWindow, Night, Target, TargetKind, TrackPoint
from alerts.weather.cloud_by_hour import CloudHour
from alerts.weather.outlook import HazardLevel, Outlook
from alerts.wishes.model import Wishes

_TAKES_BACK = (AlertKind.CHANGED, AlertKind.STAND_DOWN)
_NUMBERS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def alert_facts(
    telling: NotificationDecision,
    *,
    site: Site,
    night: Night,
    verdict: Verdict,
    wishes: Wishes,
    plan: FieldPlan | None,
    told: PastAlert | None,
    now: datetime,
    invented: bool = False,
    field: FieldNotes | None = None,
    others: Sequence[Choice] = (),
    sky: SkyNote | None = None,
    record: str = "",
    cloud: Sequence[CloudHour] = (),
) -> AlertFacts:
    """What to say of this night. telling: must have a kind. told: the alert this one answers, if any.

    field: the notes for the field, see `fieldcollect.build_field_notes`. others: the person's other sites
    worth naming, best first. sky, record, cloud: as in `AlertFacts`.
    """
    assert telling.kind is not None, "silence has no message"
    facts = _facts(telling.kind, site=site, night=night, verdict=verdict, wishes=wishes, plan=plan, now=now)
    facts = _with_extras(facts, sky, record, cloud)
    lead = choice_of(site, verdict, plan)
    return replace(
        facts,
        window=facts.window or (told.window if told else None),
        told_chance_pct=told.chance_pct if told else None,
        told_at=told.at if told else None,
        told_window=told.window if told and telling.kind is AlertKind.CHANGED else None,
        told_leave_by=told.leave_by if told and telling.kind in _TAKES_BACK else None,
        cause=_cause(telling, verdict, wishes),
        invented=invented,
        field=field,
        is_last_word=telling.is_last_word,
        doubt=_doubt(telling, verdict, wishes) if told else "",
        is_unsettled=telling.why is Why.UNSETTLED,
        others=tuple(other.as_other() for other in others),
        fork=say_fork(lead, others, now, wishes.clock(site.tz)) if facts.is_go else "",
    )


def preview_facts(
    *,
    site: Site,
    night: Night,
    verdict: Verdict,
    wishes: Wishes,
    plan: FieldPlan | None,
    now: datetime,
    field: FieldNotes | None = None,
    ahead: Ahead = NOTHING_AHEAD,
    invented: bool = False,
    sky: SkyNote | None = None,
    record: str = "",
    cloud: Sequence[CloudHour] = (),
) -> AlertFacts:
    """The same for someone who asks, whatever the verdict; nothing is told by it.

    ahead: what is said where no forecast reaches the night yet, or where it has no window.
    """
    kind = AlertKind.GO if verdict.word is VerdictWord.GO else AlertKind.HEADS_UP
    facts = _facts(kind, site=site, night=night, verdict=verdict, wishes=wishes, plan=plan, now=now)
    facts = _with_extras(facts, sky, record, cloud)
    cause = "" if verdict.word is VerdictWord.GO else verdict.deciding.text
    is_early = ahead.first_look is not None and verdict.word is VerdictWord.UNKNOWN
    if is_early:  # what nobody forecasts yet isn't in doubt, it is still to come
        cause, known = "", [each for each in verdict.reasons if each.result is Result.FAIL]
        facts = replace(facts, hazards=(), reasons=tuple(_sentence(each.text) for each in known))
    return replace(
        facts,
        cause=cause,
        first_look=ahead.first_look if is_early else None,
        reasons=tuple(text for text in facts.reasons if text != _sentence(cause)),
        invented=invented,
        field=field,
        next_window=ahead.next_window,
        instead=ahead.instead,
        preview=True,
    )


def _with_extras(
    facts: AlertFacts, sky: SkyNote | None, record: str, cloud: Sequence[CloudHour]
) -> AlertFacts:
    """What is known beside the verdict, with the credit for what was used."""
    credits = facts.attributions
    if sky is not None and (sky.towns or sky.inside):
        credits = (*credits, Attribution(TOWN_CREDIT, TOWN_CREDIT_URL))
    return replace(facts, sky=sky, record=record, cloud=tuple(cloud), attributions=credits)


def _facts(
    kind: AlertKind,
    *,
    site: Site,
    night: Night,
    verdict: Verdict,
    wishes: Wishes,
    plan: FieldPlan | None,
    now: datetime,
) -> AlertFacts:
    """What the night and its verdict give, whoever is told."""
    outlook, window = verdict.outlook, verdict.window
    usable = verdict.usable or (window.span if window else None)
    return AlertFacts(
        kind=kind,
        site_name=site.name,
        night=night.name,
        zone=site.zone,
        decided_at=now,
        verdict=verdict.word,
        person_zone=wishes.clock_zone,
        window=usable,
        best=outlook.best if outlook else None,
        shortest_window=wishes.shortest_window,
        leave_by=plan.leave_by if plan else None,
        home_about=plan.home_about if plan else None,
        drive=plan.drive if plan else None,
        drive_is_estimate=plan.drive_is_estimate if plan else False,
        chance_pct=outlook.chance_pct if outlook else None,
        whole_pct=outlook.whole_pct if outlook else None,
        agreement=say_agreement(outlook) if outlook else "",
        spread_pct=outlook.spread_pct if outlook else None,
        change_pct=outlook.change_pct if outlook else None,
        overhead_pct=outlook.overhead_pct if outlook else None,
        sight=outlook.sight_text if outlook else "",
        core=_track(window) if window else (),
        target_name=_target_name(night.wishes.target),
        shapes=window.shapes if window else (),
        moon="no Moon" if window and night.wishes.moonless else "",
        reasons=tuple(
            _sentence(reason.text) for reason in verdict.reasons if reason.result is not Result.PASS
        ),
        hazards=_hazards(outlook) if outlook else (),
        attributions=attributions(outlook) if outlook else (),
        forecast_issued_at=outlook.newest_issue if outlook else None,
        decide_at=plan.leave_by - wishes.notice if plan and kind is AlertKind.HEADS_UP else None,
        sunset=night.sun.sets[0] if night.sun.sets else None,
        dark_from=night.dark[0].start if night.dark else None,
        dark_until=night.dark[-1].end if night.dark else None,
        sunrise=night.sun.rises[-1] if night.sun.rises else None,
        access_note=" ".join(filter(None, (site.access_note, site.notes))),
        signal_lost_at=plan.signal_lost_at if plan else None,
        worth=verdict.worth,
    )


def _track(window: DarkWindow) -> tuple[TrackPoint, ...]:
    """Where the target stands; nothing where that is the core of another season, below the horizon."""
    return window.track if all(point.altitude_deg > 0 for point in window.track) else ()


def _target_name(target: Target) -> str:
    return (target.name or "target") if target.kind is TargetKind.RADEC else "core"


def say_agreement(outlook: Outlook) -> str:
    """`Three of four models agree.`: how many sources say clear; empty when fewer than two answered."""
    clear, answered = outlook.agreement
    if answered < 2:
        return ""
    if clear in (0, answered):
        return f"All {_number(answered)} models agree." if answered > 2 else "Both models agree."
    verb = "say" if clear > 1 else "says"
    return f"{_number(clear).capitalize()} of {_number(answered)} models {verb} clear."


def attributions(outlook: Outlook) -> tuple[Attribution, ...]:
    """Credits of the sources really used, each once."""
    credits = (Attribution(source.attribution, source.attribution_url) for source in outlook.sources)
    return tuple(dict.fromkeys(credits))


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _doubt(telling: NotificationDecision, verdict: Verdict, wishes: Wishes) -> str:
    return "" if telling.kind is AlertKind.STAND_DOWN else say_doubt(verdict.chance_pct, wishes)


def _cause(telling: NotificationDecision, verdict: Verdict, wishes: Wishes) -> str:
    if telling.kind is AlertKind.STAND_DOWN:
        return "clear sky is no longer likely" if telling.why is Why.TURNED_BAD else telling.text
    if telling.kind is AlertKind.HEADS_UP and verdict.outlook is not None:
        is_sure = (verdict.chance_pct or 0) >= wishes.chance_go_pct
        return "" if is_sure else hangs_on(verdict.outlook)
    return telling.text if telling.kind is AlertKind.CHANGED or telling.why is Why.LAST_WORD else ""


def _hazards(outlook: Outlook) -> tuple[str, ...]:
    told = (HazardLevel.WARN, HazardLevel.FAIL)
    return tuple(_sentence(hazard.text) for hazard in outlook.hazards if hazard.level in told)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
