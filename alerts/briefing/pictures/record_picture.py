"""The picture of a record: what was said against how often it came clear, and how far luck reaches."""

from __future__ import annotations

from collections.abc import Iterator

from alerts.briefing.pictures.drawing import (
    LIGHT,
    NARROW,
    WIDE_FROM,
    Box,
    Label,
    Palette,
    Picture,
    caption,
    heading,
    render,
)
from alerts.common.phrases import phrase, say
from alerts.common.text import LONGEST_NAME, plain
from alerts.track.calibration.model import Lead
from alerts.track.record.summary import BINS, Record

LEFT, RIGHT = 50.0, 14.0
ROW = 16.0
SMALL = 11.0
BAR = 14.0
MARK = 5.5


def draw_record(
    record: Record, lead: Lead, name: str, palette: Palette = LIGHT, *, width: int = NARROW
) -> Picture:
    """The reliability of what was said at one lead. name: of the site, or what stands for all of them.

    Figures are counts, never percentages: of few nights a percentage is mostly luck.
    """
    beside = say("pictures.record-said", lead=phrase("track.lead", lead=lead))
    head, baseline = heading(plain(name, LONGEST_NAME), beside, width, palette)
    top = baseline + 24
    plot = Box(LEFT, top, width - RIGHT, top + (300.0 if width >= WIDE_FROM else 220.0))
    bars, marks = [], []
    for each in record.reliability:
        x, high, low = plot.x(each.said), plot.y(each.high), plot.y(each.low)
        bars.append({"x": x - BAR / 2, "y": high, "height": max(low - high, 1.0)})
        y, reach = plot.y(each.clear / each.cases), MARK + 1.5
        diamond = f"M{x:.1f} {y - reach:.1f}l{reach:g} {reach:g}l{-reach:g} {reach:g}l{-reach:g} {-reach:g}Z"
        marks.append({"x": x, "y": y, "diamond": diamond if each.is_outside else ""})
    below = caption([(say("pictures.record-explained"), palette.muted)], plot.bottom + 78, width)
    values = {
        "box": plot,
        "levels": [plot.y(share) for share in (0.0, 0.5, 1.0)],
        "diagonal": (plot.x(0), plot.y(0), plot.x(1), plot.y(1)),
        "bar_width": BAR,
        "bars": bars,
        "marks": marks,
        "mark_size": MARK,
        "labels": [*head, *_lettering(plot, record, palette), *below],
    }
    return render("record", record_alt(record, lead, name), (width, below[-1].y + 12), palette, values)


def record_alt(record: Record, lead: Lead, name: str) -> str:
    """The picture as sentences."""
    said = [say("pictures.record-alt", lead=phrase("track.lead", lead=lead), name=plain(name, LONGEST_NAME))]
    for each in record.reliability:
        counts = {"said_pct": round(100 * each.said), "clear": each.clear, "cases": each.cases}
        said.append(say("pictures.record-bin", is_outside=each.is_outside, **counts))
    return " ".join(said)


def _lettering(plot: Box, record: Record, palette: Palette) -> Iterator[Label]:
    """What the axes mean, and two rows under the plot: how many came clear, of how many nights."""
    yield Label(LEFT, plot.top - 8, say("pictures.record-came-clear"), palette.muted, SMALL)
    for share, word in ((0.0, "none"), (0.5, "half"), (1.0, "all")):
        yield Label(LEFT - 7, plot.y(share) + 4, say(f"pictures.record-{word}"), palette.muted, SMALL, "end")
    for chance, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        said_pct = round(100 * chance)
        text = say("pictures.record-percent" if said_pct else "pictures.record-said-none", said_pct=said_pct)
        yield Label(plot.x(chance), plot.bottom + 16, text, palette.muted, SMALL, anchor)

    top = plot.bottom + 16 + ROW + 2
    yield Label(LEFT - 7, top, say("pictures.record-clear"), palette.muted, SMALL, "end")
    yield Label(LEFT - 7, top + ROW, say("pictures.record-of"), palette.muted, SMALL, "end")
    for each in record.reliability:
        place = min(int(each.said * BINS + 1e-9), BINS - 1)
        x = plot.x((place + 0.5) / BINS)
        yield Label(x, top, _count(each.clear), palette.text, SMALL, "middle")
        yield Label(x, top + ROW, _count(each.cases), palette.text, SMALL, "middle")


def _count(number: int) -> str:
    return str(number) if number < 10_000 else f"{round(number / 1000)}k"
