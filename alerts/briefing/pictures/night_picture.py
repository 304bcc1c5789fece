"""The picture of a night: cloud hanging in a strip of its own, the sky below it, the window framed.

What it shows stands first, as plain values (the sky's paths, the ridge, the window, cloud); last the same in
words for those who can't see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.briefing.facts import DrawnDome, FieldNotes, track_to_the_minute
from alerts.briefing.pictures.drawing import (
    BODY,
    LIGHT,
    NARROW,
    WIDE_FROM,
    Box,
    Label,
    Palette,
    Picture,
    drawn_name,
    heading,
    mixed,
    path_of,
    render,
    spaced,
    text_width,
    within,
)
from alerts.briefing.text.alert_lines import where_stands
from alerts.common.clock_times import Clock, clock_in
from alerts.common.phrases import phrase, say
from alerts.common.span import Span
from alerts.common.text import LONGEST_NAME, capital, direction_letters, month_name, plain, weekday_name
from alerts.common.time_text import long_day, nearest_minute, whole_minutes
from alerts.sites.horizon import ridge_deg
from alerts.sites.model import Site
from alerts.sky.ephemeris import Body, Ephemeris
from alerts.sky.night import DarkWindow, Night, TargetKind, TrackPoint
from alerts.sky.tracks import apex_track, sky_track
from alerts.weather.chance import CloudHour

DARKEST_DEG = -18.0
HOUR = timedelta(hours=1)
STRIP = 44.0
MOONLIT_STRIP = 7.0
LEFT, RIGHT = 42.0, 12.0
ROW = 18.0
STEEP_DEG = 2.5
"""A path that climbs more than this in an hour needs its words on its lower side."""
WORDS_AT_THE_ZENITH_DEG = 104
"""Top of a picture whose path nears the zenith."""
WORDS_ROOM = 62.0
"""Room that `SSW 19°` needs beside a line."""


@dataclass(frozen=True, slots=True)
class NightToDraw:
    """What the pictures of one night are drawn from.

    window: the one to frame; None frames nothing. notes: for the field, None draws no view through the lens.
    cloud: hour by hour, see `cloud_hours`. glows: towns whose light is in the view.
    """

    site: Site
    night: Night
    window: DarkWindow | None = None
    notes: FieldNotes | None = None
    cloud: Sequence[CloudHour] = ()
    glows: Sequence[DrawnDome] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NightScene:
    """One night at one site, drawn from sunset to sunrise (from noon to noon where one is missing).

    target, ridge_deg: the target's path, a point every ten minutes, and the land below each point.
    target_words: what the path is ("core", "top of the band"). marks: the target at the window's
    start, middle and end, where it is up; empty without a window. All altitudes airless, azimuths from north.
    """

    drawn: NightToDraw
    clock: Clock
    span: Span
    sun: tuple[TrackPoint, ...]
    target: tuple[TrackPoint, ...]
    ridge_deg: tuple[float, ...]
    target_words: str
    moon: tuple[TrackPoint, ...]
    window: Span | None
    marks: tuple[TrackPoint, ...]

    @property
    def known_cloud(self) -> list[tuple[datetime, int]]:
        """The hours in the picture of which a forecast speaks: their middle, and the chance of cloud."""
        known = [
            (hour.span.middle, hour.cloud_pct) for hour in self.drawn.cloud if hour.cloud_pct is not None
        ]
        return [(at, pct) for at, pct in known if self.span.contains(at)]

    @property
    def moonlit(self) -> list[Span]:
        """When the Moon lights the ground, within the picture."""
        parts = (lit.overlap(self.span) for lit in self.drawn.night.moonlit)
        return [part for part in parts if part is not None]

    @property
    def middle(self) -> datetime:
        """Of the window; of the night where there is none."""
        return self.window.middle if self.window else self.span.middle

    @property
    def has_ridge(self) -> bool:
        """Whether land stands over a level horizon under the target's path."""
        return max(self.ridge_deg, default=0.0) > 0


def night_scene(drawn: NightToDraw, ephemeris: Ephemeris, clock_hours: int = 24) -> NightScene:
    """The scene of a night. clock_hours: 24 or 12, of the times in the picture."""
    site, night, window = drawn.site, drawn.night, drawn.window
    target, span = night.wishes.target, night.sunset_to_sunrise
    path, words = sky_track(site, target, span, ephemeris), say("pictures.target-core")
    marks = window.track if window else ()
    if target.kind is TargetKind.BAND:  # followed by its highest point
        path, words = apex_track(site, [point.at for point in path], ephemeris), say("pictures.target-apex")
        marks = apex_track(site, [point.at for point in marks], ephemeris) if marks else ()
    else:
        marks = tuple(point for point in marks if point.altitude_deg > 0)
        if target.kind is TargetKind.RADEC:
            words = target.name or say("pictures.target-other")
    return NightScene(
        drawn=drawn,
        clock=clock_in(site.zone, [span.start, span.end], clock_hours),
        span=span,
        sun=sky_track(site, Body.SUN, span, ephemeris),
        target=path,
        ridge_deg=tuple(float(a) for a in ridge_deg(site.horizon, [p.azimuth_deg for p in path])),
        target_words=words,
        moon=sky_track(site, Body.MOON, span, ephemeris),
        window=window.span if window else None,
        marks=marks,
    )


@dataclass(frozen=True, slots=True)
class _NightPlot:
    """Where times and altitudes fall in the picture. top: of the strip for cloud, above the sky."""

    scene: NightScene
    palette: Palette
    width: float
    top: float
    sky: Box
    highest_deg: float

    @property
    def window_lines(self) -> list[float]:
        """Where the window's edges stand."""
        window = self.scene.window
        return [self.x(at) for at in (window.start, window.end)] if window else []

    def x(self, at: datetime) -> float:
        return self.sky.x((at - self.scene.span.start) / self.scene.span.duration)

    def y(self, altitude_deg: float) -> float:
        return self.sky.y(altitude_deg, self.highest_deg)


def draw_night(scene: NightScene, palette: Palette = LIGHT, *, width: int = NARROW) -> Picture:
    """Sunset to sunrise from left to right. width: 360 or more, CSS pixels."""
    span, clock, night = scene.span, scene.clock, scene.drawn.night.name
    weekday, day = weekday_name(night), f"{night.day} {month_name(night.month)}"
    title = say("pictures.night-title", weekday=weekday, day=day)
    first, last = clock.zone_word(span.start), clock.zone_word(span.end)
    zone = say("pictures.times-in" if first == last else "pictures.times-in-both", first=first, last=last)
    head, baseline = heading(title, zone, width, palette)
    sky_top = baseline + 16 + STRIP + 22
    floor = sky_top + (190.0 if width >= WIDE_FROM else 160.0)
    highest = max((point.altitude_deg for point in scene.target), default=0.0)
    shown_deg = next(
        (top for top in (30, 45, 60) if math.ceil(highest) + 5 <= top), 104
    )  # words at the zenith
    plot = _NightPlot(
        scene, palette, width, baseline + 16, Box(LEFT, sky_top, width - RIGHT, floor), shown_deg
    )
    local = clock.local(span.start)
    hour = span.start + (HOUR - timedelta(minutes=local.minute, seconds=local.second)) % HOUR
    hours = [hour + k * HOUR for k in range(int((span.end - hour) / HOUR) + 1)]

    # the sky's colours from left to right by the Sun's depth below the horizon
    every = max(1, len(scene.sun) // 40)
    sky = [
        (
            (point.at - span.start) / span.duration,
            mixed(palette.day, palette.night, point.altitude_deg / DARKEST_DEG),
        )
        for point in (*scene.sun[::every], scene.sun[-1])
    ]
    # the land under the target's path
    ridge = ""
    if scene.has_ridge:
        heights = zip(scene.target, scene.ridge_deg, strict=True)
        line = [(plot.x(point.at), plot.y(max(ridge_deg, 0.0))) for point, ridge_deg in heights]
        ridge = path_of([(line[0][0], floor), *line, (line[-1][0], floor)], close=True)
    frame = None
    if scene.window is not None:
        start, end = (min(max(x, LEFT), plot.sky.right) for x in plot.window_lines)
        frame = {"x": start, "width": max(end - start, 2.0)}

    swatches, legend = _legend(plot)
    values = {
        "box": plot.sky,
        "moonlit": [
            (plot.x(part.start), max(plot.x(part.end) - plot.x(part.start), 1.0)) for part in scene.moonlit
        ],
        "moonlit_top": floor - MOONLIT_STRIP,
        "moonlit_height": MOONLIT_STRIP,
        "strip_top": plot.top,
        "strip_bottom": plot.top + STRIP,
        "sky": sky,
        "clouds": _clouds(plot),
        "moon": _pieces(plot, scene.moon, [0.0] * len(scene.moon)),
        "ridge": ridge,
        "target": _pieces(plot, scene.target, scene.ridge_deg),
        "ticks": [plot.x(at) for at in hours],
        "frame": frame,
        "dots": [(plot.x(point.at), plot.y(point.altitude_deg)) for point in scene.marks],
        "legend": swatches,
        "labels": [*head, *_axes(plot, hours), *_cloud_figures(plot), _window(plot), *legend],
        "marks": _marks(plot),
    }
    return render("night", night_alt(scene), (width, legend[-1].y + 14), palette, values)


def _clouds(plot: _NightPlot) -> list[str]:
    """One hanging shape for each unbroken run of hours that a forecast speaks of: the hours' middles with
    their chance, carried to the hours' outer edges, cut to the picture."""
    runs: list[list[tuple[datetime, float]]] = []
    before: datetime | None = None
    for hour in plot.scene.drawn.cloud:
        part = hour.span.overlap(plot.scene.span)
        if hour.cloud_pct is None or part is None:
            before = None
            continue
        if before != hour.span.start:
            runs.append([(part.start, hour.cloud_pct)])
        runs[-1].append((part.middle, hour.cloud_pct))
        before = hour.span.end
        if part.end == plot.scene.span.end or part is hour.span:
            runs[-1].append((part.end, hour.cloud_pct))
    shapes = []
    for run in runs:
        edge = [(plot.x(at), plot.top + STRIP * pct / 100) for at, pct in run]
        shapes.append(path_of([(edge[0][0], plot.top), *edge, (edge[-1][0], plot.top)], close=True))
    return shapes


def _pieces(plot: _NightPlot, track: Sequence[TrackPoint], floor_deg: Sequence[float]) -> list[str]:
    """The parts of a path that stand above a floor (the land, or the horizon)."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for point, lowest in zip(track, floor_deg, strict=True):
        if point.altitude_deg < lowest:
            pieces.append([])
        else:
            pieces[-1].append((plot.x(point.at), plot.y(point.altitude_deg)))
    return [path for path in map(path_of, pieces) if path]


def _axes(plot: _NightPlot, hours: Sequence[datetime]) -> list[Label]:
    """Heights at the left, and below the sky `23`; on a 12-hour clock `11`, with am or pm where the picture
    begins and at midnight and noon."""
    muted, top = plot.palette.muted, min(int(plot.highest_deg), 90)
    shown = range(0, top + 1, 30 if top > 60 else 15 if top > 30 else 10)
    heights = [Label(LEFT - 6, plot.y(deg) + 4, f"{deg}°", muted, anchor="end") for deg in shown]
    cloud = Label(LEFT - 6, plot.top + 11, say("pictures.letter-cloud"), muted, 11, "end")

    room = (plot.sky.right - LEFT) / max(len(hours), 1)
    every = 1 if room >= 30 else 2 if room >= 16 else 3
    labels: list[Label] = []
    for at in hours:
        hour = plot.scene.clock.local(at).hour
        if hour % every:
            continue
        word = f"{hour:02d}"
        if plot.scene.clock.hours == 12:
            half = ("am" if hour < 12 else "pm") if not labels or hour % 12 == 0 else ""
            word = f"{hour % 12 or 12} {half}".strip()
        label = Label(plot.x(at), plot.sky.bottom + 17, word, muted, anchor="middle")
        labels.append(within(label, LEFT - 8, plot.width - 2))
    return [cloud, *heights, *spaced(labels)]


def _cloud_figures(plot: _NightPlot) -> list[Label]:
    """Chances in a row under the strip: in the window's middle, before it, after it, at the ends."""
    known = plot.scene.known_cloud
    if not known:
        return []
    nearest = min(known, key=lambda entry: abs(entry[0] - plot.scene.middle))
    wanted = [nearest, known[0], known[-1], *known[1:-1:2]]
    labels = (
        Label(plot.x(at), plot.top + STRIP + 15, f"{pct} %", plot.palette.text, anchor="middle")
        for at, pct in wanted
    )
    placed = (within(label, LEFT, plot.sky.right) for label in labels)
    return spaced(label for label in placed if not label.is_on(plot.window_lines))


def _marks(plot: _NightPlot) -> list[Label]:
    """Direction and height at the window's start, middle and end, beside its lines."""
    marks = plot.scene.marks
    if not marks:
        return []
    first, last = marks[0], marks[-1]
    labels = [
        _beside(plot, first, to_left=plot.x(first.at) - LEFT >= WORDS_ROOM),
        _beside(plot, last, to_left=plot.sky.right - plot.x(last.at) < WORDS_ROOM),
    ]
    if len(marks) > 2:  # above its dot, on the side where the path falls away
        middle = marks[1]
        rise = _height_near(plot, middle.at + HOUR / 2) - _height_near(plot, middle.at - HOUR / 2)
        anchor = "middle" if abs(rise) < STEEP_DEG else "end" if rise > 0 else "start"
        x, y = plot.x(middle.at), plot.y(middle.altitude_deg) - 12
        label = Label(x, y, _mark_words(middle), plot.palette.core, anchor=anchor)
        labels += [] if label.is_on([plot.x(first.at), plot.x(last.at)]) else [label]
    return spaced(labels)


def _beside(plot: _NightPlot, mark: TrackPoint, *, to_left: bool) -> Label:
    """Beside its dot, above the path where that falls on this side, else below it."""
    near = _height_near(plot, mark.at + (-HOUR if to_left else HOUR) * 0.6)
    y = plot.y(mark.altitude_deg) + (19 if near > mark.altitude_deg else -9)
    held = min(max(y, plot.sky.top + 12), plot.sky.bottom - 5)
    x = plot.x(mark.at) + (-8 if to_left else 8)
    return Label(x, held, _mark_words(mark), plot.palette.core, anchor="end" if to_left else "start")


def _mark_words(mark: TrackPoint) -> str:
    return f"{direction_letters(mark.azimuth_deg)} {mark.altitude_deg:.0f}°"


def _height_near(plot: _NightPlot, at: datetime) -> float:
    return min(plot.scene.target, key=lambda point: abs(point.at - at)).altitude_deg


def _window(plot: _NightPlot) -> Label:
    """The window's times under it; that there is none, and why, where the Sun stays up."""
    scene, baseline = plot.scene, plot.sky.bottom + 37
    if scene.window is None:
        sun_stays_up = (
            scene.drawn.night.sun.first_set is None and min(point.altitude_deg for point in scene.sun) > -1
        )
        words = say("pictures.letter-no-window", sun_stays_up=sun_stays_up)
        return within(Label(LEFT, baseline, words, plot.palette.text, 13, bold=True), 12, plot.sky.right)
    said = whole_minutes(scene.window)
    times = {"start": plot.scene.clock.time(said.start), "end": plot.scene.clock.time(said.end)}
    words = say("pictures.letter-window", **times)
    label = Label(plot.x(scene.window.middle), baseline, words, plot.palette.lamp, 13, "middle", True)
    return within(label, 12, plot.width - 12)


def _legend(plot: _NightPlot) -> tuple[list[tuple[str, float, float]], list[Label]]:
    """What the lines mean, in as many rows as the width asks for: a swatch of each and its place, and the
    words."""
    scene, entries = plot.scene, []
    if any(point.altitude_deg >= ridge for point, ridge in zip(scene.target, scene.ridge_deg, strict=True)):
        target = drawn_name(scene.target_words, say("pictures.target-other"))
        entries.append(("target", say("pictures.legend-target", target=target, has_ridge=scene.has_ridge)))
    entries.append(("moon", moon_words(scene)))
    if scene.moonlit:
        entries.append(("moonlit", say("pictures.legend-moonlit")))
    if any(hour.cloud_pct is not None and hour.span.overlap(scene.span) for hour in scene.drawn.cloud):
        entries.append(("cloud", say("pictures.legend-cloud")))
    else:
        entries.append(("note", say("pictures.legend-no-cloud")))
    swatches, labels = [], []
    x, y = 12.0, plot.sky.bottom + 62
    for kind, text in entries:
        needed = 30 + text_width(text, BODY)
        if x > 12 and x + needed > plot.width - 12:
            x, y = 12.0, y + ROW
        swatches.append((kind, x, y))
        labels.append(Label(x + (0.0 if kind == "note" else 30.0), y, text, plot.palette.muted))
        x += needed + 22
    return swatches, labels


def night_alt(scene: NightScene) -> str:
    """Everything that the picture shows, as sentences."""
    drawn, clock = scene.drawn, scene.clock
    name, zone = plain(drawn.site.name, LONGEST_NAME), clock.zone_word(scene.span.start)
    said = [say("pictures.night-alt", day=long_day(drawn.night.name), site=name, zone=zone)]

    sunset, sunrise = drawn.night.sun.first_set, drawn.night.sun.last_rise
    if sunset is None or sunrise is None:
        is_up = scene.sun[len(scene.sun) // 2].altitude_deg > -0.8
        said.append(say("pictures.sun-stays", is_up=is_up))
    else:
        sets, rises = (clock.time(nearest_minute(at)) for at in (sunset, sunrise))
        said.append(say("pictures.sun-turns", sets=sets, rises=rises))

    if scene.window is None:
        said.append(say("pictures.window-none"))
    else:
        window = whole_minutes(scene.window)
        said.append(say("pictures.window-runs", start=clock.time(window.start), end=clock.time(window.end)))
    if scene.marks:
        places = [
            phrase("pictures.target-place", at=clock.time(mark.at), **where_stands(mark))
            for mark in track_to_the_minute(scene.marks)
        ]
        target = plain(scene.target_words, LONGEST_NAME)
        said.append(say("pictures.target-stands", target=target, places=places))

    said.append(f"{capital(moon_words(scene))}.")
    if scene.moonlit:
        parts = [whole_minutes(part) for part in scene.moonlit]
        told = [
            phrase("pictures.moonlit-span", start=clock.time(part.start), end=clock.time(part.end))
            for part in parts
        ]
        said.append(say("pictures.moonlit-told", spans=told))
    known = scene.known_cloud
    if known:
        nearest = min(known, key=lambda entry: abs(entry[0] - scene.middle))
        shown = sorted({known[0], nearest, known[-1]})
        told = [phrase("pictures.cloud-at", cloud_pct=pct, at=clock.time(at)) for at, pct in shown]
        said.append(say("pictures.cloud-told", told=told))
    else:
        said.append(say("pictures.cloud-untold"))
    return " ".join(said)


def moon_words(scene: NightScene) -> str:
    """`Moon, 3 % lit, sets 22:40`; where it never crosses, whether it is up or down all night."""
    night, lit_pct = scene.drawn.night, 100 * scene.drawn.night.moon_lit
    turns = [(at, "pictures.moon-rises") for at in night.moon.rises if scene.span.contains(at)]
    turns += [(at, "pictures.moon-sets") for at in night.moon.sets if scene.span.contains(at)]
    if turns:
        told = [phrase(key, at=scene.clock.time(nearest_minute(at))) for at, key in sorted(turns)]
        return say("pictures.moon-turns", lit_pct=lit_pct, turns=told)
    middle = scene.moon[len(scene.moon) // 2]
    return say("pictures.moon-stays", lit_pct=lit_pct, is_up=middle.altitude_deg > 0)
