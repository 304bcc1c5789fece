"""One alert put into words, field by field: what the templates lay out.

Templates choose the order and the sentences round these words; nothing is computed in them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from alerts.briefing.facts import AlertFacts, Attribution, to_the_minute
from alerts.briefing.text.alert_lines import (
    event_told,
    last_said,
    last_word,
    other_lines,
    say_event,
    say_horizon,
    say_models,
    say_moonlit,
    say_sight,
    say_sky,
    say_towns,
    time_of_evening,
    where_stands,
    words_of,
)
from alerts.briefing.text.field import FieldView, field_view
from alerts.common.clock_times import Clock, clock_in
from alerts.common.phrases import Phrase, Reader, phrase, say
from alerts.common.span import Span
from alerts.common.text import (
    LONGEST_NAME,
    capital,
    clear_words,
    direction_word,
    plain,
    sentence,
    weekday_name,
)
from alerts.common.time_text import long_day, say_day
from alerts.common.units import Units
from alerts.notifying.model import AlertKind
from alerts.sky.night import piece_phrase, told_pieces

CALLED_OFF = ("stand_down", "stay")
"""Forms that send nobody out: they tell neither of the trip nor of what the chance rests on."""
OVERHEAD_DEG = 75.0
"""From here on a direction says little: one looks up."""


@dataclass(frozen=True, slots=True)
class FactRow:
    """One line of facts. name: what it tells, in any language. tone: the colour that carries it ("lamp",
    "core", "moon" or "")."""

    name: str
    label: str
    value: str
    tone: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertView:
    """The words of one alert. Empty text means: nothing to say.

    when, when_short: "tonight", or "on Saturday 18 July", "on Sat 18 July" seen from another day.
    between: "23:20 and 01:50".  core: "core in the south".
    event: what the chance is of: "at least one clear hour between 23:22 and 04:23".
    told: what was said before, as a clause: "at noon 81 %".
    rows: the table of facts.  basis: what the chance rests on.
    forecast: the age of the forecast, one sentence.
    field: the field plan, where there is one.  next_window: "Thursday 6 August".
    instead: "the Milky Way's band 22:30 to 03:10 (4 h 40 min)".  first_look: "Mon 5 July".
    outcome_url: where to say how it was, for what sends someone out.
    """

    kind: AlertKind
    form: str
    badge: str
    name: str
    is_go: bool
    invented: bool
    night: str
    night_short: str
    when: str
    when_short: str
    between: str
    chance: str
    event: str
    told: str
    fell: bool
    clear_for: str
    core: str
    moon: str
    agreement: str
    cause: str
    leave: str
    decide: str
    zones: str
    rows: tuple[FactRow, ...]
    basis: tuple[FactRow, ...]
    reasons: tuple[str, ...]
    hazards: tuple[str, ...]
    forecast: str
    field: FieldView | None = None
    access_note: str = ""
    last_word: str = ""
    last_said: str = ""
    is_unsettled: bool = False
    fork: str = ""
    others: tuple[str, ...] = ()
    next_window: str = ""
    instead: tuple[str, ...] = ()
    first_look: str = ""
    outcome_url: str = ""


def view_alert(facts: AlertFacts, units: Units = Units.METRIC, *, in_full: bool = True) -> AlertView:
    """Put the facts into words, every text made plain and every time, to the minute, set in its zone.

    in_full: also what the chance rests on, and of what sends someone out, and for who asks about a night that
    may, the field plan.
    """
    facts = to_the_minute(facts)
    field, home = _clocks(facts, units)
    reader = Reader(field.zone, units)
    form, chance, night, decided_at = facts.form, facts.chance_pct, facts.night, facts.decided_at
    badge = "too_early" if facts.first_look is not None else "unsettled" if facts.is_unsettled else form
    event, last = event_told(facts), last_said(facts)
    target = phrase("briefing.target", target=plain(facts.target_name))

    # when: the night is the coming one, or the one still running before noon
    now = field.local(decided_at)
    running = now.date() - timedelta(days=1) if now.hour < 12 else now.date()
    is_tonight, long, short = night in (running, now.date()), long_day(night), say_day(night)
    between = ""
    if facts.window is not None:  # one that starts after midnight says the morning's day
        day = field.day(facts.window.start)
        times = {"start": field.time(facts.window.start), "end": field.time(facts.window.end)}
        between = say("briefing.between", reader, is_evening=day == night, day=long_day(day), **times)

    # where the target stands in the window's middle
    core = ""
    if facts.core:
        middle = facts.core[len(facts.core) // 2]
        place = {"target": target, "direction": direction_word(middle.azimuth_deg, 8)}
        core = say("briefing.core", reader, is_overhead=middle.altitude_deg >= OVERHEAD_DEG, **place)

    # the trip: when to leave, when that is decided, and on whose clocks
    leave = decide = ""
    if facts.leave_by is not None:
        is_today = home.day(facts.leave_by) == field.day(decided_at)
        leave = (
            home.time(facts.leave_by) if is_today else time_of_evening(facts.leave_by, facts, home, reader)
        )
    if facts.decide_at is not None:
        day, at = home.day(facts.decide_at), home.time(facts.decide_at)
        is_today = day == home.day(decided_at)
        decide = say("briefing.decide", reader, is_today=is_today, day=long_day(day), at=at)
    there = field.note(facts.window.start if facts.window else decided_at)
    here = "" if home.zone.key == field.zone.key else home.note(facts.leave_by or decided_at)
    plans = facts.is_go or (facts.preview and form not in CALLED_OFF)

    return AlertView(
        kind=facts.kind,
        form=form,
        badge=say("briefing.badge", reader, form=badge),
        name=plain(facts.site_name, LONGEST_NAME),
        is_go=facts.is_go,
        invented=facts.invented,
        night=long,
        night_short=short,
        when=say("briefing.when", reader, is_tonight=is_tonight, day=long),
        when_short=say("briefing.when", reader, is_tonight=is_tonight, day=short),
        between=between,
        chance="" if chance is None else say("briefing.percent", reader, chance_pct=chance),
        event=say_event(event, field, night) if event else "",
        told=_told(facts, home, reader),
        fell=chance is not None and (facts.told_chance_pct or 0) - chance >= 10,
        clear_for=clear_words(facts.shortest_window),
        core=core,
        moon=words_of(facts.moon, reader),
        agreement=words_of(facts.agreement, reader),
        cause=words_of(facts.cause, reader),
        leave=leave,
        decide=decide,
        zones=say("briefing.zones", reader, here=here, there=there),
        rows=_labelled(_facts_told(facts, field, home, reader), target, reader),
        basis=() if form in CALLED_OFF or not in_full else _labelled(_basis(facts, reader), target, reader),
        reasons=tuple(sentence(words_of(each, reader)) for each in facts.reasons),
        hazards=tuple(sentence(words_of(each, reader)) for each in facts.hazards),
        forecast=_forecast(facts, home, reader),
        field=field_view(facts, facts.field, field, home, reader)
        if in_full and plans and facts.field
        else None,
        access_note=plain(facts.access_note),
        next_window=_with_year(long_day, facts.next_window, night),
        instead=tuple(
            say(
                "briefing.instead",
                reader,
                target=words_of(each.words, reader),
                start=field.time(each.span.start),
                end=field.time(each.span.end),
                lasts=each.span.duration,
            )
            for each in facts.instead
        ),
        first_look=_with_year(say_day, facts.first_look, home.day(decided_at)),
        last_word=last_word(facts, home, reader),
        last_said=say(last, reader) if last else "",
        is_unsettled=facts.is_unsettled,
        fork=sentence(words_of(facts.fork, reader)),
        others=tuple(other_lines(facts, home, reader)),
        outcome_url=web_address(facts.outcome_url) if facts.is_go else "",
    )


def _clocks(facts: AlertFacts, units: Units) -> tuple[Clock, Clock]:
    """The site's clock, and the one for leaving and coming home; that one names its zone each time where it
    differs."""
    spans = [span for span in (facts.window, facts.best) if span is not None]
    edges = [edge for span in spans for edge in (span.start, span.end)]
    single = (facts.sunset, facts.dark_from, facts.dark_until, facts.sunrise)
    times = [at for at in (*edges, *single) if at is not None] or [facts.decided_at]
    field = clock_in(facts.zone, times, units.clock_hours)
    times = [at for at in (facts.leave_by, facts.home_about) if at is not None] or [facts.decided_at]
    home = clock_in(facts.person_zone or facts.zone, times, units.clock_hours)
    differs = any(home.local(at).utcoffset() != field.local(at).utcoffset() for at in times)
    return field, replace(home, marks_each=home.marks_each or differs)


def _told(facts: AlertFacts, home: Clock, reader: Reader) -> str:
    """`at noon 81 %`, `on Friday 81 %`: what was said before."""
    chance_pct, at = facts.told_chance_pct, facts.told_at
    if chance_pct is None:
        return ""
    if at is None:
        return say("briefing.told-before", reader, chance_pct=chance_pct)
    if home.day(at) != home.day(facts.decided_at):
        weekday = weekday_name(home.day(at))
        return say("briefing.told-on", reader, chance_pct=chance_pct, weekday=weekday)
    local = home.local(at)
    is_noon = (local.hour, local.minute) == (12, 0) and not home.marks_each
    return say("briefing.told-at", reader, chance_pct=chance_pct, is_noon=is_noon, at=home.time(at))


_Told = tuple[str, str, str]
"""A row's name, its words ("" says nothing) and its tone."""


def _labelled(rows: Iterable[_Told], target: Phrase, reader: Reader) -> tuple[FactRow, ...]:
    """Those that say something, each with its label. target: what a label of its track says."""
    return tuple(
        FactRow(name, say(f"briefing.row-{name}", reader, target=target), words, tone)
        for name, words, tone in rows
        if words
    )


def _facts_told(facts: AlertFacts, field: Clock, home: Clock, reader: Reader) -> Iterator[_Told]:
    """The table of facts; of a night that is called off nothing of the trip."""
    window, leave_by, is_off = facts.window, facts.leave_by, facts.form in CALLED_OFF
    if leave_by is not None and not is_off:
        was = facts.told_leave_by if facts.told_leave_by != leave_by else None
        how = ("-was" if was else "") + ("-estimate" if facts.estimate else "")
        values = {"at": home.stamp(leave_by), "was": was and home.time(was), "drive": facts.estimate}
        yield "leave", say(f"briefing.leave-by{how}", reader, **values), "lamp"
    if window is not None:
        told = facts.told_window if facts.told_window != window else None
        span = {"span": field.span(window), "lasts": window.duration, "was": told and field.span(told)}
        said = say("briefing.window-was" if told else "briefing.window", reader, **span)
        yield "window", said, "" if is_off else "lamp"
    if facts.best is not None and not is_off:
        yield "clearest", field.span(facts.best), ""

    track = [phrase("briefing.track", at=field.time(each.at), **where_stands(each)) for each in facts.core]
    if track:
        name = "core" if facts.target_name == "core" else "target"
        yield name, say("briefing.clauses", reader, parts=track), "core"
    if facts.shapes:
        *changing, last = told_pieces(facts.shapes)
        shapes = [
            phrase("briefing.shape-until", shape=piece_phrase(each), until=field.time(each.span.end))
            for each in changing
        ]
        said = say("briefing.shapes", reader, shapes=[*shapes, piece_phrase(last)])
        yield "milky-way", capital(said), "core"
    yield "moon", capital(words_of(facts.moon, reader)), "moon"
    ground = facts.ground if facts.form != "stand_down" else None
    if ground is not None:
        yield "ground", say_moonlit(ground, field, reader), "moon"

    if facts.dark_from is not None and facts.dark_until is not None and facts.dark_from < facts.dark_until:
        yield "dark", field.span(Span(facts.dark_from, facts.dark_until)), ""
    sun = [phrase("briefing.sun-sets", at=field.stamp(facts.sunset))] if facts.sunset else []
    sun += [phrase("briefing.sun-rises", at=field.stamp(facts.sunrise))] if facts.sunrise else []
    if sun:
        yield "sun", capital(say("briefing.clauses", reader, parts=sun)), ""
    if ground is not None:
        yield "horizon", say_horizon(ground, field, reader), ""
    if facts.home_about is not None and not is_off:
        yield "home", home.stamp(facts.home_about), ""


def _basis(facts: AlertFacts, reader: Reader) -> Iterator[_Told]:
    """What the chance rests on, and how dark the sky is where the camera looks."""
    yield "models", say_models(facts, reader), ""
    yield "direction", say_sight(facts, reader), ""
    yield "record", words_of(facts.record, reader), ""
    if facts.sky is not None:
        yield "sky", say_sky(facts.sky, reader), "core"
        yield "towns", say_towns(facts.sky, reader), ""


def _forecast(facts: AlertFacts, home: Clock, reader: Reader) -> str:
    """When it was decided, and by how old a forecast."""
    decided = {"decided": home.stamp(facts.decided_at)}
    if facts.forecast_issued_at is None:
        is_used = bool(facts.attributions) and facts.first_look is None
        return say("briefing.forecast-unknown", reader, is_used=is_used, **decided)
    age = max(facts.decided_at - facts.forecast_issued_at, timedelta(0))
    return say("briefing.forecast", reader, issued=home.stamp(facts.forecast_issued_at), age=age, **decided)


def _with_year(say_day: Callable[[date], str], day: date | None, beside: date) -> str:
    """`Thursday 6 August`, with its year when that is another one; "" for no day."""
    if day is None:
        return ""
    return say_day(day) if day.year == beside.year else f"{say_day(day)} {day.year}"


def credits_of(alerts: tuple[AlertFacts, ...]) -> tuple[Attribution, ...]:
    """The attributions of all alerts, each once, in the order they first appear."""
    every = (
        Attribution(plain(credit.text), web_address(credit.url))
        for facts in alerts
        for credit in facts.attributions
    )
    return tuple(dict.fromkeys(every))


def web_address(url: str | None) -> str:
    """The address if it is a plain web address, else nothing: no other scheme becomes a link."""
    shown = (url or "").strip()
    ok = shown.startswith(("https://", "http://")) and shown.isprintable() and " " not in shown
    return shown if ok else ""
