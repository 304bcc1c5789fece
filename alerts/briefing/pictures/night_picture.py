"""The picture of a night: cloud hanging in a strip of its own, the sky below it, the window framed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.briefing.pictures.drawing import (
    NARROW,
    WIDE_FROM,
    Label,
    Picture,
    drawn_name,
    heading,
    path_of,
    render,
    spaced,
    within,
)
from alerts.briefing.pictures.night_alt import moon_words, night_alt
from alerts.briefing.pictures.night_scene import NightScene, highest_shown_deg
from alerts.briefing.pictures.palettes import LIGHT, Palette, mixed
from alerts.common.text import WEEKDAYS, Clock, clock_in, long_day
from alerts.common.time_text import whole_minutes
from alerts.sites.compass import direction_word
from alerts.sky.night import TrackPoint

DARKEST_DEG = -18.0
HOUR = timedelta(hours=1)
STRIP = 44.0
LEFT, RIGHT = 42.0, 12.0
ROW = 18.0
STEEP_DEG = 2.5
"""A path that climbs more than this in an hour needs its words on its lower side."""
WORDS_ROOM = 62.0
"""Room that `SSW 19°` needs beside a line."""


@dataclass(frozen=True, slots=True)
class _Frame:
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class _Legend:
    kind: str
    x: float
    y: float
    text: str

    @property
    def swatch(self) -> float:
        """Room before the words; a note has no line to show."""
        return 0.0 if self.kind == "note" else 30.0


@dataclass(frozen=True, slots=True)
class _Plot:
    """Where times and altitudes fall in the picture."""

    scene: NightScene
    palette: Palette
    clock: Clock
    width: float
    top: float
    sky_height: float
    highest_deg: float

    @property
    def right(self) -> float:
        return self.width - RIGHT

    @property
    def strip_bottom(self) -> float:
        return self.top + STRIP

    @property
    def sky_top(self) -> float:
        return self.strip_bottom + 22

    @property
    def sky_bottom(self) -> float:
        return self.sky_top + self.sky_height

    def x(self, at: datetime) -> float:
        share = (at - self.scene.span.start) / self.scene.span.duration
        return LEFT + (self.right - LEFT) * share

    def y(self, altitude_deg: float) -> float:
        return self.sky_bottom - self.sky_height * altitude_deg / self.highest_deg

    def cloud_y(self, cloud_pct: float) -> float:
        return self.top + STRIP * cloud_pct / 100


def draw_night(
    scene: NightScene, palette: Palette = LIGHT, *, width: int = NARROW, key: str = "night"
) -> Picture:
    """Sunset to sunrise from left to right. width: 360 or more, CSS pixels."""
    times = [scene.span.start, scene.span.end]
    clock = clock_in(scene.zone, times, scene.clock_hours)
    title = f"{WEEKDAYS[scene.night.weekday()]} night, {long_day(scene.night).split(' ', 1)[1]}"
    head, baseline = heading(title, _zone_words(scene, clock), width, palette)
    tall = 190.0 if width >= WIDE_FROM else 160.0
    plot = _Plot(scene, palette, clock, width, baseline + 16, tall, highest_shown_deg(scene))
    legend = _legend(plot)
    labels = [*head, *_axis(plot), *_hours(plot), *_cloud_figures(plot), *_window(plot)]
    labels += [Label(entry.x + entry.swatch, entry.y, entry.text, palette.muted) for entry in legend]
    height = (legend[-1].y if legend else plot.sky_bottom + 40) + 14
    values = {
        "left": LEFT,
        "right": plot.right,
        "strip_top": plot.top,
        "strip_bottom": plot.strip_bottom,
        "sky_top": plot.sky_top,
        "sky_bottom": plot.sky_bottom,
        "sky": _sky(plot),
        "clouds": _clouds(plot),
        "moon": _pieces(plot, scene.moon, [0.0] * len(scene.moon)),
        "ridge": _ridge(plot),
        "target": _pieces(plot, scene.target, scene.ridge_deg),
        "ticks": [plot.x(at) for at in _whole_hours(plot)],
        "frame": _frame(plot),
        "dots": [(plot.x(point.at), plot.y(point.altitude_deg)) for point in scene.marks],
        "legend": legend,
        "labels": labels,
        "marks": _marks(plot),
    }
    alt = night_alt(scene, clock)
    return render("night", key=key, alt=alt, width=width, height=height, palette=palette, values=values)


def _zone_words(scene: NightScene, clock: Clock) -> str:
    first, last = (clock.zone_word(at) for at in (scene.span.start, scene.span.end))
    return f"times in {first}" if first == last else f"times in {first}, then {last}"


def _sky(plot: _Plot) -> list[tuple[float, str]]:
    """Colours from left to right by the Sun's depth below the horizon."""
    points = plot.scene.sun
    span = plot.scene.span
    every = max(1, len(points) // 40)
    stops = []
    for point in (*points[::every], points[-1]):
        depth = min(max(point.altitude_deg / DARKEST_DEG, 0.0), 1.0)
        share = (point.at - span.start) / span.duration
        stops.append((share, mixed(plot.palette.day, plot.palette.night, depth)))
    return stops


def _clouds(plot: _Plot) -> list[str]:
    """One hanging shape for each unbroken run of hours that a forecast speaks of."""
    shapes = []
    for run in _known_runs(plot):
        edge = [(plot.x(at), plot.cloud_y(pct)) for at, pct in run]
        shapes.append(path_of([(edge[0][0], plot.top), *edge, (edge[-1][0], plot.top)], close=True))
    return shapes


def _known_runs(plot: _Plot) -> list[list[tuple[datetime, float]]]:
    """Hours' middles with their chance, carried to the hours' outer edges, cut to the picture."""
    runs: list[list[tuple[datetime, float]]] = []
    before: datetime | None = None
    for hour in plot.scene.cloud:
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
    return runs


def _pieces(plot: _Plot, track: Sequence[TrackPoint], floor_deg: Sequence[float]) -> list[str]:
    """The parts of a path that stand above a floor (the land, or the horizon)."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for point, lowest in zip(track, floor_deg, strict=True):
        if point.altitude_deg < lowest:
            pieces.append([])
        else:
            pieces[-1].append((plot.x(point.at), plot.y(point.altitude_deg)))
    return [path for path in map(path_of, pieces) if path]


def _ridge(plot: _Plot) -> str:
    """The land under the target's path; nothing over a level horizon."""
    scene = plot.scene
    if max(scene.ridge_deg, default=0.0) <= 0:
        return ""
    line = [
        (plot.x(point.at), plot.y(max(ridge, 0.0)))
        for point, ridge in zip(scene.target, scene.ridge_deg, strict=True)
    ]
    floor = plot.sky_bottom
    return path_of([(line[0][0], floor), *line, (line[-1][0], floor)], close=True)


def _frame(plot: _Plot) -> _Frame | None:
    window = plot.scene.window
    if window is None:
        return None
    start, end = (min(max(plot.x(at), LEFT), plot.right) for at in (window.start, window.end))
    return _Frame(start, max(end - start, 2.0))


def _axis(plot: _Plot) -> list[Label]:
    top = min(int(plot.highest_deg), 90)
    step = 30 if top > 60 else 15 if top > 30 else 10
    shown = range(0, top + 1, step)
    heights = [Label(LEFT - 6, plot.y(deg) + 4, f"{deg}°", plot.palette.muted, anchor="end") for deg in shown]
    return [Label(LEFT - 6, plot.top + 11, "cloud", plot.palette.muted, 11, "end"), *heights]


def _whole_hours(plot: _Plot) -> list[datetime]:
    span = plot.scene.span
    local = plot.clock.local(span.start)
    first = span.start + (HOUR - timedelta(minutes=local.minute, seconds=local.second)) % HOUR
    count = int((span.end - first) / HOUR) + 1
    return [first + k * HOUR for k in range(count) if first + k * HOUR <= span.end]


def _hours(plot: _Plot) -> list[Label]:
    hours = _whole_hours(plot)
    room = (plot.right - LEFT) / max(len(hours), 1)
    every = 1 if room >= 30 else 2 if room >= 16 else 3
    shown = [at for at in hours if plot.clock.local(at).hour % every == 0]
    labels = [
        Label(
            plot.x(at),
            plot.sky_bottom + 17,
            _hour_word(plot, at, is_first=at == shown[0]),
            plot.palette.muted,
            anchor="middle",
        )
        for at in shown
    ]
    return spaced(within(label, LEFT - 8, plot.width - 2) for label in labels)


def _hour_word(plot: _Plot, at: datetime, *, is_first: bool) -> str:
    """`23`; on a 12-hour clock `11`, with am or pm where the picture begins and at midnight and noon."""
    hour = plot.clock.local(at).hour
    if plot.clock.hours == 24:
        return f"{hour:02d}"
    half = ("am" if hour < 12 else "pm") if is_first or hour % 12 == 0 else ""
    return f"{hour % 12 or 12} {half}".strip()


def _cloud_figures(plot: _Plot) -> list[Label]:
    """Chances in a row under the strip: in the window's middle, before it, after it, at the ends."""
    scene, baseline = plot.scene, plot.strip_bottom + 15
    known = [(hour.span.middle, hour.cloud_pct) for hour in scene.cloud if hour.cloud_pct is not None]
    known = [(at, pct) for at, pct in known if scene.span.contains(at)]
    if not known:
        return []
    middle = scene.window.middle if scene.window else scene.span.middle
    nearest = min(known, key=lambda entry: abs(entry[0] - middle))
    wanted = [nearest, known[0], known[-1], *known[1:-1:2]]
    labels = (
        Label(plot.x(at), baseline, f"{pct} %", plot.palette.text, anchor="middle") for at, pct in wanted
    )
    lines = [plot.x(at) for at in (scene.window.start, scene.window.end)] if scene.window else []
    placed = (within(label, LEFT, plot.right) for label in labels)
    clear = [label for label in placed if not _on_lines(label, lines)]
    return spaced(clear)


def _marks(plot: _Plot) -> list[Label]:
    """Direction and height at the window's start, middle and end, beside its lines."""
    marks = plot.scene.marks
    if not marks:
        return []
    first, last = marks[0], marks[-1]
    labels = [
        _beside(plot, first, to_left=plot.x(first.at) - LEFT >= WORDS_ROOM),
        _beside(plot, last, to_left=plot.right - plot.x(last.at) < WORDS_ROOM),
    ]
    lines = [plot.x(first.at), plot.x(last.at)]
    if len(marks) > 2 and not _on_lines(middle := _over(plot, marks[1]), lines):
        labels.append(middle)
    return spaced(labels)


def _on_lines(label: Label, lines: Sequence[float]) -> bool:
    return any(label.left - 4 < x < label.right + 4 for x in lines)


def _beside(plot: _Plot, mark: TrackPoint, *, to_left: bool) -> Label:
    """Beside its dot, above the path where that falls on this side, else below it."""
    near = _height_near(plot, mark.at + (-HOUR if to_left else HOUR) * 0.6)
    y = plot.y(mark.altitude_deg) + (19 if near > mark.altitude_deg else -9)
    held = min(max(y, plot.sky_top + 12), plot.sky_bottom - 5)
    x = plot.x(mark.at) + (-8 if to_left else 8)
    return Label(x, held, _mark_words(mark), plot.palette.core, anchor="end" if to_left else "start")


def _over(plot: _Plot, mark: TrackPoint) -> Label:
    """Above its dot, on the side where the path falls away."""
    rise = _height_near(plot, mark.at + HOUR / 2) - _height_near(plot, mark.at - HOUR / 2)
    x, y = plot.x(mark.at), plot.y(mark.altitude_deg) - 12
    words, colour = _mark_words(mark), plot.palette.core
    if abs(rise) < STEEP_DEG:
        return Label(x, y, words, colour, anchor="middle")
    return Label(x, y, words, colour, anchor="end" if rise > 0 else "start")


def _mark_words(mark: TrackPoint) -> str:
    return f"{direction_word(mark.azimuth_deg)} {mark.altitude_deg:.0f}°"


def _height_near(plot: _Plot, at: datetime) -> float:
    track = plot.scene.target
    return min(track, key=lambda point: abs(point.at - at)).altitude_deg


def _window(plot: _Plot) -> list[Label]:
    window, baseline = plot.scene.window, plot.sky_bottom + 37
    if window is None:
        words = (
            "no dark window: the Sun stays up" if _sun_stays_up(plot.scene) else "no dark window this night"
        )
        return [within(Label(LEFT, baseline, words, plot.palette.text, 13, bold=True), 12, plot.right)]
    said = whole_minutes(window)
    words = f"window {plot.clock.time(said.start)} – {plot.clock.time(said.end)}"
    label = Label(plot.x(window.middle), plot.sky_bottom + 37, words, plot.palette.lamp, 13, "middle", True)
    return [within(label, 12, plot.width - 12)]


def _sun_stays_up(scene: NightScene) -> bool:
    return scene.sunset is None and min(point.altitude_deg for point in scene.sun) > -1


def _legend(plot: _Plot) -> list[_Legend]:
    """What the lines mean, in as many rows as the width asks for."""
    scene = plot.scene
    entries = []
    if any(point.altitude_deg >= ridge for point, ridge in zip(scene.target, scene.ridge_deg, strict=True)):
        entries.append(("target", f"{drawn_name(scene.target_words, 'target')} {_over_what(scene)}"))
    entries.append(("moon", moon_words(scene, plot.clock)))
    if any(hour.cloud_pct is not None for hour in scene.cloud):
        entries.append(("cloud", "chance of cloud"))
    else:
        entries.append(("note", "no forecast of cloud reaches this night"))
    placed: list[_Legend] = []
    x, y = 12.0, plot.sky_bottom + 62
    for kind, text in entries:
        needed = 30 + Label(0, 0, text, "").width
        if x > 12 and x + needed > plot.width - 12:
            x, y = 12.0, y + ROW
        placed.append(_Legend(kind, x, y, text))
        x += needed + 22
    return placed


def _over_what(scene: NightScene) -> str:
    return "over the ridge" if max(scene.ridge_deg, default=0.0) > 0 else "over the horizon"
