"""What travels with a mail besides its words: pictures, drawn once for all who get the same, and a calendar.

Drawing happens in the threads that send, outside of any transaction, and one picture at a time: it would
only take turns on the interpreter anyway. What can't be drawn is left out, and said to the operator.

What a message says is kept with its alert, as a repeat must say the same; not so the pictures, which would
fill the database, nor are they drawn while judging, which would take longer than a transaction may.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from alerts.briefing.assemble import PngPicture, draw_pictures
from alerts.briefing.calendar import CalendarEntry, build_calendar
from alerts.briefing.facts.alert import AlertFacts, Briefing
from alerts.briefing.pictures.night_scene import NightToDraw
from alerts.briefing.render import BUILT_IN, TEMPLATE_FAULTS, Templates, ranked
from alerts.common.errors import DuskbellError
from alerts.common.phrases import say
from alerts.common.units import Units
from alerts.notifying.model import AlertKind
from alerts.sky.ephemeris import Ephemeris
from service.delivery.claim import AlertToSend
from service.delivery.png import with_file
from service.store.repositories.message_scenes import Scene

log = logging.getLogger(__name__)

FAULTS = (*TEMPLATE_FAULTS, DuskbellError, OSError, RuntimeError)
"""What stored values of another version, a font or the drawing can raise."""
MOST_KEPT = 200
"""Sets of pictures, of up to about 100 kB each."""
LONGEST_FAULT = 200


@dataclass(frozen=True, slots=True)
class Enclosed:
    """What a mail carries besides its words, and whose words those are.

    pictures: by index in `Briefing.alerts`. calendar: the file, empty for none. templates: the operator's.
    """

    pictures: Mapping[int, Sequence[PngPicture]] = field(default_factory=dict)
    calendar: bytes = b""
    templates: Templates = BUILT_IN


class EnclosureBuilder:
    """Makes what a mail encloses. ephemeris: opened when the first picture is drawn; None draws none.

    templates: the operator's. problem: a sentence for the operator on why theirs can't be read, or "".
    """

    def __init__(
        self,
        ephemeris: Callable[[], Ephemeris] | None = None,
        templates: Templates = BUILT_IN,
        problem: str = "",
    ) -> None:
        self._ephemeris = ephemeris
        self._templates = templates
        self._problem = problem
        self._kept: OrderedDict[tuple[Any, ...], tuple[PngPicture, ...]] = OrderedDict()
        self._drawing = threading.Lock()

    def enclose(
        self, briefing: Briefing, told: Sequence[AlertToSend], stamped_at: datetime
    ) -> tuple[Enclosed, list[str]]:
        """The enclosures, and sentences for the operator on what is missing.

        told: in the order of `briefing.alerts`.
        """
        problems = [self._problem] if self._problem else []
        enclosed = Enclosed(templates=self._templates)
        try:
            enclosed = replace(enclosed, calendar=_calendar(briefing, told, stamped_at))
        except FAULTS as fault:
            problems.append(_say("calendar", briefing, fault))
        try:
            enclosed = replace(enclosed, pictures=self._of_best(briefing, told))
        except FAULTS as fault:
            problems.append(_say("pictures", briefing, fault))
        return enclosed, problems

    def _of_best(self, briefing: Briefing, told: Sequence[AlertToSend]) -> dict[int, tuple[PngPicture, ...]]:
        """The pictures of the first alert that is worth looking at; a stand-down isn't."""
        for facts in ranked(briefing):
            index = briefing.alerts.index(facts)
            scene = told[index].scene
            if facts.kind is not AlertKind.STAND_DOWN and scene is not None:
                return {index: self._pictures(facts, scene, briefing.units)}
        return {}

    def _pictures(self, facts: AlertFacts, scene: Scene, units: Units) -> tuple[PngPicture, ...]:
        """The pictures of one night, from the shelf if they were drawn before."""
        if self._ephemeris is None or facts.window is None:
            return ()
        notes = facts.field if facts.is_go else None
        shown = notes and replace(  # what differs from person to person and isn't drawn
            notes, arrive=facts.window.start, latest_departure=facts.window.start, signal_lost_at=None
        )
        key = (scene.night_id, scene.site, facts.window, shown, facts.cloud, facts.sky, units)
        with self._drawing:
            if key not in self._kept:
                self._kept[key] = _draw(facts, scene, self._ephemeris(), units)
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
            return self._kept[key]


def _draw(facts: AlertFacts, scene: Scene, ephemeris: Ephemeris, units: Units) -> tuple[PngPicture, ...]:
    assert facts.window is not None, "asked only with a window"
    night = scene.night()
    usable = facts.window
    drawn = NightToDraw(
        scene.site,
        night,
        next((window for window in night.windows if window.span.overlap(usable) is not None), None),
        facts.field if facts.is_go else None,
        facts.cloud,
        facts.sky.towns if facts.sky else (),
    )
    return tuple(map(with_file, draw_pictures(drawn, ephemeris, units=units)))


def _calendar(briefing: Briefing, told: Sequence[AlertToSend], stamped_at: datetime) -> bytes:
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
    return build_calendar(entries, stamped_at=stamped_at)


def _say(what: str, briefing: Briefing, fault: Exception) -> str:
    log.error("message %s goes out without its %s", briefing.message_id, what, exc_info=fault)
    said = f"{type(fault).__name__}: {fault}"[:LONGEST_FAULT]
    return say("delivery.trouble-without", what=what, problem=said)
