"""What travels with a mail besides its words: pictures, drawn once for all who get the same, and a calendar.

Pictures are PNG: the same on every machine, with the packaged font alone. Drawing happens in the threads that
send, outside of any transaction, and one picture at a time: it would only take turns on the interpreter
anyway. What can't be drawn is left out, and said to the operator.

What a message says is kept with its alert, as a repeat must say the same; not so the pictures, which would
fill the database, nor are they drawn while judging, which would take longer than a transaction may.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache
from importlib.resources import as_file, files
from typing import Any

from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.facts import Briefing
from alerts.briefing.pictures.drawing import Picture
from alerts.briefing.pictures.night_picture import NightToDraw
from alerts.briefing.render import BUILT_IN, TEMPLATE_FAULTS, PngPicture, Templates, draw_pictures, ranked
from alerts.common.errors import DuskbellError
from alerts.common.phrases import Phrase, phrase
from alerts.notifying.model import AlertKind
from alerts.sky.ephemeris import Ephemeris
from service.delivery.claim import AlertToSend

log = logging.getLogger(__name__)

FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
SCALE = 1.4
"""Pixels of the file for one of the page: mail shows a picture 280 to 500 wide, and must stay small."""


def render_png(picture: Picture, *, scale: float = SCALE) -> bytes:
    """The picture as PNG, `scale` times its own size; no system font is used."""
    import resvg_py

    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=picture.svg,
            width=round(picture.width_px * scale),
            skip_system_fonts=True,
            font_files=font_files(),
            font_family="DejaVu Sans",
            sans_serif_family="DejaVu Sans",
        )
    )


def with_file(picture: Picture) -> PngPicture:
    return PngPicture(picture, render_png(picture))


@cache
def font_files() -> list[str]:
    """Where the fonts lie; they are plain files of the installed package."""
    folder = files("service.delivery") / "fonts"
    paths = []
    for name in FONTS:
        with as_file(folder / name) as path:
            paths.append(str(path))
    return paths


FAULTS = (*TEMPLATE_FAULTS, DuskbellError, OSError, RuntimeError)
"""What stored values of another version, a font or the drawing can raise."""
MOST_KEPT = 200
"""Sets of pictures, of up to about 100 kB each."""
LONGEST_FAULT = 200


class EnclosureBuilder:
    """Makes what a mail encloses. ephemeris: opened when the first picture is drawn; None draws none.

    templates: the operator's. problem: a sentence for the operator on why theirs can't be read, or None.
    """

    def __init__(
        self,
        ephemeris: Callable[[], Ephemeris] | None = None,
        templates: Templates = BUILT_IN,
        problem: Phrase | None = None,
    ) -> None:
        self._ephemeris = ephemeris
        self.templates = templates
        self._problem = problem
        self._kept: OrderedDict[tuple[Any, ...], tuple[PngPicture, ...]] = OrderedDict()
        self._drawing = threading.Lock()

    def enclose(
        self, briefing: Briefing, told: Sequence[AlertToSend], stamped_at: datetime
    ) -> tuple[Mapping[int, Sequence[PngPicture]], bytes, list[Phrase]]:
        """The pictures by index in `briefing.alerts`, the calendar's file (empty for none), and sentences for
        the operator on what is missing.

        told: in the order of `briefing.alerts`.
        """
        problems = [self._problem] if self._problem else []
        entries = [
            CalendarEntry(
                facts=facts,
                key=each.calendar_key,
                sequence=each.sequence,
                place=(each.scene.site.lat_deg, each.scene.site.lon_deg) if each.scene else None,
                url=facts.night_url,
                units=briefing.units,
            )
            for facts, each in zip(briefing.alerts, told, strict=True)
            if each.calendar_key
        ]
        calendar, pictures = b"", {}
        try:
            calendar = build_calendar(entries, stamped_at=stamped_at)
        except FAULTS as fault:
            problems.append(_say("calendar", briefing, fault))
        try:
            pictures = self._draw_best(briefing, told)
        except FAULTS as fault:
            problems.append(_say("pictures", briefing, fault))
        return pictures, calendar, problems

    def _draw_best(
        self, briefing: Briefing, told: Sequence[AlertToSend]
    ) -> dict[int, tuple[PngPicture, ...]]:
        """The pictures of the first alert that is worth looking at, which a stand-down isn't; those that were
        drawn before where they show the same."""
        worth = [facts for facts in ranked(briefing) if facts.kind is not AlertKind.STAND_DOWN]
        for index, facts in ((briefing.alerts.index(facts), facts) for facts in worth):
            scene, usable = told[index].scene, facts.window
            if scene is None:
                continue
            if self._ephemeris is None or usable is None:
                return {index: ()}
            notes = facts.field if facts.is_go else None
            shown = notes and replace(  # what differs from person to person and isn't drawn
                notes, arrive=usable.start, latest_departure=usable.start, signal_lost_at=None
            )
            key = (scene.night_id, scene.site, usable, shown, facts.cloud, facts.sky, briefing.units)
            with self._drawing:
                if key not in self._kept:
                    night = scene.night()
                    windows = (each for each in night.windows if each.span.overlap(usable) is not None)
                    glows = facts.sky.towns if facts.sky else ()
                    drawn = NightToDraw(scene.site, night, next(windows, None), notes, facts.cloud, glows)
                    pictures = draw_pictures(drawn, self._ephemeris(), units=briefing.units)
                    self._kept[key] = tuple(map(with_file, pictures))
                self._kept.move_to_end(key)
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
                return {index: self._kept[key]}
        return {}


def _say(what: str, briefing: Briefing, fault: Exception) -> Phrase:
    log.error("message %s goes out without its %s", briefing.message_id, what, exc_info=fault)
    said = f"{type(fault).__name__}: {fault}"[:LONGEST_FAULT]
    return phrase("delivery.trouble-without", what=what, problem=said)
