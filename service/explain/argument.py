"""Why a night rang, or why it didn't, as a person would argue it: for the command and for the pages.

From the rows of one case (service/explain/stored_verdict.py) to sentences; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alerts.briefing.text.alert_lines import say_chance
from alerts.common.clock_times import zone_info
from alerts.common.phrases import Phrase, Reader, Worded, kept, phrase, say
from alerts.common.text import direction_word
from alerts.common.time_text import long_day, say_minutes
from alerts.judging.rules import Reason, sky_reasons
from alerts.judging.verdict import VerdictWord, hangs_on
from alerts.notifying.model import AlertLevel, Why
from alerts.sky.night import rests_on_assumed_level, target_phrase
from alerts.track.record.text import outcome_lines
from alerts.weather.models import model_name, name_with_family, source_name
from alerts.weather.outlook import Outlook
from alerts.wishes.fields import drive_phrase, say_words
from alerts.wishes.model import DEFAULT_WISHES, Wishes, units_of
from service.explain.stored_verdict import Case, Sending
from service.feeds.shared.checked_answers import fault_of
from service.store.json_values import from_json, said_in
from service.store.repositories.messages import Status
from service.store.schema.core_tables import DecisionRow

MOST_REFUSED = 5
"""So many answers that couldn't be used are named."""
HELD_BACK = frozenset(why for why in Why if why.holds_back)


@dataclass(frozen=True, slots=True)
class VerdictTurn:
    """One verdict on the way.

    at, until: when it was reached and when it last held, in words; until is "" where it held no longer.
    why: what decided; told: what was told of it, or why there was silence; sources: what each model said.
    """

    as_of: datetime
    confirmed_at: datetime
    at: str
    until: str
    verdict: str
    chance_pct: int | None
    why: str
    told: str
    sources: str = ""


@dataclass(frozen=True, slots=True)
class Section(Worded):
    """What was found on one thing, and the same in words. kind: sky, wishes, held, hangs_on, forecasts, told,
    afterwards."""

    kind: str
    heading: str
    lines: tuple[str, ...]
    findings: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True)
class Argument(Worded):
    """answer: why it rang or didn't, in a sentence or two; then what that rests on, in order. findings: what
    the answer says."""

    answer: str
    turns: tuple[VerdictTurn, ...]
    paragraphs: tuple[Section, ...]
    findings: tuple[Phrase, ...]

    def lines_of(self, kind: str) -> tuple[str, ...]:
        """The lines on that thing; none where nothing is to be said of it."""
        return next((each.lines for each in self.paragraphs if each.kind == kind), ())


def argue(case: Case) -> Argument:
    """Everything on a case, on the clock that the person lives by, the sky on the site's; figures in the
    units wished now."""
    zone = zone_info(case.wishes.clock_zone or case.site.zone)
    reader = Reader(zone, units_of(from_json(Wishes, case.subscription.wishes)), case.now)
    at_site = replace(reader, zone=case.site.tz)
    sections = []
    for kind, find, whose in (
        ("sky", _sky, at_site),
        ("wishes", _wishes, reader),
        ("held", _held, reader),
        ("hangs_on", _hangs_on, reader),
        ("forecasts", _forecasts, reader),
        ("told", _told, reader),
        ("afterwards", _afterwards, reader),
    ):
        findings = tuple(find(case))
        if findings:
            lines = tuple(say(each, whose) for each in findings)
            sections.append(Section(kind, say("explain.heading", kind=kind), lines, findings))
    answer = tuple(find_answer(case))
    return Argument(
        " ".join(say(each, reader) for each in answer),
        say_turns(case.decisions, at_site, case),
        tuple(sections),
        answer,
    )


# ---- the one answer: why it rang, or why it didn't


def find_answer(case: Case) -> Iterator[Phrase]:
    """Why it rang, or why it didn't, in a sentence or two."""
    if not case.decisions and not case.sendings:
        yield from _never_judged(case)
        return
    if not case.sendings:
        if case.is_past and case.ran_before_leaving is False:
            yield phrase("explain.no-cycle-before-leaving")
        else:
            yield from _why_silent(case)
        return
    told = [
        phrase("explain.told-on", kind=each.alert.kind, at=each.alert.raised_at) for each in case.sendings
    ]
    lost = [
        phrase("explain.lost", kind=_kind(each), state=phrase("explain.state", state=each.state))
        for each in case.sendings
        if each.state != "sent"
    ]
    yield phrase("explain.rang", is_lost=len(lost) == len(told), told=told)
    if lost:
        yield phrase("explain.lost-all", lost=phrase("explain.lost-list", lost=lost))


def _sentence(finding: Phrase) -> Phrase:
    return phrase("explain.sentence", finding=finding)


def _kind(sending: Sending) -> Phrase:
    return phrase("explain.kind", kind=sending.alert.kind)


def _why_silent(case: Case) -> Iterator[Phrase]:
    """What kept every decision silent: the one that stood highest speaks for all, the latest of equals. Else
    what decided last, and the best chance seen where that was once better."""
    silent = "explain.did-not-ring" if case.is_past else "explain.has-not-rung"
    highest = max(reversed(case.decisions), key=lambda each: each.rung)
    for each in (highest, case.last):
        is_kept = each.rung >= AlertLevel.GOOD or each.why in HELD_BACK
        if is_kept if each is highest else each.why == Why.USUAL_HERE:
            yield phrase(silent, why=_why(each))
            return
    deciding = case.reasons_of(case.last)[0]
    yield phrase(silent, why=deciding.text)
    best = max((each.chance_pct for each in case.decisions if each.chance_pct is not None), default=None)
    if best is not None and best != case.last.chance_pct:
        seen_at = next(each.as_of for each in case.decisions if each.chance_pct == best)
        go_pct = case.wishes.chance_go_pct
        key = "explain.best-seen"
        if deciding.rule != "chance" and best < go_pct:
            key = "explain.best-seen-wanted"  # the limit is said with the chance's own reason already
        yield phrase(key, best_pct=best, at=seen_at, go_pct=go_pct)


def _never_judged(case: Case) -> Iterator[Phrase]:
    """Why no cycle has looked at it, the plainest reason first."""
    subscription, address = case.subscription, case.subscription.address
    if address.confirmed_at is None:
        yield phrase("explain.unconfirmed", number=address.id)
    elif address.off_since is not None:
        yield phrase("explain.address-off", since=address.off_since, why=address.off_reason)
    elif subscription.paused_until is not None and subscription.paused_until > case.now:
        yield phrase("explain.paused", until=subscription.paused_until)
    elif subscription.created_at >= case.night.span.end:
        yield phrase("explain.subscribed-later", since=subscription.created_at)
    elif case.is_past and case.kept_from is not None and case.night.name < case.kept_from:
        yield phrase("explain.forgotten", day=long_day(case.kept_from))
    elif case.is_past:
        yield phrase("explain.never-wished" if case.cycles else "explain.no-cycle-ran")
    else:
        if case.now.astimezone(case.site.tz).date() < case.first_looked_at:
            yield phrase(
                "explain.judged-from-day", days_ahead=case.wishes.days_ahead, first=case.first_looked_at
            )
        else:
            yield phrase("explain.next-cycle-looks")
        if not case.night.windows:
            yield phrase("explain.sky-forbids", why=sky_reasons(case.night, case.site)[0].text)


# ---- sky and wishes


def _sky(case: Case) -> Iterator[Phrase]:
    night = case.night
    if not night.windows:
        yield from (_sentence(reason.text) for reason in sky_reasons(night, case.site))
        return
    for window in night.windows:
        highest = max(window.track, key=lambda point: point.altitude_deg, default=None)
        if highest is None or highest.altitude_deg <= 0:
            yield phrase("explain.window", window=window.span)
        else:
            yield phrase(
                "explain.window-highest",
                window=window.span,
                target=target_phrase(window.target),
                toward=direction_word(highest.azimuth_deg),
                altitude_deg=highest.altitude_deg,
            )
    if rests_on_assumed_level(case.site, night.wishes.target):
        yield phrase("explain.horizon-assumed")
    yield from (_sentence(each) for each in case.darkness)
    yield phrase("explain.moon", lit_pct=100 * night.moon_lit, is_down=night.wishes.moonless)


def _wishes(case: Case) -> Iterator[Phrase]:
    """Each rule with its margin as it was judged last, the deciding one first; then what was asked for."""
    if case.decisions:
        last = case.last
        yield phrase("explain.as-judged", at=last.confirmed_at, verdict=last.verdict)
        if case.outlook is not None:
            said = say_chance(
                case.outlook,
                case.site,
                shortest=case.wishes.shortest_window,
                now=last.confirmed_at,
                night_name=case.night.name,
            )
            if said:
                yield kept(f"{said}.")
        for k, reason in enumerate(case.reasons_of(last)):
            mark = phrase("briefing.result", result=reason.result) if k else phrase("explain.decided")
            yield phrase("explain.reason", mark=mark, reason=reason.text)
    usual = replace(DEFAULT_WISHES, clock_zone=case.subscription.person.zone)
    if asked := say_words(case.wishes, usual):
        yield phrase("explain.wishes-asked", asked=asked)
    if case.wishes.drive_on(case.night.name).is_estimate:
        yield _sentence(drive_phrase(case.wishes))


# ---- the way to the verdict


def say_turns(
    decisions: Sequence[DecisionRow], reader: Reader, case: Case | None = None
) -> tuple[VerdictTurn, ...]:
    """Every verdict on the way, oldest first. case: for what each model said then."""
    turns = []
    for each in decisions:
        why = told = sources = until = ""
        if each.reasons:
            found = case.reasons_of(each)[0].text if case else from_json(Reason, each.reasons[0]).text
            why = say(_sentence(found), reader)
        if each.told:
            told = say("explain.told-kind", reader, kind=each.told)
        elif (silence := each.why_said) is not None:
            told = say("explain.silent", reader, why=silence)
        if each.confirmed_at > each.as_of:
            until = say("explain.stamp", reader, at=each.confirmed_at)
        if case is not None:
            sources = _sources(case.outlook_of(each), each.as_of)
        turns.append(
            VerdictTurn(
                as_of=each.as_of,
                confirmed_at=each.confirmed_at,
                at=say("explain.stamp", reader, at=each.as_of),
                until=until,
                verdict=each.verdict,
                chance_pct=each.chance_pct,
                why=why,
                told=told,
                sources=sources,
            )
        )
    return tuple(turns)


def _sources(outlook: Outlook | None, as_of: datetime) -> str:
    """`by itself ECMWF 78 %, ICON (DWD) 78 %; the newest run 4 h old`."""
    if outlook is None:
        return ""
    alone = [
        phrase("explain.source-alone", source=source_name(each.source), chance_pct=100 * each.chance)
        for each in outlook.per_source
        if each.chance is not None
    ]
    if not alone:
        return say("explain.sources-silent")
    clauses = [phrase("explain.sources-alone", sources=alone)]
    if outlook.newest_issue:
        age = say_minutes(max(as_of - outlook.newest_issue, timedelta(0)))
        clauses.append(phrase("explain.sources-newest", age=age))
    if outlook.raw_chance_pct not in (None, outlook.chance_pct):
        if outlook.chance_range_pct is None:
            clauses.append(phrase("explain.sources-raw", raw_pct=outlook.raw_chance_pct))
        else:
            low, high = outlook.chance_range_pct
            clauses.append(
                phrase(
                    "explain.sources-raw-range", raw_pct=outlook.raw_chance_pct, low_pct=low, high_pct=high
                )
            )
    return say("explain.sources", clauses=clauses)


def _held(case: Case) -> Iterator[Phrase]:
    """Each time a word was kept back that the night had earned, each reason once."""
    seen: list[Phrase] = []
    for each in case.decisions:
        if each.told is None and each.why in HELD_BACK and (why := _why(each)) not in seen:
            seen.append(why)
            yield phrase("explain.held", at=each.as_of, why=why)


def _why(decision: DecisionRow) -> Phrase:
    """Why it told something or nothing; of the first rows, which have its code alone, that."""
    return decision.why_said or kept(decision.why.replace("_", " "))


def _hangs_on(case: Case) -> Iterator[Phrase]:
    """For a wait: what it hangs on, and when it is decided."""
    if not case.decisions or case.is_past or case.last.verdict != VerdictWord.WAIT:
        return
    outlook, leave_by = case.outlook, case.last.leave_by
    decided = case.reasons_of(case.last)[0].text
    yield _sentence(decided)
    doubt = hangs_on(outlook) if outlook is not None else None
    is_named = doubt is not None and any(each in decided.values for each in doubt.values)
    if doubt is not None and not is_named:
        yield _sentence(doubt)
    if leave_by is not None and case.now < leave_by - case.wishes.notice:
        yield phrase("explain.decided-at", at=leave_by - case.wishes.notice)


def _forecasts(case: Case) -> Iterator[Phrase]:
    """What the last decision rests on, and what came but couldn't be used."""
    if case.decisions and not case.forecasts:
        yield phrase("explain.forecast-none" if case.night.windows else "explain.forecast-not-needed")
    for row in case.forecasts:
        name = name_with_family(row.feed, row.model, row.lineage)
        if row.issued_at is None:
            yield phrase("explain.forecast-unknown-issue", model=name, came=row.fetched_at)
            continue
        age = say_minutes(max(case.last.confirmed_at - row.issued_at, timedelta(0)))
        yield phrase("explain.forecast", model=name, issued=row.issued_at, came=row.fetched_at, age=age)
    for entry in case.outlook.per_source if case.outlook else ():
        if entry.chance is None:
            yield phrase("explain.forecast-unused", source=source_name(entry.source), why=entry.why_not)
    for row in case.rejected[:MOST_REFUSED]:
        what = said_in(row, "rejected")
        if what is None:
            continue
        if row.model:
            model = model_name(row.feed, row.model)
            yield phrase("explain.forecast-refused", at=row.fetched_at, model=model, why=fault_of(what))
        else:
            yield phrase("explain.feed-unusable", at=row.fetched_at, feed=row.feed, why=fault_of(what))


# ---- what was told, and what came


def _told(case: Case) -> Iterator[Phrase]:
    """Each message and what became of it; of each try what the relay or receiver answered."""
    for each in case.sendings:
        chance_pct = each.alert.facts.get("chance_pct")
        state = phrase("explain.state", state=each.state)
        if each.dropped is None and each.message.status in (Status.DUE, Status.RETRY):
            state = phrase("explain.state-waits", state=each.message.status, due=each.message.due_at)
        yield phrase(
            "explain.message" if chance_pct is None else "explain.message-chance",
            kind=_kind(each),
            at=each.alert.raised_at,
            chance_pct=chance_pct,
            state=state,
            message=each.message.id,
        )
        if (note := said_in(each.message, "note")) is not None:
            yield phrase("explain.message-note", note=note)
        for attempt in each.attempts:
            answered = " ".join(filter(None, (attempt.code, (attempt.answer or "").strip()[:120])))
            result = phrase("explain.attempt-result", result=attempt.result)
            yield phrase("explain.attempt", at=attempt.started_at, result=result, answered=answered)
    if case.decisions and not case.sendings:
        yield phrase("explain.told-nothing")


def _afterwards(case: Case) -> Iterator[Phrase]:
    for outcome in case.outcomes:
        yield from (line.on(case.site.zone) for line in outcome_lines(outcome))
    if not case.outcomes and case.reports:
        seen = sorted({each.seen for each in case.reports})
        yield phrase("explain.people-said", said=[phrase("explain.seen", seen=each) for each in seen])
    if case.is_past and case.decisions and not case.outcomes and not case.reports and case.night.windows:
        yield phrase("explain.nobody-said")
