"""The plainest trip, as tests reckon it: one drive, scouting before the window, no gate."""

from __future__ import annotations

from alerts.common.span import Span
from alerts.field.trip_plan import FieldPlan, plan_from
from alerts.wishes.model import Wishes


def plan(window: Span, wishes: Wishes) -> FieldPlan:
    """The trip to `window` with the drive, scouting and shortest window of `wishes`."""
    return plan_from(window, wishes, window.start - wishes.scouting, wishes.usual_drive)
