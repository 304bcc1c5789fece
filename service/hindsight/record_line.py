"""One line of the record for a message: what came of forecasts like this one."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy.orm import Session

from alerts.track.calibration.leads import HOURS_BEFORE, LEADS, Lead
from alerts.track.calibration.pairs import Pairs
from alerts.track.record.text import forecasts_like, say_like
from service.store.repositories.pairs import load_pairs


class RecordLines:
    """Lines of one run; what was said at a lead is read once for all of them."""

    def __init__(self) -> None:
        self._pairs: dict[Lead, Pairs] = {}

    def line(self, session: Session, site_id: int, ahead: timedelta, chance_pct: int) -> str:
        """`Forecasts like this came clear 9 of 12 times here.`; "" where none like it was judged yet.

        ahead: from now to the window's start.
        """
        lead = nearest_lead(ahead)
        if lead not in self._pairs:
            self._pairs[lead] = load_pairs(session, lead=lead, with_lineages=False)
        like = forecasts_like(self._pairs[lead], site_id, lead, chance_pct / 100)
        return say_like(like) if like.cases else ""


def nearest_lead(ahead: timedelta) -> Lead:
    """The lead at which the record remembers what was said about that long before a window."""
    hours = ahead / timedelta(hours=1)
    return min(LEADS, key=lambda lead: abs(HOURS_BEFORE[lead] - hours))
