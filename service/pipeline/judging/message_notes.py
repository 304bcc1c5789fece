"""What a message says: the verdict, notes for the field, the sky, the cloud, the record, the other sites.

Worked out once for all who ask the same in a run.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from alerts.briefing.collect import NightFindings, alert_facts, build_field_notes, sky_note
from alerts.briefing.facts import AlertFacts
from alerts.briefing.pictures.night_picture import shown_span
from alerts.common.errors import BadInput
from alerts.field.kit import Kit, parse_kit
from alerts.judging.comparison import SiteChoice, others_than
from alerts.judging.privacy import discreet, shared_site
from alerts.judging.window_brightness import optical_depth, window_sky
from alerts.notifying.model import AlertKind
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.chance import CloudHour, cloud_hours
from service.hindsight.track_record import RecordLines
from service.pipeline.judging.review import Review

T = TypeVar("T")
MOST_KEPT = 2_000
"""Of some kilobytes each; who asks the same is judged one after the other."""
log = logging.getLogger(__name__)


class MessageNotes:
    """What the messages of one run say. ephemeris: None leaves out what needs it. invented: mark them so."""

    def __init__(self, now: datetime, ephemeris: Ephemeris | None, invented: bool = False) -> None:
        self._now = now
        self._ephemeris = ephemeris
        self._invented = invented
        self._records = RecordLines()
        self._kept: dict[tuple[Any, ...], Any] = {}

    def facts(self, session: Session, review: Review, choices: Mapping[int, SiteChoice]) -> AlertFacts:
        """All that is told of this look. choices: of the person's sites on that night, by subscription."""
        watch, stored, night, verdict = review.watch, review.site.stored, review.judged.night, review.verdict
        now, kind, window, trip = self._now, review.telling.kind, verdict.window, review.trip
        goes, ahead = kind in (AlertKind.GO, AlertKind.CHANGED), kind is not AlertKind.STAND_DOWN
        # to others than its owner the site without what leads there, the verdict without the site's note
        place = stored.site if watch.is_own else shared_site(stored.site)
        place_key = stored.revision_id, watch.is_own
        found = NightFindings(
            site=place, night=night.night, verdict=verdict, wishes=watch.wishes, now=now, plan=trip
        )

        # the chance of cloud hour by hour, from sunset on
        cloud: tuple[CloudHour, ...] = ()
        if ahead:
            key, forecasts = ("cloud", stored.revision_id, night.night_id), review.site.inputs.forecasts
            cloud = self._once(key, lambda: cloud_hours(shown_span(night.night), forecasts, now=now))

        # for who goes, the sky where the camera looks, and the notes for the field and their kit
        notes, sky, ephemeris = None, None, self._ephemeris
        if goes and ephemeris is not None and window is not None:
            aod = optical_depth(verdict)
            of_sky = "sky", *place_key, window.span, window.target, aod
            sky = self._once(of_sky, lambda: sky_note(window, window_sky(place, window, ephemeris, aod)))
            if trip is not None:
                shortest, known = watch.wishes.shortest_window, replace(found, cloud=cloud)
                made_for = window.span, trip, shortest, watch.kit, verdict.outlook
                notes = self._once(
                    ("field", *place_key, night.night_id, *made_for),
                    lambda: build_field_notes(
                        known, window, ephemeris, read_kit(watch.kit, watch.subscription_id)
                    ),
                )

        # what came of forecasts like this one
        record = ""
        if ahead and window is not None and verdict.chance_pct is not None:
            before = window.span.start - now
            record = self._records.line(session, watch.site_id, before, verdict.chance_pct)

        told = verdict if watch.is_own else discreet(verdict)
        found = replace(found, verdict=told, invented=self._invented, notes=notes, sky=sky)
        found = replace(found, record=record, cloud=() if goes else cloud)
        others = others_than(choices[watch.subscription_id], list(choices.values()), now)
        return alert_facts(review.telling, found, told=review.answers, others=others)

    def _once(self, key: tuple[Any, ...], work: Callable[[], T]) -> T:
        if key not in self._kept:
            if len(self._kept) >= MOST_KEPT:
                self._kept.clear()
            self._kept[key] = work()
        kept: T = self._kept[key]
        return kept


def read_kit(text: str, subscription_id: int) -> Kit | None:
    """The kit that a subscription names; None, the default, where it names none or it can't be read."""
    if not text:
        return None
    try:
        return parse_kit(text)
    except BadInput:
        log.warning("the kit of subscription %s can't be read; the default stands in", subscription_id)
        return None
