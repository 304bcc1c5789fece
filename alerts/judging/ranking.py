"""What a dark window is worth: how the best of several is chosen.

    worth = minutes × darkness × chance × shape × target

minutes: of the part that can be used. darkness: 1 while the Sun is below −18° and the Moon down, less
while it is not. chance: of the event, as a share. shape: how much of the time shows a shape that was
asked for. target: 1 for the target wanted most, less for each that will also do.

A rule of ours for putting windows and sites in order, not a measure of anything in the sky; the one place
that does. Go comes before wait whatever it is worth. By the chance alone a sure half hour under a full Moon
would beat a dark night.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from alerts.common.plain_values import value
from alerts.common.span import Span, intersect
from alerts.sky.night import BodyEvents, DarkWindow, Night, Shape, TargetKind
from alerts.weather.outlook import Outlook

NEAR_DARK_WORTH = 0.75
"""A minute with the Sun between −15° and −18°."""
MOONLIT_COSTS = 0.7
"""How much of a minute a full Moon takes; a lesser one takes its lit share of that."""
OTHER_SHAPE_WORTH = 0.25
"""A minute of another shape than those asked for."""
NEXT_TARGET_WORTH = 0.8
"""A minute of the second target against one of the first, of the third against the second, and so on."""


@value(frozen=True, slots=True)
class WindowView:
    """One window of a night as it is judged. usable: the part that counts, None where nothing does. rank: of
    its target, 0 for the one wanted most, 1 for the next, …."""

    night: Night
    window: DarkWindow
    usable: Span | None
    outlook: Outlook | None
    rank: int = 0


def worth_minutes(view: WindowView, shapes: Sequence[Shape]) -> float:
    """The worth of a window in minutes of the best sky; 0 while the chance is unknown. shapes: those asked
    for; where none was, or the target has none, all are as good."""
    night, window, usable, outlook = view.night, view.window, view.usable, view.outlook
    if usable is None or outlook is None or not outlook.chance_pct:
        return 0.0

    # the mean worth of a minute by the Sun, and by the Moon
    lasts, down = usable.minutes, down_spans(night.span, night.astronomical)
    dark = sum(span.minutes for span in intersect([usable], down))
    by_sun = (dark + (lasts - dark) * NEAR_DARK_WORTH) / lasts
    moonless = sum(span.minutes for span in intersect([usable], night.moonless))
    by_moon = (moonless + (lasts - moonless) * (1 - MOONLIT_COSTS * night.moon_lit)) / lasts

    by_shape = 1.0
    if shapes and window.target.kind in (TargetKind.CORE, TargetKind.BAND):
        wanted = shape_time(window, usable, shapes) / usable.duration
        by_shape = wanted + (1 - wanted) * OTHER_SHAPE_WORTH
    by_target: float = NEXT_TARGET_WORTH**view.rank
    return lasts * (by_sun * by_moon) * (outlook.chance_pct / 100) * by_shape * by_target


def rough_worth(usable: Span, chance_pct: int | None) -> float:
    """Minutes × chance alone, where no more is at hand; `worth_minutes` is never more for the same span."""
    return usable.minutes * (chance_pct or 0) / 100


def shape_time(window: DarkWindow, usable: Span, shapes: Sequence[Shape]) -> timedelta:
    """How long one of these shapes stands in the usable part."""
    pieces = (piece.span.overlap(usable) for piece in window.shapes if piece.has(shapes))
    return sum((piece.duration for piece in pieces if piece is not None), timedelta(0))


def down_spans(night: Span, body: BodyEvents) -> tuple[Span, ...]:
    """The spans of a night with a body below the level of these crossings."""
    events = sorted([(at, True) for at in body.rises] + [(at, False) for at in body.sets])
    spans, since = [], None if body.up_at_start else night.start
    for at, rises in events:
        if rises and since is not None and since < at:
            spans.append(Span(since, at))
        since = None if rises else at
    if since is not None and since < night.end:
        spans.append(Span(since, night.end))
    return tuple(spans)
