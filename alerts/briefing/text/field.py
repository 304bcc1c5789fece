"""The field plan in words: the evening step by step, the camera, what to pack, what to look for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.briefing.facts import AlertFacts, FieldNotes, ShowerNote, notes_to_the_minute
from alerts.briefing.text.alert_lines import time_of_evening, where_stands, words_of
from alerts.common.clock_times import Clock
from alerts.common.phrases import Phrase, Reader, phrase, say
from alerts.common.text import LONGEST_NAME, count_word, direction_word, plain
from alerts.field.compass import LAST_YEAR
from alerts.field.exposure import say_shutter, true_shutter_s
from alerts.field.foreground import MARKED_LIMIT_S, ForegroundPlan

DAYLIGHT_SCOUTING = timedelta(minutes=45)
MOST_EARLIER = timedelta(hours=3)
LOOK_FIRST = timedelta(minutes=30)
COLDS = ((-5.0, "bitter"), (5.0, "cold"), (12.0, "cool"))
"""By the felt cold in °C up to which one calls it so; above it is mild."""
WINDY_MS = 5.0
WET_PCT = 15.0
LONG_TRIP = timedelta(hours=7)
TOLD_FROM = 0.01
"""By which share a time that is marked differs from the true one where that is told."""

BEFORE_DARK = (
    "briefing.ready-camera", "briefing.ready-focus", "briefing.ready-release", "briefing.ready-screen",
    "briefing.ready-card",
)  # fmt: skip
"""Common practice, as is what one always packs."""
ALWAYS_PACK = (
    "briefing.pack-headlamp", "briefing.pack-tripod", "briefing.pack-batteries", "briefing.pack-phone",
    "briefing.pack-food",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EveningStep:
    """One line of the evening. time: on the clock that its zone names; tone as in `alert_view.FactRow`."""

    time: str
    text: str
    tone: str = ""


@dataclass(frozen=True, slots=True)
class FieldView:
    """The words of the field plan, section by section; empty sections say nothing.

    camera_why: why the camera is set as it is, one paragraph to fold away.
    """

    steps: tuple[EveningStep, ...]
    camera: tuple[str, ...]
    camera_why: str
    pack: tuple[str, ...]
    before_dark: tuple[str, ...]
    on_the_spot: tuple[str, ...]
    showers: tuple[str, ...]


def field_view(facts: AlertFacts, notes: FieldNotes, field: Clock, home: Clock, reader: Reader) -> FieldView:
    """field: the site's clock; home: the person's, for leaving and coming home."""
    notes = notes_to_the_minute(notes)
    return FieldView(
        steps=tuple(_steps(facts, notes, field, home, reader)),
        camera=tuple(_camera(notes, field, reader)),
        camera_why=_why(notes, reader),
        pack=tuple(_pack(facts, notes, reader)),
        before_dark=tuple(say(each, reader) for each in BEFORE_DARK),
        on_the_spot=tuple(_on_the_spot(facts, notes, field, reader)),
        showers=tuple(_shower(shower, field, reader) for shower in notes.showers),
    )


_Moment = tuple[datetime, str, str]


def _steps(
    facts: AlertFacts, notes: FieldNotes, field: Clock, home: Clock, reader: Reader
) -> Iterator[EveningStep]:
    """Every moment of the trip in order, from leaving to being home."""
    if facts.leave_by is not None:
        start = plain(notes.start, LONGEST_NAME)
        how = ("-from" if start else "") + ("-estimate" if facts.estimate else "")
        said = [say(f"briefing.leave{how}", reader, start=start, drive=facts.estimate)]
        if notes.latest_departure > facts.leave_by:
            said.append(say("briefing.leave-too-late", reader, latest=home.time(notes.latest_departure)))
        at = time_of_evening(facts.leave_by, facts, home, reader, short=True)
        yield EveningStep(at, " ".join(said), "lamp")

    moments = [*_travel(facts, notes, reader), *_dusk(facts, notes), *_window(facts, notes)]
    for moment, text, tone in sorted(moments, key=lambda each: each[0]):
        yield EveningStep(time_of_evening(moment, facts, field, reader, short=True), text, tone)

    if facts.home_about is not None:
        at = time_of_evening(facts.home_about, facts, home, reader, short=True)
        yield EveningStep(at, say("briefing.home-about", reader))


def _travel(facts: AlertFacts, notes: FieldNotes, reader: Reader) -> Iterator[_Moment]:
    """Where the signal is lost, by what light one arrives, and the gate as far as it falls into the stay."""
    if notes.signal_lost_at is not None:
        yield notes.signal_lost_at, say("briefing.signal-lost", reader), ""

    if facts.sunset is None:
        yield notes.arrive, say("briefing.arrive", reader), ""
    elif notes.arrive < facts.sunset - timedelta(minutes=20):
        yield notes.arrive, say("briefing.arrive-daylight", reader), ""
    else:  # when one would have to leave for daylight, to five minutes
        is_dusk = notes.civil_dusk is not None and notes.arrive < notes.civil_dusk
        earlier, five = notes.arrive - (facts.sunset - DAYLIGHT_SCOUTING), timedelta(minutes=5)
        light = ("last-light" if is_dusk else "lamp") + ("-far" if earlier > MOST_EARLIER else "")
        yield notes.arrive, say(f"briefing.arrive-{light}", reader, earlier=-(-earlier // five) * five), ""

    gate = notes.gate
    if gate is None or notes.gate_closes is None or facts.home_about is None:
        return
    if notes.gate_closes < facts.home_about:
        hours = {"begins": gate.hours.begins, "ends": gate.hours.ends}
        yield notes.gate_closes, say("briefing.gate-closes", reader, may_stay=gate.may_stay, **hours), ""
    stays = gate.may_stay and notes.gate_closes < facts.home_about
    if stays and notes.gate_opens is not None and notes.gate_opens <= facts.home_about:
        yield notes.gate_opens, say("briefing.gate-opens", reader), ""


def _dusk(facts: AlertFacts, notes: FieldNotes) -> Iterator[_Moment]:
    """What Sun and Moon do between arriving and packing up; the sunset also on the way."""
    window_opens = facts.window.start if facts.window else None
    full_dark = notes.full_dark
    if full_dark and window_opens and abs(window_opens - full_dark) < timedelta(minutes=2):
        full_dark = None  # that the window opens says it
    named = [
        (facts.sunset, "briefing.sunset", ""),
        (notes.civil_dusk, "briefing.civil-dusk", ""),
        (notes.nautical_dusk, "briefing.nautical-dusk", ""),
        (full_dark, "briefing.full-dark", ""),
        (notes.dawn, "briefing.dawn", ""),
        (facts.sunrise, "briefing.sunrise", ""),
        *((at, "briefing.moon-rises", "moon") for at in notes.moon_rises),
        *((at, "briefing.moon-sets", "moon") for at in notes.moon_sets),
    ]
    ends = (facts.window.end if facts.window else notes.give_up_at) + timedelta(minutes=30)
    for at, key, tone in named:
        begins = facts.leave_by or notes.arrive if at == facts.sunset else notes.arrive
        if at is not None and begins <= at <= ends:
            yield at, say(key, lit_pct=100 * notes.moon_lit), tone


def _window(facts: AlertFacts, notes: FieldNotes) -> Iterator[_Moment]:
    if facts.window is not None:
        target = say("briefing.target", target=plain(facts.target_name, LONGEST_NAME))
        places = [phrase("briefing.stands", target=target, **where_stands(each)) for each in facts.core]
        if not places:
            yield facts.window.start, say("briefing.window-opens"), "lamp"
            yield facts.window.end, say("briefing.window-ends"), "lamp"
        else:
            yield facts.window.start, say("briefing.window-opens-with", place=places[0]), "lamp"
            if len(places) == 3:
                yield facts.core[1].at, say("briefing.window-middle", place=places[1]), "core"
            yield facts.window.end, say("briefing.window-ends-with", place=places[-1]), "lamp"
    for standing in notes.standings:
        if standing.reads_as_over:
            name, bearing = plain(standing.foreground, LONGEST_NAME), _bearing(standing.bearing_deg, notes)
            over = say("briefing.stands-over", what=standing.what, foreground=name, bearing=bearing)
            yield standing.at.at, over, "core"
    frames = notes.frames
    each = say_shutter(frames.shutter_s)
    yield frames.start_at, say("briefing.start-series", frames=frames.frames, shutter=each), ""


def _pack(facts: AlertFacts, notes: FieldNotes, reader: Reader) -> Iterator[str]:
    """What this night asks for, before what every night does."""
    air = notes.air
    if air.felt_c is None:
        yield say("briefing.pack-unknown-cold", reader)
    else:
        cold = next((name for most_c, name in COLDS if air.felt_c <= most_c), "mild")
        yield say("briefing.pack-clothes", reader, cold=cold, felt_c=air.felt_c)
    if air.on_lens:
        yield say("briefing.pack-lens-heater", reader, on_lens=air.on_lens)
    if air.wind_ms is not None and air.wind_ms >= WINDY_MS:
        yield say("briefing.pack-weight", reader, wind_ms=air.wind_ms)
    if air.wet_pct is not None and air.wet_pct >= WET_PCT:
        yield say("briefing.pack-rain-cover", reader, wet_pct=air.wet_pct)
    if facts.leave_by and facts.home_about and facts.home_about - facts.leave_by > LONG_TRIP:
        yield say("briefing.pack-hot-drink", reader)
    yield from (say(each, reader) for each in ALWAYS_PACK)


def _on_the_spot(facts: AlertFacts, notes: FieldNotes, field: Clock, reader: Reader) -> Iterator[str]:
    """What decides on the ground, as no message may reach there."""
    if facts.window is not None and facts.core:
        first = field.time(facts.window.start - LOOK_FIRST)
        toward = direction_word(facts.core[0].azimuth_deg)
        yield say("briefing.look-first", reader, at=first, direction=toward)
    yield say(
        "briefing.give-up",
        reader,
        direction=direction_word(notes.look_deg),
        at=field.time(notes.give_up_at),
        shortest=facts.shortest_window,
    )
    yield say("briefing.pack-up-at-once", reader)
    yield say("briefing.eyes", reader)


def _shower(shower: ShowerNote, field: Clock, reader: Reader) -> str:
    """`Perseids: a day before the peak; up to 48 an hour under this sky, around 04:20; radiant 62° up …`"""
    highest, days = shower.highest, shower.days_to_peak
    side = "tonight" if abs(days) <= 0.5 else "before" if days > 0 else "after"
    key = "shower-uncounted"
    if shower.hourly:
        key = "shower-rate" if shower.hourly_at else "shower"
    return say(
        f"briefing.{key}",
        reader,
        name=shower.name,
        peak=phrase(f"briefing.peak-{side}", days=max(round(abs(days)), 1)),
        hourly=_rounded_rate(shower.hourly or 0),
        hourly_at=field.time(shower.hourly_at) if shower.hourly_at else "",
        **where_stands(highest),
        at=field.time(highest.at),
    )


def _rounded_rate(hourly: int) -> int:
    """A forecast of a shower is no better than to a fifth: from 20 in steps of five."""
    return hourly if hourly < 20 else 5 * round(hourly / 5)


def _bearing(true_deg: float, notes: FieldNotes) -> Phrase:
    """`196° true, 195° magnetic`; the true one alone where no magnetic one is known."""
    magnetic_deg = notes.magnetic_deg(true_deg)
    bearing = {"true_deg": round(true_deg) % 360}
    if magnetic_deg is None:
        return phrase("briefing.bearing", **bearing)
    return phrase("briefing.bearing-both", **bearing, magnetic_deg=round(magnetic_deg) % 360)


def _camera(notes: FieldNotes, field: Clock, reader: Reader) -> Iterator[str]:
    """Where to point it, what to set in either way of taking the stars, the frames to take, and the land."""
    kit, aim, exposure, frames = notes.kit, notes.aim, notes.exposure, notes.frames
    subject = words_of(notes.subject, reader)
    yield from (say(each, reader) for each in kit.assumed)
    wide_deg, high_deg = kit.field_of_view_deg(portrait=aim.portrait)
    yield say(
        "briefing.aim",
        reader,
        lens=kit.lens_words,
        camera=plain(kit.camera.name, LONGEST_NAME),
        wide_deg=wide_deg,
        high_deg=high_deg,
        held=phrase("briefing.held", is_upright=aim.portrait),
        bearing=_bearing(aim.azimuth_deg, notes),
        direction=direction_word(aim.azimuth_deg),
        tilt_deg=aim.tilt_deg,
        fits=phrase("briefing.fits", has_ground=aim.has_ground, subject=subject),
    )
    for recipe in exposure.recipes:
        yield say(
            f"briefing.recipe-{recipe.kind}",
            reader,
            frames=count_word(recipe.frames),
            darks=count_word(recipe.darks),
            shutter=say_shutter(recipe.shutter_s),
            f_number=recipe.f_number,
            iso=recipe.iso.value,
            core_px=recipe.rule.core_px,
            subject=subject,
        )

    yield say(
        "briefing.series-over" if frames.over else "briefing.series",
        reader,
        frames=count_word(frames.frames),
        start=field.time(frames.start_at),
        sky=_seconds(frames.sky_s),
        what=frames.what,
        over=plain(frames.over, LONGEST_NAME),
        darks=count_word(frames.darks),
        darks_last=_seconds(frames.darks_s),
    )
    if (land := notes.foreground) is not None:
        yield _foreground(land, field, reader)
    if (plan := notes.panorama) is not None:
        yield say(
            "briefing.arch",
            reader,
            frames=plan.frames,
            rows=phrase("briefing.rows", count=plan.rows, rows=count_word(plan.rows)),
            step_deg=plan.step_deg,
            overlap_pct=plan.overlap * 100,
            tilts=[f"{tilt:.0f}°" for tilt in plan.tilts_deg],
        )
        drift = {"row_deg": plan.row_drift_deg, "seam_deg": plan.seam_drift_deg}
        yield say("briefing.arch-row", reader, row=_seconds(plan.row_s), **drift)
    if (compass := notes.compass) is not None:
        if compass.why_not is not None:
            yield say(compass.why_not, reader)
        elif compass.declination_deg is not None:
            yield say(
                "briefing.compass",
                reader,
                side="west" if compass.declination_deg < 0 else "east",
                declination_deg=abs(compass.declination_deg),
                uncertainty_deg=compass.uncertainty_deg,
                last=LAST_YEAR,
            )
    yield from (say(each, reader) for each in exposure.hints)


def _foreground(land: ForegroundPlan, field: Clock, reader: Reader) -> str:
    """The exposure for the land: by the Moon, and when, or by the night sky alone."""
    by_remote = land.shutter_s > MARKED_LIMIT_S
    values = {
        "shutter": _seconds(land.shutter_s) if by_remote else say_shutter(land.shutter_s),
        "f_number": land.f_number,
        "iso": land.iso,
        "how": phrase("briefing.foreground-how", by_remote=by_remote),
    }
    if land.best_at is None:
        return say("briefing.foreground-dark", reader, **values)
    return say(
        "briefing.foreground-moonlit",
        reader,
        **values,
        lit=[phrase("briefing.lit", start=field.time(s.start), end=field.time(s.end)) for s in land.lit],
        best=field.time(land.best_at),
        stops=round(land.brighter_stops),
    )


def _why(notes: FieldNotes, reader: Reader) -> str:
    """Why it is set so, and what else could be: one paragraph."""
    exposure, subject = notes.exposure, words_of(notes.subject, reader)
    stacked, single = exposure.recipes
    f_number, aperture = exposure.aperture.f_number, exposure.aperture.why
    said = [phrase("briefing.why-aperture", f_number=f_number, why=aperture)]
    said.append(phrase("briefing.why-iso", iso=single.iso.value, why=single.iso.why))
    if stacked.iso.value != single.iso.value:
        said.append(phrase("briefing.why-iso-stacked", iso=stacked.iso.value, why=stacked.iso.why))

    start, *others = exposure.rules
    said.append(
        phrase(
            "briefing.rule-used",
            shutter=say_shutter(exposure.shutter_s),
            rule=start.name,
            core_px=exposure.core_px,
            worst_px=exposure.worst_px,
            subject=subject,
        )
    )
    thumbs = [
        phrase("briefing.rule-thumb", shutter=say_shutter(each.set_s), rule=each.name, core_px=each.core_px)
        for each in others
        if each.is_thumb
    ]
    exact = zip([each for each in others if not each.is_thumb], ("core", "frame"), strict=True)
    limits = [
        phrase("briefing.rule-exact", shutter=say_shutter(each.set_s), where=where, subject=subject)
        for each, where in exact  # sharp at the subject, then in all of the frame: `exposure_for` has them so
    ]
    said.append(phrase("briefing.rules-other", thumbs=thumbs, exact=limits))

    marked = dict.fromkeys([stacked.shutter_s, single.shutter_s])
    told = [
        phrase("briefing.lasts", shutter=say_shutter(each), true_s=f"{true_shutter_s(each):.3g}")
        for each in marked
        if abs(true_shutter_s(each) / each - 1) >= TOLD_FROM
    ]
    if told:
        said.append(phrase("briefing.why-true", lasts=told))
    return " ".join(say(each, reader) for each in said)


def _seconds(seconds: float) -> str:
    """`3 min 52 s`, `58 s`."""
    minutes, rest = divmod(round(seconds), 60)
    words = (f"{minutes} min" * bool(minutes), f"{rest} s" * bool(rest))
    return " ".join(word for word in words if word) or "0 s"
