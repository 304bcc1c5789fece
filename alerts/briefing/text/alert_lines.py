"""The longer lines of an alert in words: what its chance is of and what that rests on, how dark the sky is
where the camera looks, the last word, the other sites of the night, and what every message says besides."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta

from alerts.briefing.facts import AlertFacts, GroundNote, Said, SkyNote
from alerts.common.clock_times import Clock, clock_in
from alerts.common.phrases import Phrase, Reader, kept, phrase, say
from alerts.common.plain_values import value
from alerts.common.span import Span
from alerts.common.text import LONGEST_NAME, capital, clear_words, direction_word, plain, weekday_name
from alerts.common.time_text import long_day, span_json, utc_text, whole_minutes
from alerts.judging.verdict import VerdictWord
from alerts.judging.window_brightness import SLIGHT_LOSS_MAG, SMOKE_TOLD_FROM_MAG
from alerts.notifying.model import AlertKind
from alerts.sites.model import Site
from alerts.sky.brightness.total import against_darkest
from alerts.sky.night import TrackPoint
from alerts.weather.outlook import Outlook
from alerts.weather.source_chance import still_ahead

CAUTIONS = (
    phrase("briefing.caution-warnings"),
    phrase("briefing.caution-driving"),
    phrase("briefing.caution-cold"),
    phrase("briefing.caution-turns"),
    phrase("briefing.caution-ground"),
    phrase("briefing.caution-tell"),
    phrase("briefing.caution-land"),
)
WATER = phrase("briefing.caution-water")
CHAT_CAUTION = phrase("briefing.caution-chat")
TURN_ROUND = phrase("briefing.turn-round")
_SPEAKS_OF_WATER = re.compile(
    r"\b(tid(e|es|al)|beach|shore|coast|causeway|ford|river|stream|lake|flood|marsh|mudflat|wave|sea)s?\b",
    re.IGNORECASE,
)
"""In a person's own note on a site."""


def cautions_for(alerts: Iterable[AlertFacts]) -> tuple[Phrase, ...]:
    """What to say besides: nothing unless an alert sends someone out; water where a site's note names it."""
    going = [facts for facts in alerts if facts.is_go]
    if not going:
        return ()
    by_water = any(_SPEAKS_OF_WATER.search(facts.access_note) for facts in going)
    return (*CAUTIONS, WATER) if by_water else CAUTIONS


def words_of(said: Said, reader: Reader) -> str:
    """A fact in words, made plain, for it may hold what people typed; a row's text as it stands."""
    if not said:
        return ""
    return plain(say(kept(said) if isinstance(said, str) else said, reader))


def say_models(facts: AlertFacts, reader: Reader) -> str:
    """`Each alone 45 to 90 %; together 6 points up with their last runs`; "" where neither is known."""
    spread = facts.spread_pct if facts.spread_pct and facts.spread_pct[0] != facts.spread_pct[1] else None
    parts = []
    if spread is not None:
        parts.append(phrase("briefing.models-alone", lowest_pct=spread[0], highest_pct=spread[1]))
    if facts.change_pct is not None:
        turn = "up" if facts.change_pct > 0 else "down" if facts.change_pct < 0 else "unchanged"
        parts.append(phrase(f"briefing.models-{turn}", points=abs(facts.change_pct)))
    return capital(say("briefing.clauses", reader, parts=parts)) if parts else ""


def say_sight(facts: AlertFacts, reader: Reader) -> str:
    """`Overhead clears, the south-east doesn't (overhead alone: 84 %)`; "" where both say the same."""
    if not facts.sight:
        return ""
    sight = capital(words_of(facts.sight, reader))
    if facts.overhead_pct is None:
        return sight
    return say("briefing.sight-overhead", reader, sight=sight, overhead_pct=facts.overhead_pct)


def say_sky(sky: SkyNote, reader: Reader) -> str:
    """`20.8 mag/arcsec² at the core, 0.2 mag from as dark as it gets this low (an estimate); smoke: …`."""
    subject = words_of(sky.subject, reader)
    found = {"mag_arcsec2": sky.mag_arcsec2, "subject": subject}
    if sky.above_darkest_mag is None:
        parts = [phrase("briefing.sky-brightness-alone", **found)]
    else:
        against = against_darkest(sky.above_darkest_mag, is_low=sky.is_low)
        parts = [phrase("briefing.sky-brightness", against=against, is_estimate=sky.is_estimate, **found)]
    if sky.loss_mag >= SLIGHT_LOSS_MAG:
        parts.append(phrase("briefing.sky-brightened", loss_mag=sky.loss_mag))
    if sky.smoke_mag >= SMOKE_TOLD_FROM_MAG:
        parts.append(phrase("briefing.sky-smoke", subject=subject, dimmed_mag=sky.dimmed_mag))
    return capital(say("briefing.clauses", reader, parts=parts))


def say_towns(sky: SkyNote, reader: Reader) -> str:
    """`Teruel in the east (81°), 27 km, under the core; Madrid in the west (274°), 194 km`, or ""."""
    parts = [phrase("briefing.town-inside", town=plain(sky.inside, LONGEST_NAME))] if sky.inside else []
    for town in sky.towns:
        name = plain(town.name, LONGEST_NAME)
        parts.append(
            phrase(
                "briefing.town-under" if town.under_target else "briefing.town",
                town=name or phrase("briefing.town-unnamed"),
                direction=direction_word(town.bearing_deg),
                bearing_deg=round(town.bearing_deg) % 360,
                away_km=town.distance_km,
                subject=words_of(sky.subject, reader),
            )
        )
    return capital(say("briefing.clauses", reader, parts=parts)) if parts else ""


def say_moonlit(ground: GroundNote, clock: Clock, reader: Reader) -> str:
    """`Moonlit 02:14–04:31, which brightens the sky at the core by 0.3 to 1.2 mag`; "" where the Moon never
    lights the ground."""
    parts = []
    for each in ground.moonlit:
        if each.least_loss_mag is None or each.most_loss_mag is None:
            parts.append(phrase("briefing.ground-moonlit", span=clock.span(each.span)))
            continue
        least, most = f"{each.least_loss_mag:.1f}", f"{each.most_loss_mag:.1f}"
        spread = "same" if least == most else "up-to" if least == "0.0" else "range"
        parts.append(
            phrase(
                "briefing.ground-moonlit-costs",
                span=clock.span(each.span),
                subject=words_of(ground.subject, reader),
                spread=spread,
                least_mag=each.least_loss_mag,
                most_mag=each.most_loss_mag,
            )
        )
    return capital(say("briefing.clauses", reader, parts=parts)) if parts else ""


def say_horizon(ground: GroundNote, clock: Clock, reader: Reader) -> str:
    """What horizon the night rests on: that a level one was merely assumed and how that is mended, or what
    Sun and Moon do over the one that was given; "" where there is nothing to say."""
    if ground.is_assumed:
        return say("briefing.horizon-assumed", reader)
    own, parts = ground.own, []
    if own is None:
        return ""
    if own.sun_gone is not None:
        parts.append(phrase("briefing.own-sun-gone", at=clock.time(own.sun_gone)))
    if own.sun_back is not None:
        parts.append(phrase("briefing.own-sun-back", at=clock.time(own.sun_back)))
    turns = sorted([*((at, "rises") for at in own.moon_rises), *((at, "sets") for at in own.moon_sets)])
    parts += [phrase(f"briefing.own-moon-{turn}", at=clock.time(at)) for at, turn in turns]
    return capital(say("briefing.clauses", reader, parts=parts)) if parts else ""


def last_said(facts: AlertFacts) -> Phrase | None:
    """`still go (78 %)`, `stand down`, `can't be confirmed`; None where this isn't the last word."""
    if not facts.is_last_word or facts.preview:
        return None
    if facts.kind is AlertKind.STAND_DOWN:
        return phrase("briefing.last-stand-down")
    if facts.verdict is VerdictWord.UNKNOWN or facts.chance_pct is None:
        return phrase("briefing.last-unconfirmed")
    return phrase("briefing.last-go", is_first=facts.told_at is None, chance_pct=facts.chance_pct)


def last_word(facts: AlertFacts, home: Clock, reader: Reader) -> str:
    """`Last word before you lose signal at 20:30: still go (78 %). No message after this means nothing.`

    After a last word silence must not be read as good news, nor as bad.
    """
    said: Phrase | str | None = last_said(facts)
    if said is None:
        return ""
    if facts.kind is not AlertKind.STAND_DOWN and facts.chance_pct is None:
        said = words_of(facts.cause, reader) or phrase("briefing.last-it-unconfirmed")
    if facts.doubt:
        said = phrase("briefing.last-doubt", said=said, doubt=words_of(facts.doubt, reader))
    if facts.signal_lost_at is None:
        return say("briefing.last-word", reader, said=said)
    return say("briefing.last-word-at", reader, said=said, at=home.time(facts.signal_lost_at))


def other_lines(facts: AlertFacts, home: Clock, reader: Reader) -> Iterator[str]:
    """`Salt Pan East: go, 74 %, leave by 21:14`: each other site of that night, best first."""
    for other in facts.others:
        said = [phrase("briefing.stands-verdict", verdict=other.verdict)]
        if other.chance_pct is not None:
            said.append(phrase("briefing.percent", chance_pct=other.chance_pct))
        # once the time to leave is past: until when leaving still helps
        by, until = other.leave_by, other.latest_departure
        if by is not None and by > facts.decided_at:
            said.append(phrase("briefing.other-leave-by", at=time_of_evening(by, facts, home, reader)))
        elif until is not None:
            said.append(phrase("briefing.other-until", at=time_of_evening(until, facts, home, reader)))
        yield say("briefing.other-site", reader, site=plain(other.site_name, LONGEST_NAME), said=said)


def where_stands(point: TrackPoint) -> dict[str, object]:
    """In which direction and how high, as many entries of the catalogue name them."""
    return {"direction": direction_word(point.azimuth_deg), "high_deg": point.altitude_deg}


def time_of_evening(
    at: datetime, facts: AlertFacts, clock: Clock, reader: Reader, *, short: bool = False
) -> str:
    """`21:14`, with the weekday on another day than the night's evening: `Sunday 01:50`."""
    day = clock.day(at)
    if day == facts.night:
        return clock.time(at)
    return say("briefing.time-on-day", reader, weekday=weekday_name(day, short=short), time=clock.time(at))


@value(frozen=True, slots=True)
class ChanceEvent:
    """What a chance is about: so much clear sky in one piece, somewhere within a span.

    span: the part of the window that can still hold it. best: where in it that is likeliest, None where
    nobody says or the span leaves no choice. whole_pct: once the window has begun, the chance that all of it
    holds the event, what has passed included.
    """

    shortest: timedelta
    span: Span
    best: Span | None
    has_begun: bool
    whole_pct: int | None


def event_of(outlook: Outlook | None, shortest: timedelta, now: datetime) -> ChanceEvent | None:
    """The event of an outlook's chance; None while that is unknown. shortest: as it was asked for."""
    if outlook is None or outlook.chance_pct is None:
        return None
    return _event(outlook.window, outlook.best, shortest, outlook.whole_pct, now)


def event_told(facts: AlertFacts) -> ChanceEvent | None:
    """The event of the chance that a message tells; None without a chance or a window."""
    if facts.chance_pct is None or facts.window is None:
        return None
    return _event(facts.window, facts.best, facts.shortest_window, facts.whole_pct, facts.decided_at)


def _event(
    window: Span, best: Span | None, shortest: timedelta, whole_pct: int | None, now: datetime
) -> ChanceEvent:
    ahead = still_ahead(window, shortest, now)
    told = best if best is not None and whole_minutes(best) != whole_minutes(ahead) else None
    return ChanceEvent(shortest, ahead, told, ahead != window, whole_pct)


def say_event(event: ChanceEvent, clock: Clock, night: date) -> str:
    """`at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30`. night: its evening's
    date; another day is named."""
    span = whole_minutes(event.span)
    day = clock.day(span.start)
    when = "now" if event.has_begun else "between" if day == night else "on"
    clear, start = clear_words(event.shortest), clock.time(span.start)
    said = say(
        f"briefing.event-{when}", clear=clear, start=start, end=clock.time(span.end), day=long_day(day)
    )
    if event.best is not None:
        best = whole_minutes(event.best)
        likely = {"start": clock.time(best.start), "end": clock.time(best.end)}
        said = say("briefing.event-likely", event=said, **likely)
    if event.whole_pct is not None:
        said = say("briefing.event-whole", event=said, whole_pct=event.whole_pct)
    return said


def event_values(event: ChanceEvent | None) -> dict[str, object] | None:
    """The same as JSON values."""
    if event is None:
        return None
    return {
        "shortest_minutes": round(event.shortest / timedelta(minutes=1)),
        "from": utc_text(event.span.start),
        "to": utc_text(event.span.end),
        "most_likely": event.best and span_json(event.best),
        "whole_pct": event.whole_pct,
    }


def say_chance(outlook: Outlook, site: Site, *, shortest: timedelta, now: datetime, night_name: date) -> str:
    """`73 %: at least one clear hour between 23:22 and 04:23, most likely 02:30 to 03:30`; "" while nobody
    knows a chance."""
    event = event_of(outlook, shortest, now)
    if event is None:
        return ""
    clock = clock_in(site.zone, (event.span.start, event.span.end))
    said = say_event(event, clock, night_name)
    return say("briefing.chance-of", chance_pct=outlook.chance_pct, event=said)
