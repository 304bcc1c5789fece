"""Why a night rang, or why it didn't, as a person would argue it: for the command and for the pages.

From the rows of one case (service/explain/stored_verdict.py) to sentences; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from alerts.briefing.text.event import say_chance
from alerts.common.clock_times import zone_info
from alerts.common.phrases import from_row, say
from alerts.common.text import Clock, direction_word, length, listed, long_day, sentence, short_day
from alerts.common.time_text import say_lasting, say_span, say_when
from alerts.common.units import Units, in_units
from alerts.judging.rules import Reason, sky_reasons
from alerts.judging.verdict import VerdictWord, hangs_on
from alerts.notifying.model import AlertLevel, Why
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.target_text import target_name
from alerts.track.record.text import say_outcome
from alerts.weather.model_names import model_name, name_with_family, source_name
from alerts.weather.outlook import Outlook
from alerts.wishes.fields import drive_words, say_words
from alerts.wishes.model import Wishes, units_of
from service.explain.stored_verdict import Case, Sending, open_case
from service.store.json_values import from_json
from service.store.repositories.messages import Status
from service.store.repositories.people import default_wishes
from service.store.schema import core_tables


@dataclass(frozen=True, slots=True)
class Turn:
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
class Paragraph:
    """Some lines on one thing. kind: sky, wishes, held, hangs_on, forecasts, told, afterwards."""

    kind: str
    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Argument:
    """answer: why it rang or didn't, in a sentence or two; then what that rests on, in order."""

    answer: str
    turns: tuple[Turn, ...]
    paragraphs: tuple[Paragraph, ...]

    def lines_of(self, kind: str) -> tuple[str, ...]:
        """The lines on that thing; none where nothing is to be said of it."""
        return next((each.lines for each in self.paragraphs if each.kind == kind), ())


def argue(
    session: Session,
    subscription: core_tables.Subscription,
    night_name: date,
    now: datetime,
    open_ephemeris: Callable[[], Ephemeris],
    *,
    tell_darkness: bool = True,
) -> Argument:
    """Everything on that night for that subscription; BadInput for a date without a night there."""
    case = open_case(session, subscription, night_name, now, open_ephemeris, tell_darkness=tell_darkness)
    return argue_case(case)


def argue_case(case: Case) -> Argument:
    """The argument of a case; figures in the units wished now."""
    found = (
        Paragraph("sky", "The sky", tuple(_sky(case))),
        Paragraph("wishes", "Your wishes", tuple(_wishes(case))),
        Paragraph("held", "Held back", tuple(_held(case))),
        Paragraph("hangs_on", say("explain.head-hangs-on"), tuple(_hangs_on(case))),
        Paragraph("forecasts", "Forecasts", tuple(_forecasts(case))),
        Paragraph("told", say("explain.head-told"), tuple(_told(case))),
        Paragraph("afterwards", say("explain.head-afterwards"), tuple(_afterwards(case))),
    )
    units = units_of(from_json(Wishes, case.subscription.wishes))
    paragraphs = tuple(
        Paragraph(each.kind, each.heading, tuple(in_units(line, units) for line in each.lines))
        for each in found
        if each.lines
    )
    turns = say_turns(case.decisions, case.site.zone, case)
    return Argument(
        in_units(answer(case), units), tuple(_turn_in_units(each, units) for each in turns), paragraphs
    )


def _turn_in_units(turn: Turn, units: Units) -> Turn:
    at, until, why, told = (in_units(text, units) for text in (turn.at, turn.until, turn.why, turn.told))
    return replace(turn, at=at, until=until, why=why, told=told)


# ---- sky and wishes


def _sky(case: Case) -> Iterator[str]:
    night, tz = case.night, case.site.tz
    if not night.windows:
        yield from (sentence(str(reason.text)) for reason in sky_reasons(night, case.site))
        return
    for window in night.windows:
        line = say("explain.window", span=say_span(window.span, tz), lasting=say_lasting(window.span))
        if window.track and max(point.altitude_deg for point in window.track) > 0:
            highest = max(window.track, key=lambda point: point.altitude_deg)
            where = f"{direction_word(highest.azimuth_deg)}, {highest.altitude_deg:.0f}° high"
            line += say("explain.window-highest", target_name=target_name(window.target), where=where)
        yield f"{line}."
    yield from (sentence(each) for each in case.darkness)
    moon = f"{100 * night.moon_lit:.0f} % lit"
    yield say("explain.moon", moon=moon, value=", and down in the window" if night.wishes.moonless else "")


def _wishes(case: Case) -> Iterator[str]:
    """Each rule with its margin as it was judged last, the deciding one first; then what was asked for."""
    if case.decisions:
        last = case.last
        yield f"As judged {case.clock.stamp(last.confirmed_at)}, {last.verdict}:"
        if case.outlook is not None and (said := _chance(case, case.outlook)):
            yield f"{said}."
        reasons = case.reasons_of(last)
        yield from (f"{_mark(reason, is_first=not k)} {reason.text}" for k, reason in enumerate(reasons))
    asked = say_words(case.wishes, _usual(case))
    if asked:
        yield say("explain.wishes-asked", asked="; ".join(asked))
    if case.wishes.is_estimate_on(case.night.name):
        yield sentence(drive_words(case.wishes))


def _chance(case: Case, outlook: Outlook) -> str:
    return say_chance(
        outlook,
        case.site,
        shortest=case.wishes.shortest_window,
        now=case.last.confirmed_at,
        night_name=case.night.name,
    )


def _mark(reason: Reason, *, is_first: bool) -> str:
    return f"{'decided' if is_first else say('briefing.result', result=reason.result)}:"


def _usual(case: Case) -> Wishes:
    return replace(default_wishes(), clock_zone=case.subscription.person.zone)


# ---- the way to the verdict


def say_turns(
    decisions: Sequence[core_tables.Decision], zone: str, case: Case | None = None
) -> tuple[Turn, ...]:
    """Every verdict on the way, oldest first. case: for what each model said then."""
    clock = Clock(zone_info(zone))
    return tuple(
        Turn(
            as_of=each.as_of,
            confirmed_at=each.confirmed_at,
            at=clock.stamp(each.as_of),
            until="" if each.confirmed_at <= each.as_of else clock.stamp(each.confirmed_at),
            verdict=each.verdict,
            chance_pct=each.chance_pct,
            why=_deciding(each, case),
            told=_told_of(each),
            sources=_sources(case.outlook_of(each), each.as_of) if case else "",
        )
        for each in decisions
    )


def _deciding(decision: core_tables.Decision, case: Case | None) -> str:
    if not decision.reasons:
        return ""
    text = case.reasons_of(decision)[0].text if case else from_row(decision.reasons[0]["text"])
    return sentence(str(text))


def _told_of(decision: core_tables.Decision) -> str:
    """`Told: a go.`, or why there was silence."""
    if decision.told:
        return f"Told: {KIND_WORDS.get(decision.told, decision.told)}."
    why = sentence(decision.why_text)
    return f"Silent: {why[:1].lower()}{why[1:]}" if why else ""


def _sources(outlook: Outlook | None, as_of: datetime) -> str:
    """`by itself ECMWF 78 %, ICON (DWD) 78 %; the newest run 4 h old`."""
    if outlook is None:
        return ""
    said = [f"{source_name(each.source)} {100 * each.chance:.0f} %"
            for each in outlook.per_source if each.chance is not None]  # fmt: skip
    if not said:
        return say("explain.sources-silent")
    issue = outlook.newest_issue
    age = say("explain.sources-newest", length=length(max(as_of - issue, timedelta(0)))) if issue else ""
    raw_pct = outlook.raw_chance_pct
    by_record = "" if raw_pct in (None, outlook.chance_pct) else say("explain.sources-raw", raw_pct=raw_pct)
    if by_record and outlook.chance_range_pct is not None:
        low, high = outlook.chance_range_pct
        by_record += say("explain.sources-range", low=low, high=high)
    return f"by itself {', '.join(said)}{age}{by_record}"


def _held(case: Case) -> Iterator[str]:
    """Each time a word was kept back that the night had earned, each reason once."""
    seen: set[str] = set()
    for each in case.decisions:
        if each.told is None and each.why in HELD_BACK and each.why_text not in seen:
            seen.add(each.why_text)
            yield f"{case.clock.stamp(each.as_of)}: {each.why_text}."


def _hangs_on(case: Case) -> Iterator[str]:
    """For a wait: what it hangs on, and when it is decided."""
    if not case.decisions or case.is_past or case.last.verdict != VerdictWord.WAIT:
        return
    outlook, leave_by = case.outlook, case.last.leave_by
    decided = case.reasons_of(case.last)[0].text
    yield sentence(str(decided))
    if outlook is not None and (doubt := hangs_on(outlook)) and str(doubt) not in str(decided):
        yield sentence(str(doubt))
    if leave_by is not None and case.now < leave_by - case.wishes.notice:
        clock = case.wishes.clock(case.site.tz)
        yield f"We decide {say_when(leave_by - case.wishes.notice, case.now, clock)}."


def _forecasts(case: Case) -> Iterator[str]:
    """What the last decision rests on, and what came but couldn't be used."""
    if case.decisions and not case.forecasts:
        needed = (
            say("explain.forecast-not-needed") if not case.night.windows else say("explain.forecast-none")
        )
        yield needed
    for row in case.forecasts:
        yield f"{name_with_family(row.feed, row.model, row.lineage)}: {_ages(case, row)}."
    outlook = case.outlook
    for entry in outlook.per_source if outlook else ():
        if entry.chance is None:
            yield f"Not used: {source_name(entry.source)}: {entry.why_not}."
    yield from (_say_refused(row, case.clock) for row in case.rejected[:5])


def _say_refused(row: core_tables.Forecast, clock: Clock) -> str:
    """A model's answer that couldn't be used; that of a whole feed where no model is named."""
    at, reason = clock.stamp(row.fetched_at), row.rejected or ""
    if not row.model:
        return say(
            "explain.feed-unusable",
            feed=row.feed,
            at=at,
            removeprefix=reason.removeprefix(f"{row.feed}: "),
        )
    reason = reason.removeprefix(f"{row.feed} {row.model}: ")  # kept with the codes, said by the name
    return f"Refused on {at}: {model_name(row.feed, row.model)}: {reason}"


def _ages(case: Case, row: core_tables.Forecast) -> str:
    clock = case.clock
    came = f"came {clock.stamp(row.fetched_at)}"
    if row.issued_at is None:
        return say("explain.forecast-unknown-issue", came=came)
    age = max(case.last.confirmed_at - row.issued_at, timedelta(0))
    return say("explain.forecast-age", stamp=clock.stamp(row.issued_at), came=came, length=length(age))


# ---- what was told, and what came


def _told(case: Case) -> Iterator[str]:
    clock = case.clock
    for each in case.sendings:
        chance = each.alert.facts.get("chance_pct")
        kind = KIND_WORDS.get(each.alert.kind, each.alert.kind).split(maxsplit=1)[1].capitalize()
        then = "" if chance is None else f", {chance} % then"
        state = STATE_WORDS.get(each.state, each.state)
        waits = each.dropped is None and each.message.status in (Status.DUE, Status.RETRY)
        due = say("explain.told-due", stamp=clock.stamp(each.message.due_at)) if waits else ""
        yield f"{kind}, {clock.stamp(each.alert.raised_at)}{then}; {state}{due}. Message {each.message.id}."
        if each.message.note:
            yield f"  {sentence(each.message.note)}"
        yield from (f"  {_say_attempt(attempt, clock)}" for attempt in each.attempts)
    if case.decisions and not case.sendings:
        yield say("explain.told-nothing")


def _say_attempt(attempt: core_tables.Attempt, clock: Clock) -> str:
    """What the relay or receiver answered, on the real clock."""
    answered = " ".join(filter(None, (attempt.code, (attempt.answer or "").strip()[:120])))
    result = {"sent": "taken", "failed": "not taken", "maybe_sent": "perhaps taken"}
    said = result.get(attempt.result, attempt.result)
    return f"Tried {clock.stamp(attempt.started_at)}: {said}{f' ({answered})' if answered else ''}."


def _afterwards(case: Case) -> Iterator[str]:
    for outcome in case.outcomes:
        yield from say_outcome(outcome, case.site.tz)
    if not case.outcomes and case.reports:
        said = listed(sorted({each.seen.value.replace("_", " ") for each in case.reports}))
        yield f"People said: {said}."
    if case.is_past and case.decisions and not case.outcomes and not case.reports and case.night.windows:
        yield say("explain.nobody-said")


KIND_WORDS = {"heads_up": "a heads-up", "go": "a go", "changed": "a change", "stand_down": "a stand-down"}
STATE_WORDS = {
    "sent": "arrived",
    "due": say("explain.state-due"),
    "sending": say("explain.state-sending"),
    "retry": say("explain.state-retry"),
    "failed": "failed",
    "expired": say("explain.state-expired"),
    "superseded": say("explain.state-superseded"),
    "suppressed": say("explain.state-suppressed"),
    "cancelled": say("explain.state-cancelled"),
}
HELD_BACK = (
    Why.QUIET_HOURS,
    Why.ENOUGH_SAID,
    Why.ENOUGH_THIS_WEEK,
    Why.JUST_TURNED,
    Why.ONE_LINEAGE,
    Why.NOT_SURELY_AGAIN,
    Why.TOO_LATE,
    Why.TOO_EARLY,
)
"""Silence about a night that was good enough, or nearly."""


def answer(case: Case) -> str:
    """Why it rang, or why it didn't."""
    if case.sendings:
        return _it_rang(case)
    if not case.decisions:
        return _never_judged(case)
    silent = say("explain.did-not-ring") if case.is_past else say("explain.has-not-rung")
    return f"{silent}: {_why_silent(case)}"


def _it_rang(case: Case) -> str:
    clock = case.clock
    said = [f"{KIND_WORDS[each.alert.kind]} on {clock.stamp(each.alert.raised_at)}" for each in case.sendings]
    lost = [each for each in case.sendings if each.state != "sent"]
    arrived = "" if not lost else f" {sentence(listed([_say_lost(each) for each in lost]))}"
    rang = "It rang" if len(lost) < len(case.sendings) else say("explain.was-to-ring")
    return f"{rang}: {listed(said)}.{arrived}"


def _say_lost(sending: Sending) -> str:
    kind = KIND_WORDS[sending.alert.kind].split(maxsplit=1)[1]
    return f"the {kind} {STATE_WORDS.get(sending.state, sending.state)}"


def _why_silent(case: Case) -> str:
    """What kept every decision silent; the one that stood highest speaks for all, the latest of equals."""
    highest = max(reversed(case.decisions), key=lambda each: each.rung)
    if case.is_past and case.ran_before_leaving is False:
        return say("explain.no-cycle-before-leaving")
    if highest.rung >= AlertLevel.GOOD or highest.why in HELD_BACK:
        return f"{_kept(highest)}."
    if case.last.why == Why.USUAL_HERE:
        return f"{_kept(case.last)}."
    deciding = case.reasons_of(case.last)[0]
    return f"{deciding.text}.{_best_seen(case, deciding)}"


def _best_seen(case: Case, deciding: Reason) -> str:
    """` The best chance seen was 49 %, on …`, where it was once better than at last."""
    best = max((each.chance_pct for each in case.decisions if each.chance_pct is not None), default=None)
    when = next((each.as_of for each in case.decisions if each.chance_pct == best), None)
    if best is None or when is None or best == case.last.chance_pct:
        return ""
    is_new = deciding.rule != "chance" and best < case.wishes.chance_go_pct
    wanted = say("explain.best-seen-wanted", chance_go_pct=case.wishes.chance_go_pct) if is_new else ""
    return say("explain.best-seen", best=best, stamp=case.clock.stamp(when), wanted=wanted)


def _kept(decision: core_tables.Decision) -> str:
    return decision.why_text or decision.why.replace("_", " ")


def _never_judged(case: Case) -> str:
    """Why no cycle has looked at it, the plainest reason first."""
    subscription, address = case.subscription, case.subscription.address
    if address.confirmed_at is None:
        confirm = say("explain.confirm-command", id=address.id)
        return say("explain.unconfirmed", confirm=confirm)
    if address.off_since is not None:
        return say(
            "explain.address-off",
            stamp=case.clock.stamp(address.off_since),
            off_reason=address.off_reason,
        )
    if subscription.paused_until is not None and subscription.paused_until > case.now:
        return say("explain.paused", stamp=case.clock.stamp(subscription.paused_until))
    if subscription.created_at >= case.night.span.end:
        since = case.clock.stamp(subscription.created_at)
        return say("explain.subscribed-later", since=since)
    if case.is_past:
        if case.kept_from is not None and case.night.name < case.kept_from:
            return say("explain.forgotten", long_day=long_day(case.kept_from))
        if not case.cycles:
            return say("explain.no-cycle-ran")
        return say("explain.never-wished")
    return f"{_not_yet(case)}{_sky_forbids(case)}"


def _not_yet(case: Case) -> str:
    if case.now.astimezone(case.site.tz).date() < case.first_looked_at:
        return say(
            "explain.judged-from-day",
            days_ahead=case.wishes.days_ahead,
            short_day=short_day(case.first_looked_at),
        )
    return say("explain.next-cycle-looks")


def _sky_forbids(case: Case) -> str:
    if case.night.windows:
        return ""
    return say("explain.sky-forbids", text=sky_reasons(case.night, case.site)[0].text)
