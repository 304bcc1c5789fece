"""What a message says beside the verdict: notes for the field, the sky, the cloud, the record.

Worked out once for all who ask the same in a run.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from alerts.briefing.collect import NightFindings, build_field_notes, sky_note
from alerts.briefing.facts.field_notes import FieldNotes, SkyNote
from alerts.briefing.pictures.night_scene import shown_span
from alerts.common.errors import BadInput
from alerts.field.kit import Kit, parse_kit
from alerts.judging.window_brightness import window_sky
from alerts.sky.ephemeris import Ephemeris
from alerts.weather.chance import CloudHour, cloud_hours
from service.hindsight.track_record import RecordLines
from service.pipeline.judging.review import Review

T = TypeVar("T")
MOST_KEPT = 2_000
"""Of some kilobytes each; who asks the same is judged one after the other."""
log = logging.getLogger(__name__)


class MessageNotes:
    """The notes of one run. ephemeris: None leaves out what needs it."""

    def __init__(self, now: datetime, ephemeris: Ephemeris | None) -> None:
        self._now = now
        self._ephemeris = ephemeris
        self._records = RecordLines()
        self._kept: dict[tuple[Any, ...], Any] = {}

    def field_notes(self, review: Review) -> FieldNotes | None:
        """The notes for a trip to the window, for the subscription's kit; None where nobody goes."""
        ephemeris, verdict, trip = self._ephemeris, review.verdict, review.trip
        window = verdict.window
        if ephemeris is None or window is None or trip is None:
            return None
        stored, night = review.site.stored, review.judged.night
        watch, wishes = review.watch, review.watch.wishes
        key = (
            "field", stored.revision_id, night.night_id, window.span, trip, wishes.shortest_window,
            watch.kit, watch.is_own, verdict.outlook,
        )  # fmt: skip
        return self._once(
            key,
            lambda: build_field_notes(
                replace(self.findings(review), cloud=self.cloud(review)),
                window,
                ephemeris,
                read_kit(watch.kit, watch.subscription_id),
            ),
        )

    def findings(self, review: Review) -> NightFindings:
        """What is known of the night without any notes."""
        return NightFindings(
            site=review.place,
            night=review.judged.night.night,
            verdict=review.verdict,
            wishes=review.watch.wishes,
            plan=review.trip,
            now=self._now,
        )

    def sky(self, review: Review) -> SkyNote | None:
        """How bright the sky is where the camera looks in the window, and the towns round the site."""
        ephemeris, verdict = self._ephemeris, review.verdict
        window = verdict.window
        if ephemeris is None or window is None:
            return None
        aod = verdict.outlook.aerosol_optical_depth if verdict.outlook else None
        stored = review.site.stored
        key = ("sky", stored.revision_id, review.watch.is_own, window.span, window.target, aod)
        return self._once(key, lambda: sky_note(window, window_sky(review.place, window, ephemeris, aod)))

    def cloud(self, review: Review) -> tuple[CloudHour, ...]:
        """The chance of cloud hour by hour, from sunset on."""
        night, site = review.judged.night, review.site
        forecasts = site.inputs.forecasts
        key = ("cloud", site.stored.revision_id, night.night_id)
        return self._once(key, lambda: cloud_hours(shown_span(night.night), forecasts, now=self._now))

    def record(self, session: Session, review: Review) -> str:
        """What came of forecasts like this one; "" while nothing was judged yet."""
        window, chance_pct = review.verdict.window, review.verdict.chance_pct
        if window is None or chance_pct is None:
            return ""
        ahead = window.span.start - self._now
        return self._records.line(session, review.watch.site_id, ahead, chance_pct)

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
